package kilnfile

import (
	"cmp"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"drywarden/hardware/board"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe/ads1115"
	"drywarden/hardware/probe/iio"
	"drywarden/hardware/probe/max31865"
	"drywarden/hardware/probe/modbus"
	"drywarden/hardware/quantity"
	"drywarden/schedule/sheet"
)

// RTD is how a platinum thermometer is wired to its MAX31865.
type RTD struct {
	Wires     int          `toml:"wires,required"`    // 2, 3 or 4
	Nominal   quantity.Ohm `toml:"nominal"`           // at 0 C; default 100 ohm
	Reference quantity.Ohm `toml:"reference"`         // of the module's resistor; default 430 ohm
	Mains     int          `toml:"mains_hz,required"` // 50 or 60
}

// SetDefaults is called before an RTD is read.
func (r *RTD) SetDefaults() { *r = RTD{Nominal: 100, Reference: 430} }

// FrontEnd is the circuit between moisture pins and an ADS1115: a divider or a logarithmic amplifier.
type FrontEnd struct {
	Divider     *Divider     `toml:"divider"`
	Logarithmic *Logarithmic `toml:"logarithmic"`
}

// Divider is a supply over the pins and a reference resistor to ground.
type Divider struct {
	Supply    float64      `toml:"supply_volts,required"`
	Reference quantity.Ohm `toml:"reference,required"`
	Least     float64      `toml:"least_volts,required"` // below it offset and noise rule
}

// Logarithmic is an amplifier whose voltage changes by so much for each tenfold resistance.
type Logarithmic struct {
	Reference quantity.Ohm `toml:"reference,required"` // check resistor
	At        float64      `toml:"at_reference_volts,required"`
	Slope     float64      `toml:"volts_per_decade,required"` // it falls by so much; negative: it rises
	Low       float64      `toml:"low_volts,required"`
	High      float64      `toml:"high_volts,required"`
}

// Register is where a Modbus device keeps a number.
type Register struct {
	Function int           `toml:"function,required"` // 3 or 4
	Address  int           `toml:"address,required"`  // counted from 0
	Format   modbus.Format `toml:"format"`            // default int16
	Swapped  bool          `toml:"low_word_first"`
	Scale    float64       `toml:"scale,required"` // of one count: C, %, or kWh
}

// with gives the register with its scale in our unit. Its figures are within their ranges.
func (r *Register) with(unit float64) modbus.Register {
	if r == nil {
		return modbus.Register{}
	}
	return modbus.Register{Function: byte(r.Function), Address: uint16(r.Address), Format: r.Format,
		Swapped: r.Swapped, Scale: r.Scale * unit}
}

// Registers are a humidity transmitter's.
type Registers struct {
	Temperature *Register `toml:"temperature,required"`
	Humidity    *Register `toml:"humidity,required"`
	Baud        int       `toml:"baud"` // default 9600

	Parity  modbus.Parity     `toml:"parity"`  // default none
	Timeout quantity.Duration `toml:"timeout"` // for the transmitter to answer; default 0.25 s
}

// Weigh is what weighing a known mass on a cell gave.
type Weigh struct {
	Chip     string            `toml:"chip,required"` // what the kernel calls it: "hx711", "nau7802"
	Signed   bool              `toml:"signed"`        // nau7802: true
	Tare     float64           `toml:"tare_counts,required"`
	PerCount float64           `toml:"kilograms_per_count,required"`
	Most     quantity.Kilogram `toml:"rated_load,required"`
}

// Expander is an MCP23017 with outputs, or inputs.
type Expander struct {
	Name    string `toml:"id,required"`
	Bus     string `toml:"bus,required"`
	Address string `toml:"address,required"`
	PullUp  bool   `toml:"pull_up"`
}

// Converter is an ADS1115 that measures currents through transducers.
type Converter struct {
	Name    string  `toml:"id,required"`
	Bus     string  `toml:"bus,required"`
	Address string  `toml:"address,required"`
	PerVolt float64 `toml:"amperes_per_volt,required"`
	Zero    float64 `toml:"zero_volts"` // without a current
}

// Wiring gives how a board's kiln is wired. A part's key is its path in the file.
func (f *File) Wiring(clock mono.Clock) board.Config {
	c := board.Config{Layout: f.Layout(), Clock: clock}
	for i, p := range f.Probes {
		w := board.Probe{Key: sheet.At("probe", i), Driver: p.Driver, Bus: p.Bus, Address: p.Address}
		if r := p.RTD; r != nil {
			w.RTD = max31865.Settings{Wires: r.Wires, Nominal: float64(r.Nominal), Reference: float64(r.Reference), Mains: r.Mains}
		}
		if e := p.FrontEnd; e != nil {
			w.Pin = board.Pin{Range: ads1115.Volts4096, Rate: ads1115.PerSecond16}
			switch {
			case e.Divider != nil && e.Logarithmic == nil:
				w.Pin.Front = ads1115.Divider{Supply: e.Divider.Supply, Reference: e.Divider.Reference, Least: e.Divider.Least}
			case e.Logarithmic != nil && e.Divider == nil:
				l := e.Logarithmic
				w.Pin.Front = ads1115.Logarithmic{Reference: l.Reference, At: l.At, Slope: l.Slope, Low: l.Low, High: l.High}
			}
		}
		if r := p.Registers; r != nil {
			w.Registers = board.Registers{Temperature: r.Temperature.with(1), Humidity: r.Humidity.with(0.01), Baud: r.Baud,
				Parity: r.Parity, Timeout: r.Timeout.Std()}
		}
		if m := p.Weigh; m != nil {
			w.Cell = iio.Cell{Chip: m.Chip, Signed: m.Signed, Tare: m.Tare, PerCount: quantity.Kilogram(m.PerCount), Most: m.Most}
		}
		c.Probes = append(c.Probes, w)
	}
	for i, x := range f.Contacts {
		c.Contacts = append(c.Contacts, board.Contact{Key: sheet.At("contact", i), ID: x.ID, Line: x.Line, ActiveLow: x.Active == Low, Debounce: x.Settle.Std()})
	}
	for i, e := range f.Expanders {
		c.Expanders = append(c.Expanders, board.Expander{Key: sheet.At("expander", i), Name: e.Name, Bus: e.Bus, Address: i2cAddress(e.Address), PullUp: e.PullUp})
	}
	scale := map[string]Converter{}
	for i, v := range f.Converters {
		scale[v.Name] = v
		c.Converters = append(c.Converters, board.Converter{Key: sheet.At("converter", i), Name: v.Name, Bus: v.Bus, Address: i2cAddress(v.Address), Range: ads1115.Volts4096})
	}
	for i, o := range f.Outputs {
		w := board.Output{Key: sheet.At("output", i), ID: o.ID, Line: o.Line, ActiveLow: o.Active == Low, ReadBack: o.ReadBack, ReadBackLow: o.Closed == Low, Current: o.Current}
		name, _, _ := strings.Cut(o.Current, "/")
		w.AmperesPerVolt, w.CurrentAtOffset = scale[name].PerVolt, scale[name].Zero
		c.Outputs = append(c.Outputs, w)
	}
	if m := f.Condensate; m != nil {
		c.Condensate = &board.Pulse{Key: "condensate_meter", Line: m.Line, Each: float64(m.Mass), Low: m.Pulse == Low}
	}
	if m := f.Energy; m != nil && m.Register != nil {
		device, _ := strconv.ParseUint(m.Address, 10, 8) // 0, which no device has, for what is no address
		c.Meter = &board.Meter{Key: "energy_meter", Bus: m.Bus, Device: byte(device), Baud: m.Baud, Parity: m.Parity, Timeout: m.Timeout.Std(), Energy: m.Register.with(3.6e6), Most: m.Most}
	} else if m != nil {
		c.Energy = &board.Pulse{Key: "energy_meter", Line: m.Line, Each: float64(m.Power), Low: m.Pulse == Low}
	}
	if f.Fans.Drive {
		period := time.Duration(float64(time.Second) / f.Fans.Frequency)
		c.Drive = &board.Drive{Key: "fans", Channels: f.Fans.Channels, Period: period}
	}
	return c
}

// i2cAddress gives 0, which no chip has, for what is no address.
func i2cAddress(text string) uint16 {
	n, err := strconv.ParseUint(text, 0, 8)
	if err != nil {
		return 0
	}
	return uint16(n)
}

// checkWiring adds what the board's own check finds, each at its key. What concerns the whole is left out when a part is
// wrong, and a table when something in it is.
func (f *File) checkWiring(s *sheet.Sheet) {
	c := f.Wiring(&mono.Manual{})
	sound := s.Err() == nil
	before := slices.Clone(s.Faults.List)
	for _, fault := range c.Faults() {
		path := cmpOr(fault.Path(), "hardware")
		inside := func(known sheet.Fault) bool { return strings.HasPrefix(known.Key, path+".") }
		if sound || fault.Key != "" && !slices.ContainsFunc(before, inside) {
			s.Fault(path, fault.Found, fault.Expected)
		}
	}
}

// Located is a fault of the wiring that was found when it was opened, with its place in the file.
type Located struct {
	Fault sheet.Fault
	cause error
}

// Error gives the fault in one line.
func (l *Located) Error() string { return l.Fault.String() }

// Unwrap gives the board's fault.
func (l *Located) Unwrap() error { return l.cause }

// Locate puts a *Located in the place of each fault that a board found in its wiring, once and in the order of lines; all
// else in err comes behind them, as it is.
func (f *File) Locate(err error) error {
	var faults []*Located
	var rest []error
	for _, one := range flat(err) {
		if l := f.locate(one); l == nil {
			rest = append(rest, one)
		} else if !slices.ContainsFunc(faults, func(known *Located) bool { return known.Fault == l.Fault }) {
			faults = append(faults, l)
		}
	}
	slices.SortStableFunc(faults, func(a, b *Located) int { return cmp.Compare(a.Fault.Line, b.Fault.Line) })
	all := make([]error, 0, len(faults)+len(rest))
	for _, l := range faults {
		all = append(all, l)
	}
	if all = append(all, rest...); len(all) == 1 {
		return all[0]
	}
	return errors.Join(all...)
}

// flat takes joined errors apart; one that holds several in words of its own stays whole.
func flat(err error) []error {
	several, ok := err.(interface{ Unwrap() []error })
	if !ok || errors.Join(several.Unwrap()...).Error() != err.Error() {
		return []error{err}
	}
	var all []error
	for _, one := range several.Unwrap() {
		all = append(all, flat(one)...)
	}
	return all
}

func (f *File) locate(err error) *Located {
	w, ok := errors.AsType[*board.WiringFault](err)
	if !ok {
		return nil
	}
	path := cmpOr(w.Path(), "hardware")
	return &Located{sheet.Fault{File: f.path, Line: f.sheet.Line(path), Key: path, Found: w.Found, Expected: w.Expected}, err}
}
