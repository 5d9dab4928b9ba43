package simkiln

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// driver is a trivial bang-bang controller that sees the truth, for tests of the plant alone.
type driver struct {
	k               *Kiln
	on              hardware.OutputSet
	stages          []stage
	dryBulbMax      float64 // caps every stage's dry bulb; its EMC is kept
	lastOff, lastOn time.Duration
	vent            bool // may cool by venting
	governing       func(k *Kiln) float64
}

// stage holds while the governing moisture is above until.
type stage struct{ until, dryBulb, emc float64 }

// The general schedules as commonly shortened: lower end of the moisture range, dry bulb F, depression F.
var (
	oak44    = [][3]float64{{50, 110, 4}, {40, 110, 5}, {35, 110, 8}, {30, 110, 14}, {25, 115, 25}, {20, 120, 30}, {0, 120, 32}}
	oak84    = [][3]float64{{50, 110, 3}, {40, 110, 4}, {35, 110, 6}, {30, 110, 10}, {25, 115, 20}, {20, 120, 30}, {0, 120, 32}}
	maple44  = [][3]float64{{50, 110, 7}, {40, 110, 10}, {35, 115, 15}, {30, 115, 25}, {0, 120, 30}}
	walnut84 = [][3]float64{{50, 110, 5}, {40, 110, 7}, {35, 110, 11}, {30, 110, 19}, {0, 120, 30}}
	poplar44 = [][3]float64{{50, 110, 10}, {40, 115, 15}, {35, 120, 22}, {0, 120, 28}}
	pine44   = [][3]float64{{40, 115, 12}, {30, 120, 20}, {0, 120, 28}}
)

// floorRH is the driest air these machines make.
const floorRH = 0.28

func stagesOf(rows [][3]float64) []stage {
	var out []stage
	for _, r := range rows {
		db := fahrenheit(r[1])
		wb := db - r[2]/1.8
		rh := (saturation(wb) - 6.6e-4*(1+0.00115*wb)*101325*(db-wb)) / saturation(db)
		i := isothermAt(db)
		out = append(out, stage{r[0], db, i.moisture(max(rh, floorRH))})
	}
	return out
}

func fahrenheit(f float64) float64 { return (f - 32) / 1.8 }

func (k *Kiln) emcNow() (rh, emc float64) {
	rh = vapourPressure(k.s.RoomW, float64(k.cfg.Pressure)) / saturation(k.s.RoomT)
	return rh, k.table.at(k.s.RoomT).moisture(rh)
}

func (d *driver) tick(dt time.Duration) {
	k := d.k
	t := k.s.RoomT
	rh, emc := k.emcNow()
	mc := 0.0
	if d.governing != nil {
		mc = d.governing(k)
	} else {
		for i := range k.cfg.Lots {
			mc = max(mc, k.lotMean(i))
		}
	}
	sp := d.stages[len(d.stages)-1]
	for _, s := range d.stages {
		if mc > s.until {
			sp = s
			break
		}
	}
	if d.dryBulbMax > 0 {
		sp.dryBulb = min(sp.dryBulb, d.dryBulbMax)
	}
	set := func(o hardware.OutputID, on bool) { d.on = d.on.With(o, on) }
	for g := range k.cfg.Fans.Groups {
		set(hardware.FanForward(g), true)
	}
	now := k.Now()
	running := d.on.Has(hardware.Compressor)
	switch {
	case !running && emc > sp.emc+0.4 && now-d.lastOff > 5*time.Minute && t > 18:
		set(hardware.Compressor, true)
		set(hardware.Blower, true)
		d.lastOn = now
	case running && emc < sp.emc-0.2 && now-d.lastOn > 5*time.Minute:
		set(hardware.Compressor, false)
		set(hardware.Blower, false)
		d.lastOff = now
	}
	set(hardware.BlowerLow, k.cfg.Machine.BlowerLow && rh < 0.45)
	for i := range k.cfg.Heat.Stages {
		if t < sp.dryBulb-1 {
			set(hardware.Heat(i), true)
		} else if t > sp.dryBulb-0.2 {
			set(hardware.Heat(i), false)
		}
	}
	if d.vent && t > sp.dryBulb+1 {
		set(hardware.Vent, true)
	} else if t < sp.dryBulb+0.4 {
		set(hardware.Vent, false)
	}
	d.apply()
	k.Advance(dt)
}

// apply tells the kiln what is on and keeps the heartbeat going.
func (d *driver) apply() {
	d.on = d.on.With(hardware.Heartbeat, !d.on.Has(hardware.Heartbeat))
	out := hardware.Outputs{On: d.on}
	for g := range out.FanSpeed {
		out.FanSpeed[g] = 1
	}
	_ = d.k.Apply(0, out)
}

// dry drives until the governing lots' mean is at the target or the days are over.
func (d *driver) dry(target float64, days int) float64 {
	mean := func() float64 {
		sum, mass := 0.0, 0.0
		w := &d.k.wood
		for b := range w.Count {
			sum += w.mean(b) * w.Mass[b]
			mass += w.Mass[b]
		}
		return sum / mass
	}
	for mean() > target && d.k.Now() < time.Duration(days)*day {
		for range 20 {
			d.tick(3 * time.Second)
		}
	}
	return d.k.Now().Hours() / 24
}

func lot(species string, mm, volume, start float64, boards int) LotConfig {
	return LotConfig{Name: species, Species: species, Thickness: quantity.Meter(mm / 1000), Volume: quantity.CubicMeter(volume),
		Start: quantity.MoistureContent(start), Boards: boards}
}

func newKiln(t testing.TB, c Config, lots ...LotConfig) *Kiln {
	c.Lots = lots
	k, err := New(c)
	require.NoError(t, err)
	return k
}

// checkBooks is what every run must satisfy, whatever was done in it.
func checkBooks(t testing.TB, k *Kiln) {
	truth := k.Truth()
	require.Less(t, float64(truth.MassError), 1e-9, "mass error of a step")
	require.Less(t, float64(truth.HeatError), 1e-9, "heat error of a step")
	require.InDelta(t, 0, float64(truth.WaterImbalance), 1e-3, "water in = water out")
	require.InDelta(t, 0, float64(truth.EnergyBalance), 5e-3, "energy in = energy out")
}

// Days to the lot mean with a crude controller and no rate guard. Common practice, no source: easy 4/4 species about a
// week with an ample machine (here 5 to 10 days), two-inch walnut about three weeks from partly dried, 4/4 red oak about four
// weeks, each within a quarter. The species' diffusivities were chosen with such days in sight (walnut's by the very row that
// stands here), so this is calibration and shows that none was lost. The other rows are only to be sensible.
func TestDaysAreSensible(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name            string
		lot             LotConfig
		rows            [][3]float64
		to, least, most float64
		long            bool
	}{
		{"red oak 4/4", lot("red oak", 27, 5, 80, 4), oak44, 7, 21, 35, true},
		{"red oak 8/4", lot("red oak", 52, 5, 80, 4), oak84, 7, 60, 110, true},
		{"white oak 4/4", lot("white oak", 27, 5, 65, 4), oak84, 7, 35, 55, true},
		{"walnut 4/4", lot("walnut", 27, 5, 85, 4), maple44, 7, 11, 20, true},
		{"walnut 8/4 from 45 %", lot("walnut", 52, 5, 45, 4), walnut84, 7, 15.75, 26.25, true},
		{"hard maple 4/4", lot("hard maple", 27, 5, 70, 4), maple44, 7, 12, 22, true},
		{"yellow-poplar 4/4", lot("yellow-poplar", 27, 5, 90, 4), poplar44, 7, 5, 10, false},
		{"pine 4/4", lot("pine", 27, 5, 110, 4), pine44, 9, 5, 10, true},
	} {
		if c.long && testing.Short() {
			continue
		}
		k := newKiln(t, DefaultConfig(), c.lot)
		d := driver{k: k, stages: stagesOf(c.rows), vent: true}
		days := d.dry(c.to, 130)
		truth := k.Truth()
		t.Logf("%-22s %5.1f d, %5.1f..%4.1f %%, %4.0f kWh/m3, %.2f kg/kWh, %.0f %% of the water drained, greatest rate %.1f %%/d",
			c.name, days, truth.Lots[0].Min, truth.Lots[0].Max, truth.Energy/3.6e6/5, float64(truth.Water)/float64(truth.Energy)*3.6e6,
			100*float64(truth.Drained)/float64(truth.Water), truth.Lots[0].MaxRate)
		require.Greater(t, days, c.least, c.name)
		require.Less(t, days, c.most, c.name)
		checkBooks(t, k)
	}
}
