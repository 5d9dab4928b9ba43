package simkiln

import (
	"fmt"
	"math"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
)

const never = time.Duration(math.MaxInt64)

// heartbeatHold is how long the heartbeat relay stays in after the last toggle.
const heartbeatHold = 3 * time.Second

// sampling is how often the probes are measured.
const sampling = 5 * time.Second

// Kiln is a simulated kiln. It implements hardware.Inputs and hardware.Actuators and moves only when Advance is called.
// It is for one goroutine.
type Kiln struct {
	cfg       Config
	layout    hardware.Layout
	table     *isotherms
	fitted    []fitted
	meterGain float64
	dry, wet  hardware.ProbeID // the first of each, or NoProbe
	fades     fades
	pullDelay [hardware.OutputCount]time.Duration
	dropDelay [hardware.OutputCount]time.Duration
	groundT   float64 // C, under the floor

	s       state
	wood    wood
	doneOut []Action
}

// state is everything that changes besides the wood; Save writes both.
type state struct {
	Now     time.Duration
	AirAt   time.Duration // air is known up to here
	Outputs hardware.Outputs
	Closed  hardware.OutputSet // contactors and valves that conduct
	Beat    time.Duration      // of the last toggle
	Master  bool

	// air, structure, water
	RoomT, RoomW, LoadT, LoadW float64 // C, kg/kg; the air of the load is that leaving it
	StructureT                 float64
	RoomMass, LoadMass         float64 // kg of dry air
	CoilWater, Ice, WallFilm   float64 // kg
	Puddle                     float64 // kg of condensate run out inside
	OutT, OutP                 float64 // outdoors, C and Pa of vapour
	OutNoise                   float64
	WeatherAt                  time.Duration

	FanSpeed  [hardware.MaxFanGroups]float64 // of full, negative in reverse
	Speed     float64                        // of the air through the load, 0 to 1
	Reverse   bool
	Air       bool // enough for the airflow switch
	VentOpen  float64
	SprayOpen float64
	Door      bool
	MachineOn time.Duration // since the compressor started, 0: stands
	Pump      heatPump
	PumpAt    time.Duration
	Shell     float64
	HighPress time.Duration // cut-outs stay open until here
	LowPress  time.Duration
	HighSince time.Duration // beyond the cut-out's pressure, never: not
	LowSince  time.Duration
	LimitTrip bool
	Moving    bool // fans or vents are between two states

	Pulled                        hardware.OutputSet                  // contactors whose armature is in
	FollowAt                      [hardware.OutputCount]time.Duration // when each follows what it was told, 0: it has
	SwitchAt                      time.Duration                       // the next of all that switches by itself
	Welded, Stuck, Bouncing, Dead hardware.OutputSet                  // outputs with such a fault
	Fused                         hardware.OutputSet                  // of the welded, those that have closed: they no longer open
	BounceUntil, BounceAt         time.Duration
	Parted                        bool // the bouncing contactors are apart just now
	RelayUntil                    time.Duration
	Volts                         float64 // of nominal

	// wood step under way
	Resp                response
	WoodPlan, WoodTime  float64 // s
	SumT, SumP          float64
	PrepSpeed           float64
	PrepReverse         bool
	StepT, StepP        float64 // at its beginning
	Cut                 bool    // the air through the load changes: end the step now
	Short               bool    // something was switched: the next step is short
	WoodWater, WoodHeat float64

	// sensors
	SampleAt      time.Duration
	Sensor        [hardware.MaxProbes]float64 // lagged value
	Reading       [hardware.MaxProbes]hardware.Reading
	Sampled       time.Duration
	ProbeDrift    [hardware.MaxProbes]float64
	ProbeFault    [hardware.MaxProbes]FaultKind
	ProbeSeverity [hardware.MaxProbes]float64
	RoomRH        float64       // when the probes were last measured
	HumidityDrift float64       // RH, of the probe
	Wetted        time.Duration // the humidity probe shows full air until here
	PowerOn       bool          // bus probes have just got their power back
	WickDryness   float64
	WickDirt      float64
	CellSlip      float64
	WetBulb       float64
	Contacts      hardware.Contacts
	Current       [hardware.OutputCount]float32
	Tip           float64    // kg in the bucket
	Condensate    float64    // kg counted
	Missed        [2]float64 // share of pulses still to be missed, of condensate and energy
	EnergyRest    float64
	EnergyCounted float64

	// books
	WaterIn, WaterOut   float64 // kg, across the walls and drain
	EnergyIn, EnergyOut float64 // J
	WorstMass           float64 // relative error of the worst step
	WorstEnergy         float64 // the same of heat
	StartWater          float64
	StartEnergy         float64
	Electric            float64 // J
	Loss, Exchange      float64 // J through walls; enthalpy of air exchanged
	Sorption, DrainHeat float64 // J that freed water from the wood; that left with condensate
	Evaporated, Drained float64 // kg, from the wood; through the drain
	Starts              int
	HourAt              time.Duration
	StrainAt            time.Duration
	Hourly              [hardware.MaxLots][25]float64
	Hours               int
	MaxRate             [hardware.MaxLots]float64

	// faults and person
	Faults     []faultState
	FaultCheck time.Duration
	Severity   [faultCount]float64
	Samples    []sampleState
	Running    bool
	WeighAt    time.Duration
	PersonNext time.Duration
	PanelUntil time.Duration
	Errands    [maxErrands]errand
	Panel      [256]bool
	Done       []Action

	SensorRandom, WeatherRandom, PersonRandom random
}

// sampleState is a sample board in truth.
type sampleState struct {
	Lot       int8
	Board     int
	OvenDry   float64 // kg, true
	Believed  float64 // kg, as calculated from its sections
	StartMass float64
}

// New builds a kiln and its charge. Its errors are those of Config.Validate.
func New(cfg Config) (*Kiln, error) {
	if err := cfg.Validate(); err != nil {
		return nil, fmt.Errorf("build simulated kiln: %w", err)
	}
	cfg.Lots = append([]LotConfig(nil), cfg.Lots...)
	cfg.Samples = append([]int8(nil), cfg.Samples...)
	cfg.Faults = append([]Fault(nil), cfg.Faults...)
	cfg.Weather.Hours = append([]WeatherHour(nil), cfg.Weather.Hours...)
	k := &Kiln{cfg: cfg, table: newIsotherms(), groundT: cfg.Weather.mean()}
	k.pullDelay, k.dropDelay = drawDelays(cfg.Seed)
	k.buildLayout()
	gain := stream(cfg.Seed, 7)
	k.meterGain = 1 + 0.005*gain.normal()
	s := &k.s
	s.SensorRandom, s.WeatherRandom, s.PersonRandom = stream(cfg.Seed, 1), stream(cfg.Seed, 2), stream(cfg.Seed, 3)
	s.Done = make([]Action, 0, 64)
	s.Volts, s.SwitchAt = 1, never
	k.loadBoards()
	k.cutSamples()

	start := float64(cfg.Room.Start)
	s.RoomT, s.LoadT, s.StructureT, s.Shell = start, start, start, start
	s.RoomW = humidityRatio(float64(cfg.Room.StartRH)*saturation(start), float64(cfg.Pressure))
	s.LoadW = s.RoomW
	density := float64(cfg.Pressure) / (airGas * 313.15) // dry air taken constant, at 40 C: within 5 % from 25 to 55 C
	s.RoomMass = float64(cfg.Room.AirVolume) * density
	volume := 0.0
	for _, l := range cfg.Lots {
		volume += float64(l.Volume)
	}
	s.LoadMass = 0.7 * volume * density // air between stickers of 19 mm and boards of 27 mm
	s.Beat = -heartbeatHold - 1         // the relay is out until the first toggle
	s.WeighAt = day - startOfDay + cfg.Person.Weighing.Std()
	if first := cfg.Person.Weighing.Std() - startOfDay; first > 0 {
		s.WeighAt = first
	}
	s.PersonNext = s.WeighAt
	for _, f := range cfg.Faults {
		s.Faults = append(s.Faults, faultState{Fault: f})
	}
	s.FaultCheck = never
	if len(s.Faults) > 0 {
		s.FaultCheck = 0
	}
	k.updateWeather()
	k.startSensors()
	k.updateContacts()
	for i := range k.cfg.Lots {
		s.Hourly[i][0] = k.lotMean(i)
	}
	s.Hours, s.HourAt = 1, time.Hour
	s.WoodWater, s.WoodHeat = k.wood.content()
	s.StartWater, s.StartEnergy = k.waterNow(), k.energyNow()
	k.openWood()
	return k, nil
}

// Layout tells what is fitted.
func (k *Kiln) Layout() hardware.Layout {
	l := k.layout
	l.Probes = append([]hardware.Probe(nil), l.Probes...)
	return l
}

// Now is the simulated time since New.
func (k *Kiln) Now() time.Duration { return k.s.Now }

// Advance lets d pass.
func (k *Kiln) Advance(d time.Duration) {
	s := &k.s
	end := s.Now + d
	for s.Now < end {
		step := end - s.Now
		if step > time.Second {
			step = min(step, k.quiet())
		}
		step = min(step, s.SwitchAt-s.Now)
		s.Now += step
		if s.Now >= s.FaultCheck {
			k.flushAir(step)
			k.stepFaults()
		}
		if s.Master && s.Now-s.Beat > heartbeatHold {
			k.flushAir(0)
			k.switchOutputs()
		}
		if s.Now >= s.SwitchAt {
			k.flushAir(0)
			k.stepSwitches()
		}
		if s.Severity[RelayGlitch] > 0 {
			k.flushAir(step)
			k.switchOutputs()
		}
		if s.Moving || s.Now-s.AirAt >= k.cfg.AirStep {
			k.flushAir(0)
		}
		if s.Now >= s.SampleAt {
			k.flushAir(0)
			k.sample()
		}
		if s.Now >= s.PersonNext {
			k.stepPerson()
		}
	}
}

// quiet gives how long nothing but the air needs attention.
func (k *Kiln) quiet() time.Duration {
	s := &k.s
	step := k.cfg.AirStep
	if s.Moving || s.Severity[RelayGlitch] > 0 {
		return time.Second
	}
	for _, at := range [...]time.Duration{s.AirAt + k.cfg.AirStep, s.SampleAt, s.FaultCheck, s.PersonNext, s.Beat + heartbeatHold} {
		if at > s.Now {
			step = min(step, at-s.Now)
		}
	}
	return max(step, time.Second)
}

// flushAir brings the air up to now, less before: what was switched at that time acts from there on.
func (k *Kiln) flushAir(before time.Duration) {
	if dt := k.s.Now - before - k.s.AirAt; dt > 0 {
		k.s.AirAt += dt
		k.airStep(dt.Seconds())
	}
}

// Read fills in what the kiln's inputs show. It never fails; now is not used, because the kiln's time is that of Advance.
func (k *Kiln) Read(_ mono.Instant, to *hardware.Snapshot) error {
	s := &k.s
	to.Readings = s.Reading
	if age := s.Now - s.Sampled; age > 0 {
		for i := range k.layout.Probes {
			to.Readings[i].Age += age
		}
	}
	to.Contacts = s.Contacts
	to.ReadBack, to.ReadBackValid = s.Closed&k.layout.ReadBack, k.layout.ReadBack
	to.CurrentValid = k.layout.Current
	to.Current = s.Current
	to.Condensate = hardware.Counter{Quality: hardware.NotFitted}
	if k.layout.Condensate {
		to.Condensate = hardware.Counter{Total: s.Condensate, Quality: hardware.Valid}
	}
	to.Energy = hardware.Counter{Quality: hardware.NotFitted}
	if k.layout.EnergyMeter {
		to.Energy = hardware.Counter{Total: s.EnergyCounted, Quality: hardware.Valid}
	}
	return nil
}

// Apply sets all outputs. It never fails.
func (k *Kiln) Apply(_ mono.Instant, o hardware.Outputs) error {
	s := &k.s
	const beat = hardware.OutputSet(1) << hardware.Heartbeat
	o.On &= k.layout.Outputs | beat
	changed := o.On ^ s.Outputs.On
	if changed&beat != 0 {
		s.Beat = s.Now
	}
	same := changed&^beat == 0 && o.FanSpeed == s.Outputs.FanSpeed && s.Master
	if !same {
		k.flushAir(0)
		s.Moving = true // fans may have another speed
	}
	s.Outputs = o
	if !same {
		k.tell(changed &^ beat)
		k.switchOutputs()
	}
	return nil
}

// Truth is what really happened in the kiln; no controller may see it.
type Truth struct {
	Lots           []LotTruth
	Water          quantity.Kilogram // evaporated from the wood
	Drained        quantity.Kilogram // through the drain
	Energy         quantity.Joule    // drawn from the mains
	Starts         int               // of the compressor
	DryBulb        quantity.Celsius
	RH             quantity.Ratio
	EMC            quantity.MoistureContent // by this package's sorption
	Outdoor        quantity.Celsius
	MassError      quantity.Ratio // of the worst step, relative to all water in the wood
	HeatError      quantity.Ratio // of the worst step, relative to all heat in the wood
	WaterImbalance quantity.Ratio // of the whole time: water in less out less stored, relative to the water evaporated
	EnergyBalance  quantity.Ratio // of the whole time, relative to the energy drawn
}

// LotTruth is one lot.
type LotTruth struct {
	Name          string
	Mean          quantity.MoistureContent // of the whole lot
	SD            quantity.MoistureContent // of board means
	Min, Max      quantity.MoistureContent
	Core          quantity.Celsius        // coldest core
	MaxRate       quantity.MoisturePerDay // of the lot mean, over any 24 h after the first
	RateOverLimit quantity.Ratio          // MaxRate over LotConfig.RateLimit; 0 without one
	Set           string                  // of species: whose Parameters its boards have
	OwnSet        bool                    // of this species itself; false: the nearest stands in, an assumption
	Check         quantity.Ratio          // of the worst board: greatest strain of the surface so far over what it bears; 1: expect checks
	Honeycomb     quantity.Ratio          // of the worst board: the same of the core
}

// Truth gives the state and the books so far.
func (k *Kiln) Truth() Truth {
	s := &k.s
	pressure := float64(k.cfg.Pressure)
	rh := vapourPressure(s.RoomW, pressure) / saturation(s.RoomT)
	t := Truth{
		Water: quantity.Kilogram(s.Evaporated), Drained: quantity.Kilogram(s.Drained), Energy: quantity.Joule(s.Electric),
		Starts: s.Starts, DryBulb: quantity.Celsius(s.RoomT), RH: quantity.Ratio(rh),
		EMC: quantity.MoistureContent(k.table.at(s.RoomT).moisture(rh)), Outdoor: quantity.Celsius(s.OutT),
		MassError:      quantity.Ratio(s.WorstMass),
		HeatError:      quantity.Ratio(s.WorstEnergy),
		WaterImbalance: quantity.Ratio((s.StartWater + s.WaterIn - s.WaterOut - k.waterNow()) / max(s.Evaporated, 1e-3)),
		EnergyBalance:  quantity.Ratio((s.StartEnergy + s.EnergyIn - s.EnergyOut - k.energyNow()) / max(s.Electric, 1)),
	}
	for i, l := range k.cfg.Lots {
		lt := LotTruth{Name: l.Name, Min: math.MaxFloat64, Core: math.MaxFloat64}
		p, own := ParametersFor(l.Species)
		lt.Set, lt.OwnSet = p.Name, own
		n, sum, square := 0.0, 0.0, 0.0
		for b := range k.wood.Count {
			if int(k.wood.Lot[b]) != i {
				continue
			}
			m := k.wood.mean(b)
			n++
			sum += m
			square += m * m
			lt.Min, lt.Max = min(lt.Min, quantity.MoistureContent(m)), max(lt.Max, quantity.MoistureContent(m))
			lt.Core = min(lt.Core, quantity.Celsius(k.wood.coreTemperature(b, 0)))
			lt.Check = max(lt.Check, quantity.Ratio(k.wood.Check[b]))
			lt.Honeycomb = max(lt.Honeycomb, quantity.Ratio(k.wood.Honeycomb[b]))
		}
		lt.Mean = quantity.MoistureContent(sum / n)
		if n > 1 {
			lt.SD = quantity.MoistureContent(math.Sqrt(max(0, (square-sum*sum/n)/(n-1))))
		}
		lt.MaxRate = quantity.MoisturePerDay(s.MaxRate[i])
		if l.RateLimit > 0 {
			lt.RateOverLimit = quantity.Ratio(lt.MaxRate / l.RateLimit)
		}
		t.Lots = append(t.Lots, lt)
	}
	return t
}

func (k *Kiln) lotMean(lot int) float64 {
	sum, mass := 0.0, 0.0
	for b := range k.wood.Count {
		if int(k.wood.Lot[b]) == lot {
			sum += k.wood.mean(b) * k.wood.Mass[b]
			mass += k.wood.Mass[b]
		}
	}
	return sum / mass
}

// keepHours notes the lot means once an hour and the greatest loss over 24 h, the first 24 h left out.
func (k *Kiln) keepHours() {
	s := &k.s
	for i := range k.cfg.Lots {
		m := k.lotMean(i)
		h := &s.Hourly[i]
		if s.Hours >= 48 { // the window begins at or after the 24th hour
			s.MaxRate[i] = max(s.MaxRate[i], h[(s.Hours+1)%25]-m)
		}
		h[s.Hours%25] = m
	}
	s.Hours++
	s.HourAt += time.Hour
}
