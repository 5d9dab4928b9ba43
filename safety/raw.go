package safety

import (
	"math/bits"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// powerOnValue is what a common kind of bus sensor holds before its first conversion, in Celsius: Maxim Integrated, DS18B20
// data sheet (2019), temperature register.
const powerOnValue = 85

// halfStep tells two readings at the border's step of 0.01 K apart.
const halfStep = 0.005

// slowestFan is the speed below which a fan with a drive may draw nothing.
const slowestFan quantity.Ratio = 0.2

// Bounds of the air that heats up by itself. Common practice, no source.
const (
	fastestRise = 5.0              // K a minute with all heat off
	riseExcess  = 2.0              // K, beyond what that pace explains
	heatRest    = time.Minute      // heat still gives off what it holds
	doorRest    = 10 * time.Minute // air that came in through the door warms up at the wood
	farTooHot   = 10.0             // K over the limit of the dry bulb
)

// Bounds of what a fan draws. Its power goes with the cube of its speed and the density of the air (the laws of fans); the
// motor's own losses come on top, so that a loaded fan never draws less. The rest is common practice, no source.
const (
	leastLoad                = 0.75        // of what the laws say
	loadSpeed quantity.Ratio = 0.5         // below it the motor's losses hide the load
	loadSame  quantity.Ratio = 0.02        // a speed that changes by more is a new one,
	loadAfter                = time.Minute // and is reached by then
	loadAt                   = 293.15      // K, the air in which the current was measured
)

// fanUnloaded finds a fan that turns its motor and moves too little: a belt that slips, blades that are gone.
func fanUnloaded(p *Plant, s *State, f *facts) seen {
	if p.fanCurrent == 0 {
		return fine
	}
	for g := range p.groups {
		v, load := s.Out.FanSpeed[g], &s.Load[g]
		on := s.Out.On & p.current & (hardware.OutputSet(1)<<hardware.FanForward(g) | hardware.OutputSet(1)<<hardware.FanReverse(g))
		if d := v - load.Speed; on == 0 || d > loadSame || d < -loadSame {
			*load = Load{Speed: v}
		}
		plus(&load.For, f.fast)
		if on == 0 || f.usable == 0 || v < loadSpeed || load.For < loadAfter {
			continue
		}
		o := hardware.OutputID(bits.TrailingZeros32(uint32(on)))
		amps, least := float64(f.snap.Current[o]), leastLoad*float64(p.fanCurrent)*float64(v*v*v)*loadAt/(f.high+kelvin)
		if f.snap.CurrentValid.Has(o) && amps > float64(p.limits.CurrentOn) && amps < least {
			f.about(hardware.NoProbe, amps, least)
			return trips
		}
	}
	return fine
}

const kelvin = 273.15

// maxAir bounds the probes of the air that are watched for a rise.
const maxAir = 8

// follow moves a slow follower of each probe of the air. It starts afresh whenever something else explains a rise: heat, the
// door, a probe that comes back.
func (s *State) follow(p *Plant, f *facts) {
	explained := s.Out.On&hardware.AllHeat != 0 || s.DoorShut < doorRest
	for i := range hardware.MaxHeatStages {
		explained = explained || s.SinceChange[hardware.Heat(i)] < heatRest
	}
	step := fastestRise * f.fast.Minutes()
	f.rising, f.risenTo, f.risenBy = 0, 0, hardware.NoProbe
	for i, id := range p.air {
		usable := f.usableAir(p, id)
		known := s.AirKnown>>i&1 == 1
		s.AirKnown &^= 1 << i
		if !usable {
			continue
		}
		s.AirKnown |= 1 << i
		v := f.snap.Readings[id].Value
		if explained || !known {
			s.Air[i] = v
		}
		s.Air[i] += min(max(v-s.Air[i], -step), step)
		if v-s.Air[i] > riseExcess {
			f.rising, f.risenTo, f.risenBy = f.rising+1, v, id
		}
	}
}

// airRisingFast needs two probes, as one alone may be moved, spoiled or noisy.
func airRisingFast(_ *Plant, _ *State, f *facts) seen {
	f.about(f.risenBy, f.risenTo, fastestRise)
	return when(f.rising >= 2)
}

// airFarTooHot finds air so far over its limit that heat which was switched off cannot be why. Two probes again; what
// reads beyond any kiln is a reading here.
func airFarTooHot(p *Plant, _ *State, f *facts) seen {
	limit, n := float64(p.limits.DryBulbMax)+farTooHot, 0
	for _, id := range p.air {
		r := &f.snap.Readings[id]
		if r.OK() && r.Value > limit && quantity.Finite(r.Value) && f.atStart>>id&1 == 0 && !f.tooOld(p, r) {
			n++
			f.about(id, r.Value, limit)
		}
	}
	return when(n >= 2)
}

// compare counts how often outputs are found otherwise than told. What the hard wiring does itself is no fault of theirs.
func (s *State) compare(p *Plant, f *facts) {
	c := f.snap.Contacts
	differ := s.settled((f.snap.ReadBack ^ s.Out.On) & f.snap.ReadBackValid & p.readBack & (contactors | sprayOut))
	for _, id := range [...]hardware.ContactID{hardware.ContactEStop, hardware.ContactDoor, hardware.ContactHighLimit,
		hardware.ContactHighPressure, hardware.ContactLowPressure} {
		if p.contacts.Has(id) && !c.Clear(id) {
			differ = 0
		}
	}
	for _, id := range [...]hardware.ContactID{hardware.ContactMains, hardware.ContactAirflow} {
		if p.contacts.Has(id) && !c.Proven(id) {
			differ = 0
		}
	}
	if differ != 0 && !s.Differ {
		push(s.Drops[:])
		f.dropped = true
	}
	s.Differ = differ != 0
}

func outputsDroppedOften(_ *Plant, s *State, f *facts) seen {
	return when(f.dropped && s.Drops[maxDrops-1] < time.Hour)
}

func limitsDamaged(p *Plant, _ *State, _ *facts) seen {
	return when(p.limits != p.spare.limits || p.fitted != p.spare.fitted)
}

// crossedBy is how much hotter than every dry bulb a wet bulb may read, in kelvin: two good probes differ by as much.
const crossedBy = 0.3

// likeDry is how close to the hottest dry bulb a wet bulb reads that is exchanged for another dry bulb: closer than in any
// air that a kiln holds, in kelvin.
const likeDry = 0.5

// bulbsCrossed judges in moving air only: in still air a wick may be the warmer. Of two dry bulbs one may be exchanged for
// the wet bulb: then the wet one reads like the other, and the one like a wet bulb.
func bulbsCrossed(p *Plant, s *State, f *facts) seen {
	f.about(f.wetProbe, f.wet, f.high)
	moving := s.Unproven == 0 || !p.contacts.Has(hardware.ContactAirflow)
	above := f.wet > f.high+crossedBy+halfStep
	exchanged := f.wet > f.low+crossedBy+halfStep && f.wet > f.high-likeDry
	crossed := f.usable > 0 && moving && (above || exchanged)
	if !crossed {
		s.Rule[BulbsCrossed].Fill = 0 // wires do not flap: without a break, or it is noise
	}
	return when(crossed)
}

// Two bulbs that read alike to the last digit for this long, through this many changes, are one bulb.
const (
	alikeFor     = 10 * time.Minute
	alikeChanges = 10
)

// twins looks for two bulbs that read alike.
func (s *State) twins(p *Plant, f *facts) {
	a, b := s.Twin[0], s.Twin[1]
	if a == hardware.NoProbe || !f.alike(p, a, b) {
		s.Twin, s.TwinFor, s.TwinChanges = f.findTwins(p), 0, 0
		if a = s.Twin[0]; a != hardware.NoProbe {
			s.TwinValue = f.snap.Readings[a].Value
		}
		return
	}
	plus(&s.TwinFor, f.fast)
	if v := f.snap.Readings[a].Value; v != s.TwinValue {
		s.TwinValue, s.TwinChanges = v, min(s.TwinChanges+1, alikeChanges)
	}
}

func (f *facts) alike(p *Plant, a, b hardware.ProbeID) bool {
	return f.snap.Readings[a].Value == f.snap.Readings[b].Value && f.usableAir(p, a) && f.usableAir(p, b)
}

func (f *facts) findTwins(p *Plant) [2]hardware.ProbeID {
	for i, a := range p.bulbs {
		for _, b := range p.bulbs[:i] {
			if f.alike(p, a, b) {
				return [2]hardware.ProbeID{a, b}
			}
		}
	}
	return [2]hardware.ProbeID{hardware.NoProbe, hardware.NoProbe}
}

func bulbsIdentical(_ *Plant, s *State, f *facts) seen {
	f.about(s.Twin[0], s.TwinValue, s.TwinValue)
	return when(s.TwinFor >= alikeFor && s.TwinChanges >= alikeChanges)
}

// How long an output may be told on without effect, and how long it then rests before it is tried once more.
const (
	deadHeat       = time.Minute
	deadCompressor = 3 * time.Minute
	deadRest       = 10 * time.Minute
)

// dead is for outputs that are told on without effect. The first time within an hour they rest and are tried again, the
// second time latches.
func dead(outputs hardware.OutputSet, rule hardware.RuleID, after time.Duration) func(*Plant, *State, *facts) seen {
	return func(_ *Plant, s *State, f *facts) seen {
		failed := &s.HeatFailed
		if rule == CompressorDead {
			failed = &s.CompressorFailed
		}
		idle := s.settled(s.Out.On&f.dead&outputs) != 0
		switch {
		case *failed < deadRest:
			return blocks
		case idle && *failed >= time.Hour && s.Rule[rule].Fill+f.fast >= after:
			*failed = 0
			return blocks
		}
		return when(idle)
	}
}

// ventTravel is how long vents may take from end to end.
const ventTravel = 3 * time.Minute

// ventFault is how long they may then still be seen elsewhere.
const ventFault = 5 * time.Second

func ventNotFollowing(p *Plant, s *State, f *facts) seen {
	if s.SinceChange[hardware.Vent] < ventTravel || !p.outputs.Has(hardware.Vent) {
		return fine
	}
	c, open := f.snap.Contacts, s.Out.On.Has(hardware.Vent)
	end, other := hardware.ContactVentOpen, hardware.ContactVentShut
	if !open {
		end, other = other, end
	}
	ends := p.contacts & (1<<end | 1<<other)
	switch {
	case ends.Has(end) && c.Valid.Has(end) && !c.Active.Has(end), ends.Has(other) && c.Proven(other):
		f.hangOpen = !open && s.Rule[VentNotFollowing].Fill+f.fast >= ventFault
		return trips
	case ends&^c.Valid != 0:
		return doubts
	}
	return fine
}

func probeAtPowerOn(p *Plant, _ *State, f *facts) seen {
	if f.atStart == 0 {
		return fine
	}
	for i := range p.probes {
		if f.atStart>>i&1 == 1 {
			f.about(hardware.ProbeID(i), f.snap.Readings[i].Value, p.powerOn[i])
			break
		}
	}
	return trips
}
