package estimate

import (
	"time"

	"drywarden/hardware"
)

// Bounds of the water that the compressor gives. Common practice, no source, unless said.
const (
	settleRun                             = 75 * time.Second // until a started machine gives all it can
	runSettle                             = 5 * time.Minute  // until its water can be expected at the meter
	runJudged                             = 15 * time.Minute
	shrinks                               = 0.5  // K by which the depression becomes smaller in a run
	runWater                              = 1.5  // kg of the nominal machine in a run that is judged
	recentWater                           = 12.0 // kg of the nominal machine; the coil holds one back, and the drain two
	poorYield                             = 0.65 // of what the machine gave before, of late
	lowYield                              = 0.6  // of what the machine gave before
	goodYield                             = 0.8
	lostWater                             = 4.0      // kg of the nominal machine expected since the last drop
	recentPulses, windowPulses, runPulses = 20, 8, 6 // of the meter: fewer say little
	lostPulses                            = 4        // and of pulses of the meter: a small machine needs long for one
	lostAtFirst                           = 16.0     // kg of the nominal machine before anything is known of this one: coil and drain fill first
	pulseMost                             = 0.5      // kg; more in a minute is several pulses
	leastModel                            = 4.0      // kg/h of the nominal machine; less is not known well enough
	windowMin                             = 6 * time.Hour
	windowMax                             = 24 * time.Hour
	windowWater                           = 8.0 // kg of the nominal machine
	learnings                             = 4
	tip                                   = 0.05 // kg; less may be the meter's last drop
)

// Yield compares the water at the meter with what a machine of this kind should give, and learns this one's size.
type Yield struct {
	Meter   float64
	MeterOK bool
	On      time.Duration // compressor, without a break
	Ran     time.Duration // since the last look, once it was up
	Since   float64       // kg of the nominal machine expected since water came last
	Lost    float64       // kg of the nominal machine, more than which cannot be on its way
	Drop    float64       // kg since then
	Pulse   float64       // kg; the most that the meter gave in a minute, up to the water of one pulse
	Sum     [2]float64    // got, and wanted of the nominal machine: until the size is learnt
	Window  time.Duration
	Got     float64 // kg in this window
	Want    float64 // kg of the nominal machine
	Share   float64 // of the last window, kg per nominal kg
	Scale   float64 // learnt likewise
	Learned uint8   // windows
	Low     bool    // the last window gave less than 0.6 of what was learnt
	Minute  time.Duration

	RecentGot, RecentWant float64 // of late: the water before counts ever less
	Poor                  bool    // far less came of late than air so damp would give

	Judging         bool
	Depression      float64 // at the start of the run
	RunGot, RunWant float64
	Shrunk          bool // the depression shrinks in a run that gives too little: the wick, until somebody has looked
}

// nominal gives the water that a heat pump of 3 kW takes out of air, kg/h: a plane through twelve points of a coil and
// compressor balance from 12 C, 85 % to 49 C, 25 %, within 0.9 kg/h of each (own computation: coil by-pass 0.20,
// 0.45 kg/s of air over the coil or 0.20 with the blower at its low speed, half of Carnot). Only its shape counts: the
// size of the machine is learnt.
func nominal(t, rh, vapour float64, low bool) float64 {
	kpa := vapour / 1000
	if low {
		return max(-7.894+1.266*kpa+0.124*t+8.767*rh, 0)
	}
	return max(-18.063+1.125*kpa+0.223*t+21.011*rh, 0)
}

// step counts the compressor's time, and once a minute its water.
func (y *Yield) step(a *Air, in *Input) {
	on := in.Snapshot.Previous.On
	if on.Has(hardware.Compressor) {
		if y.On == 0 {
			y.startRun(a, in)
		}
		y.On += in.Elapsed
		if y.On > settleRun {
			y.Ran += in.Elapsed
		}
	} else {
		y.On, y.Judging = 0, false
	}
	y.Minute += in.Elapsed
	if y.Minute < time.Minute {
		return
	}
	y.Window += y.Minute
	y.Minute = 0
	c := in.Snapshot.Condensate
	if !in.Layout.Condensate || c.Quality != hardware.Valid {
		y.MeterOK, y.Judging = false, false
		y.Since, y.Window, y.Got, y.Want, y.Ran, y.Lost = 0, 0, 0, 0, 0, lostAtFirst
		return
	}
	got := 0.0
	if y.MeterOK {
		got = max(c.Total-y.Meter, 0)
	}
	y.Meter, y.MeterOK = c.Total, true
	want := 0.0
	if a.EMCOK && a.LostHumid == 0 && y.Ran > 0 {
		if n := nominal(a.DryBulb, a.RH, a.vapour(in), on.Has(hardware.BlowerLow)); n >= leastModel {
			want = n * y.Ran.Hours()
		}
	}
	y.Ran = 0
	y.Got, y.Want, y.Since = y.Got+got, y.Want+want, y.Since+want
	if got > 0 {
		y.Pulse = min(max(y.Pulse, got), pulseMost)
	}
	y.Sum[0], y.Sum[1] = y.Sum[0]+got, y.Sum[1]+want
	if y.Drop += got; y.Drop > tip {
		y.Since, y.Drop = 0, 0
	}
	y.Lost = y.lost()
	y.judgeRun(a, in, got, want)
	recent := max(recentWater, recentPulses*y.pulse())
	keep := max(1-want/recent, 0)
	y.RecentGot, y.RecentWant = y.RecentGot*keep+got, y.RecentWant*keep+want
	share := 1.0
	if y.Learned >= learnings && y.RecentWant > recent/3 {
		share = y.RecentGot / (y.RecentWant * y.Scale)
	}
	y.Poor = share < poorYield || y.Poor && share < goodYield
	if y.Window >= windowMax || y.Window >= windowMin && y.Want >= y.enough() {
		y.learn()
	}
}

// pulse is one pulse of the meter in kg of the nominal machine: much for a small machine.
func (y *Yield) pulse() float64 {
	if y.Scale <= 0 {
		return 0
	}
	return y.Pulse / y.Scale
}

// enough is the least water of the nominal machine in a window that is learnt.
func (y *Yield) enough() float64 { return max(windowWater, windowPulses*y.pulse()) }

// lost is how much the nominal machine would give until the meter of this one must have moved.
func (y *Yield) lost() float64 {
	switch {
	case y.Learned > 0 && y.Scale > 0:
		return max(lostWater, lostPulses*y.pulse())
	case y.Sum[0] > 0 && y.Sum[1] > 0:
		return min(max(lostWater, lostPulses*y.Pulse*y.Sum[1]/y.Sum[0]), lostAtFirst)
	}
	return lostAtFirst
}

// learn takes a window in: what is far too little is not learnt.
func (y *Yield) learn() {
	if y.Want >= y.enough() {
		y.Share = y.Got / y.Want
		switch {
		case y.Learned < learnings:
			y.Learned++
			y.Scale += (y.Share - y.Scale) / float64(y.Learned)
		case y.Share > lowYield*y.Scale:
			y.Scale += (y.Share - y.Scale) / 10
		}
		if y.Learned >= learnings {
			y.Low = y.Share < lowYield*y.Scale || y.Low && y.Share < goodYield*y.Scale
		}
	}
	y.Window, y.Got, y.Want = 0, 0, 0
}

func (y *Yield) startRun(a *Air, in *Input) {
	y.Depression, y.Judging = a.depression(in)
	y.RunGot, y.RunWant = 0, 0
}

// judgeRun: drying widens the depression. One that shrinks while the machine gives far less water than air so damp would
// has a wick behind it that dries.
func (y *Yield) judgeRun(a *Air, in *Input, got, want float64) {
	if !y.Judging || y.On < runSettle {
		return
	}
	y.RunGot += got
	y.RunWant += want
	if y.On < runJudged || y.Learned < learnings || y.RunWant < max(runWater, runPulses*y.pulse()) {
		return
	}
	now, ok := a.depression(in)
	if ok && now < y.Depression-shrinks && y.RunGot < lowYield*y.Scale*y.RunWant {
		y.Shrunk = true
	}
}

// depression is that of the first wet bulb that is believed.
func (a *Air) depression(in *Input) (float64, bool) {
	for _, id := range in.index.humid() {
		if in.Layout.Probes[id].Role != hardware.RoleWetBulb || a.Distrust>>id&1 == 1 {
			continue
		}
		if r := in.trust.reading(in, id); r.OK() && a.DryBulbOK && a.Lost == 0 {
			return a.DryBulb - r.Value, true
		}
	}
	return 0, false
}
