package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"math"
	"math/bits"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/schedule/wood"
)

var (
	quietCount   = flag.Int("quiet", 0, "how many fault-free charges TestNoFalseAlarm draws and dries whole (0: a short sample)")
	quietFirst   = flag.Uint64("quiet-first", 1, "seed of the first of them")
	quietResults = flag.String("quiet-results", "", "`file` that keeps what each charge gave; a run goes on where the one before broke off")
)

// longestQuiet ends a charge that takes longer: thick green oak does. What it told until then counts.
const longestQuiet = 25 * 24 * time.Hour

// quietCharge is a kiln with a charge, drawn by a seed: kiln and machine from a shed for half a cubic metre to a room for
// eighteen, every species of the table, one to four lots, air-dried to green, hot and cold, dry and humid weather. Nothing
// in it is broken, and the person makes no mistake; but they open the door.
type quietCharge struct {
	seed  uint64
	draws int // until this kiln could dry this charge
	file  *kilnfile.File
	files controller.ChargeFiles
	lots  []string
	what  string
}

func drawQuiet(t testing.TB, seed uint64) quietCharge {
	random := rand.New(rand.NewPCG(seed, 0x9e1e7))
	for draws := 1; draws <= 100; draws++ {
		c := quietCharge{seed: seed, draws: draws}
		kiln, what, room := drawKiln(random, seed)
		charge, lots := drawLoad(random, seed, room)
		c.lots, c.what = lots, what+"; "+strings.Join(lots, ", ")
		var err error
		c.file, err = kilnfile.Read("kiln.toml", []byte(kiln))
		require.NoError(t, err, "%s", kiln)
		c.files = controller.ChargeFiles{Charge: controller.File{Name: "charge.toml", Text: charge}}
		_, err = resolve(c.files, c.file.ForScheduleSimulated(hardware.MaxLots))
		if err == nil {
			return c
		}
		// A person gets the same answer and orders something else: air that the machine cannot make, a heat treatment hotter
		// than the room may be.
		t.Logf("seed %d, draw %d refused: %v", seed, draws, err)
	}
	require.Fail(t, "no charge", "seed %d: a hundred charges were refused", seed)
	return quietCharge{}
}

// evenly draws between two values, byRatio likewise by their ratio, among one of several.
func evenly(r *rand.Rand, low, high float64) float64  { return low + (high-low)*r.Float64() }
func byRatio(r *rand.Rand, low, high float64) float64 { return low * math.Pow(high/low, r.Float64()) }
func among[T any](r *rand.Rand, all ...T) T           { return all[r.IntN(len(all))] }

// climates are extremes and what lies between; invented, not of any place.
var climates = []struct {
	name             string
	mean, day, noise float64 // C and K
	humidity         float64
}{
	{"frost", -8, 4, 3, 0.8}, {"winter", 2, 3, 2.5, 0.85}, {"temperate", 11, 5, 2, 0.72}, {"summer", 22, 7, 2, 0.6},
	{"hot and dry", 31, 9, 2, 0.25}, {"hot and humid", 29, 4, 1.5, 0.88}, {"heated shop", 18, 0, 0, 0.5},
}

// drawKiln gives a kiln file, and the volume of wood that it can take.
func drawKiln(r *rand.Rand, seed uint64) (text, what string, wood float64) {
	room := byRatio(r, 8, 160) // m3 of air
	size := room / 72          // of a 40-foot container
	wood = room * evenly(r, 0.05, 0.13)
	scale := wood / evenly(r, 5, 18) // of a nominal 3 kW machine
	walls := math.Pow(size, 2.0/3)
	climate := climates[int(seed)%len(climates)]
	start := min(max(climate.mean, 4), 32) + evenly(r, -2, 4)
	wet, humid := 1, 1
	switch r.IntN(6) {
	case 0:
		wet = 0
	case 1:
		humid = 0
	}
	groups := 1
	if room > 40 {
		groups = 2
	}
	stages := 1 + min(int(size*2), 2)
	seasonal, noise := evenly(r, 0, 3), climate.noise
	if climate.noise == 0 {
		seasonal = 0
	}
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("name = \"quiet\"\naltitude = \"%.0f m\"\nvolume = \"%.1f m3\"\nstate = \"state\"\nmetrics = \"off\"", evenly(r, 0, 1500), room)
	p("[hardware]\nkind = \"simulated\"\n[limits]\nhard_limit = \"%s\"\ndriest_air = \"%.0f %%\"", among(r, "75 C", "78 C", "82 C"), evenly(r, 24, 30))
	p("[compressor]\nambient_max = \"%.0f C\"\ndrying_max = \"%.0f C\"", evenly(r, 50, 56), evenly(r, 40, 45))
	p("[simulated]\nload = \"charge.toml\"\nseed = %d\nboards_per_lot = 5", seed)
	p("[simulated.room]\nheat_loss = \"%.1f W/K\"\nair_changes = \"%.2f /h\"", 50*walls*evenly(r, 0.7, 1.5), evenly(r, 0.05, 0.25))
	p("structure = \"%.2f MJ/K\"\nstructure_exchange = \"%.0f W/K\"\nwall_square_meters = %.1f", 1.5*walls*evenly(r, 0.6, 1.4), 200*walls*evenly(r, 0.8, 1.3), 130*walls)
	p("start_temperature = \"%.1f C\"\nstart_humidity = \"%.0f %%\"", start, evenly(r, 45, 85))
	p("[simulated.fans]\ngroups = %d\npower = \"%.2f kW\"\nflow = \"%.0f m3/h\"\ncoast = \"%.0f s\"\ndrive = %v", groups, 2*size*evenly(r, 0.8, 1.3), 39600*size*evenly(r, 0.8, 1.3), evenly(r, 30, 80), r.IntN(2) == 0)
	p("[simulated.machine]\nscale = %.3f\nefficiency = \"%.0f %%\"\nblower_low = %v\ncrankcase = \"%.0f W\"\nhold_up = \"%.2f kg\"\ndrain_lag = \"%.0f min\"", scale, evenly(r, 44, 54), r.IntN(2) == 0,
		max(60*scale, 15), max(scale, 0.05), evenly(r, 4, 12))
	p("[simulated.heat]\nstages = %d\npower = \"%.2f kW\"", stages, 9*walls*evenly(r, 0.5, 1.4))
	p("[simulated.vent]\nfitted = true\nflow = \"%.0f m3/h\"", 600*size*evenly(r, 0.6, 1.4))
	p("[simulated.spray]\nfitted = true\nrate = \"%.1f kg/h\"", 10*size*evenly(r, 0.7, 1.5))
	p("[simulated.weather]\nmean = \"%.1f C\"\ndaily_swing = \"%.1f K\"\nseasonal_swing = \"%.1f K\"\nnoise = \"%.1f K\"\nhumidity = \"%.0f %%\"\nday_of_year = %d", climate.mean+evenly(r, -2, 2), climate.day, seasonal, noise,
		100*min(climate.humidity+evenly(r, -0.08, 0.08), 0.97), 1+r.IntN(365))
	p("[simulated.probes]\ndry_bulbs = %d\nwet_bulbs = %d\nhumidity = %d\ncores_per_lot = 2\npins_per_lot = %d", among(r, 2, 2, 3), wet, humid, among(r, 0, 2))
	p("[simulated.person]\ndoor_opened = \"%.0f %%\"", among(r, 0, 10, 30.0))
	what = fmt.Sprintf("%.0f m3, machine %.2f, %s, %d wet bulb, %d humidity probe", room, scale, climate.name, wet, humid)
	return b.String(), what, wood
}

// drawLoad gives a charge sheet, and its lots in words. The first lot goes through the species in order, so that all come.
func drawLoad(r *rand.Rand, seed uint64, volume float64) (text string, lots []string) {
	all := wood.AllSpecies()
	n := among(r, 1, 1, 2, 2, 3, 4)
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("id = \"quiet-%d\"\nconditioning = %v", seed, r.IntN(3) == 0)
	p("[equalizing]\nstart_below = \"%.1f %%\"\nend_above = \"%.1f %%\"", evenly(r, 0.3, 1.5), evenly(r, 1.2, 2))
	heat := r.IntN(5) == 0
	first := evenly(r, 0, 1)
	for i := range n {
		s := &all[(int(seed)*7+i*r.IntN(len(all)))%len(all)]
		start := evenly(r, 14, 24)
		switch green := max(float64(s.GreenHeart), 45); {
		case first > 0.85:
			start = min(green, 90)
		case first > 0.4:
			start = evenly(r, 25, min(green, 50))
		}
		inch := among(r, "4/4", "4/4", "5/4", "6/4", "8/4")
		p("[[lot]]\nname = \"lot %d\"\nspecies = %q\nthickness = %q\nvolume = \"%.2f m3\"\nstart = \"%.0f %%\"\ntarget = \"%.1f %%\"\ntolerance = \"0.75 %%\"", i+1, s.Name, inch, volume/float64(n), start, evenly(r, 6.5, 9))
		if heat {
			p("treatment = \"phytosanitary\"")
		}
		lots = append(lots, fmt.Sprintf("%s %s from %.0f %%", inch, s.Name, start))
		for j := range 2 + r.IntN(3) {
			p("[[sample]]\nname = \"lot%d-%d\"\nlot = \"lot %d\"", i+1, j+1, i+1)
		}
	}
	return b.String(), lots
}

// quietResult is what one charge gave.
type quietResult struct {
	Build  string         `json:"build"` // hash of the test program: results of another are not taken over
	Seed   uint64         `json:"seed"`
	What   string         `json:"what"`
	Days   float64        `json:"days"`
	Done   bool           `json:"done"`
	Told   map[string]int `json:"told"`  // alarms and trips, by rule
	False  map[string]int `json:"false"` // of them those that say what is not so
	When   []string       `json:"when,omitempty"`
	Trips  []string       `json:"trips,omitempty"`
	Vetoes int            `json:"vetoes"`
	Broken []string       `json:"violations,omitempty"`
}

// quietRun listens to one charge.
type quietRun struct {
	sim     *simulation
	result  quietResult
	hour    int
	mean    [25][hardware.MaxLots]float64 // true means at the last full hours
	drained [48][2]float64                // water through the drain and out of the wood, likewise
	boards  [hardware.MaxSamples]struct {
		mass, rate float64 // of the last weighing, kg; points a day since the one before
		at         time.Duration
	}
	wetted time.Duration // when the humidity probe last read damper than the air is by 4 % relative humidity
	trips  uint64
}

// An alarm is false when it says what is not so in a kiln in which nothing is broken and nobody made a mistake. Of rules that
// speak of a broken or misplaced device, of readings that cannot be believed or of data that contradict each other every one is
// false. These are not, as long as what they say is so:
//
//   - charge_done, door_open: the charge is done, the person has the door open;
//   - stage_overdue, held_long: the stage does last so long, because the machine is small, the weather does not let it, or a lot
//     dries too fast;
//   - rate_over_limit: by the simulated kiln's truth a lot, or one of its sample boards between two weighings, which the
//     published rates are meant for, did lose nine tenths of the rate over 3, 12 or 24 h, as the schedule counts them;
//   - drying_too_slow, air_too_warm: by the truth, within a tenth and 1 K;
//   - water_recovery_low: of the water lost in two days less than 0.65 went through the drain: walls, vents and an open door
//     took the rest;
//   - humidity_probe_wet: cold air through the door, or air near saturation, left dew on the probe, and within the last hour it
//     read damper than the air by 4 % relative humidity.
func (q *quietRun) untrue(rule string) bool {
	truth, r := q.sim.plant.truth(), &q.sim.seen.last
	rate := func(lot, hours int) float64 { // points a day
		return (q.mean[(q.hour+25-hours)%25][lot] - float64(truth.Lots[lot].Mean)) * 24 / float64(hours)
	}
	switch rule {
	case "charge_done", "stage_overdue", "held_long":
		return false
	case "door_open":
		return r.ContactActive>>hardware.ContactDoor&1 == 0
	case "rate_over_limit":
		for i := range truth.Lots {
			limit := 0.9 * float64(q.sim.plan.Lots[i].RateLimit) * guardFactor(float64(truth.Lots[i].Mean))
			if limit > 0 && (rate(i, 3) > 1.5*limit || rate(i, 12) > 1.2*limit || rate(i, 24) > limit) {
				return false
			}
			for j := range q.sim.plan.Samples {
				if b := &q.boards[j]; limit > 0 && int(q.sim.plan.Samples[j].Lot) == i && b.rate > limit {
					return false
				}
			}
		}
	case "drying_too_slow":
		for i := range truth.Lots {
			if limit := float64(q.sim.plan.Lots[i].RateLimit); rate(i, 24) < 1.1*0.4*limit {
				return false
			}
		}
	case "air_too_warm":
		return float64(truth.DryBulb) < r.SetDryBulb+4
	case "water_recovery_low":
		was := q.drained[(q.hour+1)%48]
		return float64(truth.Drained)-was[0] > 0.65*(float64(truth.Water)-was[1])
	case "humidity_probe_wet":
		return q.wetted == 0 || q.sim.seen.run-q.wetted > time.Hour
	}
	return true
}

// look keeps what the truth was.
func (q *quietRun) look() {
	seen := q.sim.seen
	r := &seen.last
	if seen.ticks%600 == 0 {
		truth := q.sim.plant.truth()
		for i, p := range seen.header.Probes {
			if p.Role == hardware.RoleHumidity.String() && r.Probe[i] > float64(truth.RH)+0.04 {
				q.wetted = seen.run
			}
		}
		if seen.ticks%3600 == 0 {
			q.hour++
			for i, lot := range truth.Lots {
				q.mean[q.hour%25][i] = float64(lot.Mean)
			}
			q.drained[q.hour%48] = [2]float64{float64(truth.Drained), float64(truth.Water)}
		}
	}
	for i := range r.EventCount {
		e := &r.Events[i]
		if controller.EventKind(e.Kind) != controller.EventWeigh {
			continue
		}
		b := &q.boards[e.A]
		if days := (seen.run - b.at).Hours() / 24; days > 0.2 && b.mass > 0 {
			b.rate = (b.mass - e.B) / float64(q.sim.plan.Samples[e.A].OvenDry) * 100 / days
		}
		b.mass, b.at = e.B, seen.run
	}
}

func (q *quietRun) hear(rule string) {
	q.result.Told[rule]++
	if q.untrue(rule) {
		q.result.False[rule]++
		if len(q.result.When) < 20 {
			r := &q.sim.seen.last
			q.result.When = append(q.result.When, fmt.Sprintf("%s on day %.2f in stage %d, %.1f C of %.1f, %.1f %% of %.1f", rule, q.sim.seen.run.Hours()/24,
				r.Stage, r.DryBulb, r.SetDryBulb, r.EMC, r.SetEMC))
		}
	}
}

// each looks at one tick.
func (q *quietRun) each() {
	seen := q.sim.seen
	r := &seen.last
	q.look()
	for i := range r.EventCount {
		if e := &r.Events[i]; controller.EventKind(e.Kind) == controller.EventAlarm {
			q.hear(ruleName(hardware.RuleID(e.A)))
		}
	}
	for fresh := r.Trips &^ q.trips; fresh != 0; fresh &= fresh - 1 {
		name := ruleName(hardware.RuleID(bits.TrailingZeros64(fresh)))
		if q.untrue(name) { // a door that was opened latches too
			q.result.Trips = append(q.result.Trips, fmt.Sprintf("%s on day %.2f", name, seen.run.Hours()/24))
		}
		q.hear(name)
	}
	q.trips = r.Trips
}

func ruleName(id hardware.RuleID) string {
	for _, r := range allRules() {
		if r.ID == id {
			return r.Name
		}
	}
	return "unknown"
}

// dryQuiet dries one charge, for limit at the most.
func dryQuiet(t testing.TB, c *quietCharge, limit time.Duration) quietResult {
	sim, err := newSimulation(c.file, c.files, &observer{})
	require.NoError(t, err, "seed %d: %s", c.seed, c.files.Charge.Text)
	q := &quietRun{sim: sim, result: quietResult{Seed: c.seed, What: c.what, Told: map[string]int{}, False: map[string]int{}}}
	for i, lot := range sim.plant.truth().Lots {
		for h := range q.mean {
			q.mean[h][i] = float64(lot.Mean)
		}
	}
	for i := range sim.plan.Samples {
		q.boards[i].mass = float64(sim.plan.Samples[i].Start)
	}
	err = sim.run(context.Background(), limit, q.each)
	if !errors.Is(err, errMaxDays) {
		require.NoError(t, err)
	}
	q.result.Days, q.result.Done, q.result.Vetoes = sim.seen.run.Hours()/24, err == nil, sim.seen.vetoes
	for _, v := range sim.seen.checker.Finish().Violations {
		q.result.Broken = append(q.result.Broken, fmt.Sprintf("%s at tick %d: %s, expected %s", v.Name, v.Tick, v.Seen, v.Expected))
	}
	return q.result
}

// quietFile keeps results, a line each.
type quietFile struct {
	mu    sync.Mutex
	build string
	have  map[uint64]quietResult
	to    *os.File
}

func openQuiet(t *testing.T, path string) *quietFile {
	f := &quietFile{have: map[uint64]quietResult{}}
	if path == "" {
		return f
	}
	self, err := os.Executable()
	require.NoError(t, err)
	program, err := os.ReadFile(self)
	require.NoError(t, err)
	f.build = fmt.Sprintf("%x", sha256.Sum256(program))[:16]
	f.to, err = os.OpenFile(path, os.O_RDWR|os.O_APPEND|os.O_CREATE, 0o644)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, f.to.Close()) })
	kept, err := io.ReadAll(f.to)
	require.NoError(t, err)
	lines := bufio.NewScanner(bytes.NewReader(kept))
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var r quietResult
		if json.Unmarshal(lines.Bytes(), &r) == nil && r.Build == f.build { // a line broken off is dried again
			f.have[r.Seed] = r
		}
	}
	return f
}

func (f *quietFile) keep(t testing.TB, r quietResult) {
	f.mu.Lock()
	defer f.mu.Unlock()
	r.Build = f.build
	f.have[r.Seed] = r
	if f.to == nil {
		return
	}
	line, err := json.Marshal(r)
	require.NoError(t, err)
	_, err = f.to.Write(append(line, '\n'))
	require.NoError(t, err)
}

// falsePerDay is how many false alarms a kiln may give a day, over all charges.
const falsePerDay = 0.1

// TestNoFalseAlarm dries charges in kilns without a fault: nothing may trip, nothing is refused, the audit finds nothing, and
// fewer than one alarm in ten kiln-days says what is not so.
func TestNoFalseAlarm(t *testing.T) {
	n, limit, first := *quietCount, longestQuiet, *quietFirst
	if n == 0 {
		n, limit = 4, 3*24*time.Hour
		if testing.Short() {
			n, limit = 1, 12*time.Hour
		}
	}
	f := openQuiet(t, *quietResults)
	t.Run("charge", func(t *testing.T) {
		for seed := first; seed < first+uint64(n); seed++ {
			if _, done := f.have[seed]; done {
				continue
			}
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				t.Parallel()
				c := drawQuiet(t, seed)
				r := dryQuiet(t, &c, limit)
				f.keep(t, r)
				t.Logf("%s: %.1f days, told %v", r.What, r.Days, r.Told)
				if len(r.When) > 0 {
					t.Logf("false: %s", strings.Join(r.When, "\n"))
				}
				require.Empty(t, r.Trips)
				require.Empty(t, r.Broken)
				require.Zero(t, r.Vetoes)
			})
		}
	})
	told, untrue := map[string]int{}, map[string]int{}
	days, all, done, trips, vetoes, broken := 0.0, 0, 0, 0, 0, 0
	for seed := first; seed < first+uint64(n); seed++ {
		r, ok := f.have[seed]
		require.True(t, ok, "seed %d gave no result", seed)
		days += r.Days
		trips, vetoes, broken = trips+len(r.Trips), vetoes+r.Vetoes, broken+len(r.Broken)
		if r.Done {
			done++
		}
		for rule, n := range r.Told {
			told[rule] += n
		}
		for rule, n := range r.False {
			untrue[rule] += n
			all += n
		}
	}
	t.Logf("%d charges (seeds %d to %d), %d done, %.0f kiln-days on %d cores: %d false trips, %d vetoed ticks, %d violations", n, first, first+uint64(n)-1, done, days,
		runtime.GOMAXPROCS(0), trips, vetoes, broken)
	t.Logf("%d false alarms, %.4f a kiln-day (%.2f allowed)", all, float64(all)/days, falsePerDay)
	for _, rule := range slices.Sorted(maps.Keys(told)) {
		t.Logf("%-28s told %5d, false %5d: %.4f a kiln-day", rule, told[rule], untrue[rule], float64(untrue[rule])/days)
	}
	require.Zero(t, trips)
	require.Zero(t, vetoes)
	require.Zero(t, broken)
	require.LessOrEqual(t, float64(all), falsePerDay*days)
}
