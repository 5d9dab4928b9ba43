package courier

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"drywarden/controller"
	"drywarden/hardware"
)

// MaxRecipients is how many there may be: the first, and the second for when the first is not reached.
const MaxRecipients = 2

// Times that are the program's own.
const (
	retryFirst = 5 * time.Second
	retryMost  = 5 * time.Minute
	staleAfter = 24 * time.Hour // what is over and could not be told for so long is no longer told
)

// UndeliveredRule is the rule that tells of what the courier could not tell. It is not told by courier.
const UndeliveredRule = "alarm_not_delivered"

// AbsentRule is the rule that goes to every recipient at once, as a danger does: the first does not answer.
const AbsentRule = "nobody_answers"

// Config says who is told of what.
type Config struct {
	Kiln       string
	Least      hardware.AlarmClass // what is less grave is not told
	Patience   time.Duration       // undelivered for so long: the second recipient, and the sounder
	Recipients []Recipient         // 1 or 2
	Alive      Recipient           // told that all is well; without Run: the first recipient is
	Every      time.Duration       // between two of those; 0: never
}

// Recipient is a program that reaches a person.
type Recipient struct {
	Run    []string // path and arguments
	Within time.Duration
}

// entry is one alarm that is told, or is to be.
type entry struct {
	alarm  controller.AlarmStatus
	class  hardware.AlarmClass
	number uint64 // of this occurrence
	raised time.Duration
	over   time.Duration
	stands bool
	told   [MaxRecipients]bool
}

// try is when a recipient may be tried.
type try struct {
	next     time.Duration
	failures int
	since    time.Duration // of the first failure in a row
}

// Book knows what is owed. The zero Book of a Config owes nothing.
type Book struct {
	cfg     *Config
	number  uint64
	entries []entry
	tries   [MaxRecipients]try
	alive   try
}

// NewBook makes an empty book.
func NewBook(cfg *Config) *Book { return &Book{cfg: cfg, alive: try{next: cfg.Every}} }

// Look takes in what stands now. A new alarm, one that came back and one that became worse are owed to people once.
func (b *Book) Look(now time.Duration, s *controller.Status) {
	seen := make([]bool, len(b.entries))
	for i := range s.Alarms {
		a := &s.Alarms[i]
		class := classOf(a.Class)
		if class < b.cfg.Least || a.Rule == UndeliveredRule {
			continue
		}
		at := slices.IndexFunc(b.entries, func(e entry) bool { return e.alarm.Rule == a.Rule })
		if at < 0 {
			at = len(b.entries)
			b.entries, seen = append(b.entries, entry{}), append(seen, false)
		}
		e := &b.entries[at]
		seen[at] = true
		if !e.stands || class > e.class || a.Latched && !e.alarm.Latched {
			b.number++
			*e = entry{number: b.number, raised: now, class: class, stands: true}
		}
		e.alarm = *a
	}
	for i := range b.entries {
		if e := &b.entries[i]; e.stands && !seen[i] {
			e.stands, e.over = false, now
		}
	}
	b.entries = slices.DeleteFunc(b.entries, func(e entry) bool {
		return !e.stands && (!b.waiting(&e) || now-e.over > staleAfter)
	})
}

func classOf(name string) hardware.AlarmClass {
	for c := hardware.Housekeeping; c < hardware.Danger; c++ {
		if c.String() == name {
			return c
		}
	}
	return hardware.Danger
}

// waiting tells that nobody has been told, and nobody at the kiln has seen it.
func (b *Book) waiting(e *entry) bool {
	return !e.alarm.Acked && !slices.Contains(e.told[:len(b.cfg.Recipients)], true)
}

// Owed gives what a recipient is to be told now, the gravest first; nothing while it is too early to try again.
func (b *Book) Owed(now time.Duration, recipient int) []entry {
	if now < b.tries[recipient].next {
		return nil
	}
	var list []entry
	for _, e := range b.entries {
		switch {
		case e.alarm.Acked || e.told[recipient]:
		case recipient == 0, e.class == hardware.Danger, e.alarm.Rule == AbsentRule, !e.told[0] && now-e.raised >= b.cfg.Patience:
			list = append(list, e)
		}
	}
	slices.SortStableFunc(list, func(x, y entry) int {
		return cmp.Or(cmp.Compare(y.class, x.class), cmp.Compare(x.raised, y.raised), strings.Compare(x.alarm.Rule, y.alarm.Rule))
	})
	return list
}

// Told says that a recipient was told these.
func (b *Book) Told(recipient int, list []entry) {
	b.tries[recipient] = try{}
	for i := range b.entries {
		if e := &b.entries[i]; slices.ContainsFunc(list, func(o entry) bool { return o.number == e.number }) {
			e.told[recipient] = true
		}
	}
}

// Failed says that a recipient could not be told.
func (b *Book) Failed(now time.Duration, recipient int) { b.tries[recipient].fail(now) }

func (t *try) fail(now time.Duration) {
	if t.failures == 0 {
		t.since = now
	}
	t.next = now + min(retryFirst<<min(t.failures, 10), retryMost)
	t.failures++
}

// AliveDue tells that it is time to say that all is well.
func (b *Book) AliveDue(now time.Duration) bool { return b.cfg.Every > 0 && now >= b.alive.next }

// AliveTold says whether that was told.
func (b *Book) AliveTold(now time.Duration, told bool) {
	if !told {
		b.alive.fail(now)
		return
	}
	b.alive = try{next: now + b.cfg.Every}
}

// Standing counts what stands and is told of.
func (b *Book) Standing() int {
	n := 0
	for i := range b.entries {
		if b.entries[i].stands {
			n++
		}
	}
	return n
}

// State says how the telling goes.
func (b *Book) State(now time.Duration) (undelivered int, failing, unheard bool) {
	failing = b.alive.failures > 0 && now-b.alive.since >= b.cfg.Patience
	for i := range b.entries {
		e := &b.entries[i]
		late := now-e.raised >= b.cfg.Patience
		if b.waiting(e) {
			undelivered++
			unheard = unheard || late && e.stands
		}
		failing = failing || late && !e.alarm.Acked && !e.told[0]
	}
	return undelivered, failing, unheard
}
