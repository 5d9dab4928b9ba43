package demand

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// The bands here are those of DefaultConfig, which are common practice, no source.

type bench struct {
	cfg Config
	s   State
	c   schedule.Conditions
	sp  schedule.SetPoints
	in  Input
	out Demand
}

const everything = schedule.PermitFans | schedule.PermitCompressor | schedule.PermitHeat | schedule.PermitVent | schedule.PermitVentDry |
	schedule.PermitSpray | schedule.PermitReversal

func newBench() *bench {
	b := &bench{cfg: DefaultConfig()}
	b.cfg.HeatStages, b.cfg.Vent, b.cfg.Spray, b.cfg.Compressor, b.cfg.BlowerLow, b.cfg.AmbientMax = 3, true, true, true, true, 55
	b.c = schedule.Conditions{DryBulb: 45, DryBulbOK: true, DryBulbs: 2, EMC: 10, RH: 0.6, EMCOK: true, Airflow: true, DoorShut: true,
		Outdoor: 10, OutdoorOK: true, OutdoorW: 0.005, OutdoorWOK: true, IndoorW: 0.03, Charge: schedule.Belief{Value: 40, Sigma: 1, Valid: true}}
	b.sp = schedule.SetPoints{Active: true, Kind: schedule.Dry, DryBulb: 45, EMC: 10, Permit: everything, FanSpeed: 1, DutyCap: 1, Wet: true}
	b.in = Input{Conditions: &b.c, SetPoints: &b.sp, SpraySupply: true, Elapsed: time.Second}
	return b
}

func (b *bench) run(d time.Duration) *Demand {
	for range int(d / time.Second) {
		Step(&b.cfg, &b.s, &b.in, &b.out)
		b.in.CompressorOn, b.in.HeatOn, b.in.VentOn = b.out.Dry, b.out.Heat > 0, b.out.Vent
	}
	return &b.out
}

func TestDryBand(t *testing.T) {
	b := newBench()
	b.c.EMC = 10.5
	require.False(t, b.run(50*time.Second).Dry, "only after a minute")
	require.True(t, b.run(15*time.Second).Dry)
	b.c.EMC = 9.9
	require.True(t, b.run(time.Second).Dry, "within the band it goes on")
	b.c.EMC = 9.7
	require.False(t, b.run(time.Second).Dry)
	b.c.EMC = 10.3
	require.False(t, b.run(5*time.Minute).Dry)
}

func TestBandIsCentredOnTheMean(t *testing.T) {
	b := newBench()
	// A machine too big for its room: each run takes the EMC three points down, and it creeps back.
	emc, sum := 10.0, 0.0
	var run time.Duration
	for range 24 * 3600 {
		b.c.EMC = quantity.MoistureContent(emc)
		b.run(time.Second)
		switch {
		case b.out.Dry && run == 0, run > 0 && run < 10*time.Minute: // its minimum run
			run += time.Second
			emc -= 3.0 / 600
		default:
			run = 0
			emc += 3.0 / 2400 * (12.5 - emc) / 2.5
		}
		b.in.CompressorOn = run > 0
		sum += emc
	}
	require.InDelta(t, 10, sum/(24*3600), 0.6, "without the shift it is 9.2")
	require.Positive(t, b.s.Shift)
}

func TestWhatForbidsDrying(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*bench)
		why    Reason
	}{
		{"not permitted", func(b *bench) { b.sp.Permit &^= schedule.PermitCompressor }, NotPermitted},
		{"no dry bulb", func(b *bench) { b.c.DryBulbOK = false }, NoDryBulb},
		{"no humidity", func(b *bench) { b.c.EMCOK = false }, NoHumidity},
		{"above the unit's limit", func(b *bench) { b.c.DryBulb, b.sp.DryBulb = 54.5, 54.5 }, AmbientLimit},
		{"below it", func(b *bench) { b.c.DryBulb, b.sp.DryBulb = 15, 15 }, AmbientLimit},
		{"too warm", func(b *bench) { b.c.DryBulb = 48 }, TooWarmToDry},
		{"held safe", func(b *bench) { b.in.Safe = true }, HeldSafe},
		{"no charge", func(b *bench) { b.sp.Active = false }, NotWanted},
		{"rate guard", func(b *bench) { b.sp.DutyCap, b.s.Duty = 0.25, 0.3 }, DutyCapped},
		{"none fitted", func(b *bench) { b.cfg.Compressor = false }, NotFitted},
	} {
		b := newBench()
		b.c.EMC = 14
		require.True(t, b.run(2*time.Minute).Dry)
		c.change(b)
		b.run(time.Second)
		require.False(t, b.out.Dry, c.name)
		require.Equal(t, c.why, b.out.DryWhy.Code, c.name)
	}
}

func TestHeatStages(t *testing.T) {
	b := newBench()
	for _, c := range []struct {
		dryBulb quantity.Celsius
		level   uint8
	}{{44.2, 0}, {43.9, 1}, {42.9, 2}, {41.9, 3}, {42.1, 3}, {42.9, 2}, {43.9, 1}, {44.7, 1}, {44.85, 0}, {44.2, 0}} {
		b.c.DryBulb = c.dryBulb
		require.Equal(t, c.level, b.run(time.Second).Heat, "at %v", c.dryBulb)
	}
}

func TestOneDryBulbAloneHeatsForAShareOfTheTime(t *testing.T) {
	b := newBench()
	b.c.DryBulbs, b.c.DryBulb = 1, 38
	on, run := 0, 0
	for range 3600 {
		require.LessOrEqual(t, b.run(time.Second).Heat, uint8(1))
		run++
		if b.out.Heat == 0 {
			run = 0
		} else {
			on++
		}
		require.LessOrEqual(t, run, 180)
	}
	require.LessOrEqual(t, float64(on)/3600, 0.3)
	require.Greater(t, float64(on)/3600, 0.1)
}

func TestVentCools(t *testing.T) {
	b := newBench()
	b.sp.Wet, b.c.EMC = false, 10.3
	b.c.DryBulb = 46.5
	open := 0
	for range 600 {
		if b.run(time.Second).Vent {
			open++
		}
	}
	require.InDelta(t, 120, open, 3, "a minute in five")
	b.c.DryBulb = 49
	open = 0
	for range 600 {
		if b.run(time.Second).Vent {
			open++
		}
	}
	require.Greater(t, open, 500, "the warmer, the longer")
	b.c.DryBulb = 45.3
	require.False(t, b.run(time.Second).Vent)
	b.c.DryBulb, b.c.Outdoor = 46.5, 46
	b.run(10 * time.Minute)
	require.False(t, b.out.Vent)
	require.Equal(t, OutdoorWarm, b.out.VentWhy.Code)
}

func TestVentDryHasItsOwnConditions(t *testing.T) {
	ready := func() *bench {
		b := newBench()
		b.sp.Wet, b.sp.EMC, b.c.EMC, b.c.RH, b.c.Charge.Value = false, 4.8, 5.6, 0.3, 12
		b.in.Barren = 2 * time.Hour
		return b
	}
	b := ready()
	open, both := 0, 0
	b.c.DryBulb = 43.8
	for range 3600 {
		b.run(time.Second)
		require.False(t, b.out.Dry)
		if b.out.Vent {
			open++
			if b.out.Heat > 0 {
				both++
			}
		}
	}
	require.True(t, b.out.VentDry)
	require.InDelta(t, 0.2, float64(open)/3600, 0.06)
	require.Positive(t, both)
	for name, spoil := range map[string]func(*bench){
		"wood too wet":        func(b *bench) { b.c.Charge.Value = 21 },
		"outdoors not drier":  func(b *bench) { b.c.OutdoorW = b.c.IndoorW - 0.002 },
		"outdoors not known":  func(b *bench) { b.c.OutdoorWOK = false },
		"machine not at end":  func(b *bench) { b.in.Barren = 0 },
		"not permitted":       func(b *bench) { b.sp.Permit &^= schedule.PermitVentDry },
		"rate guard in force": func(b *bench) { b.sp.DutyCap = 0.5 },
		"dry enough":          func(b *bench) { b.c.EMC = 4.9 },
	} {
		b := ready()
		spoil(b)
		b.run(5 * time.Minute)
		require.False(t, b.out.VentDry, name)
	}
}

func TestSpray(t *testing.T) {
	b := newBench()
	b.c.EMC = 9
	on := 0
	for range 600 {
		if b.run(time.Second).Spray {
			on++
		}
	}
	require.InDelta(t, 150, on, 20, "in pulses")
	b.in.SpraySupply = false
	require.False(t, b.run(time.Minute).Spray)
	b.in.SpraySupply = true
	b.c.DryBulb = 41
	require.False(t, b.run(time.Minute).Spray, "it would cool further")
	b.c.DryBulb = 45
	b.in.CompressorOn = true
	Step(&b.cfg, &b.s, &b.in, &b.out)
	require.False(t, b.out.Spray)
	require.Equal(t, CompressorRuns, b.out.SprayWhy.Code)
}

func TestLessAirOverTheCoilInDryAir(t *testing.T) {
	b := newBench()
	b.c.EMC, b.c.RH = 14, 0.4
	require.True(t, b.run(2*time.Minute).BlowerLow)
	b.c.RH = 0.48
	require.True(t, b.run(time.Second).BlowerLow)
	b.c.RH = 0.52
	require.False(t, b.run(time.Second).BlowerLow)
	b.c.RH, b.c.DryBulb, b.sp.DryBulb = 0.4, 23, 23
	require.False(t, b.run(time.Second).BlowerLow, "frost")
}

// Never together, and never more when an input is held, just lost, or gone.
func TestGentle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBench()
		for range 30 {
			b.c.DryBulb = quantity.Celsius(rapid.Float64Range(10, 60).Draw(t, "db"))
			b.c.EMC = quantity.MoistureContent(rapid.Float64Range(3, 24).Draw(t, "emc"))
			b.c.RH = quantity.Ratio(rapid.Float64Range(0.1, 1).Draw(t, "rh"))
			b.c.Charge.Value = rapid.Float64Range(6, 80).Draw(t, "mc")
			b.sp.Permit = schedule.Permit(rapid.Uint8Range(0, 127).Draw(t, "permit"))
			b.in.Barren = time.Duration(rapid.IntRange(0, 2).Draw(t, "barren")) * time.Hour
			b.c.DryBulbs = rapid.IntRange(1, 2).Draw(t, "bulbs")
			b.c.Held, b.in.Steady = false, false
			b.run(time.Duration(rapid.IntRange(1, 200).Draw(t, "s")) * time.Second)
			together(t, &b.out)
			before := b.out
			switch rapid.IntRange(0, 4).Draw(t, "loss") {
			case 0:
				b.c.Held = true
			case 1:
				b.in.Steady = true
			case 2:
				b.c.DryBulbOK = false
			case 3:
				b.c.EMCOK = false
			default:
				continue
			}
			b.c.DryBulb -= 5
			b.c.EMC += 5
			b.run(time.Second)
			together(t, &b.out)
			require.False(t, b.out.Dry && !before.Dry, "compressor rises")
			require.LessOrEqual(t, b.out.Heat, before.Heat, "heat rises")
			require.False(t, b.out.Spray && !before.Spray && !b.c.EMCOK)
			b.c.DryBulbOK, b.c.EMCOK = true, true
		}
		text, err := json.Marshal(&b.s)
		require.NoError(t, err)
		var again State
		require.NoError(t, json.Unmarshal(text, &again))
		require.Equal(t, b.s, again)
	})
}

func together(t require.TestingT, d *Demand) {
	require.False(t, d.Dry && d.Spray, "spray and compressor")
	require.False(t, d.Heat > 0 && d.Vent && !d.VentDry, "heat and vent")
	require.False(t, d.VentDry && d.Dry)
}
