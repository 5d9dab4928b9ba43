package loop

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"drywarden/controller"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/schedule"
)

// queueLength bounds what waits to be taken up; more is refused, not kept.
const queueLength = 64

// ask is an order on its way, with all that goes with it.
type ask struct {
	order  controller.Order
	files  *RunFiles // of a start
	answer func(controller.Answer)
	since  mono.Instant // of a reset that the gate accepted
}

// Submit hands in commands and gives a channel on which each is answered; it never blocks and the channel need not be
// read. Commands that find the queue full are refused as busy.
func (l *Loop) Submit(commands ...controller.Command) <-chan controller.Reply {
	replies := make(chan controller.Reply, len(commands))
	for _, c := range commands {
		l.put(ask{order: controller.Order{Command: c}, answer: func(a controller.Answer) { replies <- a.Reply }})
	}
	return replies
}

// SubmitOrder does the same with one order that carries a reason.
func (l *Loop) SubmitOrder(order controller.Order) <-chan controller.Reply {
	replies := make(chan controller.Reply, 1)
	l.put(ask{order: order, answer: func(a controller.Answer) { replies <- a.Reply }})
	return replies
}

// Start hands in a charge whose plan is ready, for simulations; nothing is kept on disk. The plan gets its run id here.
func (l *Loop) Start(plan *schedule.Plan) <-chan controller.Reply {
	replies := make(chan controller.Reply, 1)
	p := *plan
	l.put(ask{
		order:  controller.Order{Command: controller.Command{Verb: controller.VerbStart}},
		files:  &RunFiles{PlanHash: plan.Hash, Plan: &p},
		answer: func(a controller.Answer) { replies <- a.Reply },
	})
	return replies
}

// Do hands in an order and waits until it is answered. The error is the context's: the order may still be done.
func (l *Loop) Do(ctx context.Context, order controller.Order) (controller.Answer, error) {
	return l.do(ctx, ask{order: order})
}

// StartCharge checks the files, keeps copies of them, and starts the charge. The error is that of Prepare when the files
// do not load, or of Admit; nothing that runs is touched by them.
func (l *Loop) StartCharge(ctx context.Context, order controller.Order, files controller.ChargeFiles) (controller.Answer, error) {
	if l.deps.Prepare == nil || l.deps.Copies == nil {
		return controller.Answer{}, errors.New("start charge: this kiln takes no files")
	}
	plan, err := l.deps.Prepare(files)
	if err == nil && l.deps.Admit != nil {
		err = l.deps.Admit(plan)
	}
	if err != nil {
		return controller.Answer{}, err
	}
	kept := func(f controller.File) KeptFile {
		hash, failed := l.deps.Copies.Keep([]byte(f.Text))
		if failed != nil {
			err = errors.Join(err, fmt.Errorf("start charge, %s: %w", f.Name, failed))
		}
		return KeptFile{f.Name, hash}
	}
	p := *plan
	p.Hash = planHash(&p, files)
	run := &RunFiles{Charge: kept(files.Charge), PlanHash: p.Hash, Plan: &p}
	for _, s := range files.Schedules {
		run.Schedules = append(run.Schedules, kept(s))
	}
	if l.deps.KilnFile.Text != "" {
		run.Kiln = kept(l.deps.KilnFile)
	}
	if err != nil {
		return controller.Answer{}, err
	}
	order.Verb = controller.VerbStart
	return l.do(ctx, ask{order: order, files: run})
}

func planHash(p *schedule.Plan, files controller.ChargeFiles) string {
	if p.Hash != "" {
		return p.Hash
	}
	all := []byte(files.Charge.Text)
	for _, s := range files.Schedules {
		all = append(append(all, 0), s.Text...)
	}
	return store.Hash(all)
}

func (l *Loop) do(ctx context.Context, a ask) (controller.Answer, error) {
	answers := make(chan controller.Answer, 1)
	a.answer = func(answer controller.Answer) { answers <- answer }
	l.put(a)
	select {
	case answer := <-answers:
		return answer, nil
	case <-ctx.Done():
		return controller.Answer{}, fmt.Errorf("wait for the answer to %q: %w", a.order.Verb, ctx.Err())
	}
}

func (l *Loop) put(a ask) {
	select {
	case l.queue <- a:
	default:
		a.answer(l.answerOf(controller.Reply{Refusal: controller.RefusedBusy}, &a.order.Command))
	}
}

// feed takes orders up: those for the gate at once, the others one a tick, and none while one is being made durable, so
// that nobody is refused for coming second.
func (l *Loop) feed() {
	l.in.Count = 0
	for l.in.Count == 0 && !l.image.State.Pending.On && len(l.waiting) == 0 {
		select {
		case a := <-l.queue:
			l.take(a)
		default:
			return
		}
	}
}

func (l *Loop) take(a ask) {
	l.lastID++
	a.order.ID = l.lastID
	c := &a.order.Command
	if c.Rule <= hardware.LastSafetyRule && (c.Verb == controller.VerbAck || c.Verb == controller.VerbReset) {
		l.gateOrder(a)
		return
	}
	if a.files != nil {
		if l.image.State.Run.Phase == schedule.Idle {
			a.files.ID = l.image.LastRun + 1
			a.files.Plan.ID = a.files.ID
			l.image.Next = a.files
		}
		c.Run = l.image.LastRun + 1
	}
	l.in.Commands[0], l.in.Count = *c, 1
	l.waiting = append(l.waiting, a)
}

// clearTime is how long a reset that the gate accepted may take until the trip is gone: its record must be saved first.
const clearTime = 30 * time.Second

// gateOrder is an order about a safety rule: the gate decides, and keeps its own trips. A reset is answered when the trip
// is gone.
func (l *Loop) gateOrder(a ask) {
	o := a.order
	reply := controller.Reply{ID: o.ID}
	text := l.rules.text(o.Rule)
	if text.Name == "" {
		reply.Refusal = controller.RefusedNothing
		l.settle(a, l.answerOf(reply, &a.order.Command))
		return
	}
	if o.Verb == controller.VerbAck {
		if err := l.deps.Gate.Ack(o.Rule); err != nil {
			reply.Refusal = controller.RefusedNothing
			l.settle(a, controller.Answer{Reply: reply, Text: "refused: " + err.Error()})
			return
		}
		l.settle(a, l.answerOf(reply, &a.order.Command))
		return
	}
	if err := l.deps.Gate.Reset(o.Rule, text.Clears, o.Reason); err != nil {
		switch {
		case !l.applied.Trips.Has(o.Rule):
			reply.Refusal = controller.RefusedNothing
		case text.Clears >= hardware.AtPanel:
			reply.Refusal = controller.RefusedPanel
		default:
			reply.Refusal = controller.RefusedForced
		}
		l.settle(a, controller.Answer{Reply: reply, Text: "refused: " + err.Error()})
		return
	}
	a.since = l.snap.Now
	l.clearing = append(l.clearing, a)
}

// cleared answers the resets whose trip is gone, and those that took too long: the cause has come back, or the record of
// trips cannot be saved.
func (l *Loop) cleared() {
	l.clearing = slices.DeleteFunc(l.clearing, func(a ask) bool {
		reply := controller.Reply{ID: a.order.ID}
		switch {
		case !l.applied.Trips.Has(a.order.Rule):
			l.settle(a, l.answerOf(reply, &a.order.Command))
		case l.snap.Now.Sub(a.since) > clearTime:
			reply.Refusal = controller.RefusedForced
			l.settle(a, controller.Answer{Reply: reply, Text: "refused: the trip is still in force; its cause is back, or its record cannot be saved"})
		default:
			return false
		}
		return true
	})
}

// answer gives the replies of this tick to those who wait for them.
func (l *Loop) answer() {
	for i := range l.res.ReplyCount {
		reply := l.res.Replies[i]
		for w, a := range l.waiting {
			if a.order.ID == reply.ID {
				l.waiting = append(l.waiting[:w], l.waiting[w+1:]...)
				l.settle(a, l.answerOf(reply, &a.order.Command))
				break
			}
		}
	}
}

// settle answers one order, and logs what was asked, by whom and why.
func (l *Loop) settle(a ask, answer controller.Answer) {
	l.counts.commands++
	o := a.order
	message := "order done"
	if answer.Reply.Refusal != controller.Accepted {
		l.counts.refused++
		message = "order refused"
	}
	about := []any{"verb", o.Verb.String(), "run", o.Run, "stage", o.Stage, "rule", l.rules.text(o.Rule).Name}
	switch o.Verb {
	case controller.VerbTest:
		about = append(about, "output", o.Output.String(), "for", o.For)
	case controller.VerbConfirm:
		about = append(about, "matters", strings.Join(o.Matters.Names(), " "))
	case controller.VerbSeen:
		about = append(about, "output", o.Output.String(), "as_wanted", o.AsWanted)
	}
	l.log.Info(message, append(about, "reason", o.Reason, "who", o.Who.Name, "uid", o.Who.UID, "text", answer.Text)...)
	a.answer(answer)
}

// drain refuses what still waits when the loop ends; what was accepted and not yet durable may or may not be done after a
// restart, so its answer says so.
func (l *Loop) drain() {
	for _, a := range slices.Concat(l.waiting, l.clearing) {
		a.answer(controller.Answer{Reply: controller.Reply{ID: a.order.ID, Refusal: controller.RefusedBusy},
			Text: "the daemon stops; look at the status after its start to see whether this was still done"})
	}
	l.waiting, l.clearing = nil, nil
	for {
		select {
		case a := <-l.queue:
			a.answer(controller.Answer{Reply: controller.Reply{Refusal: controller.RefusedBusy}, Text: "the daemon stops; nothing was done"})
		default:
			return
		}
	}
}
