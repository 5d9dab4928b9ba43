package simkiln

import (
	"testing"
	"time"

	"drywarden/hardware"
)

// driver is a trivial bang-bang controller over the truth, for tests of the plant alone.
type driver struct {
	k        *Kiln
	beat     bool
	on       hardware.OutputSet
	stages   []stage
	lastOff  time.Duration
	lastOn   time.Duration
	snapshot hardware.Snapshot
}

type stage struct{ until, db, emc float64 }

func fahrenheit(f float64) float64 { return (f - 32) / 1.8 }

// oakStages are the usual seven, as dry bulb F and depression F, turned into EMC by Hailwood-Horrobin beforehand.
func stagesOf(rows [][3]float64, table *isotherms) []stage {
	var out []stage
	for _, r := range rows {
		db := fahrenheit(r[1])
		wb := db - r[2]/1.8
		e := saturation(wb) - 6.6e-4*(1+0.00115*wb)*101325*(db-wb)
		rh := e / saturation(db)
		out = append(out, stage{r[0], db, table.at(db).moisture(max(rh, 0.28))})
	}
	return out
}

func (d *driver) tick(dt time.Duration) {
	k := d.k
	t := k.s.RoomT
	rh := vapourPressure(k.s.RoomW, 101325) / saturation(t)
	emc := k.table.at(t).moisture(rh)
	mean := 0.0
	for i := range k.cfg.Lots {
		mean = max(mean, k.lotMean(i))
	}
	sp := d.stages[len(d.stages)-1]
	for _, s := range d.stages {
		if mean > s.until {
			sp = s
			break
		}
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
	case running && emc < sp.emc-0.2 && now-d.lastOn > 4*time.Minute:
		set(hardware.Compressor, false)
		set(hardware.Blower, false)
		d.lastOff = now
	}
	low := k.cfg.Machine.BlowerLow && rh < 0.45
	set(hardware.BlowerLow, low)
	for i := range k.cfg.Heat.Stages {
		if t < sp.db-1 {
			set(hardware.Heat(i), true)
		} else if t > sp.db-0.2 {
			set(hardware.Heat(i), false)
		}
	}
	if t > sp.db+1 {
		set(hardware.Vent, true)
	} else if t < sp.db+0.4 {
		set(hardware.Vent, false)
	}
	d.beat = !d.beat
	set(hardware.Heartbeat, d.beat)
	out := hardware.Outputs{On: d.on}
	for g := range out.FanSpeed {
		out.FanSpeed[g] = 1
	}
	_ = k.Apply(0, out)
	k.Advance(dt)
}

var oak44 = [][3]float64{{50, 110, 4}, {40, 110, 5}, {35, 110, 8}, {30, 110, 14}, {25, 115, 25}, {20, 120, 30}, {0, 120, 32}}

func TestTrial(t *testing.T) {
	c := DefaultConfig()
	c.Lots = []LotConfig{{Name: "oak", Species: "red oak", Thickness: 0.027, Volume: 5, Start: 80, Boards: 12}}
	c.Samples = []int8{0, 0, 0, 0}
	k, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	d := driver{k: k, stages: stagesOf(oak44, k.table)}
	begin := time.Now()
	for k.lotMean(0) > 7 && k.Now() < 60*day {
		d.tick(time.Second)
		if k.Now()%(24*time.Hour) == 0 {
			tr := k.Truth()
			l := tr.Lots[0]
			t.Logf("day %2.0f T %.1f rh %.3f emc %.2f mean %.2f sd %.2f %.1f..%.1f surf %.1f core %.1f water %.1f drained %.1f kWh %.0f starts %d mass %.1e imb %.2e en %.1e maxrate %.2f out %.1f plan %.0f load %.2f",
				k.Now().Hours()/24, tr.DryBulb, tr.RH, tr.EMC, l.Mean, l.SD, l.Min, l.Max, l.SurfaceMinimum, l.Core, tr.Water, tr.Drained, tr.Energy/3.6e6, tr.Starts, tr.MassError, tr.WaterImbalance, tr.EnergyBalance, l.MaxRate, tr.Outdoor, k.s.WoodPlan, k.s.LoadT)
		}
	}
	took := time.Since(begin)
	t.Logf("days %.2f, %.2f us per tick", k.Now().Hours()/24, took.Seconds()*1e6/k.Now().Seconds())
}
