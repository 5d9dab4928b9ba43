package estimate

import (
	"math"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
	"drywarden/schedule/wood"
)

// Rhythm of the work on the wood.
const (
	workEvery    = time.Minute
	balanceEvery = 2 * time.Hour // several runs of the compressor, so that what hangs on the coil matters little
	pinsEvery    = time.Hour
	livelyFor    = 6 * time.Hour
	historyHours = 24
)

// Uncertainties, one standard deviation, where no Config field holds them; common practice, no source.
const (
	sigmaGreen    = 8.0  // points, of a green lot's moisture on the charge sheet
	sigmaDry      = 2.0  // points, of an air-dried lot's
	sigmaUnknown  = 15.0 // points, when what was known is lost
	sigmaRate     = 0.2  // points an hour, before anything is known
	sigmaBias     = 1.5  // points, of a lot's pins: species and contact
	spread        = 0.06 // of the moisture, board to lot
	ovenDryError  = 0.007
	walkMoisture  = 0.02 // points a root hour
	walkRate      = 0.01 // points an hour a root hour
	dryAirRise    = 0.02 // points an hour, by which a rate may be negative in air drier than the wood: its noise
	regain        = 0.1  // an hour, of the gap to damper air: no board follows faster
	walkBias      = 0.05 // points a root day
	walkRecovery  = 0.01 // a root day
	lively        = 5    // times walkRate after a change of set points
	leastGap      = 1.0  // points over the EMC: nearer, the rate is no longer said to fall with the gap
	waterShare    = 0.08 // of the water measured
	waterFloor    = 0.02 // points an hour of the whole charge
	holdUp        = 0.8  // kg on the coil and in the drain
	ventShare     = 0.3  // of the water estimated to have left by the vents
	fitsWithin    = 0.5  // points, of a weight against what was carried forward
	fitsBetter    = 20.0 // in squares of sigma
	weightStep    = 0.15 // points, of a difference of two weighings
	rateSpread    = 0.15 // of the rate, board to lot
	riseMax       = 0.3  // points an hour that a belief may rise without a weighing
	wetterHalf    = 1.05 // wetter half, driest and wettest board of a lot that has no sample board, of its mean
	wettestOfMean = 1.1
	driestOfMean  = 0.93
	familyPoints  = 8.0 // between sheet and boards
	familyShare   = 0.3 // of the sheet's moisture
	leakOhms      = 5e8
	leakDay       = 24 * time.Hour
	leakLost      = 1.0   // points that the lot lost meanwhile
	leakAbove     = 1.5   // points that the pins read over their lot
	leakSlope     = 0.15  // decades a point; wood rises by 0.4 (James 1988, FPL-GTR-6, table 1; from memory)
	shortOhms     = 1.5e5 // the meter ends at 1e5
	shortBelow    = 15.0  // points; the pins may sit in a board five points wetter than its lot
	looseDrop     = 1.0   // points from one look to the next, an hour
	wetJump       = 1.0   // likewise
	pinDecades    = 0.25  // and by how much the resistance must have changed for either
	openOhms      = 9e10
	openAbove     = 8.0 // points
)

// contradictions in a row after which weights and water balance are said to contradict each other.
const contradictions = 3

// Lot is what is remembered of one lot beside the filter.
type Lot struct {
	Loss    float64                   // points lost since the start, by the filter's rate
	History [historyHours + 1]float64 // Loss at full hours, the newest first
	Hours   uint8                     // of History that mean something
	Age     time.Duration             // since the last evidence
	Rejects uint8                     // observations in a row that were not believed
	Fresh   bool                      // weighed since the last work
}

// Sample is a sample board.
type Sample struct {
	Known    bool
	Moisture float64       // carried forward
	Since    time.Duration // since its last weighing
	Weighed  float64       // moisture at its last weighing
	LossAt   float64       // of its lot at its last weighing
	Factor   float64       // its rate over its lot's, learnt
	Count    uint16        // weighings since the start
}

// Wood is what is believed of a charge.
type Wood struct {
	Lots, Boards int8
	Filter       Filter
	Lot          [hardware.MaxLots]Lot
	Sample       [hardware.MaxSamples]Sample
	Said         [hardware.MaxLots]schedule.LotCondition

	Work    time.Duration // since the last work
	Balance time.Duration // since the last water balance
	Pins    time.Duration // since the pins were read last
	Hour    time.Duration // since History moved
	Lively  time.Duration // left of the livelier rates

	Meter    float64 // its total in the tick before
	MeterOK  bool
	Water    float64 // kg collected in this balance
	Vented   float64 // kg that left by the vents, estimated
	Sprayed  float64 // kg
	AirWater float64 // kg in the air at the start of this balance
	AirOK    bool
	Spoilt   bool // the balance does not hold this time
	Balances uint32

	Pin    [hardware.MaxProbes]Pin
	Family int8 // lot, plus 1, whose boards do not fit what the charge sheet says of it; 0: none
}

// Pin is what is remembered of a pair of moisture pins.
type Pin struct {
	Moisture float64       `json:",omitzero"` // at the last look at which it was sound
	Sound    float64       `json:",omitzero"` // log of the resistance then
	Log      float64       `json:",omitzero"` // of the resistance, at the start of a day
	Loss     float64       `json:",omitzero"` // of its lot, at the start of that day
	Day      time.Duration `json:",omitzero"`
	Known    bool          `json:",omitzero"`
}

func (w *Wood) begin(cfg *Config, plan *schedule.Plan, fresh bool) {
	*w = Wood{Lots: int8(min(len(plan.Lots), hardware.MaxLots)), Boards: int8(min(len(plan.Samples), hardware.MaxSamples)), Spoilt: true}
	w.Filter.set(recovery, cfg.Recovery, cfg.RecoverySigma)
	for i := range int(w.Lots) {
		start, sigma := float64(plan.Lots[i].Start), sigmaDry
		switch {
		case !fresh:
			sigma = sigmaUnknown
		case start > float64(wood.FiberSaturation):
			sigma = sigmaGreen
		}
		w.Filter.set(at(i, moisture), min(max(start, moistureMin), moistureMax), sigma)
		w.Filter.set(at(i, rate), 0, sigmaRate)
		w.Filter.set(at(i, pinBias), 0, sigmaBias)
	}
	for i := range int(w.Boards) {
		w.Sample[i].Factor = 1
		board := &plan.Samples[i]
		m := float64(wood.CurrentMoisture(board.Start, board.OvenDry))
		if fresh && m >= 0 && m <= moistureMax && board.Lot >= 0 && board.Lot < w.Lots {
			w.level(int(board.Lot), m)
			w.Sample[i] = Sample{Known: true, Moisture: m, Weighed: m, Factor: 1}
		}
	}
	w.family(plan)
	w.conclude(cfg, plan, 0)
}

// family looks for a lot whose boards were far wetter or drier when cut than the charge sheet says: another species, or
// another lot, than was written down.
func (w *Wood) family(plan *schedule.Plan) {
	for i := range int(w.Lots) {
		sum, n := 0.0, 0
		for j := range int(w.Boards) {
			if s := &w.Sample[j]; s.Known && int(plan.Samples[j].Lot) == i {
				sum += s.Moisture
				n++
			}
		}
		start := float64(plan.Lots[i].Start)
		if d := sum/float64(n) - start; n > 0 && math.Abs(d) > max(familyPoints, familyShare*start) {
			w.Family = int8(i) + 1
			return
		}
	}
}

// interrupt is for a restart: what was in progress is lost, and time has passed without anybody looking.
func (w *Wood) interrupt(outage time.Duration) {
	w.MeterOK, w.AirOK, w.Spoilt, w.Balance = false, false, true, 0
	w.Water, w.Vented, w.Sprayed = 0, 0, 0
	for i := range w.Lot {
		w.Lot[i].Age += outage
		if outage > time.Hour {
			w.Lot[i].Hours = 0 // the windows would mix drying with standing
			r := at(i, rate)
			w.Filter.P[r][r] *= 4
		}
	}
	for i := range w.Sample {
		w.Sample[i].Since += outage
	}
}

func (w *Wood) step(cfg *Config, a *Air, in *Input) {
	w.collect(cfg, a, in)
	w.Work += in.Elapsed
	w.Balance += in.Elapsed
	w.Pins += in.Elapsed
	fresh := false
	for i := range int(w.Lots) {
		fresh = fresh || w.Lot[i].Fresh
	}
	if w.Work < workEvery && !fresh {
		return
	}
	dt := w.Work
	w.Work = 0
	w.predict(a, in, dt)
	if w.Balance >= balanceEvery {
		w.balance(a, in)
	}
	if w.Pins >= pinsEvery {
		w.Pins = 0
		w.pins(a, in)
	}
	w.remember(dt)
	w.conclude(cfg, in.Plan, dt)
}

// collect adds up water, every tick.
func (w *Wood) collect(cfg *Config, a *Air, in *Input) {
	c := in.Snapshot.Condensate
	switch {
	case c.Quality != hardware.Valid || !quantity.Finite(c.Total):
		w.MeterOK, w.Spoilt = false, true
	case !w.MeterOK:
		w.Meter, w.MeterOK = c.Total, true
	default:
		w.Water += max(c.Total-w.Meter, 0)
		w.Meter = c.Total
	}
	on := in.Snapshot.Previous.On
	if on.Has(hardware.Vent) {
		if a.EMCOK && a.OutdoorWOK && cfg.VentFlow > 0 {
			const density = 1.1 // kg/m3 of kiln air, near enough for an estimate held good to 30 %
			w.Vented += density * float64(cfg.VentFlow) * in.Elapsed.Hours() * (a.W - a.OutdoorW)
		} else {
			w.Spoilt = true
		}
	}
	if on.Has(hardware.Spray) {
		w.Sprayed += float64(cfg.SprayRate) * in.Elapsed.Hours()
	}
	w.Spoilt = w.Spoilt || in.Disturbed || a.Yield.Since > lostWater/2
	if !w.AirOK && a.EMCOK {
		w.AirWater, w.AirOK = airWater(a, in), true
	}
}

// airWater is the water that the room's air holds, kg.
func airWater(a *Air, in *Input) float64 {
	const perKelvin = 287.06 // J/kg K, dry air
	return float64(in.Pressure) / (perKelvin * (a.DryBulb + 273.15)) * float64(in.Volume) * a.W / (1 + a.W/0.622)
}

func (w *Wood) predict(a *Air, in *Input, dt time.Duration) {
	hours := dt.Hours()
	d := dynamics{hours: hours, walkMoisture: walkMoisture * walkMoisture * hours,
		walkRate: walkRate * walkRate * hours, walkBias: walkBias * walkBias * hours / 24}
	if w.Lively > 0 {
		w.Lively -= dt
		d.walkRate *= lively * lively
	}
	w.Filter.P[recovery][recovery] += walkRecovery * walkRecovery * hours / 24
	for i := range int(w.Lots) {
		if a.EMCOK {
			// Wood takes up nothing from air drier than it is, and little from air hardly damper: a weighing that found it
			// wetter says that it was wetted, not that it goes on.
			gap := a.EMC - w.Filter.X[at(i, moisture)]
			w.Filter.X[at(i, rate)] = max(w.Filter.X[at(i, rate)], -max(dryAirRise, regain*gap))
		}
		r := w.Filter.X[at(i, rate)]
		d.keep = 1
		if a.EMCOK && r > 0 {
			// Wood approaches the EMC exponentially: its rate falls as the gap does.
			d.keep = max(1-hours*r/max(w.Filter.X[at(i, moisture)]-a.EMC, leastGap), 0.9)
		}
		w.Filter.predict(i, &d)
		w.Lot[i].Loss += r * hours
		w.Lot[i].Age += dt
		w.carryForward(in.Plan, i, r*hours, a, in.Wetting)
	}
	for i := range int(w.Boards) {
		w.Sample[i].Since += dt
	}
}

// carryForward moves a lot's sample boards on by the lot's loss. No board dries below the EMC of the air.
func (w *Wood) carryForward(plan *schedule.Plan, lot int, loss float64, a *Air, wetting bool) {
	if loss < 0 && !wetting {
		return
	}
	for i := range int(w.Boards) {
		s := &w.Sample[i]
		if !s.Known || int(plan.Samples[i].Lot) != lot {
			continue
		}
		m := s.Moisture - loss*s.Factor
		if loss > 0 && a.EMCOK {
			m = max(m, min(s.Moisture, a.EMC))
		}
		s.Moisture = min(max(m, moistureMin), moistureMax)
	}
}

// balance compares the water collected with what the lots should have lost.
func (w *Wood) balance(a *Air, in *Input) {
	hours := w.Balance.Hours()
	water, other := w.Water, w.Vented-w.Sprayed
	usable := !w.Spoilt && w.MeterOK && w.AirOK && a.EMCOK && in.Layout.Condensate
	now := 0.0
	if a.EMCOK {
		now = airWater(a, in)
		other += now - w.AirWater
	}
	vented, sprayed := w.Vented, w.Sprayed
	w.Balance, w.Water, w.Vented, w.Sprayed, w.Spoilt = 0, 0, 0, 0, false
	w.AirWater, w.AirOK = now, a.EMCOK
	if !usable {
		return
	}
	var o observation
	kappa, lost, mass := w.Filter.X[recovery], 0.0, 0.0
	var before [hardware.MaxLots]float64
	for i := range int(w.Lots) {
		perPoint := float64(in.Plan.Lots[i].OvenDry) / 100 * hours
		lost += perPoint * w.Filter.X[at(i, rate)]
		mass += perPoint
		o.depends(at(i, rate), kappa*perPoint)
		before[i] = w.Filter.X[at(i, moisture)]
	}
	o.depends(recovery, lost-other)
	o.residual = water - kappa*(lost-other)
	o.variance = square(waterShare*water) + square(waterFloor*mass) + square(holdUp) + square(ventShare*vented) + square(ventShare*sprayed)
	believed := w.Filter.update(&o)
	w.Balances++
	for i := range int(w.Lots) {
		// Water in the bucket never makes wood wetter.
		m := at(i, moisture)
		w.Filter.X[m] = min(w.Filter.X[m], before[i])
		if believed {
			w.Lot[i].Age = 0
		} else {
			w.widen(i)
		}
	}
}

// widen lets a rate that was contradicted move faster, so that the filter cannot lock itself out.
func (w *Wood) widen(lot int) {
	r := at(lot, rate)
	// Never less than it was: with the covariances left as they are that would be no covariance any more.
	w.Filter.P[r][r] = max(w.Filter.P[r][r], min(w.Filter.P[r][r]*2+square(walkRate), square(sigmaRate)))
}

func square(x float64) float64 { return x * x }

// pins reads moisture pins in the range in which they mean something.
func (w *Wood) pins(a *Air, in *Input) {
	x := in.index
	for _, id := range x.Pins[:x.PinN] {
		r := &in.Snapshot.Readings[id]
		lot := int(in.Layout.Probes[id].Lot)
		if !r.OK() || lot < 0 || lot >= int(w.Lots) || !(r.Value > 0) {
			continue
		}
		t, ok := woodTemperature(a, in, lot)
		if !ok {
			continue
		}
		mc, sigma, ok := wood.PinMoisture(quantity.Ohm(r.Value), t)
		m := at(lot, moisture)
		if w.judgePin(in, id, lot, r.Value, float64(mc), ok) {
			continue
		}
		// Wet wood reads as the end of the scale: a pin may not pull a wet lot down.
		if !ok || w.Filter.X[m]-2*w.Filter.sigma(m) > float64(wood.PinMaxMoisture) {
			continue
		}
		before := w.Filter.X[m]
		o := observation{residual: float64(mc) - before - w.Filter.X[at(lot, pinBias)], variance: square(2 * float64(sigma))}
		o.depends(m, 1)
		o.depends(at(lot, pinBias), 1)
		if w.Filter.update(&o) {
			w.Lot[lot].Age = 0
			w.Filter.X[m] = min(w.Filter.X[m], before+riseMax*pinsEvery.Hours()/4)
		}
	}
}

// judgePin tells that a pair of pins is not to be believed: its cable leaks or is short, or it is loose.
func (w *Wood) judgePin(in *Input, id hardware.ProbeID, lot int, ohms, mc float64, ok bool) bool {
	p, trust := &w.Pin[id], in.trust
	mean, sigma := w.Filter.X[at(lot, moisture)], w.Filter.sigma(at(lot, moisture))
	p.Day += pinsEvery
	log := math.Log10(ohms)
	if !p.Known {
		*p = Pin{Known: true, Log: log, Loss: w.Lot[lot].Loss}
	}
	if p.Moisture == 0 && ok {
		p.Moisture, p.Sound = mc, log
	}
	// Moisture stays at what the wood was believed to have: the pins are sound again when they are back there.
	leaks, loose := trust.Leak>>id&1 == 1, trust.Loose>>id&1 == 1
	if p.Day >= leakDay {
		lost, rose := w.Lot[lot].Loss-p.Loss, log-p.Log
		if lost >= leakLost && ohms > leakOhms && math.Abs(rose) < leakSlope*lost && mc > mean+leakAbove {
			leaks, p.Moisture = true, mean // it does not follow the wood
		}
		p.Day, p.Log, p.Loss = 0, log, w.Lot[lot].Loss
	}
	short := ohms < shortOhms && mean+2*sigma < shortBelow
	open := ohms > openOhms && mean-2*sigma > openAbove
	// Near fibre saturation a point is a twentieth of a decade, and noise: contact and cable show in the resistance.
	far := math.Abs(log-p.Sound) > pinDecades
	switch d := mc - p.Moisture; {
	case short:
		leaks = true
	case open:
		loose = true
	case !ok || p.Moisture == 0:
	case d > wetJump && far && !in.Wetting: // no wood becomes wetter so fast
		leaks = true
	case d < -looseDrop && far:
		loose = true
	case d < wetJump/2 && d > -looseDrop/2:
		leaks, loose = false, false
	}
	set(&trust.Leak, id, leaks)
	set(&trust.Loose, id, loose)
	if !leaks && !loose && ok {
		p.Moisture, p.Sound = mc, log
	}
	return leaks || loose
}

func woodTemperature(a *Air, in *Input, lot int) (quantity.Celsius, bool) {
	x := in.index
	for _, id := range x.Cores[:x.CoreN] {
		if r := in.trust.reading(in, id); int(in.Layout.Probes[id].Lot) == lot && usable(&r, coldest, hottest) {
			return quantity.Celsius(r.Value), true
		}
	}
	return quantity.Celsius(a.DryBulb), a.DryBulbOK
}

// remember keeps the loss at full hours for the rates over windows.
func (w *Wood) remember(dt time.Duration) {
	w.Hour += dt
	for w.Hour >= time.Hour {
		w.Hour -= time.Hour
		for i := range int(w.Lots) {
			l := &w.Lot[i]
			copy(l.History[1:], l.History[:historyHours])
			l.History[0] = l.Loss
			l.Hours = min(l.Hours+1, historyHours+1)
		}
	}
}

// window gives the loss over the last hours in points a day.
func (w *Wood) window(lot, hours int) schedule.Belief {
	l := &w.Lot[lot]
	if int(l.Hours) <= hours {
		return schedule.Belief{}
	}
	since := float64(hours) + w.Hour.Hours()
	return schedule.Belief{Value: (l.Loss - l.History[hours]) / since * 24, Sigma: w.Filter.sigma(at(lot, rate)) * 24, Valid: true}
}

// level takes a board's moisture as evidence of its lot's mean.
func (w *Wood) level(lot int, m float64) {
	o := observation{residual: m - w.Filter.X[at(lot, moisture)], variance: square(spread*max(m, 3)) + square(ovenDryError*(100+m))}
	o.depends(at(lot, moisture), 1)
	w.Filter.update(&o)
}

// Doubt is what speaks against a weight.
type Doubt struct {
	Value, Limit float64 // kilograms
}

// Check tells whether a weight is likely: not above the last by more than half a per cent (but where wood may take up
// water), not below oven-dry, and no faster loss than four times the safe rate. ok is true when it is.
func Check(s *State, plan *schedule.Plan, sample int, mass quantity.Kilogram, wetting bool) (Doubt, bool) {
	board := &plan.Samples[sample]
	dry := float64(board.OvenDry)
	kg := float64(mass)
	if !(kg >= dry*1.01) {
		return Doubt{kg, dry * 1.01}, false
	}
	b := &s.Wood.Sample[sample]
	last := dry * (1 + b.Weighed/100)
	if !b.Known {
		last = float64(board.Start)
	}
	if limit := last * 1.005; !wetting && kg > limit || kg > float64(board.Start)*1.1 {
		return Doubt{kg, limit}, false
	}
	if !b.Known {
		return Doubt{}, true
	}
	safe := 40.0 // points a day, where no limit is published
	if board.Lot >= 0 && int(board.Lot) < len(plan.Lots) && plan.Lots[board.Lot].RateLimit > 0 {
		safe = 4 * max(float64(plan.Lots[board.Lot].RateLimit), 2)
	}
	points := safe*(b.Since.Hours()/24) + 2 // two points for the dry-off of the shell and the balance
	if limit := last - dry*points/100; kg < limit {
		return Doubt{kg, limit}, false
	}
	return Doubt{}, true
}

// Fits gives the other board whose weight this might be, -1 when there is none: names are mixed up easily. It must fit that
// board by far better than the one it was given for, by 20 in the sum of squares over their uncertainties.
func Fits(s *State, plan *schedule.Plan, sample int, mass quantity.Kilogram) int8 {
	off := func(i int) (float64, bool) {
		b := &s.Wood.Sample[i]
		m := float64(wood.CurrentMoisture(mass, plan.Samples[i].OvenDry))
		sigma := fitsWithin + rateSpread*math.Abs(b.Weighed-b.Moisture)
		return square((m - b.Moisture) / sigma), b.Known && quantity.Finite(m)
	}
	own, known := off(sample)
	best, found := own-fitsBetter, int8(-1)
	if !known {
		return found
	}
	for i := range int(s.Wood.Boards) {
		if other, ok := off(i); ok && i != sample && other < best {
			best, found = other, int8(i)
		}
	}
	return found
}

// Weigh takes a sample board's weight in.
func Weigh(s *State, plan *schedule.Plan, sample int, mass quantity.Kilogram) {
	w := &s.Wood
	if sample < 0 || sample >= int(w.Boards) {
		return
	}
	board := &plan.Samples[sample]
	lot := int(board.Lot)
	m := min(max(float64(wood.CurrentMoisture(mass, board.OvenDry)), moistureMin), moistureMax)
	if !quantity.Finite(m) || lot < 0 || lot >= int(w.Lots) {
		return
	}
	b, l := &w.Sample[sample], &w.Lot[lot]
	if b.Known && b.Since >= 4*time.Hour {
		w.slope(lot, b, m)
	}
	w.level(lot, m)
	l.Age, l.Fresh = 0, true
	count := b.Count
	if count < math.MaxUint16 {
		count++
	}
	*b = Sample{Known: true, Moisture: m, Weighed: m, LossAt: l.Loss, Factor: b.Factor, Count: count}
}

// slope compares what a board lost since its last weighing with what its lot was believed to lose.
func (w *Wood) slope(lot int, b *Sample, m float64) {
	l := &w.Lot[lot]
	hours := b.Since.Hours()
	measured := (b.Weighed - m) / hours
	believed := (l.Loss - b.LossAt) / hours
	r := at(lot, rate)
	before := w.Filter.X[r]
	o := observation{residual: measured - believed, variance: square(weightStep/hours) + square(rateSpread*max(measured, 0.02))}
	o.depends(r, 1)
	if !w.Filter.update(&o) {
		if l.Rejects < contradictions {
			l.Rejects++
		}
		w.widen(lot)
		return
	}
	l.Rejects = 0
	if lost := l.Loss - b.LossAt; lost > 0.5 {
		share := min(max((b.Weighed-m)/lost, 0.3), 2.5)
		b.Factor += (share - b.Factor) / 2
	}
	// The loss believed since then was off by as much: the windows get it too, and the next board is not compared with
	// what this one has just corrected.
	shift := w.Filter.X[r] - before
	l.Loss += shift * hours
	for i := range int(l.Hours) {
		if ago := float64(i) + w.Hour.Hours(); ago < hours {
			l.History[i] += shift * (hours - ago)
		}
	}
}

// conclude works out what is said of each lot.
func (w *Wood) conclude(cfg *Config, plan *schedule.Plan, dt time.Duration) {
	for i := range int(w.Lots) {
		l, old := &w.Lot[i], w.Said[i]
		said := &w.Said[i]
		mean := schedule.Belief{Value: w.Filter.X[at(i, moisture)], Sigma: w.Filter.sigma(at(i, moisture)), Valid: true}
		rates := w.Filter.sigma(at(i, rate))
		*said = schedule.LotCondition{Mean: mean, Age: l.Age,
			Rate:   schedule.Belief{Value: w.Filter.X[at(i, rate)] * 24, Sigma: rates * 24, Valid: true},
			Rate3h: w.window(i, 3), Rate12h: w.window(i, 12), Rate24h: w.window(i, 24)}
		w.boards(plan, i, rates, said)
		if l.Age > cfg.Uncertain {
			grown := (l.Age - cfg.Uncertain).Hours() / 24
			said.Control.Sigma += grown
			said.Mean.Sigma += grown
		}
		if old.Control.Valid && !l.Fresh {
			rise := riseMax * dt.Hours()
			said.Control.Value = min(said.Control.Value, old.Control.Value+rise)
			said.Mean.Value = min(said.Mean.Value, old.Mean.Value+rise)
		}
		l.Fresh = false
	}
}

// boards works out control moisture, driest and wettest of a lot from its sample boards, or from its mean when it has none.
func (w *Wood) boards(plan *schedule.Plan, lot int, rates float64, said *schedule.LotCondition) {
	var wettest [hardware.MaxSamples]float64
	n := 0
	var age float64
	for i := range int(w.Boards) {
		s := &w.Sample[i]
		if !s.Known || int(plan.Samples[i].Lot) != lot {
			continue
		}
		j := n
		for ; j > 0 && wettest[j-1] < s.Moisture; j-- {
			wettest[j] = wettest[j-1]
		}
		wettest[j] = s.Moisture
		age = max(age, s.Since.Hours())
		n++
	}
	if n == 0 {
		m := said.Mean
		said.Control = schedule.Belief{Value: m.Value * wetterHalf, Sigma: m.Sigma, Valid: true}
		said.Wettest = schedule.Belief{Value: m.Value * wettestOfMean, Sigma: math.Hypot(m.Sigma, spread*m.Value), Valid: true}
		said.Driest = schedule.Belief{Value: m.Value * driestOfMean, Sigma: math.Hypot(m.Sigma, spread*m.Value), Valid: true}
		return
	}
	half := (n + 1) / 2
	if plan.Wettest {
		half = 1
	}
	sum := 0.0
	for _, m := range wettest[:half] {
		sum += m
	}
	drift := rates * age / 2
	belief := func(m float64, boards int) schedule.Belief {
		return schedule.Belief{Value: m, Sigma: math.Hypot(ovenDryError*(100+m)/math.Sqrt(float64(boards)), drift), Valid: true}
	}
	said.Control = belief(sum/float64(half), half)
	said.Wettest = belief(wettest[0], 1)
	said.Driest = belief(wettest[n-1], 1)
	// Several boards are the lot: their mean is what the handbook takes, and no drift of the water balance moves it.
	if n > 1 {
		all := 0.0
		for _, m := range wettest[:n] {
			all += m
		}
		said.Mean.Value = all / float64(n)
	}
	floor := math.Hypot(spread*said.Mean.Value, ovenDryError*(100+said.Mean.Value)) / math.Sqrt(float64(n))
	said.Mean.Sigma = max(said.Mean.Sigma, floor)
}

// say fills in what is believed of the charge.
func (w *Wood) say(out *schedule.Conditions) {
	for i := range int(w.Lots) {
		out.Lots[i] = w.Said[i]
		if c := w.Said[i].Control; c.Valid && (out.Governing < 0 || c.Value > out.Charge.Value) {
			out.Charge, out.Governing = c, int8(i)
		}
	}
}

// Overdue gives the sample board that has waited longest for its weighing, -1 when none is overdue.
func (w *Wood) Overdue(cfg *Config) (sample int8, since time.Duration) {
	sample = -1
	for i := range int(w.Boards) {
		if s := &w.Sample[i]; s.Since > cfg.WeighEvery && s.Since > since {
			sample, since = int8(i), s.Since
		}
	}
	return sample, since
}

// Contradicted gives the lot whose weights and water balance contradict each other, -1 when none does.
func (w *Wood) Contradicted() int8 {
	for i := range int(w.Lots) {
		if w.Lot[i].Rejects >= contradictions {
			return int8(i)
		}
	}
	return -1
}

// Accept takes a person's word that the weights are right.
func (w *Wood) Accept() {
	for i := range w.Lot {
		w.Lot[i].Rejects = 0
	}
}

// Recovery gives the share of the water that reaches the meter, with its uncertainty.
func (w *Wood) Recovery() (value, sigma float64) {
	return w.Filter.X[recovery], w.Filter.sigma(recovery)
}
