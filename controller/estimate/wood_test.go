package estimate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
	"drywarden/schedule/wood"
)

// load is a made-up charge whose truth is known: two lots that approach the EMC exponentially, boards that differ, oven-dry
// weights that are a little wrong, a condensate meter that gets a fixed share of the water in drops.
type load struct {
	*air
	plan    schedule.Plan
	truth   [2]float64 // lot means
	board   [6]float64 // of the mean of its lot
	dry     [6]float64 // true oven-dry mass, kg
	tau     [2]float64 // hours
	share   float64
	water   float64 // at the meter, not yet tipped
	random  *rand.Rand
	emcTrue float64
}

func newLoad(seed uint64) *load {
	l := &load{air: newAir(), share: 0.72, random: rand.New(rand.NewPCG(seed, 7)), tau: [2]float64{300, 180}, truth: [2]float64{70, 50}}
	l.layout.Condensate = true
	l.layout.Contacts = 1 << hardware.ContactDoor
	l.plan = schedule.Plan{ID: 5, Lots: []schedule.Lot{
		{Name: "a", Group: schedule.Refractory, Thickness: 0.027, Start: 75, OvenDry: 700, RateLimit: 4},
		{Name: "b", Group: schedule.Moderate, Thickness: 0.027, Start: 47, OvenDry: 500, RateLimit: 8}}}
	for i := range 6 {
		lot := i / 3
		l.board[i] = 1 + 0.06*l.random.NormFloat64()
		l.dry[i] = 2 + l.random.Float64()
		said := l.dry[i] * (1 + 0.007*l.random.NormFloat64())
		start := l.dry[i] * (1 + l.truth[lot]*l.board[i]/100)
		l.plan.Samples = append(l.plan.Samples, schedule.SampleBoard{Lot: int8(lot), Start: quantity.Kilogram(start), OvenDry: quantity.Kilogram(said)})
	}
	l.set(45, 45, 45, 40, gone, gone, gone)
	l.emcTrue = 12.9
	l.in.Plan = &l.plan
	l.snap.Condensate.Quality = hardware.Valid
	Begin(&l.cfg, &l.s, &l.plan)
	return l
}

// minute lets the truth and the estimator go on.
func (l *load) minute() {
	for lot := range l.truth {
		lost := max(l.truth[lot]-l.emcTrue, 0) / l.tau[lot] / 60
		l.truth[lot] -= lost
		l.water += l.share * lost / 100 * float64(l.plan.Lots[lot].OvenDry)
	}
	// It drains in bursts.
	if l.random.IntN(40) == 0 {
		for l.water > 0.1 {
			l.water -= 0.1
			l.snap.Condensate.Total += 0.1
		}
	}
	l.out = schedule.Conditions{}
	l.in.Elapsed = time.Minute
	Step(&l.cfg, &l.s, &l.in, &l.out)
}

func (l *load) weigh() {
	for i := range l.dry {
		m := l.truth[i/3] * l.board[i]
		kg := quantity.Quantize(l.dry[i]*(1+m/100), 0.001)
		Weigh(&l.s, &l.plan, i, quantity.Kilogram(kg))
	}
}

// The filter finds level, rate and recovery of a known truth, and knows how well.
func TestFilterFindsTheTruth(t *testing.T) {
	var inside, all int
	var meanError, recoveryError float64
	for seed := range uint64(8) {
		l := newLoad(seed)
		for minute := range 12 * 24 * 60 {
			l.minute()
			if minute%(24*60) == 8*60 {
				l.weigh()
			}
			if minute%(24*60) != 0 || minute < 2*24*60 {
				continue
			}
			for lot := range l.truth {
				c := &l.out.Lots[lot]
				all++
				if math.Abs(c.Mean.Value-l.truth[lot]) < 2*c.Mean.Sigma {
					inside++
				}
				rate := max(l.truth[lot]-l.emcTrue, 0) / l.tau[lot] * 24
				require.InDelta(t, rate, c.Rate.Value, 0.3*rate+0.4, "seed %d day %d lot %d", seed, minute/1440, lot)
				require.InDelta(t, rate, c.Rate24h.Value, 0.3*rate+0.6)
				require.Less(t, c.Control.Sigma, 2.5, "good enough to end a stage")
				require.GreaterOrEqual(t, c.Control.Value, c.Driest.Value)
				require.LessOrEqual(t, c.Control.Value, c.Wettest.Value)
			}
		}
		kappa, sigma := l.s.Wood.Recovery()
		recoveryError += math.Abs(kappa-l.share) / 8
		require.Less(t, sigma, 0.08)
		for lot := range l.truth {
			meanError += math.Abs(l.out.Lots[lot].Mean.Value-l.truth[lot]) / 16
		}
		require.EqualValues(t, -1, l.s.Wood.Contradicted(), "seed %d", seed)
	}
	t.Logf("inside two sigma %.3f, mean error %.2f points, recovery error %.3f", float64(inside)/float64(all), meanError, recoveryError)
	require.Greater(t, float64(inside)/float64(all), 0.9, "within two sigma")
	require.Less(t, meanError, 1.0)
	require.Less(t, recoveryError, 0.06)
}

// Without weighings the boards are carried forward by the water alone.
func TestWaterCarriesTheBoardsForward(t *testing.T) {
	l := newLoad(1)
	l.share = l.cfg.Recovery
	for range 3 * 24 * 60 {
		l.minute()
	}
	for lot := range l.truth {
		c := &l.out.Lots[lot]
		want := 0.0
		for i := range 3 {
			want = max(want, l.truth[lot]*l.board[3*lot+i])
		}
		require.InDelta(t, want, c.Wettest.Value, 4)
		require.Less(t, c.Age, 3*time.Hour)
	}
}

func TestEvidenceThatIsMissingIsSaid(t *testing.T) {
	l := newLoad(2)
	l.snap.Condensate.Quality = hardware.NoAnswer
	for range 24 * 60 {
		l.minute()
	}
	before := l.out.Lots[0]
	for range 5 * 24 * 60 {
		l.minute()
	}
	require.Greater(t, l.out.Lots[0].Control.Sigma, before.Control.Sigma+3)
	require.Greater(t, l.out.Lots[0].Age, 5*24*time.Hour)
	sample, since := l.s.Wood.Overdue(&l.cfg)
	require.GreaterOrEqual(t, sample, int8(0))
	require.Greater(t, since, 5*24*time.Hour)
}

// Water never makes wood wetter, and nothing but a weighing lets a belief rise faster than 0.3 points an hour.
func TestBeliefsRiseSlowly(t *testing.T) {
	l := newLoad(3)
	last := l.out.Lots
	for minute := range 4 * 24 * 60 {
		weighed := minute%(24*60) == 600
		if weighed {
			l.weigh()
		}
		if minute > 2000 && minute < 3000 {
			l.snap.Condensate.Total += 0.05 * l.random.Float64() // a leak into the bucket
		}
		l.minute()
		if minute > 0 && !weighed {
			for lot := range l.truth {
				require.LessOrEqual(t, l.out.Lots[lot].Control.Value, last[lot].Control.Value+0.3/60+1e-9)
				require.LessOrEqual(t, l.out.Lots[lot].Mean.Value, last[lot].Mean.Value+0.3/60+1e-9)
			}
		}
		last = l.out.Lots
	}
}

func TestACovarianceStaysOne(t *testing.T) {
	l := newLoad(4)
	for minute := range 6 * 24 * 60 {
		l.minute()
		if minute%700 == 0 {
			l.weigh()
		}
		if minute%600 != 0 {
			continue
		}
		p := &l.s.Wood.Filter.P
		for i := range p {
			require.GreaterOrEqual(t, p[i][i], 0.0)
			for j := range p {
				require.InDelta(t, p[i][j], p[j][i], 1e-9*(1+math.Abs(p[i][j])))
				require.LessOrEqual(t, p[i][j]*p[i][j], p[i][i]*p[j][j]*(1+1e-6)+1e-12)
			}
		}
	}
}

// A pin that is lost lowers nothing: the control moisture comes from the boards, and with pins alone from the lot's mean.
func TestPins(t *testing.T) {
	l := newLoad(5)
	l.layout.Probes = append(l.layout.Probes, hardware.Probe{Role: hardware.RolePin, Lot: 1})
	pin := len(l.layout.Probes) - 1
	l.s.Index = Index{}
	l.plan.Samples = l.plan.Samples[:3] // lot b has none
	Begin(&l.cfg, &l.s, &l.plan)
	l.truth[1] = 16
	l.plan.Lots[1].Start = 18
	Begin(&l.cfg, &l.s, &l.plan)
	// A resistance that reads 16 % at 45 C: search it.
	ohm := 1e6
	for m, _, ok := wood.PinMoisture(quantity.Ohm(ohm), 45); !ok || float64(m) > 16; m, _, ok = wood.PinMoisture(quantity.Ohm(ohm), 45) {
		ohm *= 1.05
		require.Less(t, ohm, 1e11)
	}
	l.snap.Readings[pin] = hardware.Reading{Value: ohm, Quality: hardware.Valid}
	l.tau[1] = 1e6
	for range 48 * 60 {
		l.minute()
	}
	require.InDelta(t, 16, l.out.Lots[1].Mean.Value, 2*l.out.Lots[1].Mean.Sigma+0.5)
	before := l.out.Lots[1].Control.Value
	l.snap.Readings[pin].Quality = hardware.NoAnswer
	l.minute()
	require.GreaterOrEqual(t, l.out.Lots[1].Control.Value, before-0.01)
}

func TestUnlikelyWeights(t *testing.T) {
	l := newLoad(6)
	for range 24 * 60 {
		l.minute()
	}
	board := l.plan.Samples[0]
	for _, c := range []struct {
		name    string
		kg      quantity.Kilogram
		wetting bool
		likely  bool
	}{
		{"a normal loss", board.Start * 0.985, false, true},
		{"heavier", board.Start * 1.02, false, false},
		{"heavier, while wood is wetted", board.Start * 1.02, true, true},
		{"far heavier even so", board.Start * 1.2, true, false},
		{"as dry as from the oven", board.OvenDry, false, false},
		{"faster than wood can dry", board.Start - board.OvenDry*0.3, false, false},
	} {
		_, ok := Check(&l.s, &l.plan, 0, c.kg, c.wetting)
		require.Equal(t, c.likely, ok, c.name)
	}
}

func TestSwappedBoardsAreNoticed(t *testing.T) {
	l := newLoad(7)
	for day := range 5 {
		for range 24 * 60 {
			l.minute()
		}
		if day < 2 {
			l.weigh()
			continue
		}
		for i := range 3 { // the weights of three boards go up and down as if they were others
			m := l.truth[0]*l.board[i] + 12*float64(day%2*2-1)
			Weigh(&l.s, &l.plan, i, quantity.Kilogram(l.dry[i]*(1+m/100)))
		}
	}
	require.EqualValues(t, 0, l.s.Wood.Contradicted())
	l.s.Wood.Accept()
	require.EqualValues(t, -1, l.s.Wood.Contradicted())
}

func TestALoadedStateWithoutItsWoodIsUnsure(t *testing.T) {
	l := newLoad(8)
	l.s = State{}
	l.minute()
	require.Greater(t, l.out.Lots[0].Control.Sigma, 2.5, "no stage ends before somebody has weighed")
	l.weigh()
	l.minute()
	require.Less(t, l.out.Lots[0].Control.Sigma, 2.5)
}

func TestWettestSampleOnDemand(t *testing.T) {
	l := newLoad(9)
	l.minute()
	half := l.out.Lots[0].Control.Value
	l.plan.Wettest = true
	for range 2 {
		l.minute()
	}
	require.Greater(t, l.out.Lots[0].Control.Value+0.3, half)
	Begin(&l.cfg, &l.s, &l.plan)
	l.minute()
	require.Equal(t, l.out.Lots[0].Wettest.Value, l.out.Lots[0].Control.Value)
}

func BenchmarkWork(b *testing.B) {
	l := newLoad(1)
	b.ReportAllocs()
	for b.Loop() {
		l.minute()
	}
}

// pinned is a dry lot with one pair of pins.
func pinned(t *testing.T, mean float64) (*load, hardware.ProbeID, func(ohms float64, hours int)) {
	l := newLoad(1)
	l.layout.Probes = append(l.layout.Probes, hardware.Probe{Role: hardware.RolePin, Lot: 1})
	id := hardware.ProbeID(len(l.layout.Probes) - 1)
	l.set(27, 27, 27, 24, gone, gone, gone) // near the temperature of the table
	l.s = State{}
	l.plan.Samples = nil
	l.plan.Lots[1].Start = quantity.MoistureContent(mean)
	Begin(&l.cfg, &l.s, &l.plan)
	l.s.Wood.Filter.set(at(1, moisture), mean, 0.5)
	return l, id, func(ohms float64, hours int) {
		for range hours * 60 {
			l.snap.Readings[id] = hardware.Reading{Value: ohms, Quality: hardware.Valid}
			l.in.Elapsed = time.Minute
			Step(&l.cfg, &l.s, &l.in, &l.out)
		}
		require.True(t, l.s.Wood.Pin[id].Known)
	}
}

// Resistances of Douglas-fir at 80 F in ohm: James 1988, FPL-GTR-6, table 1 (from memory).
const (
	ohms8, ohms9, ohms10, ohms12 = 4.78e9, 1.66e9, 6.3e8, 1.2e8
)

func TestPinsThatLeakOrAreLoose(t *testing.T) {
	bit := func(mask uint64, id hardware.ProbeID) bool { return mask>>id&1 == 1 }
	t.Run("short", func(t *testing.T) {
		l, id, read := pinned(t, 10)
		read(ohms12, 2)
		require.False(t, bit(l.s.Trust.Leak, id))
		before := l.s.Wood.Filter.X[at(1, moisture)]
		read(1e5, 2)
		require.True(t, bit(l.s.Trust.Leak, id))
		require.LessOrEqual(t, l.s.Wood.Filter.X[at(1, moisture)], before+0.05, "not believed")
		read(ohms12, 2)
		require.False(t, bit(l.s.Trust.Leak, id), "and sound again")
	})
	t.Run("a cable becomes wet: a thousand megohm beside ten thousand", func(t *testing.T) {
		l, id, read := pinned(t, 8)
		read(2*ohms8, 2)
		read(1/(1/(2*ohms8)+1/1e9), 2)
		require.True(t, bit(l.s.Trust.Leak, id), "no wood becomes wetter by more than a point an hour")
	})
	t.Run("it was wet before: the resistance stays while the lot dries", func(t *testing.T) {
		l, id, read := pinned(t, 9.5)
		l.s.Wood.Filter.set(at(1, rate), 0.06, 0.001)
		l.emcTrue = 4
		for range 72 {
			l.set(30, 30, 30, 14, gone, gone, gone)
			l.s.Wood.Filter.set(at(1, rate), 0.06, 0.001)
			read(9e8, 1)
		}
		require.True(t, bit(l.s.Trust.Leak, id))
	})
	t.Run("loose", func(t *testing.T) {
		l, id, read := pinned(t, 10)
		read(ohms10, 2)
		before := l.s.Wood.Filter.X[at(1, moisture)]
		read(ohms8, 2)
		require.True(t, bit(l.s.Trust.Loose, id))
		require.InDelta(t, before, l.s.Wood.Filter.X[at(1, moisture)], 0.3)
		read(ohms10, 2)
		require.False(t, bit(l.s.Trust.Loose, id))
	})
	t.Run("sound", func(t *testing.T) {
		l, id, read := pinned(t, 12)
		for r := float64(ohms12); r < ohms8; r *= 1.3 {
			read(r, 8)
			require.False(t, bit(l.s.Trust.Leak|l.s.Trust.Loose, id), "at %g ohm", r)
		}
	})
}

// A healthy machine of any size is learnt, and one that gives less than before is found out.
func TestYieldLearnsTheMachine(t *testing.T) {
	for _, size := range []float64{0.08, 1, 2.5} {
		a := newAir()
		a.layout.Condensate, a.layout.Outputs = true, 1<<hardware.Compressor
		a.set(43, 43, gone, 40.5, gone, gone, gone)
		a.snap.Condensate.Quality = hardware.Valid
		run := func(share float64, hours int) {
			for s := range hours * 3600 {
				on := s%1800 < 600
				a.snap.Previous.On = a.snap.Previous.On.With(hardware.Compressor, on)
				if on {
					a.snap.Condensate.Total += share * size * nominal(43, a.s.Air.RH, a.s.Air.vapour(&a.in), false) / 3600
				}
				a.in.Elapsed = time.Second
				a.out = schedule.Conditions{}
				Step(&a.cfg, &a.s, &a.in, &a.out)
			}
		}
		run(1, 30)
		y := &a.s.Air.Yield
		require.EqualValues(t, learnings, y.Learned)
		require.InDelta(t, size, y.Scale, 0.2*size)
		require.False(t, y.Low || y.Poor)
		run(0.4, 8)
		require.True(t, y.Low || y.Poor, "at %g of a 3 kW machine", size)
		run(1, 12)
		require.False(t, y.Low || y.Poor)
	}
}

// The plane that stands for a heat pump keeps to the twelve points that it was laid through (own computation: coil and
// compressor balance of a 3 kW machine, full and low coil air, kg/h).
func TestNominalYield(t *testing.T) {
	for _, c := range []struct{ t, rh, full, low float64 }{
		{12, 0.85, 3.6, 2.5}, {18, 0.85, 5.6, 3.9}, {27, 0.80, 8.5, 6.2}, {32, 0.85, 11.6, 8.7}, {38, 0.87, 15, 11.7}, {43, 0.87, 17.6, 14.3},
		{43, 0.75, 14.7, 12.2}, {43, 0.60, 10.8, 9.6}, {46, 0.50, 8.9, 8.8}, {49, 0.40, 6.5, 7.5}, {49, 0.30, 2.9, 5.2}, {49, 0.25, 1.0, 3.9},
	} {
		vapour := c.rh * float64(wood.SaturationPressure(quantity.Celsius(c.t)))
		require.InDelta(t, c.full, nominal(c.t, c.rh, vapour, false), 0.9)
		require.InDelta(t, c.low, nominal(c.t, c.rh, vapour, true), 0.5)
	}
}

// Whatever is found in the bucket, none, a leak or what the wood gave: it makes no lot wetter, and the share that is
// recovered stays between 0.5 and 1.1.
func TestWaterInTheBucketWetsNoWood(t *testing.T) {
	balances := 0
	for seed := range uint64(4) {
		l := newLoad(seed)
		for minute := range 6 * 24 * 60 {
			l.minute()
			if minute%(24*60) == 8*60 {
				l.weigh()
			}
			if minute%17 != 0 {
				continue
			}
			w := l.s.Wood
			w.Balance, w.Water, w.Vented, w.Spoilt = time.Hour, 6*l.random.Float64()*l.random.Float64(), l.random.Float64(), false
			before, count := w.Filter, w.Balances
			w.balance(&l.s.Air, &l.in)
			if w.Balances == count {
				continue
			}
			balances++
			for lot := range l.truth {
				require.LessOrEqual(t, w.Filter.X[at(lot, moisture)], before.X[at(lot, moisture)])
			}
			require.GreaterOrEqual(t, w.Filter.X[recovery], 0.5)
			require.LessOrEqual(t, w.Filter.X[recovery], 1.1)
			if minute%170 == 0 {
				l.s.Wood = w // and goes on with it
			}
		}
	}
	require.Greater(t, balances, 1000)
}

// Boards found wetter than before were wetted; in air drier than they are they do not go on taking up water.
func TestAWettingDoesNotGoOnInDryAir(t *testing.T) {
	l := newLoad(3)
	l.weigh()
	l.minute()
	l.layout.Condensate, l.snap.Condensate.Quality = false, hardware.NotFitted // only weighings tell
	l.s.Wood.Filter.X[at(0, rate)] = -0.25                                     // as after a valve that hung, and was mended
	l.minute()
	require.GreaterOrEqual(t, l.out.Lots[0].Rate.Value, -0.5)
	before := l.s.Wood.Filter.X[at(0, moisture)]
	for range 8 * 60 {
		l.minute()
	}
	require.LessOrEqual(t, l.s.Wood.Filter.X[at(0, moisture)], before+0.2)
}
