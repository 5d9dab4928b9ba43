package kilnfile

import (
	"fmt"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/probe/modbus"
	"drywarden/hardware/quantity"
	"drywarden/schedule/sheet"
	"drywarden/schedule/wood"
)

// Kind says what the daemon drives.
type Kind uint8

// Kinds. The zero Kind is none.
const (
	Board     Kind = iota + 1 // pins and buses of a single-board computer
	Simulated                 // the simulated kiln
)

// String gives the kind as kiln files write it.
func (k Kind) String() string {
	switch k {
	case Board:
		return "board"
	case Simulated:
		return "simulated"
	}
	return "none"
}

// UnmarshalText reads "board" or "simulated".
func (k *Kind) UnmarshalText(b []byte) error {
	return oneOf(string(b), k, Board, Simulated)
}

// Units says in which units people are answered. The zero Units is SI.
type Units uint8

// Units.
const (
	SI Units = iota
	US
)

// String gives the units as kiln files write them.
func (u Units) String() string {
	if u == US {
		return "us"
	}
	return "si"
}

// UnmarshalText reads "us" or "si".
func (u *Units) UnmarshalText(b []byte) error { return oneOf(string(b), u, SI, US) }

// Level is the level of a line that counts as active or energised. The zero Level is none.
type Level uint8

// Levels.
const (
	High Level = iota + 1
	Low
)

// String gives the level as kiln files write it.
func (l Level) String() string {
	switch l {
	case High:
		return "high"
	case Low:
		return "low"
	}
	return "none"
}

// UnmarshalText reads "high" or "low".
func (l *Level) UnmarshalText(b []byte) error { return oneOf(string(b), l, High, Low) }

func oneOf[T fmt.Stringer](text string, to *T, all ...T) error {
	names := make([]string, len(all))
	for i, v := range all {
		if v.String() == text {
			*to = v
			return nil
		}
		names[i] = fmt.Sprintf("%q", v.String())
	}
	return fmt.Errorf("%q: expected %s", text, strings.Join(names, " or "))
}

// Offset is what calibration adds to a probe's readings: "-0.2 K", "-0.4 Fd", "1.5 %", "0.01 kg". The sign is part of it.
type Offset struct {
	Value float64 // kelvin, ratio or kilogram
	unit  string  // K, % or kg; empty: not given
}

// UnmarshalText reads a signed value with its unit.
func (o *Offset) UnmarshalText(b []byte) error {
	text := strings.TrimSpace(string(b))
	unsigned, negative := strings.CutPrefix(text, "-")
	var kelvin quantity.CelsiusDelta
	var ratio quantity.Ratio
	var mass quantity.Kilogram
	switch {
	case kelvin.UnmarshalText([]byte(unsigned)) == nil:
		o.Value, o.unit = float64(kelvin), "K"
	case ratio.UnmarshalText([]byte(unsigned)) == nil:
		o.Value, o.unit = float64(ratio), "%"
	case mass.UnmarshalText([]byte(unsigned)) == nil:
		o.Value, o.unit = float64(mass), "kg"
	default:
		return fmt.Errorf("%q: expected an offset with its unit (K, Fd, %% or kg)", text)
	}
	if negative {
		o.Value = -o.Value
	}
	return nil
}

// File is a kiln file as written. Read fills in defaults and checks it.
type File struct {
	Name     string              `toml:"name,required"`
	Units    Units               `toml:"units"`
	Altitude quantity.Meter      `toml:"altitude,required"`
	Volume   quantity.CubicMeter `toml:"volume,required"` // of air in the room, without the load
	State    string              `toml:"state,required"`  // folder; a relative path starts at the kiln file's folder
	Socket   string              `toml:"socket"`          // default: drywarden.sock in the state folder
	Metrics  string              `toml:"metrics"`         // address, or "off"
	Own      string              `toml:"species"`         // file with species of the operator's own; empty: none

	// Species is the table with those of Own in it: Read reads no other file, its caller fills this in.
	Species wood.Table

	Hardware   Hardware             `toml:"hardware,required"`
	Limits     Limits               `toml:"limits,required"`
	Compressor *Compressor          `toml:"compressor"`
	Fans       Fans                 `toml:"fans"`
	Vent       Vent                 `toml:"vent"`
	Spray      Spray                `toml:"spray"`
	Probes     []Probe              `toml:"probe"`
	Contacts   []Contact            `toml:"contact"`
	NotFitted  []hardware.ContactID `toml:"not_fitted"`
	Outputs    []Output             `toml:"output"`
	Expanders  []Expander           `toml:"expander"`
	Converters []Converter          `toml:"converter"`
	Condensate *Meter               `toml:"condensate_meter"`
	Energy     *Meter               `toml:"energy_meter"`
	Simulated  *Sim                 `toml:"simulated"`
	Alarm      *Alarm               `toml:"alarm"`

	path  string // as given to Read
	text  []byte
	sheet *sheet.Sheet // where its keys stand
}

// Hardware says what the daemon drives.
type Hardware struct {
	Kind  Kind     `toml:"kind,required"`
	Chips []string `toml:"gpio_chips"` // labels of the computer's GPIO chips that lines name; "gpiochip0" and its like need no word
}

// Limits are those of the room. The hard-wired ones cannot be changed from here: HardLimit says what they are set to.
type Limits struct {
	HardLimit       quantity.Celsius  `toml:"hard_limit,required"`
	DryBulbMax      quantity.Celsius  `toml:"dry_bulb_max"`       // default: 3 K under the hard limit, at most 70 C
	HighestSetPoint quantity.Celsius  `toml:"highest_set_point"`  // default: 3 K under dry_bulb_max
	DriestAir       quantity.Ratio    `toml:"driest_air"`         // lowest relative humidity late in drying; default 28 %
	VentInterval    quantity.Duration `toml:"vent_interval"`      // default 60 s
	Spray           quantity.Duration `toml:"spray_interval"`     // default 5 s
	Contactor       quantity.Duration `toml:"contactor_interval"` // default 10 s
	StartDelay      quantity.Duration `toml:"start_delay"`        // default 30 s
	DoorWarning     quantity.Duration `toml:"door_warning"`       // default 10 s
	StaleAir        quantity.Duration `toml:"stale_air"`          // default 30 s
}

// Compressor is the heat pump's data plate and its protection.
type Compressor struct {
	AmbientMin quantity.Celsius  `toml:"ambient_min"`          // default 18 C
	AmbientMax quantity.Celsius  `toml:"ambient_max,required"` // from the data plate: no default
	MinOff     quantity.Duration `toml:"min_off"`              // default 5 min
	MinOn      quantity.Duration `toml:"min_on"`               // default 10 min
	Starts     int               `toml:"starts_per_hour"`      // default 4
	DryBulbMax quantity.Celsius  `toml:"drying_max"`           // highest dry bulb of a drying stage; default: 3 K under ambient_max, at most 49 C
}

// Fans circulate the air through the load.
type Fans struct {
	Coast     quantity.Duration `toml:"coast"`       // until they stand still, both directions off; default 90 s
	ReverseIn quantity.Duration `toml:"reverse_wet"` // time between reversals above fibre saturation; default 4 h
	ReverseBy quantity.Duration `toml:"reverse_dry"` // below; default 8 h
	Drive     bool              `toml:"drive"`       // speed can be set
	Current   quantity.Ampere   `toml:"current"`     // of one group at full speed, measured; 0: not known, a slipping belt is then not told
	Channels  []string          `toml:"channels"`    // of the board's pulse-width modulation, for the drive: one for all groups or one each
	Frequency float64           `toml:"hertz"`       // of that modulation; default 1000
}

// Vent exchanges air with outdoors.
type Vent struct {
	Flow quantity.CubicMeterPerHour `toml:"flow"` // with the vents open; 0: not known, the water balance then waits while they are
}

// Spray adds water.
type Spray struct {
	Rate quantity.KilogramPerHour `toml:"rate"` // with the valve open
}

// Probe is one fitted probe of a board.
type Probe struct {
	ID          string                `toml:"id,required"`
	Role        hardware.Role         `toml:"role,required"`
	Place       string                `toml:"place,required"`
	Lot         int                   `toml:"lot"` // cores, pins, load cells: lot it sits in, counted from 1 in the order of the charge sheet
	Driver      string                `toml:"driver,required"`
	Bus         string                `toml:"bus,required"`
	Address     string                `toml:"address"`
	Offset      Offset                `toml:"offset"`
	Calibrated  time.Time             `toml:"calibrated"`
	Recalibrate time.Time             `toml:"recalibrate"` // not to be believed for a heat treatment from then on; default: a year after calibrated
	Uncertainty quantity.CelsiusDelta `toml:"uncertainty"` // default 0.5 K

	RTD       *RTD       `toml:"rtd"`       // max31865
	FrontEnd  *FrontEnd  `toml:"front_end"` // ads1115
	Registers *Registers `toml:"registers"` // modbus
	Weigh     *Weigh     `toml:"weigh"`     // iio

	line int // in which it stands
}

// SetDefaults is called before a probe is read.
func (p *Probe) SetDefaults() { p.Uncertainty = 0.5 }

// Contact is one digital input of a board.
type Contact struct {
	ID     hardware.ContactID `toml:"id,required"`
	Line   string             `toml:"line,required"`
	Active Level              `toml:"active,required"`
	Settle quantity.Duration  `toml:"debounce"` // a new level must stand this long; default 0.02 s, at most 1 s
}

// Output is one switched output of a board.
type Output struct {
	ID       hardware.OutputID `toml:"id,required"`
	Line     string            `toml:"line,required"`
	Active   Level             `toml:"active,required"`
	ReadBack string            `toml:"read_back"`        // line; empty: none
	Closed   Level             `toml:"read_back_active"` // level of that line with the contactor in; default high
	Current  string            `toml:"current"`          // input of a converter; empty: none
}

// SetDefaults is called before an output is read.
func (o *Output) SetDefaults() { o.Closed = High }

// Meter counts pulses; of energy, it may instead be read over Modbus.
type Meter struct {
	Line  string            `toml:"line"`
	Pulse Level             `toml:"active"`              // level of the line during a pulse; default high
	Mass  quantity.Kilogram `toml:"kilograms_per_pulse"` // condensate: "0.25 kg"
	Power quantity.Joule    `toml:"energy_per_pulse"`    // energy: "0.001 kWh"

	Bus      string            `toml:"bus"`     // energy over Modbus: serial port
	Address  string            `toml:"address"` // device
	Baud     int               `toml:"baud"`    // default 9600
	Parity   modbus.Parity     `toml:"parity"`  // default none
	Timeout  quantity.Duration `toml:"timeout"` // for the device to answer; default 0.25 s
	Register *Register         `toml:"register"`
	Most     quantity.Watt     `toml:"most_power"` // no more can flow; 0: not known
}

// SetDefaults is called before a meter is read.
func (m *Meter) SetDefaults() { m.Pulse = High }
