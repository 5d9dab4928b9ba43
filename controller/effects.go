package controller

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// Figures of the tests whether what was told has an effect, and whether what happens was told; common practice, no source.
const (
	coilFor     = 190 * time.Second // of compressor running: longer than its shortest run
	coilGain    = 2.0               // K that the coil must be colder than the air
	effectRest  = 15 * time.Minute  // before it is tried once more
	effectAgain = time.Hour         // of running with effect, and the first failure is forgotten

	warmOver    = 5.0 // K over the set point as ramped
	warmBack    = 4.0
	warmOverFor = time.Minute
	warmAfter   = 3 * time.Minute  // after the compressor: in its shortest run it heats a small room by more
	warmLong    = 12 * time.Minute // longer than that run
	lowerBy     = 0.02             // K; a set point that fell by more is a lowered one

	heatIdleFor  = 45 * time.Minute // heat on and the air no warmer
	heatIdleGain = 1.0              // K
	heatFall     = 2.0              // K; air that cools so far though heat is on asks for the test again
	heatPart     = 4 * time.Minute  // on, off and on again for so long each
	heatSettle   = 2 * time.Minute  // of it, until the air has followed
	heatEffect   = 0.08             // K that the air must show of it
	heatAgain    = 4 * time.Hour    // after a test with effect
	heatRest     = 10 * time.Minute // after one without

	crankcaseFor = time.Minute
	crankcaseAmp = 0.03 // A; less is none

	ventHangs = 3 * time.Minute // told open in all, while the end switch says shut

	doorLooks = 5    // minutes between the two looks at the air
	doorShare = 0.25 // of what the air is warmer and damper than outdoors, lost in that time
	doorGap   = 8.0  // K, and
	doorGapW  = 3e-3 // kg/kg, that it must have been
	doorBack  = 0.1  // of it lost in as long: shut again

	blowerTries = 2 // without air proven
)

// HeatTest finds heat without effect where no current tells: a big cold load takes up all heat for hours, and the air is no
// warmer. So heat is switched off and on again, and the air must follow; it is light, and the wood is not.
type HeatTest struct {
	Idle   time.Duration // heat on without the air getting warmer
	From   float64       // dry bulb when that began
	Good   time.Duration // left for which the last test counts
	Part   uint8         // 1: on, 2: off, 3: on again; 0: no test
	For    time.Duration // in this part
	Sum    [3]float64    // of the dry bulb, K s
	N      [3]float64    // s
	With   hardware.OutputSet
	Effect float64       // K, of the last test
	Rest   time.Duration // left before it may be tried again
	Tries  uint8         // tests without effect in a row
	Lock   bool          // until somebody has looked
}

// Effects is what the tests of effect remember.
type Effects struct {
	Heat HeatTest

	CoilFor   time.Duration // compressor on, coil not cold
	CoilRest  time.Duration // left before it may be tried again
	CoilGood  time.Duration // compressor running with a cold coil since the last failure
	CoilTries uint8         // failures in a row
	CoilLock  bool          // until somebody has looked

	Set      float64 // dry-bulb set point of the tick before
	Lowering bool    // a lowered set point is being approached

	Rested time.Duration // compressor, since its last run
	Warm   time.Duration // air too warm without a break

	CrankcaseFor time.Duration // told on, draws nothing
	Cold         time.Duration // compressor at rest without crankcase heat

	VentFor time.Duration // told open while the end switch says shut
	VentCap float64       // dry-bulb set point that may not be passed while they hang
	VentOn  bool          // VentCap means something

	Minute time.Duration
	Looks  uint8
	Air    [doorLooks][2]float64 // dry bulb and humidity ratio over outdoors, a minute apart, newest first
	Vented time.Duration         // since the vents were last open, or the door
	Door   bool                  // air as with an open door, though its contact says shut

	BlowerTries uint8
	BlowerRest  bool // in the tick before
}

// locked tells that the compressor may not run: somebody must look first, or it rests before the second try.
func (t *tick) locked() bool {
	e := &t.s.Effects
	return e.CoilLock || e.CoilRest > 0 || t.s.Sequence.DefrostTwice
}

// effects looks at what is told and what happens, once a tick.
func (t *tick) effects() {
	s, e := t.s, &t.s.Effects
	on := t.in.Snapshot.Previous.On
	t.coil(on.Has(hardware.Compressor))
	t.heat(on)
	t.crankcase(on)
	t.hanging(on)
	e.Minute += t.elapsed
	if on.Has(hardware.Vent) || s.ShutFor < 10*time.Minute {
		e.Vented = 0
	} else if e.Vented < time.Hour {
		e.Vented += t.elapsed
	}
	if e.Minute >= time.Minute {
		e.Minute = 0
		t.doorSigns(on)
	}
	rest := s.Sequence.BlowerRest > 0
	if rest && !e.BlowerRest {
		e.BlowerTries = min(e.BlowerTries+1, blowerTries)
	}
	if e.BlowerRest = rest; on.Has(hardware.Compressor) && !rest {
		e.BlowerTries = 0
	}
}

// coil: a compressor that works makes its coil colder than the air.
func (t *tick) coil(on bool) {
	e, c := &t.s.Effects, &t.out.Conditions
	e.CoilRest = max(e.CoilRest-t.elapsed, 0)
	switch {
	case !on || !c.CoilOK || !c.DryBulbOK:
		e.CoilFor = 0
		return
	case float64(c.Coil) < float64(c.DryBulb)-coilGain:
		e.CoilFor = 0
		if e.CoilGood += t.elapsed; e.CoilGood >= effectAgain {
			e.CoilTries, e.CoilGood = 0, 0
		}
		return
	}
	if e.CoilFor += t.elapsed; e.CoilFor < coilFor {
		return
	}
	e.CoilFor, e.CoilGood, e.CoilRest = 0, 0, effectRest
	if e.CoilTries++; e.CoilTries > 1 {
		e.CoilLock = true
	}
}

// heat looks whether heat that is on for long makes the air warmer, and if not, whether the air follows when it is switched
// off and on again. Where every stage's current is measured the gate knows better, and sooner.
func (t *tick) heat(on hardware.OutputSet) {
	h, c, snap := &t.s.Effects.Heat, &t.out.Conditions, t.in.Snapshot
	h.Rest, h.Good = max(h.Rest-t.elapsed, 0), max(h.Good-t.elapsed, 0)
	stages := t.cfg.Layout.Outputs & hardware.AllHeat
	if stages == 0 || stages&^(t.cfg.Layout.Current&snap.CurrentValid) == 0 || h.Lock {
		h.Idle, h.Part = 0, 0
		return
	}
	air := float64(c.DryBulb)
	if h.Part > 0 {
		t.testHeat(on, air)
		return
	}
	if on&hardware.AllHeat == 0 || !c.DryBulbOK || c.Held || c.DryBulb >= t.s.Run.DryBulb-2 {
		h.Idle = 0
		return
	}
	if h.Idle == 0 || air > h.From+heatIdleGain {
		h.Idle, h.From = 0, air
	}
	h.Idle += t.elapsed
	if h.Idle > heatIdleFor && (h.Good == 0 || air < h.From-heatFall) {
		h.begin(on)
	}
}

// begin starts a test.
func (h *HeatTest) begin(on hardware.OutputSet) {
	h.Part, h.For, h.Sum, h.N, h.With = 1, 0, [3]float64{}, [3]float64{}, on&beside
}

// beside are the outputs that may not change in a test of heat.
const beside = hardware.AllFans | 1<<hardware.Compressor | 1<<hardware.Spray

// testHeat goes on with a test. Whatever else changes meanwhile makes it begin again; when heat is no longer wanted it ends.
func (t *tick) testHeat(on hardware.OutputSet, air float64) {
	h, c := &t.s.Effects.Heat, &t.out.Conditions
	heats := on&hardware.AllHeat != 0
	h.For += t.elapsed
	switch {
	case !c.DryBulbOK || c.Held || c.DryBulb >= t.s.Run.DryBulb-1 || on&hardware.AllFans == 0 || h.Part != 2 && !heats && h.For > time.Minute:
		h.Part, h.Idle = 0, 0
		return
	case on&beside != h.With:
		h.begin(on)
		return
	case h.Part == 2 == heats: // its contactor has not followed yet
		h.For = min(h.For, time.Minute+time.Second)
		return
	}
	if i := h.Part - 1; h.For > heatSettle {
		h.Sum[i] += air * t.elapsed.Seconds()
		h.N[i] += t.elapsed.Seconds()
	}
	if h.For < heatPart {
		return
	}
	h.For = 0
	if h.Part++; h.Part <= 3 {
		return
	}
	h.Part, h.Idle = 0, 0
	h.Effect = (h.Sum[0]/h.N[0]+h.Sum[2]/h.N[2])/2 - h.Sum[1]/h.N[1]
	if h.Effect >= heatEffect {
		h.Tries, h.Good = 0, heatAgain
		return
	}
	h.Rest = heatRest
	if h.Tries++; h.Tries > 1 {
		h.Lock = true
	}
}

// heatWithheld tells that heat may not be on: a test has it off, or it had no effect.
func (t *tick) heatWithheld() bool {
	h := &t.s.Effects.Heat
	return h.Part == 2 || h.Rest > 0 || h.Lock
}

// crankcase: a heater that draws nothing warms nothing. After two hours at rest without it the oil is cold.
func (t *tick) crankcase(on hardware.OutputSet) {
	s, e, snap := t.s, &t.s.Effects, t.in.Snapshot
	dead := on.Has(hardware.Crankcase) && snap.CurrentValid.Has(hardware.Crankcase) && snap.Current[hardware.Crankcase] < crankcaseAmp
	if dead {
		e.CrankcaseFor += t.elapsed
	} else {
		e.CrankcaseFor = 0
	}
	switch {
	case on.Has(hardware.Compressor), on.Has(hardware.Crankcase) && !t.crankcaseDead(), !t.cfg.Layout.Outputs.Has(hardware.Crankcase):
		e.Cold = 0
	default: // dead, or off behind an open door or a pressed stop
		e.Cold += t.elapsed
	}
	if e.Cold > coldAfter && !t.shellWarm() {
		s.Restart.Warm = max(s.Restart.Warm, min(e.Cold, warmMax))
	}
}

func (t *tick) crankcaseDead() bool { return t.s.Effects.CrankcaseFor >= crankcaseFor }

// hanging: vents that are told open in pulses and stay at their shut end. The set point may then rise no further: nothing
// could cool the air.
func (t *tick) hanging(on hardware.OutputSet) {
	e, contacts := &t.s.Effects, t.in.Snapshot.Contacts
	fitted := t.cfg.Layout.Contacts.Has(hardware.ContactVentShut)
	switch {
	case !fitted || !contacts.Proven(hardware.ContactVentShut):
		e.VentFor = 0
	case on.Has(hardware.Vent):
		e.VentFor += t.elapsed
	}
}

// ventCapRise is how fast the cap goes once the vents open again, K/h: the set point may not jump.
const ventCapRise = 1.5

// capSetPoint keeps the dry bulb from rising while the vents hang shut.
func (t *tick) capSetPoint() {
	e, sp := &t.s.Effects, &t.out.SetPoints
	hang := e.VentFor >= ventHangs
	if !sp.Active || !hang && !e.VentOn {
		e.VentOn = e.VentOn && sp.Active
		return
	}
	set := float64(sp.DryBulb)
	switch {
	case !e.VentOn:
		e.VentOn, e.VentCap = true, set
	case hang:
		e.VentCap = min(e.VentCap, set)
	default:
		if e.VentCap += ventCapRise * t.elapsed.Hours(); e.VentCap >= set {
			e.VentOn = false
		}
	}
	sp.DryBulb = quantity.Celsius(min(e.VentCap, set))
}

// lowering follows whether the set point fell a moment ago: air that is then too warm has not been heated.
func (t *tick) lowering() {
	e, sp, c := &t.s.Effects, &t.out.SetPoints, &t.out.Conditions
	set := float64(sp.DryBulb)
	switch {
	case !sp.Active:
		e.Lowering = false
	case e.Set-set > lowerBy, set < e.Set && c.DryBulbOK && float64(c.DryBulb) > set+warmOver:
		e.Lowering = true
	case c.DryBulbOK && float64(c.DryBulb) < set+warmOver-1:
		e.Lowering = false
	}
	e.Set = set
}

// tooWarm tells that the air is well above its set point though nothing asked for that.
func (t *tick) tooWarm() bool {
	sp, c := &t.out.SetPoints, &t.out.Conditions
	over := warmOver
	if t.listed(RuleTooWarm) {
		over = warmBack
	}
	e := &t.s.Effects
	if e.Rested = min(e.Rested+t.elapsed, warmAfter); t.in.Snapshot.Previous.On.Has(hardware.Compressor) {
		e.Rested = 0
	}
	if !sp.Active || sp.Kind == schedule.Cool || e.Lowering || !c.DryBulbOK || float64(c.DryBulb.Sub(sp.DryBulb)) <= over {
		e.Warm = 0
		return false
	}
	e.Warm = min(e.Warm+t.elapsed, warmLong)
	return e.Rested >= warmAfter || e.Warm >= warmLong
}

// doorSigns: with the door open the air becomes outdoor air within minutes, in warmth and in water. The compressor alone
// takes water but no warmth.
func (t *tick) doorSigns(on hardware.OutputSet) {
	e, c := &t.s.Effects, &t.out.Conditions
	known := c.DryBulbOK && c.EMCOK && c.OutdoorOK && c.OutdoorWOK && !c.Held
	if !known || on&hardware.AllFans == 0 || e.Vented < doorLooks*time.Minute {
		e.Looks = 0
		if !known || e.Vented == 0 {
			e.Door = false
		}
		return
	}
	gap := [2]float64{float64(c.DryBulb - c.Outdoor), c.IndoorW - c.OutdoorW}
	if e.Looks == doorLooks {
		was := e.Air[doorLooks-1]
		lost := [2]float64{1 - gap[0]/was[0], 1 - gap[1]/was[1]}
		switch {
		case was[0] > doorGap && was[1] > doorGapW && lost[0] > doorShare && lost[1] > doorShare:
			e.Door = true
		case e.Door && lost[0] < -doorBack:
			e.Door = false // it warms up again
		}
	}
	copy(e.Air[1:], e.Air[:doorLooks-1])
	e.Air[0] = gap
	e.Looks = min(e.Looks+1, doorLooks)
}
