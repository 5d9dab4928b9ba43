package estimate

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
	"drywarden/schedule/wood"
)

// Bounds of plausible air in a kiln; the drivers refuse what no kiln can be, this refuses what no air here is.
const (
	coldest = -40
	hottest = 110
)

// learnEvery is the rhythm in which offsets are learnt: between, air that did not change costs nothing.
const learnEvery = time.Minute

// Greatest offsets that are carried on when a probe is lost, in kelvin and as a ratio. With what was learnt of a probe the
// air stays believed within 5 K of one that is read.
const (
	carryMost   = 3.0
	carryDamper = 0.1
)

// Time for which a wet bulb counts as above the dry bulb: the most, and how much slower it is forgotten.
const (
	crossedMost  = 5 * time.Minute
	crossedDrain = 4
)

// carryBack is how fast a carried offset is given up once all probes are back.
const carryBack = 10 * time.Minute

// Air is what is believed of the air, and what was learnt of its probes.
type Air struct {
	Started bool // anything was ever read

	Offset   [hardware.MaxProbes]float64 // learnt, kelvin for dry bulbs and ratio for humidity sources
	Learning time.Duration               // since offsets were learnt
	Good     uint64                      // fitted probes of any role that were valid, by bit
	Unready  time.Duration               // since a probe was lost, up to Config.Settle

	DryBulb   float64 // fused, or the last good
	DryBulbOK bool
	DryBulbs  int
	Carry     float64       // of the dry bulb over a change of probes
	Lost      time.Duration // without a valid dry bulb
	Stale     time.Duration // with none but samples that are discarded

	RH        float64
	EMC       float64
	EMCOK     bool
	CarryRH   float64
	LostHumid time.Duration
	StaleDamp time.Duration // likewise
	W         float64       // kg/kg
	WetBulb   float64

	Outdoor, OutdoorRH, OutdoorW float64
	OutdoorOK, OutdoorWOK        bool
	Apart                        float64       // dry bulbs, warmest less coldest
	ApartHumid                   float64       // humidity sources, highest less lowest
	Disagree, HumidDisagree      time.Duration // for how long
	Crossed                      time.Duration // a wet bulb above the dry bulb
	CrossedBy                    hardware.ProbeID
	Damp                         hardware.ProbeID // source that reads highest while they disagree
	Distrust                     uint64           // humidity sources not to be used until somebody has looked, by bit
	Barren                       time.Duration    // compressor running time without condensate
	BarrenDamp                   time.Duration    // of it, in air in which water must come
	Runs                         time.Duration    // the compressor, without a break
	Meter                        float64          // condensate total at which Barren began
	MeterOK                      bool
	Key                          [2]float64 // dry bulb and humidity that RH, EMC, W and WetBulb were worked out for
	OutKey                       [2]float64
	Seen                         [hardware.MaxProbes]float64 // last values of wet bulbs, for their humidity
	SeenDryBulb                  [hardware.MaxProbes]float64
	Humid                        [hardware.MaxProbes]float64 // humidity by source
	DryCount, HumidCount         int8                        // valid probes in the tick before
	ApartRaw                     time.Duration               // humidity sources, as calibrated, further apart than they may be
	DampRaw                      hardware.ProbeID            // the one that then reads highest
	Yield                        Yield
}

func usable(r *hardware.Reading, low, high float64) bool {
	return r.OK() && r.Value >= low && r.Value <= high // NaN fails both
}

// Step works out the air. It changes a and fills in out.
func (a *Air) step(cfg *Config, in *Input, out *schedule.Conditions) {
	a.Learning += in.Elapsed
	a.lookForLoss(cfg, in)
	a.dryBulb(cfg, in)
	a.humidity(cfg, in)
	a.outdoor(in)
	if a.Learning >= learnEvery {
		a.Learning = 0
	}

	out.DryBulb, out.DryBulbOK = quantity.Celsius(a.DryBulb), a.DryBulbOK
	out.DryBulbs = a.DryBulbs
	out.EMC, out.RH, out.EMCOK = quantity.MoistureContent(a.EMC), quantity.Ratio(a.RH), a.EMCOK
	out.Held = a.DryBulbOK && a.Lost > 0 || a.EMCOK && a.LostHumid > 0
	if a.EMCOK {
		out.IndoorW, out.WetBulb = a.W, quantity.Celsius(a.WetBulb)
	}
	out.Outdoor, out.OutdoorOK = quantity.Celsius(a.Outdoor), a.OutdoorOK
	out.OutdoorW, out.OutdoorWOK = a.OutdoorW, a.OutdoorWOK
}

// Settling tells that a probe was lost a moment ago: until its absence has settled nothing may rise.
func (a *Air) Settling() bool { return a.Unready > 0 }

// lookForLoss notices the tick in which any fitted probe falls silent.
func (a *Air) lookForLoss(cfg *Config, in *Input) {
	good := in.trust.Valid &^ in.trust.Bad
	switch {
	case a.Good&^good != 0:
		a.Unready = max(cfg.Settle, 1)
	case a.Unready > 0:
		a.Unready = max(a.Unready-in.Elapsed, 0)
	}
	a.Good = good
}

// dryBulb makes one dry bulb of several.
func (a *Air) dryBulb(cfg *Config, in *Input) {
	var low, high, sum, rawSum, warmest float64
	n := 0
	used := uint64(0)
	beyond, live := false, false
	for _, id := range in.index.dryBulbs() {
		r := in.trust.reading(in, id)
		if !usable(&r, coldest, hottest) {
			beyond = beyond || r.OK()
			continue
		}
		v := r.Value - a.Offset[id]
		if n == 0 || v < low {
			low = v
		}
		if n == 0 || v > high {
			high = v
		}
		sum += v
		rawSum += r.Value
		if n == 0 || r.Value > warmest {
			warmest = r.Value
		}
		n++
		used |= 1 << id
		live = live || in.trust.Probe[id].Bad == 0
	}
	if n == 0 {
		a.Lost += a.Stale + in.gone()
		a.Stale = 0
		// A probe that reads what no air here is contradicts the last good value: as in a fire.
		a.DryBulbOK = a.Started && a.DryBulbOK && !beyond && a.Lost <= cfg.rideThrough()
		a.DryBulbs, a.DryCount = 0, 0
		return
	}
	if a.Stale += in.gone(); live {
		a.Stale = 0
	}
	value, agreed := sum/float64(n), n
	a.Apart = high - low
	if a.Apart > float64(cfg.Agree) {
		value, agreed = a.majority(cfg, in, high)
		a.Disagree += in.Elapsed
	} else {
		a.Disagree = 0
		if n > 1 && a.Learning >= learnEvery && !in.trust.Pair {
			learn := float64(a.Learning) / float64(cfg.Learn)
			mean := rawSum / float64(n)
			for _, id := range in.index.dryBulbs() {
				if used&(1<<id) != 0 {
					offset := in.trust.Probe[id].Value - mean
					a.Offset[id] += (min(max(offset, -float64(cfg.OffsetMax)), float64(cfg.OffsetMax)) - a.Offset[id]) * learn
				}
			}
		}
	}
	if in.trust.Pair { // nobody knows which is right: the warmest asks for the least
		value, agreed = max(value, warmest), 1
	}
	// What was not believed any more is not carried on.
	lost := n < int(a.DryCount) && in.trust.Fresh == 0
	carry(&a.Carry, in, value, a.DryBulb, a.DryBulbOK && a.Lost == 0, lost, n >= len(in.index.dryBulbs()))
	a.Carry = min(max(a.Carry, -carryMost), carryMost)
	value += a.Carry
	a.DryBulb, a.DryBulbOK, a.DryBulbs, a.Lost, a.Started = value, true, agreed, 0, true
	a.DryCount = int8(n)
}

// carry keeps a fused value from jumping when one of its probes is lost: the difference goes on as an offset until all
// are back.
func carry(offset *float64, in *Input, value, before float64, beforeOK, lost, all bool) {
	switch {
	case lost && beforeOK:
		*offset = before - value
	case all && *offset != 0:
		*offset -= *offset * min(float64(in.Elapsed)/float64(carryBack), 1)
		if *offset < 1e-3 && *offset > -1e-3 {
			*offset = 0
		}
	}
}

// majority finds the dry bulbs that most others agree with, and of equals the warmest.
func (a *Air) majority(cfg *Config, in *Input, high float64) (value float64, agreed int) {
	value, agreed = high, 1
	for _, id := range in.index.dryBulbs() {
		r := in.trust.reading(in, id)
		if !usable(&r, coldest, hottest) {
			continue
		}
		v := r.Value - a.Offset[id]
		sum, n := 0.0, 0
		for _, other := range in.index.dryBulbs() {
			o := in.trust.reading(in, other)
			if d := o.Value - a.Offset[other] - v; usable(&o, coldest, hottest) && d <= float64(cfg.Agree)/2 && d >= -float64(cfg.Agree)/2 {
				sum += v + d
				n++
			}
		}
		if mean := sum / float64(n); n > agreed || n == agreed && mean > value {
			value, agreed = mean, n
		}
	}
	return value, agreed
}

// apartMost bounds for how long humidity sources are remembered to have been apart; more than any alarm waits for.
const apartMost = 20 * time.Minute

// humidity makes one EMC of wet bulbs and humidity probes.
func (a *Air) humidity(cfg *Config, in *Input) {
	if !a.DryBulbOK {
		a.LostHumid += in.gone()
		a.EMCOK, a.HumidCount = a.EMCOK && a.LostHumid <= cfg.rideThrough(), 0
		return
	}
	var low, high, sum, rawSum, driest, dampest float64
	n, fitted := 0, 0
	highest := hardware.NoProbe
	used := uint64(0)
	crossed, live := false, false
	a.Damp = hardware.NoProbe
	for _, id := range in.index.humid() {
		fitted++
		r := in.trust.reading(in, id)
		raw, ok, above := a.source(cfg, in, id, &r)
		if above {
			crossed, a.CrossedBy = true, id
		}
		if !ok {
			continue
		}
		v := raw - a.Offset[id]
		if n == 0 || v < low {
			low = v
		}
		if n == 0 || v > high {
			high, a.Damp = v, id
		}
		if n == 0 || raw < driest {
			driest = raw
		}
		if n == 0 || raw > dampest {
			dampest, highest = raw, id
		}
		sum += v
		rawSum += raw
		n++
		used |= 1 << id
		live = live || in.trust.Probe[id].Bad == 0
	}
	// It drains more slowly than it fills: an exchange that noise hides for moments stays one.
	if crossed {
		a.Crossed = min(a.Crossed+in.Elapsed, crossedMost)
	} else {
		a.Crossed = max(a.Crossed-in.Elapsed/crossedDrain, 0)
	}
	if n == 0 || a.Lost > 0 {
		a.LostHumid += a.StaleDamp + in.gone()
		a.StaleDamp = 0
		a.EMCOK = a.EMCOK && a.LostHumid <= cfg.rideThrough()
		if n == 0 {
			a.HumidCount = 0
		}
		return
	}
	if a.StaleDamp += in.gone(); live {
		a.StaleDamp = 0
	}
	value := sum / float64(n)
	a.ApartHumid = high - low
	switch apart := n > 1 && dampest-driest > float64(cfg.HumidAgree); {
	case apart && highest != a.DampRaw:
		a.ApartRaw, a.DampRaw = 0, highest
	case apart && in.moving():
		a.ApartRaw = min(a.ApartRaw+in.Elapsed, apartMost)
	case !apart: // noise hides for moments that they are; a reversal of the fans is no proof that they are not
		a.ApartRaw = max(a.ApartRaw-in.Elapsed, 0)
	}
	if in.trust.Dirty || in.trust.Dry {
		value = driest // one of them drifts: the one that asks for less drying counts, as calibrated
	} else if a.ApartHumid > float64(cfg.HumidAgree) {
		// The source that asks for less drying counts: a wick that dries, or a probe that was wetted, reads too damp.
		value = low
		a.HumidDisagree += in.Elapsed
	} else {
		a.HumidDisagree = 0
		if n > 1 && a.Learning >= learnEvery && in.moving() { // a wick in still air reads too damp
			learn := float64(a.Learning) / float64(cfg.Learn)
			mean := rawSum / float64(n)
			for _, id := range in.index.humid() {
				if used&(1<<id) != 0 {
					offset := a.Humid[id] - mean
					a.Offset[id] += (min(max(offset, -float64(cfg.HumidMax)), float64(cfg.HumidMax)) - a.Offset[id]) * learn
				}
			}
		}
	}
	carry(&a.CarryRH, in, value, a.RH, a.EMCOK && a.LostHumid == 0, n < int(a.HumidCount) && in.trust.Fresh == 0, n >= fitted)
	a.CarryRH = min(a.CarryRH, carryDamper)
	value += a.CarryRH
	value = min(max(value, 0.01), 1)
	if key := [2]float64{a.DryBulb, value}; key != a.Key || !a.EMCOK {
		t, rh := quantity.Celsius(a.DryBulb), quantity.Ratio(value)
		a.Key = key
		a.RH, a.EMC = value, float64(wood.EMC(t, rh))
		a.W, a.WetBulb = wood.HumidityRatio(t, rh, in.Pressure), float64(wood.WetBulb(t, rh, in.Pressure))
	}
	a.EMCOK = quantity.Finite(a.EMC) && quantity.Finite(a.W) && quantity.Finite(a.WetBulb)
	if !a.EMCOK {
		a.EMC, a.W, a.WetBulb = 0, 0, 0
	}
	a.LostHumid, a.HumidCount = 0, int8(n)
}

// source gives the humidity that one probe shows, and whether it is a wet bulb above the dry bulb.
func (a *Air) source(cfg *Config, in *Input, id hardware.ProbeID, r *hardware.Reading) (rh float64, ok, above bool) {
	if a.Distrust&(1<<id) != 0 {
		return 0, false, false
	}
	if in.Layout.Probes[id].Role == hardware.RoleHumidity {
		if !usable(r, 0, 1) {
			return 0, false, false
		}
		a.Humid[id] = r.Value
		return r.Value, true, false
	}
	if !usable(r, coldest, hottest) {
		return 0, false, false
	}
	if r.Value > a.DryBulb+float64(cfg.WetBulbAbove) {
		return 0, false, true
	}
	if a.Seen[id] != r.Value || a.SeenDryBulb[id] != a.DryBulb {
		a.Seen[id], a.SeenDryBulb[id] = r.Value, a.DryBulb
		h := a.fromWick(r.Value, in)
		if !quantity.Finite(h) {
			h = -1
		}
		a.Humid[id] = h
	}
	h := a.Humid[id]
	// A wick colder than air without any water would be: no wet bulb of this air.
	return min(h, 1), h >= 0, false
}

// fromWick gives the humidity of the air when a ventilated wick is so warm.
func (a *Air) fromWick(wet float64, in *Input) float64 {
	return float64(wood.RHFromPsychrometer(quantity.Celsius(a.DryBulb), quantity.Celsius(min(wet, a.DryBulb)), in.Pressure))
}

// vapour gives the vapour pressure of the air in Pascal.
func (a *Air) vapour(in *Input) float64 { return a.W / (0.622 + a.W) * float64(in.Pressure) }

func (a *Air) outdoor(in *Input) {
	t, ok := in.first(in.index.OutT, coldest, hottest)
	if ok {
		a.Outdoor = t
	}
	a.OutdoorOK = ok
	rh, okRH := in.first(in.index.OutRH, 0, 1)
	a.OutdoorWOK = ok && okRH
	if key := [2]float64{t, rh}; a.OutdoorWOK && key != a.OutKey {
		a.OutKey, a.OutdoorRH = key, rh
		a.OutdoorW = wood.HumidityRatio(quantity.Celsius(t), quantity.Ratio(rh), in.Pressure)
	}
}

// settleIn is how long a compressor runs before water can be expected at the meter.
const settleIn = 5 * time.Minute

// barren counts how long the compressor has run without giving water.
func (a *Air) barren(in *Input) {
	c := in.Snapshot.Condensate
	if !in.Layout.Condensate || c.Quality != hardware.Valid {
		a.Barren, a.BarrenDamp, a.MeterOK = 0, 0, false
		return
	}
	const drop = 0.05 // kg; less may be the meter's last tip
	if !a.MeterOK || c.Total > a.Meter+drop || c.Total < a.Meter {
		a.Meter, a.MeterOK, a.Barren, a.BarrenDamp = c.Total, true, 0, 0
	}
	if !in.Snapshot.Previous.On.Has(hardware.Compressor) {
		a.Runs = 0
		return
	}
	a.Runs += in.Elapsed
	if a.Runs > settleIn {
		a.Barren += in.Elapsed
		if a.EMCOK && a.RH > 0.7 && a.DryBulb > 25 {
			a.BarrenDamp += in.Elapsed
		}
	}
}
