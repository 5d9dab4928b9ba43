package demand

import (
	"time"

	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// Config holds bands and limits. DefaultConfig gives usual values; what the kiln file says replaces them.
type Config struct {
	DryAbove  quantity.MoistureContent // the compressor is wanted above set point + this, after DryDelay
	DryBelow  quantity.MoistureContent // no longer wanted below set point - this
	DryDelay  time.Duration            // how long the air must be above
	Center    time.Duration            // time constant of the shift that centres the band on the cycle's mean
	CenterMax quantity.MoistureContent // greatest shift

	HeatStages int                   // fitted; 0: no heat
	HeatAbove  quantity.CelsiusDelta // heat is wanted below set point - this; each further stage this much lower again
	HeatUntil  quantity.CelsiusDelta // no longer wanted above set point - this
	LoneDuty   quantity.Ratio        // greatest share of time with heat when one dry bulb alone is valid

	Vent        bool                     // fitted
	VentAbove   quantity.CelsiusDelta    // opens above set point + this
	VentUntil   quantity.CelsiusDelta    // shuts below set point + this
	VentPulse   time.Duration            // a cooling pulse
	VentPeriod  time.Duration            // from pulse to pulse
	VentDryDuty quantity.Ratio           // greatest share of time with the vent open in vent-dry
	VentDryGain float64                  // outdoor air must be drier by at least this, kg/kg
	VentDryMC   quantity.MoistureContent // governing moisture must be below

	Spray      bool                     // fitted
	SprayBelow quantity.MoistureContent // sprays below set point - this
	SprayUntil quantity.MoistureContent // until set point - this
	SprayDrop  quantity.CelsiusDelta    // no spray when the air is this much below its set point
	SprayPulse time.Duration            // a pulse; SprayPause follows
	SprayPause time.Duration            //

	Compressor bool                  // fitted
	AmbientMin quantity.Celsius      // of the unit's data plate: it runs in air no colder
	AmbientMax quantity.Celsius      // of the unit's data plate: it runs in air no warmer; required where one is fitted
	AmbientGap quantity.CelsiusDelta // kept from both, so that nobody else has to say no
	HotStop    quantity.CelsiusDelta // the compressor is not wanted above set point + this, whatever the EMC

	BlowerLow      bool             // a low blower speed or a bypass is fitted
	BlowerLowBelow quantity.Ratio   // relative humidity below which less air over the coil yields more
	BlowerLowMin   quantity.Celsius // never below this dry bulb: frost
}

// DefaultConfig gives the usual bands; fitted machines and AmbientMax must be filled in.
func DefaultConfig() Config {
	return Config{
		DryAbove: 0.4, DryBelow: 0.2, DryDelay: time.Minute, Center: 3 * time.Hour, CenterMax: 2.5,
		HeatAbove: 1, HeatUntil: 0.2, LoneDuty: 0.25,
		VentAbove: 1, VentUntil: 0.4, VentPulse: time.Minute, VentPeriod: 5 * time.Minute,
		VentDryDuty: 0.25, VentDryGain: 0.003, VentDryMC: 20,
		SprayBelow: 0.25, SprayUntil: 0, SprayDrop: 3, SprayPulse: 15 * time.Second, SprayPause: 45 * time.Second,
		AmbientMin: 19, AmbientMax: 46, AmbientGap: 1, HotStop: 2.5,
		BlowerLowBelow: 0.45, BlowerLowMin: 24.5,
	}
}

// State is what demand remembers. The zero value wants nothing.
type State struct {
	Dry       bool
	Above     time.Duration            // air above the band without a break
	Shift     quantity.MoistureContent // of the band, so that the mean over cycles is the set point
	Duty      quantity.Ratio           // of the compressor over about an hour
	AtFloor   bool                     // the compressor no longer condenses: dry air is all it makes is heat
	FloorRH   quantity.Ratio           // at which that was seen
	Heat      uint8                    // stages
	HeatShare quantity.Ratio           // of the last minutes with heat, for the one-dry-bulb rule
	LoneRest  bool                     // waits for HeatShare to fall
	Venting   bool                     // the band wants cooling
	VentPhase time.Duration            // in the period; 0: a pulse may begin
	VentDry   bool
	VentShare quantity.Ratio // of the last half hour with the vent open, for vent-dry
	Spraying  bool
	SprayIn   time.Duration // in the spray cycle
	HotOff    bool          // too warm for the compressor, see HotStop
	Ambient   bool          // within the unit's limits
	BlowerLow bool
}

// Input is what a Step gets.
type Input struct {
	Elapsed      time.Duration // capped by the caller
	Conditions   *schedule.Conditions
	SetPoints    *schedule.SetPoints
	Steady       bool          // an input was just lost: nothing may rise
	CompressorOn bool          // applied
	HeatOn       bool          // applied, any stage
	VentOn       bool          // applied
	SpraySupply  bool          // water pressure is there, or is not watched
	Barren       time.Duration // compressor running time since the last condensate, 0 when no meter is fitted
	Safe         bool          // the kiln is held safe: want nothing but what runs
}

// Demand is what is wanted now.
type Demand struct {
	Fans      bool
	FanSpeed  quantity.Ratio
	Dry       bool // compressor and blower
	Over      bool // the air is well past what the compressor was to do: its run may be cut to the shortest
	BlowerLow bool
	Heat      uint8 // stages
	Vent      bool
	VentDry   bool // heat and vent may be on together
	Spray     bool
	Reversal  bool // fans may change direction
	Counting  bool // a heat exposure is being counted
	Wet       bool // governing moisture above fibre saturation

	DryWhy, HeatWhy, VentWhy, SprayWhy, FanWhy Why
}

// Step works out what is wanted. It changes s and out in place and allocates nothing.
func Step(cfg *Config, s *State, in *Input, out *Demand) {
	*out = Demand{}
	sp, c := in.SetPoints, in.Conditions
	s.account(cfg, in)
	out.Wet, out.Counting = sp.Wet, sp.Counting
	fans(sp, out)
	out.Reversal = out.Fans && sp.Permit&schedule.PermitReversal != 0 && !sp.Counting
	if !sp.Active || in.Safe || !c.DryBulbOK {
		reason := NotWanted
		switch {
		case in.Safe:
			reason = HeldSafe
		case sp.Active:
			reason = NoDryBulb
		}
		s.calm()
		out.DryWhy, out.HeatWhy, out.VentWhy, out.SprayWhy = Why{Code: reason}, Why{Code: reason}, Why{Code: reason}, Why{Code: reason}
		return
	}
	dry(cfg, s, in, out)
	ventDry(cfg, s, in, out)
	heat(cfg, s, in, out)
	vent(cfg, s, in, out)
	spray(cfg, s, in, out)
}

// calm forgets what was wanted; the learnt shift and floor stay.
func (s *State) calm() {
	s.Dry, s.Above, s.Heat, s.Venting, s.VentDry, s.Spraying, s.BlowerLow = false, 0, 0, false, false, false, false
}

// Horizons of the shares below. The half hour is longer than any period of the pulses.
const (
	dutyHorizon  = time.Hour
	shareHorizon = 10 * time.Minute
	ventHorizon  = 30 * time.Minute
)

func (s *State) account(cfg *Config, in *Input) {
	track(&s.Duty, in.CompressorOn, in.Elapsed, dutyHorizon)
	track(&s.HeatShare, in.HeatOn, in.Elapsed, shareHorizon)
	track(&s.VentShare, in.VentOn, in.Elapsed, ventHorizon)
	if s.VentPhase > 0 {
		s.VentPhase += in.Elapsed
		if s.VentPhase >= cfg.VentPeriod {
			s.VentPhase = 0
		}
	}
}

// loneFull of LoneDuty is used, so that any hour stays under it.
const loneFull quantity.Ratio = 0.8

// track keeps an exponentially forgetting share of time.
func track(share *quantity.Ratio, on bool, elapsed, horizon time.Duration) {
	target := quantity.Ratio(0)
	if on {
		target = 1
	}
	*share += (target - *share) * quantity.Ratio(float64(elapsed)/float64(horizon))
}

func fans(sp *schedule.SetPoints, out *Demand) {
	out.Fans = sp.Permit&schedule.PermitFans != 0
	if !out.Fans {
		out.FanWhy = Why{Code: NotPermitted}
		return
	}
	out.FanSpeed = sp.FanSpeed
	if out.FanSpeed <= 0 {
		out.FanSpeed = 1
	}
	out.FanWhy = Why{Code: AirWanted, Value: float64(out.FanSpeed) * 100}
}

func dry(cfg *Config, s *State, in *Input, out *Demand) {
	c, sp := in.Conditions, in.SetPoints
	why := func(w Why) { s.Dry, s.Above, out.DryWhy = false, 0, w }
	ambient(cfg, s, c.DryBulb, in.CompressorOn)
	hot(cfg, s, c.DryBulb, sp.DryBulb)
	s.center(cfg, in)
	on, off := float64(sp.EMC+cfg.DryAbove+s.Shift), float64(sp.EMC-cfg.DryBelow+s.Shift)
	emc := float64(c.EMC)
	duty := sp.DutyCap
	out.Over = c.EMCOK && emc < off-overshoot || s.HotOff
	switch {
	case !cfg.Compressor:
		why(Why{Code: NotFitted})
		return
	case !c.EMCOK: // told before the hold that comes of it, since only this overrules the minimum run
		why(Why{Code: NoHumidity})
		return
	case sp.Permit&schedule.PermitCompressor == 0:
		why(Why{Code: NotPermitted})
		return
	case !s.Ambient:
		limit := cfg.AmbientMax
		if c.DryBulb < cfg.AmbientMin+2 {
			limit = cfg.AmbientMin
		}
		why(Why{Code: AmbientLimit, Value: float64(c.DryBulb), Limit: float64(limit)})
		return
	case s.HotOff:
		why(Why{Code: TooWarmToDry, Value: float64(c.DryBulb), Limit: float64(sp.DryBulb) + float64(cfg.HotStop)/2})
		return
	case duty < 1 && s.Duty > duty:
		why(Why{Code: DutyCapped, Value: float64(s.Duty) * 100, Limit: float64(duty) * 100})
		return
	case s.AtFloor && s.VentDry:
		why(Why{Code: AtFloor, Value: float64(c.RH) * 100, Limit: float64(s.FloorRH) * 100})
		return
	}
	if emc > on {
		s.Above += in.Elapsed
	} else {
		s.Above = 0
	}
	switch {
	case s.Dry && emc < off:
		s.Dry = false
	case !s.Dry && s.Above >= cfg.DryDelay && !c.Held && !in.Steady && (duty >= 1 || s.Duty < duty*0.8):
		s.Dry = true
	}
	out.Dry = s.Dry
	if s.Dry {
		out.DryWhy = Why{Code: TooDamp, Value: emc, Limit: off}
	} else {
		out.DryWhy = Why{Code: DryEnough, Value: emc, Limit: on}
	}
	blower(cfg, s, c, out)
}

// overshoot is how far the EMC may fall under the band before a run is cut to the shortest, points.
const overshoot = 0.8

// ambient keeps the compressor within its data plate. What runs goes on to half the gap over its lower limit; what does
// not starts only well within, or it would have to stop again before its shortest run.
func ambient(cfg *Config, s *State, db quantity.Celsius, running bool) {
	low, high := cfg.AmbientMin.Add(cfg.AmbientGap/2), cfg.AmbientMax.Add(-cfg.AmbientGap)
	if !s.Ambient || !running {
		low, high = low.Add(cfg.AmbientGap/2+0.8), high.Add(-1.2)
	}
	s.Ambient = db >= low && db <= high
}

func hot(cfg *Config, s *State, db, set quantity.Celsius) {
	over := db.Sub(set)
	if s.HotOff {
		s.HotOff = over > cfg.HotStop/2
	} else {
		s.HotOff = over > cfg.HotStop
	}
}

// center shifts the band up while the mean of the air over whole cycles is drier than the set point: a machine with a
// minimum run in a small room overshoots on the dry side only. It never shifts down: air that stays too damp is the
// machine's limit, not the band's.
func (s *State) center(cfg *Config, in *Input) {
	c, sp := in.Conditions, in.SetPoints
	if !c.EMCOK || c.Held || cfg.Center <= 0 || sp.Permit&schedule.PermitCompressor == 0 {
		return
	}
	// Only what the compressor does may teach it: without a recent run dry air has another cause.
	if s.Duty < 0.02 && c.EMC < sp.EMC {
		s.Shift -= s.Shift * quantity.MoistureContent(float64(in.Elapsed)/float64(4*cfg.Center))
		return
	}
	s.Shift += (sp.EMC - c.EMC) * quantity.MoistureContent(float64(in.Elapsed)/float64(cfg.Center))
	s.Shift = min(max(s.Shift, 0), cfg.CenterMax)
}

func blower(cfg *Config, s *State, c *schedule.Conditions, out *Demand) {
	switch {
	case !cfg.BlowerLow, c.DryBulb < cfg.BlowerLowMin, c.CoilOK && c.Coil < 0:
		s.BlowerLow = false
	case c.RH < cfg.BlowerLowBelow:
		s.BlowerLow = true
	case c.RH > cfg.BlowerLowBelow+0.05:
		s.BlowerLow = false
	}
	out.BlowerLow = s.BlowerLow
}

// ventDry decides on the mode that dries by heating and exchanging air, for the end of a charge when the compressor has
// become a plain heater and outdoors is dry.
func ventDry(cfg *Config, s *State, in *Input, out *Demand) {
	c, sp := in.Conditions, in.SetPoints
	s.learnFloor(in)
	allowed := cfg.Vent && cfg.HeatStages > 0 && sp.Permit&schedule.PermitVentDry != 0 &&
		c.EMCOK && c.OutdoorWOK && c.Charge.Valid && c.Charge.Value < float64(cfg.VentDryMC) &&
		c.IndoorW-c.OutdoorW >= cfg.VentDryGain && (s.AtFloor || !s.Ambient || !cfg.Compressor) && sp.DutyCap >= 1
	switch {
	case !allowed, c.EMC < sp.EMC-cfg.DryBelow:
		s.VentDry = false
	case c.EMC > sp.EMC+cfg.DryAbove && !c.Held && !in.Steady:
		s.VentDry = true
	}
	out.VentDry = s.VentDry
	if s.VentDry && out.Dry {
		s.Dry, out.Dry = false, false
		out.DryWhy = Why{Code: AtFloor, Value: float64(c.RH) * 100, Limit: float64(s.FloorRH) * 100}
	}
}

// learnFloor: a compressor that ran for an hour in dry air without giving water has reached what it can do.
func (s *State) learnFloor(in *Input) {
	c := in.Conditions
	switch {
	case !c.EMCOK:
	case !s.AtFloor && in.Barren >= time.Hour && c.RH < 0.4:
		s.AtFloor, s.FloorRH = true, c.RH
	case s.AtFloor && c.RH > s.FloorRH+0.05:
		s.AtFloor = false
	}
}

func heat(cfg *Config, s *State, in *Input, out *Demand) {
	c, sp := in.Conditions, in.SetPoints
	below := float64(sp.DryBulb - c.DryBulb)
	lone := c.DryBulbs < 2 || c.Held
	off := func(w Why) { s.Heat, out.HeatWhy = 0, w }
	switch {
	case cfg.HeatStages == 0:
		off(Why{Code: NotFitted})
		return
	case sp.Permit&schedule.PermitHeat == 0:
		off(Why{Code: NotPermitted})
		return
	case !c.EMCOK && sp.Kind != schedule.Heat:
		// Heat makes air drier: without a humidity source nobody would see it.
		off(Why{Code: NoHumidity})
		return
	case in.VentOn && !s.VentDry:
		off(Why{Code: VentOpen})
		return
	case lone && s.HeatShare >= loneFull*cfg.LoneDuty, lone && s.LoneRest && s.HeatShare > loneFull/2*cfg.LoneDuty:
		s.LoneRest = true
		off(Why{Code: LoneProbe, Value: float64(s.HeatShare) * 100, Limit: float64(cfg.LoneDuty) * 100})
		return
	}
	s.LoneRest = false
	level := s.Heat
	for level > 0 && below < float64(level-1)*float64(cfg.HeatAbove)+float64(cfg.HeatUntil) {
		level--
	}
	if !c.Held && !in.Steady {
		for int(level) < cfg.HeatStages && below > float64(level+1)*float64(cfg.HeatAbove) {
			level++
		}
		if lone && level > 1 {
			level = 1
		}
	}
	s.Heat, out.Heat = level, level
	if level > 0 {
		out.HeatWhy = Why{Code: TooCold, Value: float64(c.DryBulb), Limit: float64(sp.DryBulb) - float64(cfg.HeatUntil)}
	} else {
		out.HeatWhy = Why{Code: WarmEnough, Value: float64(c.DryBulb), Limit: float64(sp.DryBulb) - float64(cfg.HeatAbove)}
	}
}

func vent(cfg *Config, s *State, in *Input, out *Demand) {
	c, sp := in.Conditions, in.SetPoints
	over := c.DryBulb.Sub(sp.DryBulb)
	switch {
	case !cfg.Vent:
		s.Venting = false
		out.VentWhy = Why{Code: NotFitted}
		return
	case s.VentDry:
		s.Venting = false
		out.Vent = s.pulse(in, cfg.VentPulse) && (in.VentOn || s.VentShare < cfg.VentDryDuty)
		out.VentWhy = Why{Code: VentDrying, Value: float64(c.EMC), Limit: float64(sp.EMC - cfg.DryBelow)}
		return
	case sp.Permit&schedule.PermitVent == 0:
		s.Venting = false
		out.VentWhy = Why{Code: NotPermitted}
		return
	case c.OutdoorOK && c.Outdoor > c.DryBulb-2:
		s.Venting = false
		out.VentWhy = Why{Code: OutdoorWarm, Value: float64(c.Outdoor), Limit: float64(c.DryBulb) - 2}
		return
	case s.Heat > 0 || in.HeatOn:
		s.Venting = false
		out.VentWhy = Why{Code: HeatOn}
		return
	}
	above := cfg.VentAbove
	if dries := !c.OutdoorWOK || c.OutdoorW < c.IndoorW; dries && (sp.Wet || !c.EMCOK || c.EMC < sp.EMC-1) {
		above++ // fresh air would make the air of wet wood too dry: rather run a little warm
	}
	switch {
	case over > above && !c.Held:
		s.Venting = true
	case over < cfg.VentUntil:
		s.Venting = false
	}
	if !s.Venting {
		out.VentWhy = Why{Code: CoolEnough, Value: float64(c.DryBulb), Limit: float64(sp.DryBulb.Add(above))}
		return
	}
	pulse := cfg.VentPulse
	switch { // the warmer, the longer
	case over > 3*above:
		pulse = cfg.VentPeriod
	case over > 2*above:
		pulse *= 3
	}
	out.Vent = s.pulse(in, pulse)
	out.VentWhy = Why{Code: TooWarm, Value: float64(c.DryBulb), Limit: float64(sp.DryBulb.Add(cfg.VentUntil))}
}

// pulse starts a period when none runs and tells whether its open part lasts.
func (s *State) pulse(in *Input, open time.Duration) bool {
	if s.VentPhase == 0 {
		s.VentPhase = max(in.Elapsed, time.Millisecond)
	}
	return s.VentPhase <= open
}

func spray(cfg *Config, s *State, in *Input, out *Demand) {
	c, sp := in.Conditions, in.SetPoints
	off := func(w Why) { s.Spraying, s.SprayIn, out.SprayWhy = false, 0, w }
	switch {
	case !cfg.Spray:
		off(Why{Code: NotFitted})
		return
	case sp.Permit&schedule.PermitSpray == 0:
		off(Why{Code: NotPermitted})
		return
	case !c.EMCOK:
		off(Why{Code: NoHumidity})
		return
	case !in.SpraySupply:
		off(Why{Code: NoWater})
		return
	case out.Dry || in.CompressorOn:
		off(Why{Code: CompressorRuns})
		return
	case !c.Airflow:
		off(Why{Code: NoAirflow})
		return
	case sp.DryBulb.Sub(c.DryBulb) > cfg.SprayDrop:
		off(Why{Code: TooColdToSpray, Value: float64(c.DryBulb), Limit: float64(sp.DryBulb) - float64(cfg.SprayDrop)})
		return
	}
	switch {
	case c.EMC < sp.EMC-cfg.SprayBelow && !c.Held:
		s.Spraying = true
	case c.EMC > sp.EMC-cfg.SprayUntil:
		s.Spraying = false
	}
	if !s.Spraying {
		off(Why{Code: DampEnough, Value: float64(c.EMC), Limit: float64(sp.EMC - cfg.SprayBelow)})
		return
	}
	s.SprayIn += in.Elapsed
	if s.SprayIn > cfg.SprayPulse+cfg.SprayPause {
		s.SprayIn = 0
	}
	out.Spray = s.SprayIn <= cfg.SprayPulse
	out.SprayWhy = Why{Code: TooDry, Value: float64(c.EMC), Limit: float64(sp.EMC - cfg.SprayUntil)}
}
