package courier

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"drywarden/controller"
)

// lookEvery is the time between two looks at the status.
const lookEvery = 250 * time.Millisecond

// names of the recipients, in logs and metrics.
var names = [...]string{"first", "second", "alive"}

const aliveIndex = 2

// Courier runs the recipients' programs. Delivery is safe for all goroutines; Run is called once.
type Courier struct {
	cfg      Config
	log      *slog.Logger
	book     *Book
	began    time.Time
	delivery atomic.Pointer[controller.DeliveryStatus]
	busy     [len(names)]bool
	counts   [len(names)]controller.DeliveryRecipient
	results  chan result
	missing  bool // told in the log
}

type result struct {
	recipient int
	list      []entry
	err       error
}

// New makes a courier that has told nothing yet.
func New(cfg Config, log *slog.Logger) *Courier {
	c := &Courier{cfg: cfg, log: log.With("component", "courier"), results: make(chan result)}
	c.book = NewBook(&c.cfg)
	for i := range c.counts {
		c.counts[i].Name = names[i]
	}
	c.publish(0)
	return c
}

// Delivery says how the telling goes; nobody may change it.
func (c *Courier) Delivery() *controller.DeliveryStatus { return c.delivery.Load() }

// Run looks at the status, and has told what is new in it, until ctx is done. Programs that run then are ended.
func (c *Courier) Run(ctx context.Context, status func() *controller.Status) error {
	c.began = time.Now()
	beat := time.NewTicker(lookEvery)
	defer beat.Stop()
	for {
		select {
		case <-ctx.Done():
			for _, busy := range c.busy {
				if busy {
					<-c.results
				}
			}
			return nil
		case r := <-c.results:
			c.settle(&r)
		case <-beat.C:
			if s := status(); s != nil {
				c.look(ctx, s)
			}
		}
	}
}

func (c *Courier) now() time.Duration { return time.Since(c.began) }

func (c *Courier) look(ctx context.Context, s *controller.Status) {
	now := c.now()
	c.book.Look(now, s)
	for i := range c.cfg.Recipients {
		if c.busy[i] {
			continue
		}
		if list := c.book.Owed(now, i); len(list) > 0 {
			c.send(ctx, i, &c.cfg.Recipients[i], c.cfg.alarms(list, s), list)
		}
	}
	if !c.busy[aliveIndex] && c.book.AliveDue(now) {
		recipient := &c.cfg.Alive
		if len(recipient.Run) == 0 {
			recipient = &c.cfg.Recipients[0]
		}
		c.send(ctx, aliveIndex, recipient, c.cfg.alive(c.book.Standing(), s), nil)
	}
	c.publish(now)
}

// send runs one program beside everything else.
func (c *Courier) send(ctx context.Context, index int, recipient *Recipient, l letter, list []entry) {
	c.busy[index] = true
	go func() { c.results <- result{index, list, recipient.tell(ctx, c.cfg.Kiln, l)} }()
}

// settle takes in how a program ended.
func (c *Courier) settle(r *result) {
	now, count := c.now(), &c.counts[r.recipient]
	c.busy[r.recipient] = false
	if r.err == nil {
		count.Delivered++
		count.Failure = ""
		c.log.Info("told", "recipient", names[r.recipient], "alarms", len(r.list))
	} else {
		count.Failed++
		count.Failure = r.err.Error()
		c.log.Warn("not told, will be tried again", "recipient", names[r.recipient], "alarms", len(r.list), "err", r.err)
	}
	switch {
	case r.recipient == aliveIndex:
		c.book.AliveTold(now, r.err == nil)
	case r.err == nil:
		c.book.Told(r.recipient, r.list)
	default:
		c.book.Failed(now, r.recipient)
	}
	c.publish(now)
}

func (c *Courier) publish(now time.Duration) {
	d := &controller.DeliveryStatus{Patience: c.cfg.Patience.Seconds()}
	d.Undelivered, d.Failing, d.Unheard = c.book.State(now)
	for i := range c.counts {
		if i < len(c.cfg.Recipients) || i == aliveIndex && c.cfg.Every > 0 {
			d.Recipients = append(d.Recipients, c.counts[i])
		}
	}
	c.delivery.Store(d)
	if d.Failing != c.missing {
		if c.missing = d.Failing; d.Failing {
			c.log.Error("alarms reach nobody at the first recipient", "rule", UndeliveredRule, "undelivered", d.Undelivered)
		} else {
			c.log.Info("alarms reach somebody again, or were seen", "rule", UndeliveredRule)
		}
	}
}

// Try runs every recipient once with a message that says it is a trial, one after the other, and tells each result.
func Try(ctx context.Context, cfg *Config, told func(name string, err error)) {
	for i := range cfg.Recipients {
		told(names[i], cfg.Recipients[i].tell(ctx, cfg.Kiln, cfg.trial()))
	}
	if len(cfg.Alive.Run) > 0 {
		told(names[aliveIndex], cfg.Alive.tell(ctx, cfg.Kiln, cfg.trial()))
	}
}

// The program ends with its children when its time is over; what holds its output open then is not waited for.
const killPatience = 2 * time.Second

// tell runs the program. It is told of the alarm by standard input and environment; only 0 is success.
func (p *Recipient) tell(ctx context.Context, kiln string, l letter) error {
	ctx, stop := context.WithTimeout(ctx, p.Within)
	defer stop()
	cmd := exec.CommandContext(ctx, p.Run[0], p.Run[1:]...)
	said := &tail{}
	cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(l.text), said, said
	cmd.Env = append(environment(), "DRYWARDEN_KILN="+kiln, "DRYWARDEN_EVENT="+l.event, "DRYWARDEN_RULE="+l.rule, "DRYWARDEN_SEVERITY="+l.severity)
	cmd.Dir = "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return unix.Kill(-cmd.Process.Pid, unix.SIGKILL) }
	cmd.WaitDelay = killPatience
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start %q: %w", p.Run[0], err)
	}
	// The kiln's program goes before: its tick, and its memory. Both may fail without harm.
	_ = unix.Setpriority(unix.PRIO_PGRP, cmd.Process.Pid, 10)
	_ = os.WriteFile(fmt.Sprintf("/proc/%d/oom_score_adj", cmd.Process.Pid), []byte("500"), 0)
	err := cmd.Wait()
	if err == nil || errors.Is(err, exec.ErrWaitDelay) { // a child of it goes on with its output open: it may send the mail
		return nil
	}
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return fmt.Errorf("run %q: not done within %v%s", p.Run[0], p.Within, said)
	}
	return fmt.Errorf("run %q: %w%s", p.Run[0], err, said)
}

// environment is ours, without what the service manager gave us alone.
func environment() []string {
	var list []string
	for _, v := range os.Environ() {
		if name, _, _ := strings.Cut(v, "="); name != "NOTIFY_SOCKET" && name != "WATCHDOG_USEC" && name != "WATCHDOG_PID" {
			list = append(list, v)
		}
	}
	return list
}

// tail keeps the beginning of what a program says, to tell when it fails.
type tail struct{ text []byte }

const tailMost = 300

func (t *tail) Write(b []byte) (int, error) {
	t.text = append(t.text, b[:min(len(b), tailMost-min(len(t.text), tailMost))]...)
	return len(b), nil
}

func (t *tail) String() string {
	if text := bytes.TrimSpace(t.text); len(text) > 0 {
		return fmt.Sprintf("; it says %q", text)
	}
	return ""
}
