package kilnfile

import (
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
	"drywarden/schedule"
)

// Sim describes the simulated kiln. What is left out is as in a 40-foot container with a 3 kW machine, all of it assumed.
type Sim struct {
	Load    string     `toml:"load,required"` // charge sheet of what stands in the kiln; a relative path starts at the kiln file's folder
	Seed    uint64     `toml:"seed"`
	Room    SimRoom    `toml:"room"`
	Fans    SimFans    `toml:"fans"`
	Machine SimMachine `toml:"machine"`
	Heat    SimHeat    `toml:"heat"`
	Vent    SimVent    `toml:"vent"`
	Spray   SimSpray   `toml:"spray"`
	Weather SimWeather `toml:"weather"`
	Probes  SimProbes  `toml:"probes"`
	Person  SimPerson  `toml:"person"`
	Boards  int        `toml:"boards_per_lot"` // simulated boards; each stands for an equal share of its lot
}

// SimRoom is the chamber.
type SimRoom struct {
	HeatLoss   quantity.WattPerKelvin  `toml:"heat_loss"`   // to the outdoor air
	GroundLoss quantity.WattPerKelvin  `toml:"ground_loss"` // through the floor, to ground at the weather's mean
	AirChanges quantity.PerHour        `toml:"air_changes"`
	Structure  quantity.JoulePerKelvin `toml:"structure"`
	Exchange   quantity.WattPerKelvin  `toml:"structure_exchange"`
	WallArea   float64                 `toml:"wall_square_meters"`
	Start      quantity.Celsius        `toml:"start_temperature"`
	Humidity   quantity.Ratio          `toml:"start_humidity"`
}

// SimFans circulate the air.
type SimFans struct {
	Groups int                        `toml:"groups"`
	Power  quantity.Watt              `toml:"power"`
	Flow   quantity.CubicMeterPerHour `toml:"flow"` // through the load
	Coast  quantity.Duration          `toml:"coast"`
	Drive  bool                       `toml:"drive"`
}

// SimMachine is the heat pump, as a share of a nominal 3 kW machine.
type SimMachine struct {
	Scale      float64           `toml:"scale"`
	Efficiency quantity.Ratio    `toml:"efficiency"` // of Carnot, when new
	Age        quantity.Duration `toml:"age"`
	BlowerLow  bool              `toml:"blower_low"`
	Crankcase  quantity.Watt     `toml:"crankcase"`
	HoldUp     quantity.Kilogram `toml:"hold_up"`
	DrainLag   quantity.Duration `toml:"drain_lag"`
}

// SimHeat is the auxiliary heat.
type SimHeat struct {
	Stages int           `toml:"stages"`
	Power  quantity.Watt `toml:"power"`
}

// SimVent is the vent.
type SimVent struct {
	Fitted bool                       `toml:"fitted"`
	Flow   quantity.CubicMeterPerHour `toml:"flow"`
	Travel quantity.Duration          `toml:"travel"`
}

// SimSpray is the spray.
type SimSpray struct {
	Fitted bool                     `toml:"fitted"`
	Rate   quantity.KilogramPerHour `toml:"rate"`
}

// SimWeather is outdoors.
type SimWeather struct {
	Mean     quantity.Celsius      `toml:"mean"`
	Daily    quantity.CelsiusDelta `toml:"daily_swing"`    // half of it
	Seasonal quantity.CelsiusDelta `toml:"seasonal_swing"` // half of it
	Noise    quantity.CelsiusDelta `toml:"noise"`          // standard deviation
	Humidity quantity.Ratio        `toml:"humidity"`
	Day      int                   `toml:"day_of_year"`
	File     string                `toml:"file"` // outdoor air hour by hour (CSV) instead of all the above; a relative path starts at the kiln file's folder
}

// SimProbes counts what is fitted.
type SimProbes struct {
	DryBulbs   int  `toml:"dry_bulbs"`
	WetBulbs   int  `toml:"wet_bulbs"`
	Humidity   int  `toml:"humidity"`
	LeavingAir int  `toml:"leaving_air"`
	Cores      int  `toml:"cores_per_lot"`
	Pins       int  `toml:"pins_per_lot"`
	Outdoor    bool `toml:"outdoor"`
	Coil       bool `toml:"coil"`
	Suction    bool `toml:"suction"`
	Shell      bool `toml:"shell"`
	LoadCells  int  `toml:"load_cells"` // sample boards that hang, the first of the charge sheet
}

// SimPerson is the operator, in the simulation only.
type SimPerson struct {
	Absent   bool              `toml:"absent"`
	Key      bool              `toml:"key_in_service"` // they left the panel's key in its service position
	Weighing quantity.Duration `toml:"weighing_after_midnight"`
	Notice   quantity.Duration `toml:"notice"` // until an alarm is seen
	Mend     quantity.Duration `toml:"mend"`   // from then until a fault is mended
	Slips    quantity.Ratio    `toml:"wrong_weights"`
	WrongDry quantity.Ratio    `toml:"wrong_oven_dry"`
	Ignores  quantity.Ratio    `toml:"ignored_alarms"` // for a day
	Doors    quantity.Ratio    `toml:"door_opened"`    // share of the daily rounds
}

// SetDefaults gives the container.
func (s *Sim) SetDefaults() {
	d := simkiln.DefaultConfig()
	*s = Sim{
		Seed: d.Seed,
		Room: SimRoom{d.Room.UA, d.Room.GroundUA, d.Room.AirChanges, d.Room.Structure, d.Room.StructureUA, d.Room.WallArea, d.Room.Start, d.Room.StartRH},
		Fans: SimFans{d.Fans.Groups, d.Fans.Power, quantity.CubicMeterPerHour(d.Fans.Flow * 3600), d.Fans.Coast, d.Fans.Drive},
		Machine: SimMachine{float64(d.Machine.Scale), d.Machine.Efficiency, d.Machine.Age, d.Machine.BlowerLow, d.Machine.Crankcase, d.Machine.HoldUp,
			d.Machine.DrainLag},
		Heat:    SimHeat{d.Heat.Stages, d.Heat.Power},
		Vent:    SimVent{d.Vents.Fitted, d.Vents.Flow, d.Vents.Travel},
		Spray:   SimSpray{d.Spray.Fitted, d.Spray.Rate},
		Weather: SimWeather{d.Weather.Mean, d.Weather.Daily, d.Weather.Seasonal, d.Weather.Noise, d.Weather.Humidity, d.Weather.Day, ""},
		Probes: SimProbes{d.Probes.DryBulbs, d.Probes.WetBulbs, d.Probes.Humidity, d.Probes.LeavingAir, d.Probes.Cores, d.Probes.Pins,
			d.Probes.Outdoor, d.Probes.Coil, d.Probes.Suction, d.Probes.Shell, d.Probes.LoadCells},
		Person: SimPerson{Absent: d.Person.Absent, Key: d.Person.Key, Weighing: d.Person.Weighing, Notice: d.Person.Notice, Mend: d.Person.Mend},
		Boards: 12,
	}
}

// Load is what stands in the simulated kiln: the lots and sample boards of a charge.
type Load struct {
	Lots    []schedule.Lot
	Samples []int8 // index of the lot of each sample board
}

// Plant gives the simulated kiln loaded with load. Only for a simulated kiln.
func (f *File) Plant(load Load) simkiln.Config {
	s := f.Simulated
	c := simkiln.DefaultConfig()
	c.Seed, c.Pressure = s.Seed, f.Pressure()
	c.Room = simkiln.Room{AirVolume: f.Volume, UA: s.Room.HeatLoss, GroundUA: s.Room.GroundLoss, AirChanges: s.Room.AirChanges, Structure: s.Room.Structure,
		StructureUA: s.Room.Exchange, WallArea: s.Room.WallArea, Start: s.Room.Start, StartRH: s.Room.Humidity}
	c.Fans = simkiln.Fans{Groups: s.Fans.Groups, Power: s.Fans.Power, Flow: float64(s.Fans.Flow) / 3600, Drive: s.Fans.Drive, Coast: s.Fans.Coast}
	c.Machine = simkiln.Machine{Fitted: f.Compressor != nil, Scale: quantity.Ratio(s.Machine.Scale), Efficiency: s.Machine.Efficiency, Age: s.Machine.Age,
		BlowerLow: s.Machine.BlowerLow && f.Compressor != nil, Crankcase: s.Machine.Crankcase, HoldUp: s.Machine.HoldUp, DrainLag: s.Machine.DrainLag}
	c.Heat = simkiln.Heat{Stages: s.Heat.Stages, Power: s.Heat.Power}
	c.Vents = simkiln.Vents{Fitted: s.Vent.Fitted, Flow: s.Vent.Flow, Travel: s.Vent.Travel}
	c.Spray = simkiln.Spray{Fitted: s.Spray.Fitted, Rate: s.Spray.Rate}
	c.Weather = simkiln.Weather{Mean: s.Weather.Mean, Daily: s.Weather.Daily, Seasonal: s.Weather.Seasonal, Noise: s.Weather.Noise,
		Humidity: s.Weather.Humidity, Day: s.Weather.Day}
	machine := f.Compressor != nil
	c.Probes = simkiln.Probes{DryBulbs: s.Probes.DryBulbs, WetBulbs: s.Probes.WetBulbs, Humidity: s.Probes.Humidity,
		LeavingAir: s.Probes.LeavingAir, Cores: s.Probes.Cores, Pins: s.Probes.Pins, Outdoor: s.Probes.Outdoor,
		Coil: s.Probes.Coil && machine, Suction: s.Probes.Suction && machine, Shell: s.Probes.Shell && machine,
		LoadCells: min(s.Probes.LoadCells, len(load.Samples))}
	c.Person = simkiln.Person{Absent: s.Person.Absent, Key: s.Person.Key, Weighing: s.Person.Weighing, Notice: s.Person.Notice, Mend: s.Person.Mend,
		Slips: s.Person.Slips, WrongDry: s.Person.WrongDry, Ignores: s.Person.Ignores, Doors: s.Person.Doors}
	c.Samples = load.Samples
	for _, lot := range load.Lots {
		c.Lots = append(c.Lots, simkiln.LotConfig{Name: lot.Name, Species: lot.Species, Thickness: lot.Thickness, Volume: lot.Volume,
			Start: lot.Start, AirDried: lot.Start < airDried, Boards: s.Boards, RateLimit: lot.RateLimit})
	}
	return c
}

// airDried is the moisture below which a lot was not sawn lately: its boards differ less from each other. Common practice,
// no source.
const airDried quantity.MoistureContent = 25
