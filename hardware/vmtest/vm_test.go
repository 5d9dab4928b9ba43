package vmtest

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/vmtest/wire"
)

const (
	startsWithin = 2 * time.Minute // computer and daemon, on a slow machine
	startDelay   = 30 * time.Second
	warning      = 10 * time.Second // the sounder, before anything moves
	realTime     = 10 * time.Minute
	cuts         = 20

	// heartbeatRelay is how long the relay of the heartbeat keeps the master contactor in. A tenth of a second is how often
	// the bench looks.
	heartbeatRelay = 3*time.Second + 200*time.Millisecond
	// latchesOff bounds the time from a kill until "outputs off", run as the service manager's ExecStopPost, has written the
	// expander's latches: the start of a program on an emulated computer.
	latchesOff = 15 * time.Second
)

const machines = hardware.AllFans | hardware.AllHeat | 1<<hardware.Compressor | 1<<hardware.Spray | 1<<hardware.Vent

// everything is what must be off after a kill: all that the expander drives.
const everything = ^hardware.OutputSet(0)

// kilnFile is where the machine has its kiln file.
const kilnFile = "/etc/drywarden/vm.toml"

func TestMachine(t *testing.T) {
	if os.Getenv("VMTEST") == "" {
		t.Skip("hardware/vmtest/run makes the virtual machine")
	}
	t.Run("real time", func(t *testing.T) { t.Parallel(); testRealTime(t) })
	t.Run("power cuts", func(t *testing.T) { t.Parallel(); testPowerCuts(t) })
}

// startCharge hands the charge to the daemon.
func startCharge(m *machine) {
	m.t.Helper()
	read := func(name string) string {
		text, err := os.ReadFile("testdata/" + name)
		require.NoError(m.t, err)
		return string(text)
	}
	require.Zero(m.t, m.ask(wire.Control{File: "/tmp/short.schedule.toml", Text: read("short.schedule.toml")}).Code)
	require.Zero(m.t, m.ask(wire.Control{File: "/tmp/charge.toml", Text: read("charge.toml") + m.bench.samples()}).Code)
	m.do("charge", "start", "/tmp/charge.toml", "--reason", "a test")
}

// tells gives whether a rule is active among trips and alarms.
func tells(s *controller.Status, rule string) bool {
	return slices.ContainsFunc(s.Trips, func(t controller.TripStatus) bool { return t.Rule == rule }) ||
		slices.ContainsFunc(s.Alarms, func(a controller.AlarmStatus) bool { return a.Rule == rule })
}

func quality(s *controller.Status, probe string) string {
	for _, p := range s.Probes {
		if p.Name == probe {
			return p.Quality
		}
	}
	return "no such probe"
}

func atStage(n int) func(*controller.Status) bool {
	return func(s *controller.Status) bool { return s.Charge != nil && s.Charge.Stage == n }
}

// named waits until a rule tells of a fault that began at from, and logs how long that took.
func named(m *machine, fault, rule string, from time.Time, within time.Duration) {
	m.t.Helper()
	m.see(fault+" to be named "+rule, within, func(s *controller.Status) bool { return tells(s, rule) })
	m.t.Logf("%s: named %s after %.0f s", fault, rule, time.Since(from).Seconds())
}

// cleared resets a latched rule, whose cause is gone.
func cleared(m *machine, rule string) {
	m.t.Helper()
	m.see(rule+" to be cleared", time.Minute, func(s *controller.Status) bool {
		if !tells(s, rule) {
			return true
		}
		m.cli("trip", "ack", rule)
		m.cli("trip", "reset", rule, "--reason", "a test")
		return false
	})
}

// allCleared resets all that has tripped, with the panel's reset held as a person does: a contact that could not be read has
// tripped as if it were active, and such trips no command alone clears.
func allCleared(m *machine) {
	m.t.Helper()
	var all []string
	m.bench.fault(func(w *wire.World) { w.Inputs |= 1 << panelReset })
	m.see("all trips to be cleared", 2*time.Minute, func(s *controller.Status) bool {
		for _, trip := range s.Trips {
			if !slices.Contains(all, trip.Rule) {
				all = append(all, trip.Rule)
			}
			m.cli("trip", "ack", trip.Rule)
			m.cli("trip", "reset", trip.Rule, "--reason", "a test")
		}
		return len(s.Trips) == 0
	})
	m.bench.fault(func(w *wire.World) { w.Inputs &^= 1 << panelReset })
	m.t.Log("cleared at the panel: " + strings.Join(all, " "))
}

// conducting waits until outputs conduct.
func conducting(m *machine, what string, set hardware.OutputSet, within time.Duration) {
	m.t.Helper()
	for end := time.Now().Add(within); m.bench.now().closed&set == 0; time.Sleep(100 * time.Millisecond) {
		if !time.Now().Before(end) {
			a := m.cli("status")
			require.Fail(m.t, fmt.Sprintf("waited %v for %s", within, what), "%s%s", a.Out, a.Err)
		}
	}
}

// quietStart proves that nothing was driven for the start delay of a daemon that started at from, but the sounder, which
// warns at its end.
func quietStart(m *machine, from time.Time) time.Duration {
	m.t.Helper()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		c, ok := m.bench.first(from, everything.With(hardware.Sounder, false))
		if !ok {
			continue
		}
		after := c.at.Sub(from)
		require.GreaterOrEqual(m.t, after, startDelay, "driven within the start delay: %s", names(c.driven))
		if c, ok := m.bench.first(from, 1<<hardware.Sounder); ok {
			require.GreaterOrEqual(m.t, c.at.Sub(from), startDelay-warning, "the sounder")
		}
		return after
	}
	require.Fail(m.t, "nothing was ever driven")
	return 0
}

func testRealTime(t *testing.T) {
	b := newBench(t, 1)
	m := newMachine(t, b)
	began := time.Now()
	m.power()
	require.False(t, m.event("up", began, startsWithin).Reset, "no watchdog has reset this machine yet")
	started := m.event("started", began, startsWithin).at
	t.Logf("the daemon is started %.1f s after power-on", started.Sub(began).Seconds())
	m.event("ready", began, startsWithin)
	startCharge(m)
	m.do("charge", "warm", "--reason", "the bench was warm")
	t.Logf("at boot all outputs but the sounder's warning were off for %.1f s", quietStart(m, started).Seconds())

	// Killed while fans and heat run.
	conducting(m, "heat", hardware.AllHeat, 4*time.Minute)
	killed(m, "kill -9 in the preheat stage", syscall.SIGKILL)

	for _, command := range [][]string{{"probe", "list"}, {"probe", "watch", "--config", kilnFile}, {"outputs", "off", "--config", kilnFile}} {
		answer := m.cli(command...)
		require.Equal(t, 3, answer.Code, "beside a daemon %v is refused: %s%s", command, answer.Out, answer.Err)
	}

	core := b.fault(func(w *wire.World) { w.Unplugged[3] = true })
	named(m, "core-1 unplugged", "core_probe_lost", core, 3*time.Minute)
	require.Equal(t, "no_answer", quality(m.status(), "core-1"))
	b.fault(func(w *wire.World) { w.Unplugged[3] = false })
	m.see("core-1", time.Minute, func(s *controller.Status) bool { return quality(s, "core-1") == "valid" })
	cleared(m, "core_probe_lost")

	m.see("the heat stage", 5*time.Minute, atStage(1))
	t.Logf("stage 1, preheat, is over %.0f s after power-on", time.Since(began).Seconds())
	conducting(m, "fans", hardware.AllFans, 2*time.Minute)
	killed(m, "kill -9 in the heat stage", syscall.SIGKILL)
	m.see("the cool stage", 5*time.Minute, atStage(2))
	t.Logf("stage 2, heat, is over %.0f s after power-on", time.Since(began).Seconds())

	conducting(m, "fans", hardware.AllFans, 2*time.Minute)
	bulbs := b.fault(func(w *wire.World) { w.Unplugged[0], w.Unplugged[1] = true, true })
	named(m, "both dry bulbs unplugged", "dry_bulb_unknown", bulbs, 2*time.Minute)
	b.fault(func(w *wire.World) { w.Unplugged[0], w.Unplugged[1] = false, false })
	m.see("the dry bulbs", time.Minute, func(s *controller.Status) bool { return quality(s, "db-1") == "valid" && quality(s, "db-2") == "valid" })
	cleared(m, "dry_bulb_unknown")

	conducting(m, "fans", hardware.AllFans, 2*time.Minute)
	stuck := b.fault(func(w *wire.World) { w.Stuck = true })
	named(m, "I2C bus stuck", "outputs_not_written", stuck, time.Minute)
	for b.now().closed&machines != 0 && time.Since(stuck) < time.Minute {
		time.Sleep(50 * time.Millisecond)
	}
	_, closed := b.off(stuck, machines)
	t.Logf("I2C bus stuck: nothing conducts after %.1f s", closed.Seconds())
	require.Less(t, closed, 10*time.Second)
	named(m, "I2C bus stuck", "dry_bulb_unknown", stuck, 2*time.Minute)
	b.fault(func(w *wire.World) { w.Stuck = false })
	m.see("the bus", time.Minute, func(s *controller.Status) bool {
		return quality(s, "db-1") == "valid" && !tells(s, "outputs_not_written")
	})
	allCleared(m)

	// A daemon that hangs: nobody feeds the service manager's watchdog.
	conducting(m, "fans", hardware.AllFans, 3*time.Minute)
	killed(m, "daemon hangs (SIGSTOP)", syscall.SIGSTOP)
	named(m, "three breaks within an hour", "restarted_often", time.Now(), time.Minute)
	s := m.see("what waits", time.Minute, func(s *controller.Status) bool { return slices.Contains(s.ToConfirm, "restarts") })
	m.do(slices.Concat([]string{"charge", "confirm"}, s.ToConfirm, []string{"--reason", "a test"})...)

	conducting(m, "fans", hardware.AllFans, 3*time.Minute)
	before := m.status()
	panicked := time.Now()
	m.send(wire.Control{Panic: true})
	require.True(t, m.event("up", panicked, startsWithin).Reset, "the watchdog's status after the reset")
	t.Logf("kernel panic: the watchdog has reset the machine, which says so %.1f s later", time.Since(panicked).Seconds())
	m.event("ready", panicked, startsWithin)
	console, err := os.ReadFile(m.path("console"))
	require.NoError(t, err)
	require.Contains(t, string(console), "the hardware watchdog reset this computer", "the daemon's log")
	_, closed = b.off(panicked, everything)
	t.Logf("kernel panic: nothing conducts after %.1f s", closed.Seconds())
	require.Less(t, closed, heartbeatRelay, "the heartbeat's relay drops the master contactor: %s", b.story(panicked))
	after := m.see("the run", time.Minute, func(s *controller.Status) bool { return s.Charge != nil })
	require.Equal(t, before.Charge.Run, after.Charge.Run)
	require.Equal(t, before.Charge.Stage, after.Charge.Stage)
	require.Equal(t, before.Boot+1, after.Boot)
	t.Logf("%d starts of the daemon within %.0f s", after.Boot, time.Since(began).Seconds())

	if left := realTime - time.Since(started); left > 0 {
		time.Sleep(left)
	}
	pulledOff(m)
	m.off()
	m.audit(int(after.Boot))
}

// pulledOff pulls the bridge off, with the lines and buses on it, while fans run. No line can be read or driven any more: what
// was read last, emergency stop not pressed, must not be believed. The expander of relays has another supply and keeps its
// latches, so that the heartbeat's relay has to switch the machines off.
func pulledOff(m *machine) {
	t := m.t
	t.Helper()
	s := m.see("the daemon", time.Minute, func(s *controller.Status) bool { return s.Charge != nil && s.Tick >= 10 })
	if len(s.ToConfirm) > 0 {
		m.do(slices.Concat([]string{"charge", "confirm"}, s.ToConfirm, []string{"--reason", "a test"})...)
	}
	conducting(m, "fans", hardware.AllFans, 3*time.Minute)
	require.NotNil(t, contact(m.status(), "e_stop"))
	pulled := m.bench.fault(func(w *wire.World) { w.Pulled = true })
	m.see("the emergency stop to be unknown", time.Minute, func(s *controller.Status) bool { return contact(s, "e_stop") == nil })
	t.Logf("bridge pulled off: the emergency stop is unknown after %.0f s", time.Since(pulled).Seconds())
	named(m, "bridge pulled off", "emergency_stop", pulled, time.Minute)
	named(m, "bridge pulled off", "outputs_not_written", pulled, time.Minute)
	_, closed := m.bench.off(pulled, everything)
	t.Logf("bridge pulled off, on: %s: nothing conducts after %.1f s", names(m.bench.since(pulled)[0].closed), closed.Seconds())
	require.Less(t, closed, heartbeatRelay+time.Second, "%s", m.bench.story(pulled))
	s = m.status()
	require.Nil(t, contact(s, "airflow"), "it is on the bridge too")
}

// contact tells whether a contact is active; nil: not known.
func contact(s *controller.Status, name string) *bool {
	for _, c := range s.Contacts {
		if c.Name == name {
			return c.Active
		}
	}
	return nil
}

func names(set hardware.OutputSet) string {
	var list []string
	for o := range hardware.OutputCount {
		if set.Has(o) {
			list = append(list, o.String())
		}
	}
	return strings.Join(list, " ")
}

// killed ends the daemon in a way, and proves that what it ran is off within the stated time and stays so for the start delay
// of the next one, which takes the charge up where it was.
func killed(m *machine, how string, signal syscall.Signal) {
	t := m.t
	t.Helper()
	before := m.status()
	require.NotNil(t, before)
	how += ", on: " + names(m.bench.now().closed)
	at, told := m.kill(signal)
	slack := told.Sub(at) // the machine was slow to take the order
	started := m.event("started", at, startsWithin).at
	driven, closed := m.bench.off(at, everything)
	t.Logf("%s: nothing conducts after %.1f s, all latches are off after %.1f s", how, closed.Seconds(), driven.Seconds())
	require.Less(t, closed, heartbeatRelay+slack, "the heartbeat's relay drops the master contactor: %s", m.bench.story(at))
	limit := latchesOff + slack
	if signal == syscall.SIGSTOP {
		limit += 15 * time.Second // the service manager's watchdog first
	}
	require.Less(t, driven, limit, "outputs off: %s", m.bench.story(at))
	s := m.see("the run", startsWithin, func(s *controller.Status) bool { return s.Charge != nil })
	require.Equal(t, before.Charge.Run, s.Charge.Run)
	require.GreaterOrEqual(t, s.Charge.Stage, before.Charge.Stage)
	t.Logf("%s: after the next start all outputs but the sounder's warning are off for %.1f s", how, quietStart(m, started).Seconds())
}

// testPowerCuts cuts the power again and again, shortly after a command was acknowledged, and looks whether the next life
// knows of all of them.
func testPowerCuts(t *testing.T) {
	b := newBench(t, 2)
	m := newMachine(t, b)
	seed := uint64(time.Now().UnixNano())
	random := rand.New(rand.NewPCG(seed, 1))
	t.Logf("seed %d", seed)
	var known acknowledged
	lost, commands, longest := 0, 0, time.Duration(0)
	for n := range cuts + 1 {
		began := time.Now()
		m.power()
		m.event("ready", began, startsWithin)
		longest = max(longest, time.Since(began))
		// From the fourth tick on the trace knows of this life.
		s := m.see("the daemon", startsWithin, func(s *controller.Status) bool { return int(s.Boot) == n+1 && s.Tick >= 4 })
		if n > 0 {
			require.True(t, s.Outage.Restored, "%s", s.Outage.Problem)
			if missing := known.missing(s); missing != "" {
				lost++
				t.Errorf("cut %d: %s", n, missing)
			}
		}
		if n == cuts {
			break
		}
		commands += known.next(m, n)
		time.Sleep(time.Duration(random.IntN(300)) * time.Millisecond)
		m.cut()
		require.Zero(t, b.now().driven)
	}
	m.off()
	t.Logf("%d power cuts, %d acknowledged commands, %d lost; ready again within %.1f s", cuts, commands, lost, longest.Seconds())
	m.audit(cuts + 1)
}

// acknowledged is what the daemon has said yes to.
type acknowledged struct {
	run      uint32
	held     bool
	dryBulb  float64 // set by hand; 0: not
	moisture float64 // control moisture by the last weighing; 0: none
}

// next gives some commands and notes what was acknowledged; it tells how many.
func (a *acknowledged) next(m *machine, n int) int {
	m.t.Helper()
	given := 0
	do := func(args ...string) {
		m.do(args...)
		given++
	}
	if n%7 == 0 { // a charge of its own now and then
		if a.run > 0 {
			do("charge", "end", "--reason", "a test")
		}
		startCharge(m)
		given++
		*a = acknowledged{run: a.run + 1}
		m.see("the run", time.Minute, func(s *controller.Status) bool { return s.Charge != nil && s.Charge.Run == a.run })
	}
	if s := m.see("the daemon", time.Minute, func(*controller.Status) bool { return true }); len(s.ToConfirm) > 0 {
		// Until then the stage is held, and takes no set points.
		do(slices.Concat([]string{"charge", "confirm"}, s.ToConfirm, []string{"--reason", "a test"})...)
	}
	if n%3 == 1 {
		if a.held {
			do("stage", "resume", "--reason", "a test")
			a.held = false
		}
		if a.dryBulb == 0 {
			a.dryBulb = 43 + float64(n)/20
			do("stage", "set", "--dry-bulb", strconv.FormatFloat(a.dryBulb, 'f', -1, 64)+" C", "--for", "8 h", "--reason", "a test")
		} else {
			a.dryBulb = 0
			do("stage", "unset", "--reason", "a test")
		}
	}
	verb := "hold"
	if a.held {
		verb = "resume"
	}
	do("stage", verb, "--reason", "a test")
	a.held = !a.held
	if n%4 == 2 { // the board stays the wetter of two, which drives the stages
		a.moisture = 13 - 0.1*float64(n)
		weight := float64(m.bench.sample(0).OvenDry) * (1 + a.moisture/100)
		do("charge", "weigh", "s-1", fmt.Sprintf("%.3f kg", weight), "--checked")
	}
	return given
}

// missing tells what of it a status does not show.
func (a *acknowledged) missing(s *controller.Status) string {
	if s.Charge == nil || s.Charge.Run != a.run {
		return fmt.Sprintf("run %d is not there: %+v", a.run, s.Charge)
	}
	if held := slices.Contains(s.Charge.Holds, "operator"); held != a.held {
		return fmt.Sprintf("held by the operator: %v, acknowledged was %v", held, a.held)
	}
	if set := s.Set.Override; set != (a.dryBulb != 0) {
		return fmt.Sprintf("set by hand: %v, acknowledged was %g C", set, a.dryBulb)
	}
	if v := s.Charge.Control.Value; a.moisture != 0 && (v == nil || math.Abs(*v-a.moisture) > 0.15) {
		return fmt.Sprintf("control moisture %s, weighed was %.2f", number(v), a.moisture)
	}
	return ""
}

func number(v *float64) string {
	if v == nil {
		return "not known"
	}
	return strconv.FormatFloat(*v, 'f', 2, 64)
}
