package simkiln

import (
	"errors"
	"fmt"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Config describes a simulated kiln and its charge. DefaultConfig gives a 40-foot container; SmallConfig a kiln for
// 1.5 m3. It is plain data: copying it is safe as long as the slices are not written to.
type Config struct {
	Seed     uint64          // everything drawn at random comes from it
	Pressure quantity.Pascal // of the station
	Room     Room
	Fans     Fans
	Machine  Machine
	Heat     Heat
	Vents    Vents
	Spray    Spray
	Weather  Weather
	Probes   Probes
	Meters   Meters
	Lots     []LotConfig // 1 to hardware.MaxLots
	Samples  []int8      // per sample board: index of its lot
	Person   Person
	Faults   []Fault

	Nodes    int           // moisture nodes of half a board, 6 to 32
	AirStep  time.Duration // of the air balance when nothing moves, 1 s to 10 s
	WoodStep time.Duration // the longest of the wood, 10 s to 600 s; 0 takes the default
}

// Room is the chamber.
type Room struct {
	AirVolume   quantity.CubicMeter    // free air
	UA          quantity.WattPerKelvin // through walls and roof, to the outdoor air
	GroundUA    quantity.WattPerKelvin // through the floor, to ground that stands at the mean of the weather
	AirChanges  quantity.PerHour       // infiltration with vents and door shut
	Structure   quantity.JoulePerKelvin
	StructureUA quantity.WattPerKelvin // between structure and air
	WallArea    float64                // m2, where moisture may condense
	Start       quantity.Celsius       // of air, structure and wood
	StartRH     quantity.Ratio
}

// Fans circulate the air through the load.
type Fans struct {
	Groups int               // 1 to hardware.MaxFanGroups
	Power  quantity.Watt     // of all groups at full speed; power goes with the cube of speed
	Flow   float64           // m3/s through the load at full speed
	Drive  bool              // speed can be set
	Coast  quantity.Duration // from full speed to standstill, 30 s to 90 s in most kilns
}

// Machine is the heat pump: one compressor, evaporator and condenser with air flows of their own. Scale multiplies
// power, air flows and blower of a nominal 3 kW machine.
type Machine struct {
	Fitted     bool
	Scale      quantity.Ratio    // 1: 3 kW nominal
	Efficiency quantity.Ratio    // of Carnot when new, 0.45 to 0.55
	Age        quantity.Duration // at the start of the simulation; efficiency falls by 1 % a year
	BlowerLow  bool              // the blower has a low speed
	Crankcase  quantity.Watt     // crankcase heater
	HoldUp     quantity.Kilogram
	DrainLag   quantity.Duration
}

// Heat is the auxiliary electric heat.
type Heat struct {
	Stages int           // 0 to hardware.MaxHeatStages
	Power  quantity.Watt // of all stages together
}

// Vents exchange air with outdoors.
type Vents struct {
	Fitted bool
	Flow   quantity.CubicMeterPerHour // fully open
	Travel quantity.Duration          // from shut to open
}

// Spray adds water as fog.
type Spray struct {
	Fitted bool
	Rate   quantity.KilogramPerHour
}

// Weather is either constant (all amplitudes 0) or a seeded sum of a daily and a yearly wave with correlated noise.
type Weather struct {
	Mean     quantity.Celsius
	Daily    quantity.CelsiusDelta // half the swing of a day
	Seasonal quantity.CelsiusDelta // half the swing of a year
	Noise    quantity.CelsiusDelta // standard deviation, correlated over a day
	Humidity quantity.Ratio        // mean relative humidity
	Day      int                   // of the year at the start
	Hours    []WeatherHour         // instead of all the above: hour by hour from the start, again from the first after the last
}

// WeatherHour is the outdoor air of one hour.
type WeatherHour struct {
	Temperature quantity.Celsius
	Humidity    quantity.Ratio
}

// Probes says how many of each are fitted.
type Probes struct {
	DryBulbs   int
	WetBulbs   int
	Humidity   int
	LeavingAir int
	Cores      int // per lot
	Pins       int // per lot
	Coil       bool
	Suction    bool
	Shell      bool
	Outdoor    bool      // temperature and humidity
	LoadCells  int       // hung sample boards, the first of Samples
	Calibrated time.Time // date of the last calibration of them all; zero: never
	// Ideal probes have no bias and no noise, but still lag: for tests of the plant alone.
	Ideal bool
}

// Meters are the counters.
type Meters struct {
	Condensate      bool
	CondensatePulse quantity.Kilogram // of one tip
	Energy          bool
	EnergyPulse     quantity.Joule
}

// LotConfig is one lot as loaded.
type LotConfig struct {
	Name      string
	Species   string // any name; without a parameter set the nearest set is taken, see Parameters
	Thickness quantity.Meter
	Volume    quantity.CubicMeter
	Start     quantity.MoistureContent // the true mean of the lot
	Sigma     quantity.MoistureContent // board to board; 0: 8 points, 1.5 when air-dried
	AirDried  bool
	Boards    int                     // simulated boards, each standing for an equal share of the volume
	Uniform   bool                    // all boards equal and mean: for tests of the plant alone
	RateLimit quantity.MoisturePerDay // published safe rate, only for Truth; 0: none
}

// Person is the operator. Delays are drawn between half and one and a half times the values given.
type Person struct {
	Absent   bool              // nobody comes: no weighing, no reset
	Key      bool              // the panel's key was left in its service position
	Weighing quantity.Duration // of the day since midnight, about when; the simulation starts at 06:00
	Notice   quantity.Duration // until an alarm is seen and acknowledged
	Mend     quantity.Duration // from then until a fault is mended
	Slips    quantity.Ratio    // share of weights that are wrong by up to 100 g
	Ignores  quantity.Ratio    // share of alarms that are left for another day
	WrongDry quantity.Ratio    // share of samples whose oven-dry mass was reckoned wrong, by up to 3 %
	Doors    quantity.Ratio    // share of the daily rounds on which the door is opened, for 2 to 15 minutes
}

// DefaultConfig gives an empty 40-foot container: 77 m3 of air, a 3 kW machine, 2 kW of fans, 9 kW of heat. Lots are
// to be put in.
func DefaultConfig() Config {
	return Config{
		Seed:     1,
		Pressure: 101325,
		Room: Room{AirVolume: 72, UA: 42, GroundUA: 8, AirChanges: 0.1, Structure: 1.5e6, StructureUA: 200, WallArea: 130, Start: 20,
			StartRH: 0.75},
		Fans:    Fans{Groups: 2, Power: 2000, Flow: 11, Drive: true, Coast: quantity.Duration(60 * time.Second)},
		Machine: Machine{Fitted: true, Scale: 1, Efficiency: 0.48, BlowerLow: true, Crankcase: 60, HoldUp: 1, DrainLag: quantity.Duration(8 * time.Minute)},
		Heat:    Heat{Stages: 3, Power: 9000},
		Vents:   Vents{Fitted: true, Flow: 600, Travel: quantity.Duration(90 * time.Second)},
		Spray:   Spray{Fitted: true, Rate: 10},
		Weather: Weather{Mean: 10, Daily: 4, Seasonal: 10, Noise: 2, Humidity: 0.75, Day: 100},
		Probes: Probes{DryBulbs: 2, WetBulbs: 1, Humidity: 1, LeavingAir: 1, Cores: 2, Pins: 2, Coil: true, Suction: true,
			Shell: true, Outdoor: true},
		Meters: Meters{Condensate: true, CondensatePulse: 0.1, Energy: true, EnergyPulse: 3600},
		Person: Person{Weighing: quantity.Duration(8 * time.Hour), Notice: quantity.Duration(40 * time.Minute),
			Mend: quantity.Duration(2 * time.Hour)},
		Nodes: 14, AirStep: 5 * time.Second, WoodStep: 120 * time.Second,
	}
}

// SmallConfig gives a kiln for about 1.5 m3 of lumber indoors: 9 m3 of air, UA 18 W/K, a machine of 0.065 of the nominal
// one, 0.25 kW of fans, 0.6 kW of heat, outdoors 18 C. All of it is assumed, not published.
func SmallConfig() Config {
	c := DefaultConfig()
	c.Room = Room{AirVolume: 9, UA: 18, AirChanges: 0.1, Structure: 0.3e6, StructureUA: 60, WallArea: 28, Start: 18, StartRH: 0.7}
	c.Fans = Fans{Groups: 1, Power: 250, Flow: 2.5, Coast: quantity.Duration(40 * time.Second)}
	c.Machine.Scale, c.Machine.BlowerLow, c.Machine.Crankcase, c.Machine.HoldUp = 0.065, false, 20, 0.1
	c.Heat = Heat{Stages: 1, Power: 600}
	c.Vents.Flow = 60
	c.Spray.Rate = 1.5
	c.Weather = Weather{Mean: 18, Humidity: 0.55}
	c.Meters.CondensatePulse, c.Meters.EnergyPulse = 0.02, 360
	return c
}

// Validate reports every fault of the configuration at once and changes nothing.
func (c *Config) Validate() error {
	var faults []error
	check := func(ok bool, text string, args ...any) {
		if !ok {
			faults = append(faults, fmt.Errorf(text, args...))
		}
	}
	within := func(name string, v, low, high float64) {
		check(v >= low && v <= high, "%s is %v, expected %v to %v", name, v, low, high) // false for NaN
	}
	within("pressure (Pa)", float64(c.Pressure), 50e3, 110e3)
	within("air volume (m3)", float64(c.Room.AirVolume), 1, 2000)
	within("room UA (W/K)", float64(c.Room.UA), 0, 5000)
	within("ground UA (W/K)", float64(c.Room.GroundUA), 0, 5000)
	within("air changes (/h)", float64(c.Room.AirChanges), 0, 20)
	within("structure (J/K)", float64(c.Room.Structure), 1e3, 1e9)
	within("structure UA (W/K)", float64(c.Room.StructureUA), 1, 1e5)
	within("wall area (m2)", c.Room.WallArea, 0, 5000)
	within("start temperature (C)", float64(c.Room.Start), -30, 90)
	within("start humidity", float64(c.Room.StartRH), 0.05, 0.99)
	within("fan groups", float64(c.Fans.Groups), 1, hardware.MaxFanGroups)
	within("fan power (W)", float64(c.Fans.Power), 0, 1e6)
	within("fan flow (m3/s)", c.Fans.Flow, 0.01, 1000)
	within("fan coast (s)", c.Fans.Coast.Std().Seconds(), 1, 600)
	if c.Machine.Fitted {
		within("machine scale", float64(c.Machine.Scale), 0.005, 50)
		within("machine efficiency", float64(c.Machine.Efficiency), 0.2, 0.8)
		within("machine age (years)", c.Machine.Age.Std().Hours()/year, 0, 50)
		within("crankcase heater (W)", float64(c.Machine.Crankcase), 0, 2000)
		within("coil hold-up (kg)", float64(c.Machine.HoldUp), 0, 50)
		within("drain lag (s)", c.Machine.DrainLag.Std().Seconds(), 1, 7200)
	}
	within("heat stages", float64(c.Heat.Stages), 0, hardware.MaxHeatStages)
	within("heat power (W)", float64(c.Heat.Power), 0, 1e6)
	check((c.Heat.Stages == 0) == (c.Heat.Power == 0), "heat has %d stages and %v", c.Heat.Stages, c.Heat.Power)
	if c.Vents.Fitted {
		within("vent flow (m3/h)", float64(c.Vents.Flow), 0, 1e5)
		within("vent travel (s)", c.Vents.Travel.Std().Seconds(), 1, 600)
	}
	if c.Spray.Fitted {
		within("spray rate (kg/h)", float64(c.Spray.Rate), 0, 1000)
	}
	within("mean outdoor temperature (C)", float64(c.Weather.Mean), -40, 50)
	within("daily swing (K)", float64(c.Weather.Daily), 0, 30)
	within("seasonal swing (K)", float64(c.Weather.Seasonal), 0, 40)
	within("weather noise (K)", float64(c.Weather.Noise), 0, 10)
	for i, h := range c.Weather.Hours {
		if !(h.Temperature >= -60 && h.Temperature <= 60 && h.Humidity > 0 && h.Humidity <= 1) {
			check(false, "weather hour %d is %v and %v", i, h.Temperature, h.Humidity)
			break
		}
	}
	within("outdoor humidity", float64(c.Weather.Humidity), 0.05, 1)
	for _, n := range []struct {
		name string
		n    int
	}{{"dry bulbs", c.Probes.DryBulbs}, {"wet bulbs", c.Probes.WetBulbs}, {"humidity probes", c.Probes.Humidity},
		{"leaving-air probes", c.Probes.LeavingAir}, {"cores per lot", c.Probes.Cores}, {"pins per lot", c.Probes.Pins}} {
		within(n.name, float64(n.n), 0, 12)
	}
	within("load cells", float64(c.Probes.LoadCells), 0, float64(len(c.Samples)))
	if n := c.probeCount(); n > hardware.MaxProbes {
		check(false, "%d probes, expected at most %d", n, hardware.MaxProbes)
	}
	if c.Meters.Condensate {
		within("condensate pulse (kg)", float64(c.Meters.CondensatePulse), 1e-4, 10)
	}
	if c.Meters.Energy {
		within("energy pulse (J)", float64(c.Meters.EnergyPulse), 1, 1e8)
	}
	within("lots", float64(len(c.Lots)), 1, hardware.MaxLots)
	for i, l := range c.Lots {
		lot := fmt.Sprintf("lot %d (%s) ", i, l.Name)
		check(l.Name != "", "%sname is empty", lot)
		for j := range i {
			check(c.Lots[j].Name != l.Name, "%sname stands twice", lot)
		}
		check(l.Species != "", "%sspecies is empty", lot)
		within(lot+"thickness (m)", float64(l.Thickness), 0.005, 0.4)
		within(lot+"volume (m3)", float64(l.Volume), 0.001, 500)
		within(lot+"start (%)", float64(l.Start), 4, 250)
		within(lot+"sigma", float64(l.Sigma), 0, 40)
		within(lot+"boards", float64(l.Boards), 1, 200)
		within(lot+"rate limit (%/d)", float64(l.RateLimit), 0, 100)
	}
	check(len(c.Samples) <= hardware.MaxSamples, "%d samples, expected at most %d", len(c.Samples), hardware.MaxSamples)
	for i, lot := range c.Samples {
		check(lot >= 0 && int(lot) < len(c.Lots), "sample %d is of lot %d, there are %d lots", i, lot, len(c.Lots))
	}
	within("weighing time (h)", c.Person.Weighing.Std().Hours(), 0, 23)
	within("notice delay (h)", c.Person.Notice.Std().Hours(), 0, 240)
	within("mend delay (h)", c.Person.Mend.Std().Hours(), 0, 240)
	within("wrong weights", float64(c.Person.Slips), 0, 1)
	within("wrong oven-dry masses", float64(c.Person.WrongDry), 0, 1)
	within("rounds with the door open", float64(c.Person.Doors), 0, 1)
	within("ignored alarms", float64(c.Person.Ignores), 0, 1)
	within("nodes", float64(c.Nodes), 6, maxNodes)
	within("air step (s)", c.AirStep.Seconds(), 1, 10)
	within("wood step (s)", c.WoodStep.Seconds(), 10, 600)
	for i := range c.Faults {
		if err := c.Faults[i].validate(c); err != nil {
			faults = append(faults, fmt.Errorf("fault %d: %w", i, err))
		}
	}
	return errors.Join(faults...)
}

func (c *Config) probeCount() int {
	p := c.Probes
	n := p.DryBulbs + p.WetBulbs + p.Humidity + p.LeavingAir + (p.Cores+p.Pins)*len(c.Lots) + p.LoadCells
	for _, fitted := range []bool{p.Coil, p.Suction, p.Shell, p.Outdoor, p.Outdoor} {
		if fitted {
			n++
		}
	}
	return n
}
