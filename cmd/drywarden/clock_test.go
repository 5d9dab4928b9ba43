package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/trace"
	"drywarden/schedule"
)

// clockTold is within how long a clock that jumped must be told.
const clockTold = time.Minute

// journey is a wall clock that jumps. It runs by the machine's steady clock, as a real one does.
type journey struct {
	began   time.Time
	shift   int64 // seconds
	trusted bool
}

func (j *journey) now() hardware.WallTime {
	return hardware.WallTime{Unix: 1_790_000_000 + j.shift + int64(time.Since(j.began)/time.Second), Trusted: j.trusted}
}

// travelRestart is the tick of travel's restart.
const travelRestart = 3*3600 + 17

// travel runs a charge for some hours with a restart in between, and tells what every record was but for its time of day.
// before is called before every tick; see, with the status, after every twentieth.
func travel(t *testing.T, clock *journey, before func(n int), see func(n int, s *controller.Status, r *trace.Record)) []trace.Record {
	const hours = 5
	_, files := shortFiles(t, 3, "unbroken")
	// A person would look into an alarm.
	file, err := kilnfile.Read("kiln.toml", []byte(strings.Replace(shortKiln, "SEED", "3", 1)+"[simulated.person]\nabsent = true\n"))
	require.NoError(t, err)
	k := startCutKiln(t, file, files, 3)
	var records []trace.Record
	k.wall = clock.now
	k.told = func(r *trace.Record) {
		plain := *r
		plain.WallUnix, plain.WallTrusted = 0, false
		records = append(records, plain)
	}
	again := func(outage time.Duration) {
		k.cut(outage)
		k.start(outage)
		k.tick()
	}
	again(time.Minute) // from here on with this clock
	for n := range hours * 3600 {
		if n == travelRestart {
			again(20 * time.Minute)
		}
		before(n)
		if k.tick(); n%20 == 0 {
			see(n, k.loop.Publish(), &k.seen.last)
		}
	}
	require.Empty(t, k.seen.checker.Finish().Violations)
	return records
}

// TestClockTravel: whatever the wall clock does, from a leap second to decades either way, every record of a charge and of
// a restart is the same as with a clock that does nothing wrong. The jump is told in time, marked in the record, and passes.
func TestClockTravel(t *testing.T) {
	if testing.Short() {
		t.Skip("simulated hours, on one goroutine")
	}
	const second, year = 1, 31_557_600
	still := &journey{began: time.Now(), trusted: true}
	want := travel(t, still, func(int) {}, func(_ int, s *controller.Status, _ *trace.Record) {
		require.False(t, hasAlarm(s, "wall_clock_suspect"))
		require.True(t, s.ClockTrusted)
	})
	for name, jumps := range map[string][]int64{
		"leap second":                     {0, second, 0, second},
		"summer time taken for the clock": {3600, 0, 3600, 0},
		"seconds":                         {-3, 3, -30, 30},
		"decades":                         {40 * year, -50 * year, 0, 10 * year},
		"beyond all calendars":            {1 << 60, -1 << 60, 0, 1 << 40},
		"1970, set right later":           {-1_790_000_000, -1_790_000_000, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			clock := &journey{began: time.Now(), shift: jumps[0], trusted: jumps[0] > -1_000_000_000}
			jumped, told := -1, false
			got := travel(t, clock, func(n int) {
				if at := n / 4000; n%4000 == 1000 && at < len(jumps)-1 {
					before := clock.shift
					clock.shift, clock.trusted = jumps[at+1], true
					jumped, told = n, false
					if d := clock.shift - before; d >= -2 && d <= 2 {
						jumped = -1 // none that anybody needs to know of
					}
				}
				if n == travelRestart { // a new process believes the kernel
					jumped = -1
				}
				if jumped >= 0 && n == jumped+int(clockTold/tick) {
					require.True(t, told, "the jump at tick %d was not told", jumped)
				}
			}, func(n int, s *controller.Status, r *trace.Record) {
				_, err := json.Marshal(s)
				require.NoError(t, err)
				if jumped < 0 {
					require.False(t, hasAlarm(s, "wall_clock_suspect"))
					require.Equal(t, clock.trusted, s.ClockTrusted)
					return
				}
				told = told || hasAlarm(s, "wall_clock_suspect")
				if n-jumped < 3500 {
					require.False(t, s.ClockTrusted || r.WallTrusted, "a time that is not to be trusted is marked")
				}
				if n-jumped > 3700 {
					require.False(t, hasAlarm(s, "wall_clock_suspect"), "it passes")
				}
			})
			require.Equal(t, len(want), len(got))
			for i := range want {
				if want[i] != got[i] {
					require.Equal(t, want[i], got[i], "record %d", i)
				}
			}
		})
	}
}

// TestSuspended: a computer that slept for three hours while the kiln stood without its heartbeat. It shows as one tick that
// comes late: everything goes off in it, none of the time counts for stage or exposure, and nothing starts at once.
func TestSuspended(t *testing.T) {
	if testing.Short() {
		t.Skip("simulated hours, on one goroutine")
	}
	k := newCutKiln(t, 5, "cumulative")
	for n := 0; k.state().Run.Phase == schedule.Running && k.seen.last.Exposure < 5*time.Minute; n++ {
		k.tick()
		require.Less(t, n, 20*24*3600)
	}
	before := k.seen.last
	require.True(t, before.ExposureCount)
	const slept = 3 * time.Hour
	k.pace.Advance(slept)
	k.plant.advance(slept)
	k.tick()
	after := k.seen.last
	require.Equal(t, slept+tick, after.Uptime-before.Uptime)
	require.NotEqual(t, "none", k.loop.Publish().Forced, "the gate has seen that nobody watched")
	require.Zero(t, hardware.OutputSet(after.Applied)&(1<<hardware.Heat1|1<<hardware.Heat2|1<<hardware.Compressor|1<<hardware.Spray))
	require.LessOrEqual(t, after.Exposure, before.Exposure+2*tick)
	require.LessOrEqual(t, after.StageTime, before.StageTime+2*tick)
	for range 1800 {
		k.tick()
		require.Equal(t, before.RunID, k.seen.last.RunID)
	}
	require.LessOrEqual(t, k.seen.last.Exposure, before.Exposure+30*time.Minute)
	for _, v := range k.seen.checker.Finish().Violations {
		require.Equal(t, "tick keeps time", v.Name, "%+v", v)
		require.Equal(t, after.Tick, v.Tick)
	}
}
