package campaign

import (
	"maps"
	"math/bits"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/simkiln"
	"drywarden/hardware/trace"
	"drywarden/safety/audit"
	"drywarden/schedule"
)

// Properties that no single trace can show, each over runs of a whole kiln from the middle of every kind of stage.

// eachStage plays from every checkpoint.
func eachStage(t *testing.T, play func(t *testing.T, from *checkpoint)) {
	if testing.Short() {
		t.Skip("wants a charge through all its stages")
	}
	for _, from := range checkpoints() {
		t.Run(from.stage.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { play(t, from) })
		})
	}
}

// commands is a record without what tells the wall clock: its time, and that it is not to be trusted.
func commands(r *trace.Record) trace.Record {
	c := *r
	c.WallUnix, c.WallTrusted, c.Events, c.EventCount = 0, false, [trace.MaxEvents]trace.Event{}, 0
	return c
}

// TestWallClockMovesNothing: durations go by the monotonic clock alone. While one wall clock stands still and the other
// jumps by seconds to decades, either way, both kilns do the same in every tick.
func TestWallClockMovesNothing(t *testing.T) {
	jumps := []int64{2, -2, 90, -90, 3600, -3600, 86400, -86400 * 365, 86400 * 365 * 40, -86400 * 365 * 70, 1 << 40}
	eachStage(t, func(t *testing.T, from *checkpoint) {
		a, b := from.resume(t, nil), from.resume(t, nil)
		for _, s := range []*site{a, b} {
			suffers(simkiln.PersonAway, 0)(s) // who would acknowledge the alarm of the clock
		}
		for n := range 2 * 3600 {
			if n%600 == 599 {
				b.offset += jumps[n/600%len(jumps)]
			}
			require.NoError(t, a.tick())
			require.NoError(t, b.tick())
			require.Equal(t, commands(a.record), commands(b.record), "tick %d", n)
		}
		require.NotEqual(t, a.record.WallTrusted, b.record.WallTrusted, "the jump is seen")
	})
}

// TestSameRunSameTrace: with the same seed the same happens, failures and all.
func TestSameRunSameTrace(t *testing.T) {
	if testing.Short() {
		t.Skip("wants a charge through all its stages")
	}
	p := pair{a: 31, b: 50, seed: 2} // an iced coil and a process that dies
	first := p.run(t)
	require.Equal(t, first, p.run(t))
	p.seed = 3
	require.NotEqual(t, first.trace, p.run(t).trace)
}

// TestLossOfAnyInputIsGentle: the loss of one probe, contact, meter or read-back never asks for more heat, more of the
// compressor or drier air than with it: set points in every tick of six hours, outputs in the first, and how long heat and
// compressor were on in all. A stage that is held because of it stays at the set points that it had.
func TestLossOfAnyInputIsGentle(t *testing.T) {
	const asking = hardware.AllHeat | machine
	eachStage(t, func(t *testing.T, from *checkpoint) {
		losses := map[string]func(*hardware.Snapshot){
			"condensate": func(s *hardware.Snapshot) { s.Condensate.Quality = hardware.NoAnswer },
			"energy":     func(s *hardware.Snapshot) { s.Energy.Quality = hardware.NoAnswer },
			"read-back":  func(s *hardware.Snapshot) { s.ReadBackValid = 0 },
			"currents":   func(s *hardware.Snapshot) { s.CurrentValid = 0 },
		}
		for id, probe := range from.deps.Config.Layout.Probes {
			losses["probe "+probe.Name] = func(s *hardware.Snapshot) { s.Readings[id] = hardware.Reading{Quality: hardware.Checksum} }
		}
		for id := range hardware.ContactCount {
			if from.deps.Config.Layout.Contacts.Has(id) {
				losses["contact "+id.String()] = func(s *hardware.Snapshot) { s.Contacts.Valid = s.Contacts.Valid.With(id, false) }
			}
		}
		const lead, lasts = 7 * time.Minute, 6 * time.Hour
		type moment struct {
			dryBulb, emc float64
			wants        hardware.OutputSet
		}
		with := from.resume(t, nil)
		with.run(lead)
		var whole []moment
		var heats, dries time.Duration
		for range int(lasts / time.Second) {
			require.NoError(t, with.tick())
			r := with.record
			whole = append(whole, moment{r.SetDryBulb, r.SetEMC, hardware.OutputSet(r.Requested)})
			heats, dries = heats+timeOn(r, hardware.AllHeat), dries+timeOn(r, machine)
		}
		for _, name := range slices.Sorted(maps.Keys(losses)) {
			s := from.resume(t, nil)
			s.run(lead)
			s.spoil(forever, losses[name])
			lost, before := *s.record, hardware.OutputSet(s.record.Applied)
			var heat, dry time.Duration
			for n := range whole {
				require.NoError(t, s.tick())
				w, r := &whole[n], s.record
				if r.SetDryBulb > max(w.dryBulb, lost.SetDryBulb)+1e-9 || r.SetEMC < min(w.emc, lost.SetEMC)-1e-9 ||
					n == 0 && hardware.OutputSet(r.Requested)&asking&^before&^w.wants != 0 {
					require.Fail(t, "asks for more", "without %s, tick %d: %v, %v and %b, with it %v", name, n, r.SetDryBulb, r.SetEMC, r.Requested, *w)
				}
				heat, dry = heat+timeOn(r, hardware.AllHeat), dry+timeOn(r, machine)
			}
			require.LessOrEqual(t, heat, slightlyMore(heats), "heat without %s", name)
			require.LessOrEqual(t, dry, slightlyMore(dries), "compressor without %s", name)
			s.clean()
		}
	})
}

// timeOn is how long outputs were on in a tick, each counted.
func timeOn(r *trace.Record, outputs hardware.OutputSet) time.Duration {
	return time.Duration(bits.OnesCount32(r.Applied&uint32(outputs))) * time.Second
}

// slightlyMore is what counts as no more. Two kilns that part by a tick may end with one run more, of the compressor's
// shortest three minutes. What is believed of the air may move by half of what the lost probe differed from the other one, some
// tenths of a kelvin, or a point of relative humidity, of the 30 K and 50 points that heat and compressor hold against
// outdoors: 3 %. Air that is cooler because heat is limited to a share of the time is a little damper too.
func slightlyMore(d time.Duration) time.Duration { return d + d*3/100 + 3*time.Minute }

// TestTickGoesOn: with a disk that is full or takes nothing, no probe that answers, and nobody who reads an answer, every
// tick is done whole and without an error, and the gate goes on to beat. It says nothing of time, which here is the test's
// own and always a second: that a real disk that is full or hangs holds up no tick is shown by TestFullDisk and
// TestHangingDisk of the daemon, and that a reader does not beside the server.
func TestTickGoesOn(t *testing.T) {
	eachStage(t, func(t *testing.T, from *checkpoint) {
		s := from.resume(t, nil)
		s.run(10 * time.Minute)
		s.memory.fault, s.memory.tripFault = errDisk, errDisk
		suffers(simkiln.BusDown, 0)(s)
		suffers(simkiln.PersonAway, 0)(s)
		tick := s.record.Tick
		for n := range 3600 {
			s.loop.Submit(controller.Command{Verb: controller.VerbAck}) // and nobody takes the reply
			require.NoError(t, s.tick())
			require.Equal(t, tick+uint64(n)+1, s.record.Tick)
		}
		require.Zero(t, hardware.OutputSet(s.record.Applied)&(hardware.AllHeat|machine|spray))
		s.clean()
	})
}

// TestChangedFilesWaitForAWord: a kiln file that changed while a charge runs is taken up at a start only, in hold, with
// all that was earned, and work goes on with a person's word only.
func TestChangedFilesWaitForAWord(t *testing.T) {
	eachStage(t, func(t *testing.T, from *checkpoint) {
		s := from.resume(t, nil)
		s.run(10 * time.Minute)
		suffers(simkiln.PersonAway, 0)(s) // who would give it
		before := s.live.State.Run
		s.deps.Header.KilnHash += "+"
		require.NoError(t, s.kill(5*time.Second))
		hold := uint8(controller.ModeHold)
		s.run(40 * time.Second)
		for range 3600 {
			require.NoError(t, s.tick())
			require.Equal(t, hold, s.record.Mode)
		}
		run := s.live.State.Run
		require.Equal(t, before.ID, run.ID)
		require.Equal(t, before.Stage, run.Stage)
		require.Equal(t, schedule.Running, run.Phase)
		require.InDelta(t, before.InStage.Seconds(), run.InStage.Seconds(), 90, "what was earned is kept, but for what was not yet saved")
		require.LessOrEqual(t, run.InStage, before.InStage)
		require.LessOrEqual(t, run.Exposure, before.Exposure)
		orders(controller.VerbConfirm)(s)
		s.run(20 * time.Minute)
		require.Equal(t, uint8(controller.ModeWork), s.record.Mode)
		require.Greater(t, s.live.State.Run.InStage, run.InStage)
		s.clean()
	})
}

// elsewhere says where each invariant is shown that no single trace shows: a test, by its package's folder, or what is
// missing for it.
var elsewhere = map[string]struct{ folder, test, missing string }{
	"durations ignore the wall clock":      {folder: ".", test: "TestWallClockMovesNothing"},
	"same seed, same trace":                {folder: ".", test: "TestSameRunSameTrace"},
	"loss of one input is gentle":          {folder: ".", test: "TestLossOfAnyInputIsGentle"},
	"silent controller is stopped":         {folder: "..", test: "TestSilence"},
	"faults are met in time":               {folder: ".", test: "TestFailures"},
	"condensate never raises a moisture":   {folder: "../../controller/estimate", test: "TestWaterInTheBucketWetsNoWood"},
	"covariance stays sound":               {folder: "../../controller/estimate", test: "TestACovarianceStaysOne"},
	"every wait has an end":                {folder: "../../schedule", test: "TestOverdueIsTold"},
	"vent-dry only at the machine's floor": {folder: "../../controller/demand", test: "TestVentDryHasItsOwnConditions"},
	"nothing slow holds up a tick":         {folder: "../../cmd/drywarden", test: "TestHangingDisk"},
	"durable before visible":               {folder: "../../controller", test: "TestStageChangeIsDurableBeforeItIsVisible"},
	"records are never altered":            {missing: "a charge book with a chain of hashes; the trace's checksums are tested"},
	"charge report follows from the record": {
		missing: "a charge book"},
}

// TestWhatNoTraceShowsIsShownElsewhere holds the audit's own list of what it cannot judge against the tests.
func TestWhatNoTraceShowsIsShownElsewhere(t *testing.T) {
	checker := audit.New(trace.Header{})
	rep := checker.Finish()
	counted := map[string]bool{}
	for _, c := range rep.Counts {
		counted[c.Name] = true
	}
	found := 0
	for _, m := range rep.NotJudged {
		if counted[m.Name] {
			continue
		}
		found++
		e, ok := elsewhere[m.Name]
		require.True(t, ok, m.Name)
		if e.missing != "" {
			continue
		}
		files, err := filepath.Glob(filepath.Join(e.folder, "*_test.go"))
		require.NoError(t, err)
		require.True(t, slices.ContainsFunc(files, func(name string) bool {
			text, err := os.ReadFile(name)
			require.NoError(t, err)
			return strings.Contains(string(text), "\nfunc "+e.test+"(t *testing.T)")
		}), "%s: no test %s in %s", m.Name, e.test, e.folder)
	}
	require.Len(t, elsewhere, found)
}
