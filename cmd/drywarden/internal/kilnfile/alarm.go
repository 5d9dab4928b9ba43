package kilnfile

import (
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"drywarden/cmd/drywarden/internal/courier"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule/sheet"
)

// Alarm says who is told of alarms, and how. Without it they are told at the kiln and in log, status and metrics only.
type Alarm struct {
	Least      Class             `toml:"least"`       // what is less grave is told to nobody; default machine
	Patience   quantity.Duration `toml:"unheard_for"` // undelivered for so long: second recipient, lamp and sounder; default 10 min
	Recipients []Recipient       `toml:"recipient"`   // the first, and a second for when the first is not reached
	Alive      *Alive            `toml:"all_is_well"` // a message from time to time, so that silence is noticed
}

// SetDefaults is called before the table is read.
func (a *Alarm) SetDefaults() { *a = Alarm{Least: Class(hardware.Machine), Patience: seconds(600)} }

// Recipient is a program that reaches a person.
type Recipient struct {
	Run    []string          `toml:"run,required"` // path and arguments; no shell comes between
	Within quantity.Duration `toml:"time_limit"`   // then it is ended and counts as failed; default 30 s
}

// SetDefaults is called before a recipient is read.
func (c *Recipient) SetDefaults() { *c = Recipient{Within: seconds(30)} }

// Alive says how often somebody is told that all is well.
type Alive struct {
	Every  quantity.Duration `toml:"every,required"`
	Run    []string          `toml:"run"` // left out: the first recipient's
	Within quantity.Duration `toml:"time_limit"`
}

// SetDefaults is called before the table is read.
func (a *Alive) SetDefaults() { *a = Alive{Within: seconds(30)} }

// Class is an alarm's class as kiln files write it. The zero Class is housekeeping.
type Class hardware.AlarmClass

// String gives the class as kiln files write it.
func (c Class) String() string { return hardware.AlarmClass(c).String() }

// UnmarshalText reads "housekeeping", "machine", "wood_at_risk" or "danger".
func (c *Class) UnmarshalText(b []byte) error {
	return oneOf(string(b), c, Class(hardware.Housekeeping), Class(hardware.Machine), Class(hardware.WoodAtRisk), Class(hardware.Danger))
}

// Bounds of the alarm table: this program's own.
const (
	leastPatience, mostPatience = 5 * time.Second, time.Hour
	leastLimit, mostLimit       = time.Second, 5 * time.Minute
	leastAlive, mostAlive       = time.Minute, 14 * 24 * time.Hour
)

func (f *File) checkAlarm(s *sheet.Sheet) {
	a := f.Alarm
	if a == nil {
		return
	}
	within := func(path string, v quantity.Duration, low, high time.Duration) {
		if v.Std() < low || v.Std() > high {
			s.Fault(path, v.String(), fmt.Sprintf("%v to %v", quantity.Duration(low), quantity.Duration(high)))
		}
	}
	within("alarm.unheard_for", a.Patience, leastPatience, mostPatience)
	if n := len(a.Recipients); n == 0 {
		s.Missing("alarm.recipient", "one or two [[alarm.recipient]]")
	} else if n > courier.MaxRecipients {
		s.Fault(sheet.At("alarm.recipient", courier.MaxRecipients), fmt.Sprintf("recipient %d", courier.MaxRecipients+1), "one or two")
	}
	for i, c := range a.Recipients {
		at := sheet.At("alarm.recipient", i)
		f.checkRun(s, sheet.Sub(at, "run"), c.Run)
		within(sheet.Sub(at, "time_limit"), c.Within, leastLimit, mostLimit)
	}
	if w := a.Alive; w != nil {
		within("alarm.all_is_well.every", w.Every, leastAlive, mostAlive)
		within("alarm.all_is_well.time_limit", w.Within, leastLimit, mostLimit)
		if s.Given("alarm.all_is_well.run") {
			f.checkRun(s, "alarm.all_is_well.run", w.Run)
		}
	}
}

// checkRun wants a path: what a shell would look for elsewhere is another program under another account.
func (f *File) checkRun(s *sheet.Sheet, path string, run []string) {
	const want = `a list: the path of a program, then its arguments, like ["/usr/local/bin/tell-the-yard", "foreman"]`
	switch {
	case len(run) == 0:
		s.Fault(path, "an empty list", want)
	case !strings.ContainsRune(run[0], filepath.Separator):
		s.Fault(path, strconv.Quote(run[0]), want)
	}
}

// Courier gives what the courier needs; false: nobody is called.
func (f *File) Courier() (courier.Config, bool) {
	a := f.Alarm
	if a == nil {
		return courier.Config{}, false
	}
	recipient := func(run []string, within quantity.Duration) courier.Recipient {
		if len(run) == 0 {
			return courier.Recipient{Within: within.Std()}
		}
		path := f.Path(run[0])
		if full, err := filepath.Abs(path); err == nil {
			path = full // programs are started in the root folder
		}
		return courier.Recipient{Run: append([]string{path}, run[1:]...), Within: within.Std()}
	}
	c := courier.Config{Kiln: f.Name, Least: hardware.AlarmClass(a.Least), Patience: a.Patience.Std()}
	for _, p := range a.Recipients {
		c.Recipients = append(c.Recipients, recipient(p.Run, p.Within))
	}
	if w := a.Alive; w != nil {
		c.Every, c.Alive = w.Every.Std(), recipient(w.Run, w.Within)
	}
	return c, true
}
