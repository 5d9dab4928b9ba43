package simkiln

import (
	"math"
	"math/bits"
	"time"

	"drywarden/hardware"
)

const (
	volts         = 230.0
	panFull       = 1.0 // kg, the float rises
	runUp         = 4.0 // s, fans from rest
	airflowAt     = 0.2 // of full air: the switch closes
	hardLimit     = 78.0
	hardReset     = 60.0
	highPressAt   = 75.0 // C condensing
	lowPressAt    = -22.0
	pressureReset = 3 * time.Minute
	pressureBuild = 10 * time.Second // of working beyond a cut-out's pressure until it is there
	monitorVolts  = 0.85             // of nominal: the mains monitor lets go
	stallVolts    = 0.80             // the compressor does not turn
	dropOut       = 0.60             // contactors let go

	backwardAir  = 0.7   // of the air, with the fans turning against their blades
	backwardLoad = 0.8   // of the current
	sprayTravel  = 5.0   // s, from shut to full flow
	ageing       = 0.01  // of the machine's efficiency lost in a year
	year         = 8766. // h
)

// switchOutputs works out which contactors conduct, after anything that may change that: what is told, the heartbeat's
// master contactor, and the protections that are wired and need no computer.
func (k *Kiln) switchOutputs() {
	s := &k.s
	before := s.Closed
	fault := &s.Severity
	s.Master = s.Now-s.Beat <= heartbeatHold && fault[MainsLoss] == 0
	master := s.Master && fault[EmergencyStop] == 0
	s.Door = fault[DoorOpen] > 0
	s.Volts = 1
	if v := fault[BrownOut]; v > 0 {
		s.Volts = max(0.5, 1-0.18*v)
	}
	closed := s.Pulled
	if s.Parted {
		closed &^= s.Bouncing
	}
	if s.Now < s.RelayUntil {
		closed = 0
	}
	if fault[RelayGlitch] > 0 {
		word := s.SensorRandom.word() // each output with one chance in four
		closed ^= hardware.OutputSet(word&(word>>32)) & k.layout.Outputs
	}
	closed &^= s.Stuck
	if !master || s.Volts < dropOut {
		closed = 0
	}
	if s.Door {
		closed &^= hardware.AllFans | hardware.AllHeat
	}
	if master {
		closed |= s.Fused // coil and wired protections have no hold on it
	}
	// Reversing contactors are locked against each other, welded or not: the one that was in stays in.
	in := before | s.Fused
	for g := range k.cfg.Fans.Groups {
		f, r := hardware.FanForward(g), hardware.FanReverse(g)
		if closed.Has(f) && closed.Has(r) {
			closed = closed.With(f, in.Has(f)).With(r, in.Has(r) && !in.Has(f))
		}
		if fault[BothDirections] > 0 && master && (closed.Has(f) || closed.Has(r)) {
			closed = closed.With(f, true).With(r, true)
		}
	}
	if s.LimitTrip || fault[HighLimit] > 0 || s.Speed < airflowAt { // the sail switch is in the heaters' coil circuit
		closed &^= hardware.AllHeat
	}
	if s.HighPress > s.Now || s.LowPress > s.Now || fault[HighPressureTrip] > 0 || fault[LowPressureTrip] > 0 {
		closed = closed.With(hardware.Compressor, false)
	}
	if master {
		closed |= s.Fused &^ hardware.AllFans // fans: the lock has decided
	}
	if fault[HeaterWeld] > 0 && master && k.cfg.Heat.Stages > 0 {
		closed = closed.With(hardware.Heat1, true)
	}
	if fault[SprayStuckOn] > 0 && k.cfg.Spray.Fitted {
		closed = closed.With(hardware.Spray, true)
	}
	s.Closed = closed
	s.Fused = (s.Fused | closed) & s.Welded
	if before != closed {
		if (before^closed)&hardware.AllFans != 0 {
			s.Cut = true
		}
		s.Short = true
		s.Moving = true
		s.PumpAt = 0
	}
	k.updateContacts()
	s.Current = k.currents()
}

// drawDelays draws how long each contactor takes from being told to moving, relay, coil and armature together: 50 ms to
// 0.9 s to pull in, 20 to 90 ms to let go; common practice, no source.
func drawDelays(seed uint64) (pull, drop [hardware.OutputCount]time.Duration) {
	r := stream(seed, 9)
	for o := range pull {
		pull[o] = time.Duration(r.between(50, 900)) * time.Millisecond
		drop[o] = time.Duration(r.between(20, 90)) * time.Millisecond
	}
	return pull, drop
}

// tell lets the contactors whose command has changed follow it, each after its delay. Lamps and sounder follow at once.
func (k *Kiln) tell(changed hardware.OutputSet) {
	s := &k.s
	slow := changed & k.layout.ReadBack
	s.Pulled ^= (s.Pulled ^ s.Outputs.On) & changed &^ slow
	for left := uint32(slow); left != 0; left &= left - 1 {
		o := bits.TrailingZeros32(left)
		s.FollowAt[o] = s.Now + k.dropDelay[o]
		if s.Outputs.On>>o&1 == 1 {
			s.FollowAt[o] = s.Now + k.pullDelay[o]
		}
		s.SwitchAt = min(s.SwitchAt, s.FollowAt[o])
	}
}

// stepSwitches moves the contactors that are due, parts and joins those that bounce, and finds when the next one is due.
func (k *Kiln) stepSwitches() {
	s := &k.s
	next := never
	for o, at := range s.FollowAt {
		switch {
		case at == 0:
		case at > s.Now:
			next = min(next, at)
		default:
			s.FollowAt[o] = 0
			id := hardware.OutputID(o)
			on := s.Outputs.On.Has(id)
			if on && !s.Pulled.Has(id) && s.Bouncing.Has(id) {
				s.BounceUntil = s.Now + time.Duration(4*s.Severity[ContactorBounce]*float64(time.Second))
				s.BounceAt = s.Now
			}
			s.Pulled = s.Pulled.With(id, on)
		}
	}
	if s.BounceUntil > 0 && s.BounceAt <= s.Now {
		s.Parted = s.Now < s.BounceUntil && !s.Parted
		s.BounceAt = min(s.Now+time.Duration(s.SensorRandom.between(80, 400))*time.Millisecond, s.BounceUntil)
		if s.Now >= s.BounceUntil {
			s.BounceUntil = 0
		}
	}
	if s.BounceUntil > 0 {
		next = min(next, s.BounceAt)
	}
	if s.RelayUntil > 0 {
		if s.Now >= s.RelayUntil {
			s.RelayUntil = 0
		} else {
			next = min(next, s.RelayUntil)
		}
	}
	s.SwitchAt = next
	k.switchOutputs()
}

// powered tells whether a closed contactor has current to pass.
func (k *Kiln) powered(o hardware.OutputID) bool {
	s := &k.s
	if !s.Closed.Has(o) || s.Dead.Has(o) || s.Severity[MainsLoss] > 0 {
		return false
	}
	switch {
	case hardware.AllFans.Has(o):
		return s.Severity[BreakerFans] == 0 && s.Severity[BothDirections] == 0
	case hardware.AllHeat.Has(o):
		return s.Severity[BreakerHeat] == 0 && s.Severity[HeaterOpen] == 0
	case o == hardware.Compressor:
		return s.Severity[BreakerMachine] == 0 && s.Severity[CompressorNoEffect] == 0 && s.Volts >= stallVolts
	case o == hardware.Blower, o == hardware.BlowerLow:
		return s.Severity[BreakerMachine] == 0 && s.Severity[BlowerStop] == 0
	case o == hardware.Crankcase:
		return s.Severity[CrankcaseDead] == 0
	}
	return true
}

// moveActuators moves fans and vents on by dt seconds.
func (k *Kiln) moveActuators(dt float64) {
	s := &k.s
	if !s.Moving {
		return
	}
	moving := false
	groups := k.cfg.Fans.Groups
	coast := k.cfg.Fans.Coast.Std().Seconds()
	total := 0.0
	for g := range groups {
		want := 0.0
		if k.powered(hardware.FanForward(g)) {
			want = 1
		} else if k.powered(hardware.FanReverse(g)) {
			want = -1
		}
		if k.cfg.Fans.Drive && want != 0 {
			want *= min(1, max(0, float64(s.Outputs.FanSpeed[g])))
		}
		if s.Severity[FanBackward] > 0 {
			want *= -backwardAir
		}
		want *= s.Volts
		if s.Severity[FanStop] > 0 || s.Severity[FanNoStart] > 0 && math.Abs(s.FanSpeed[g]) < 0.05 {
			want = 0
		}
		v := s.FanSpeed[g]
		if v != want {
			if math.Abs(want) > math.Abs(v) || want*v < 0 {
				step := dt / runUp
				v += min(max(want-v, -step), step)
			} else { // runs down with the square of speed, to a twentieth in the coast-down time
				v = want + (v-want)*math.Exp(-3*dt/coast)
				if math.Abs(v-want) < 0.05 {
					v = want
				}
			}
			s.FanSpeed[g] = v
			moving = moving || v != want
		}
		total += v
	}
	total *= 1 - k.slip()
	total /= float64(groups)
	s.Speed = math.Abs(total)
	if s.Speed > 0.02 {
		s.Reverse = total < 0
	}
	want := 0.0
	if s.Closed.Has(hardware.Vent) {
		want = 1
	}
	if s.Severity[VentStuckOpen] > 0 || s.Severity[VentStuckShut] > 0 {
		want = s.VentOpen
		if s.Severity[VentStuckOpen] > 0 {
			want = 1
		}
		s.VentOpen = want
		k.updateContacts()
	}
	spray := 0.0
	if s.Closed.Has(hardware.Spray) {
		spray = 1
	}
	if s.SprayOpen != spray {
		step := dt / sprayTravel
		s.SprayOpen += min(max(spray-s.SprayOpen, -step), step)
		moving = moving || s.SprayOpen != spray
	}
	if s.VentOpen != want {
		step := dt / k.cfg.Vents.Travel.Std().Seconds()
		s.VentOpen += min(max(want-s.VentOpen, -step), step)
		moving = moving || s.VentOpen != want
		k.updateContacts()
	}
	s.Moving = moving
}

// slip is the share of their speed that the fans lose between motor and blade.
func (k *Kiln) slip() float64 { return 0.5 * min(2, k.s.Severity[FanWeak]) }

// fanLoad gives what the motors of a fan group draw against full speed, from its speed. A belt that slips carries the
// fan's torque, which goes with the square of the fan's speed, at the motor's own speed.
func (k *Kiln) fanLoad(group int) float64 {
	v, grip := math.Abs(k.s.FanSpeed[group]), 1-k.slip()
	share := 1.0
	if k.s.Severity[FanBackward] > 0 {
		v, share = v/backwardAir, backwardLoad
	}
	return share * v * v * v * grip * grip
}

func (k *Kiln) fanPower() float64 {
	each := float64(k.cfg.Fans.Power) / float64(k.cfg.Fans.Groups)
	sum := 0.0
	for g := range k.cfg.Fans.Groups {
		if k.powered(hardware.FanForward(g)) || k.powered(hardware.FanReverse(g)) {
			sum += each * k.fanLoad(g)
		}
	}
	return sum
}

func (k *Kiln) heaterPower() float64 {
	n := k.cfg.Heat.Stages
	sum, s2 := 0.0, k.s.Volts*k.s.Volts
	for i := range n {
		if k.powered(hardware.Heat(i)) {
			sum += float64(k.cfg.Heat.Power) / float64(n) * s2
		}
	}
	return sum
}

// currents gives what a clamp on each output would show.
func (k *Kiln) currents() (a [hardware.OutputCount]float32) {
	s := &k.s
	if s.Closed&k.layout.Current == 0 {
		return a
	}
	each := float64(k.cfg.Fans.Power) / float64(k.cfg.Fans.Groups)
	for g := range k.cfg.Fans.Groups {
		for _, o := range [...]hardware.OutputID{hardware.FanForward(g), hardware.FanReverse(g)} {
			if k.powered(o) && s.Severity[FanNoStart] == 0 {
				a[o] = float32(each * max(k.fanLoad(g), 0.1) / volts)
			}
		}
	}
	for i := range k.cfg.Heat.Stages {
		if o := hardware.Heat(i); k.powered(o) {
			a[o] = float32(s.Volts * float64(k.cfg.Heat.Power) / float64(k.cfg.Heat.Stages) / volts)
		}
	}
	scale := float64(k.cfg.Machine.Scale)
	if k.powered(hardware.Compressor) {
		a[hardware.Compressor] = float32(max(s.Pump.Power, nominalPower*scale*0.4) / volts)
	}
	if k.powered(hardware.Blower) {
		a[hardware.Blower] = float32(nominalBlower * scale * k.blowerSpeed() / volts)
	}
	if k.powered(hardware.Crankcase) {
		a[hardware.Crankcase] = float32(float64(k.cfg.Machine.Crankcase) / volts)
	}
	return a
}

func (k *Kiln) blowerSpeed() float64 {
	if k.s.Closed.Has(hardware.BlowerLow) {
		return lowCoil / nominalCoil
	}
	return 1
}

// since keeps when something began that is still so; never while it is not.
func since(began time.Duration, is bool, now time.Duration) time.Duration {
	if !is {
		return never
	}
	return min(began, now)
}

// machineResult is what the machine does to the room in one step, W and kg/s.
type machineResult struct{ electric, sensible, water, latent float64 }

// runMachine moves heat pump, coil, ice, drain and shell on by dt seconds.
func (k *Kiln) runMachine(dt float64) (m machineResult) {
	s := &k.s
	c := &k.cfg.Machine
	if !c.Fitted {
		return m
	}
	scale := float64(c.Scale)
	runs := k.powered(hardware.Compressor)
	blows := k.powered(hardware.Blower)
	if blows {
		p := nominalBlower * scale * k.blowerSpeed()
		m.electric += p
		m.sensible += p
	}
	crankcase := k.powered(hardware.Crankcase)
	if crankcase {
		m.electric += float64(c.Crankcase)
		m.sensible += float64(c.Crankcase)
	}
	shell := s.RoomT
	coilAir := 0.0
	if blows {
		coilAir = nominalCoil * scale * k.blowerSpeed() * (1 - 0.5*min(1, s.Ice/(fullIce*scale))) * (1 - 0.4*min(1, s.Severity[CoilFouled]))
	}
	pressure := float64(k.cfg.Pressure)
	switch {
	case runs:
		if s.MachineOn == 0 {
			s.Starts++
			s.Pump.Te, s.Pump.Tc = s.RoomT-15, s.RoomT+15
			s.PumpAt, s.HighSince, s.LowSince = 0, never, never
		}
		s.MachineOn += time.Duration(dt * float64(time.Second))
		if s.Now >= s.PumpAt {
			o := operating{t: s.RoomT, w: s.RoomW, pressure: pressure, coilAir: max(coilAir, 0.02*scale),
				condAir: nominalConden * scale, power: nominalPower * scale, efficiency: k.efficiency(), difference: coilDifference + starved*s.Severity[LowCharge]}
			if !blows {
				o.condAir *= 0.1
			}
			s.Pump = o.balance(s.Pump.Te)
			s.PumpAt = s.Now + 10*time.Second
			s.HighSince = since(s.HighSince, s.Pump.Tc > highPressAt, s.Now)
			s.LowSince = since(s.LowSince, s.Pump.Te < lowPressAt, s.Now)
			if s.Now-s.HighSince >= pressureBuild {
				s.HighPress = s.Now + pressureReset
			}
			if s.Now-s.LowSince >= pressureBuild {
				s.LowPress = s.Now + pressureReset
			}
		}
		h := &s.Pump
		up := min(1, s.MachineOn.Seconds()/startUp)
		m.electric += h.Power
		vapour := up * h.Water * steamHeat * (s.RoomT - h.Coil) // what condensed had been cooled down to the coil
		m.sensible += h.Power + up*h.Latent + vapour            // condenser gives back all that the coil takes, and the power
		m.water -= up * h.Water
		m.latent += up*h.Latent + vapour
		if h.Coil < frostBelow || s.Severity[CoilIced] > 0 { // what meets a coil of ice freezes
			s.Ice += up * h.Water * dt
			m.sensible += up * h.Water * fusion
			m.latent += up * h.Water * fusion
		} else {
			s.CoilWater += up * h.Water * dt
		}
		shell += 30
		if s.HighPress > s.Now || s.LowPress > s.Now {
			k.switchOutputs()
		}
	default:
		if s.MachineOn != 0 {
			s.MachineOn = 0
			s.Pump.Power = 0
		}
		if crankcase {
			shell += 20
		}
		if blows && s.CoilWater > 0 { // a running blower takes the coil's water back into the air
			p, slope := saturationSlope(s.RoomT)
			full := humidityRatio(p, pressure)
			wet := 1 + latent(s.RoomT)/airHeat*slope*ratio/pressure
			rate := max(0, (1-bypass)*coilAir*(full-s.RoomW)/wet)
			rate = min(rate, s.CoilWater/dt)
			s.CoilWater -= rate * dt
			m.water += rate
			m.sensible -= rate * latent(s.RoomT)
			m.latent -= rate * latent(s.RoomT)
		}
	}
	if (s.HighPress > 0 && s.HighPress <= s.Now) || (s.LowPress > 0 && s.LowPress <= s.Now) {
		if s.HighPress <= s.Now {
			s.HighPress = 0
		}
		if s.LowPress <= s.Now {
			s.LowPress = 0
		}
		k.switchOutputs()
	}
	over := s.RoomT
	if runs {
		over = s.Pump.Coil
	}
	if s.Ice > 0 && over > 0 && s.Severity[CoilIced] == 0 {
		melt := 15 * scale * over / fusion
		if blows {
			melt *= 10
		}
		melt = min(melt*dt, s.Ice)
		s.Ice -= melt
		s.CoilWater += melt
		m.sensible -= melt * fusion / dt
		m.latent -= melt * fusion / dt
	}
	if over := s.CoilWater - float64(c.HoldUp); over > 0 {
		run := over * k.fade(dt).drain
		s.CoilWater -= run
		switch {
		case s.Severity[DrainBlocked] > 0 || s.Severity[HoseOff] > 0:
			s.Puddle += run
		default:
			s.WaterOut += run
			s.Drained += run
			s.DrainHeat += run * liquid * max(s.Pump.Coil, 0)
			if s.Severity[CondensateStuck] == 0 {
				s.Tip += run
				if pulse := float64(k.cfg.Meters.CondensatePulse); s.Tip >= pulse && pulse > 0 {
					n := math.Floor(s.Tip / pulse)
					s.Tip -= n * pulse
					s.Condensate += k.caught(0, s.Severity[CondensateMiss], n) * pulse
				}
			}
		}
	}
	s.Shell += (shell - s.Shell) * k.fade(dt).shell
	return m
}

// efficiency gives the share of Carnot that the machine reaches at its age.
func (k *Kiln) efficiency() float64 {
	c := &k.cfg.Machine
	return float64(c.Efficiency) * math.Pow(1-ageing, (c.Age.Std()+k.s.Now).Hours()/year)
}

// fades is by how much drain and shell near their ends in a step of a length: the last length's, kept.
type fades struct{ dt, drain, shell float64 }

func (k *Kiln) fade(dt float64) *fades {
	if f := &k.fades; f.dt != dt {
		*f = fades{dt, 1 - math.Exp(-dt/k.cfg.Machine.DrainLag.Std().Seconds()), 1 - math.Exp(-dt/2400)}
	}
	return &k.fades
}

// meterEnergy counts pulses; the meter is 0.5 % off, by seed.
func (k *Kiln) meterEnergy(joule float64) {
	s := &k.s
	s.EnergyRest += joule * k.meterGain
	if pulse := float64(k.cfg.Meters.EnergyPulse); pulse > 0 && s.EnergyRest >= pulse {
		n := math.Floor(s.EnergyRest / pulse)
		s.EnergyRest -= n * pulse
		s.EnergyCounted += k.caught(1, s.Severity[EnergyMiss], n) * pulse
	}
}

// caught gives how many of n pulses a meter counts that misses a quarter of them, times severity.
func (k *Kiln) caught(meter int, severity, n float64) float64 {
	if severity == 0 {
		return n
	}
	missed := &k.s.Missed[meter]
	*missed += n * min(0.25*severity, 1)
	whole := math.Floor(*missed)
	*missed -= whole
	return n - whole
}

// updateFlowContacts renews the contacts that follow the air, and the hard-wired limit.
func (k *Kiln) updateFlowContacts() {
	s := &k.s
	air := s.Speed >= airflowAt
	if blower := k.powered(hardware.Blower); air != s.Air || blower != s.Contacts.Active.Has(hardware.ContactBlowerAirflow) {
		s.Air = air
		k.switchOutputs()
	}
	if s.Severity[DrainBlocked] > 0 && s.Puddle > panFull && !s.Contacts.Active.Has(hardware.ContactFloat) {
		k.updateContacts()
	}
	if s.RoomT > hardLimit && !s.LimitTrip {
		s.LimitTrip = true
		k.switchOutputs()
	}
}

// updateContacts renews every digital input.
func (k *Kiln) updateContacts() {
	s := &k.s
	f := &s.Severity
	var on hardware.ContactSet
	set := func(id hardware.ContactID, is bool) { on = on.With(id, is) }
	set(hardware.ContactAirflow, s.Speed >= airflowAt && f[AirflowLost] == 0)
	set(hardware.ContactBlowerAirflow, k.powered(hardware.Blower))
	set(hardware.ContactEStop, f[EmergencyStop] > 0)
	set(hardware.ContactDoor, f[DoorOpen] > 0 && f[DoorContactShut] == 0)
	set(hardware.ContactHighLimit, s.LimitTrip || f[HighLimit] > 0)
	set(hardware.ContactHighPressure, s.HighPress > s.Now || f[HighPressureTrip] > 0)
	set(hardware.ContactLowPressure, s.LowPress > s.Now || f[LowPressureTrip] > 0)
	set(hardware.ContactSmoke, f[Smoke] > 0 || f[MachineFire] > 0)
	set(hardware.ContactGas, f[RefrigerantGas] > 0)
	set(hardware.ContactFloat, f[FloorWater] > 0 || f[DrainBlocked] > 0 && s.Puddle > panFull)
	set(hardware.ContactMains, f[MainsLoss] == 0 && s.Volts >= monitorVolts)
	set(hardware.ContactInsideButton, f[InsideButton] > 0)
	set(hardware.ContactInhibit, f[Inhibit] > 0)
	set(hardware.ContactPanelReset, s.PanelUntil > s.Now)
	set(hardware.ContactPanelKey, k.cfg.Person.Key)
	set(hardware.ContactVentOpen, s.VentOpen >= 0.99)
	set(hardware.ContactVentShut, s.VentOpen <= 0.01)
	set(hardware.ContactWaterSupply, f[NoWater] == 0)
	s.Contacts = hardware.Contacts{Active: on & k.layout.Contacts, Valid: k.layout.Contacts}
}

var _ hardware.Inputs = (*Kiln)(nil)
var _ hardware.Actuators = (*Kiln)(nil)
