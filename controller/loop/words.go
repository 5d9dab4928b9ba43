package loop

import (
	"fmt"
	"strings"
	"time"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// answerOf puts a reply to a command into words.
func (l *Loop) answerOf(r controller.Reply, c *controller.Command) controller.Answer {
	r.Value, r.Limit = finite(r.Value), finite(r.Limit)
	return controller.Answer{Reply: r, Text: refusalText(r, c, l.deps.Units == "us")}
}

// figuresOf writes what was asked or seen and its limit; their unit goes by what the command was about.
func figuresOf(r controller.Reply, c *controller.Command, us bool) string {
	if r.Value == 0 && r.Limit == 0 {
		return ""
	}
	write := func(x float64) string { return number(x) + " %" }
	switch {
	case c.Verb == controller.VerbWeigh:
		write = func(x float64) string { return number(x) + " kg" }
	case c.Verb == controller.VerbSet && c.HasDryBulb && r.Value == float64(c.DryBulb):
		write = func(x float64) string { return controller.Degrees(quantity.Celsius(x), us) }
	case c.Verb == controller.VerbSet && r.Value == c.For.Seconds(), c.Verb == controller.VerbTest:
		write = func(x float64) string { return controller.Span(time.Duration(x * float64(time.Second))) }
	case r.Refusal == controller.RefusedUncertain:
		write = func(x float64) string { return number(x) + " points" }
	}
	return fmt.Sprintf(" (%s; limit %s)", write(r.Value), write(r.Limit))
}

func refusalText(r controller.Reply, c *controller.Command, us bool) string {
	figures := figuresOf(r, c, us)
	switch r.Refusal {
	case controller.Accepted:
		return "done"
	case controller.RefusedBusy:
		return "refused: another command is still being made safe on disk; try again in a moment"
	case controller.RefusedNoRun:
		return "refused: no charge is running"
	case controller.RefusedRunning:
		return "refused: a charge is running; end it first"
	case controller.RefusedMovedOn:
		return "refused: the run has moved on; it is not in the stage that the command was meant for"
	case controller.RefusedLimit:
		return "refused: beyond a limit of the kiln, the machine or the wood" + figures
	case controller.RefusedFirstStage:
		return "refused: there is no stage before this one"
	case controller.RefusedLastStage:
		return "refused: there is no stage after this one"
	case controller.RefusedUncertain:
		return "refused: the moisture is not known well enough" + figures
	case controller.RefusedForced:
		return "refused: a trip is in force or the kiln is held safe"
	case controller.RefusedNothing:
		return "refused: there is nothing of the kind"
	case controller.RefusedUnlikely:
		return "refused: that weight is unlikely" + figures + "; weigh again, or say that it was checked"
	case controller.RefusedPanel:
		return "refused: only the reset at the panel clears it"
	case controller.RefusedHeld:
		return "refused: not while the stage is held"
	case controller.RefusedKey:
		return "refused: turn the panel's key to its service position first"
	case controller.RefusedCold:
		return "refused: the crankcase is being warmed, " + controller.Span(time.Duration(r.Value*float64(time.Hour))) +
			" to go; if the machine has been warm all along, say so: drywarden charge warm --reason"
	case controller.RefusedUnsteady:
		return fmt.Sprintf("refused: after an outage of hours no stage is left before readings were steady for %s h; so far %s h",
			number(r.Limit), number(r.Value))
	}
	return fmt.Sprintf("refused for reason %d", r.Refusal)
}

func holdText(h schedule.Hold) string {
	switch h {
	case schedule.HoldOperator:
		return "an operator asked for it"
	case schedule.HoldOutage:
		return "after the outage a person's word is wanted, or steady data first"
	case schedule.HoldFiles:
		return "kiln, charge or schedule changed while the program was down; a person's word is wanted"
	case schedule.HoldAir:
		return "the air is not known: no valid dry bulb or no humidity source"
	case schedule.HoldDoor:
		return "the door is open, or was just shut"
	case schedule.HoldTrip:
		return "a latched trip is in force"
	case schedule.HoldSuspicious:
		return "the evidence contradicts itself"
	case schedule.HoldRate:
		return "the wood dries too fast and the rate guard is at its end"
	}
	return "unknown reason " + h.String()
}

func howToClear(a hardware.Authority) string {
	switch a {
	case hardware.ByItself:
		return "clears by itself when the cause is gone"
	case hardware.ByOperator:
		return "remove the cause, then reset it from here"
	case hardware.AtPanel:
		return "remove the cause, then press the reset at the panel; no command alone clears it"
	case hardware.ByTechnician:
		return "for a technician: remove the cause, reset it with a written reason while the panel's reset is pressed"
	}
	return "unknown"
}

// lookAt says, by matter, what a person looks at before they confirm it.
var lookAt = map[string]string{
	"stop":     "the emergency stop was pressed: find out why, release it, reset its trip at the panel, see that nobody is in the machines",
	"outage":   "the kiln was without control: look at the machines and the wood",
	"restarts": "the program broke off again and again: look at its log and at the computer",
	"files":    "kiln, charge or schedule differ from those that the charge was run with: see whether that was meant",
	"weights":  "weights contradict the water: look at the samples, their weights and the drain",
}

// waits says what waits for a person.
func (l *Loop) waits(s *controller.Status) {
	add := func(format string, args ...any) { s.Waits = append(s.Waits, fmt.Sprintf(format, args...)) }
	for _, matter := range s.ToConfirm {
		add("%s; then: drywarden charge confirm %s", lookAt[matter], matter)
	}
	if left := l.image.State.Restart.Warm; left > 0 {
		add("the crankcase is being warmed, %s to go before the compressor may start; if the machine has been warm all along, say so: drywarden charge warm --reason", controller.Span(left))
	}
	for _, t := range s.Trips {
		add("trip %s: %s", t.Rule, t.HowToClear)
	}
	for _, a := range s.Alarms {
		if !a.Acked && !tripped(s.Trips, a.Rule) {
			add("alarm %s: %s", a.Rule, a.Seen)
		}
	}
	if s.Storage.Failure != "" {
		add("control state cannot be saved: %s", s.Storage.Failure)
	}
	if s.Charge != nil && s.Charge.Phase == schedule.Done.String() {
		add("the schedule is done: end the charge")
	}
}

func tripped(trips []controller.TripStatus, rule string) bool {
	for _, t := range trips {
		if t.Rule == rule {
			return true
		}
	}
	return false
}

// headline says in one line what is going on.
func headline(s *controller.Status) string {
	var b strings.Builder
	switch {
	case s.Charge == nil:
		b.WriteString("no charge")
	case s.Charge.Stage >= 0 && s.Charge.Stage < len(s.Charge.Stages):
		st := s.Charge.Stages[s.Charge.Stage]
		fmt.Fprintf(&b, "charge %s, stage %d of %d (%s)", s.Charge.Name, s.Charge.Stage+1, len(s.Charge.Stages), st.Kind)
	default:
		fmt.Fprintf(&b, "charge %s, %s", s.Charge.Name, s.Charge.Phase)
	}
	fmt.Fprintf(&b, ", %s", s.Mode)
	if s.Charge != nil && len(s.Charge.Holds) > 0 {
		fmt.Fprintf(&b, " (%s)", strings.Join(s.Charge.Holds, ", "))
	}
	if s.Forced != hardware.NotForced.String() {
		fmt.Fprintf(&b, ", forced %s", s.Forced)
	}
	if len(s.Trips) > 0 {
		fmt.Fprintf(&b, ", %d latched", len(s.Trips))
	}
	return b.String()
}

// names is what sentences need beside their figures.
func (l *Loop) names() *controller.Names {
	n := &controller.Names{Rule: l.rules.name, US: l.deps.Units == "us"}
	for _, p := range l.deps.Config.Layout.Probes {
		n.Probes = append(n.Probes, p.Name)
	}
	if l.image.Run != nil {
		n.Stage = int(l.image.State.Run.Stage) + 1
		for _, lot := range l.image.Run.Plan.Lots {
			n.Lots = append(n.Lots, lot.Name)
		}
	}
	return n
}
