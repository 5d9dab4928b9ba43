package kilnfile

import (
	"fmt"
	"math"
	"net"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/safety"
	"drywarden/schedule"
	"drywarden/schedule/library"
	"drywarden/schedule/sheet"
	"drywarden/schedule/wood"
)

// Bounds that are this program's own.
const (
	maxName     = 32
	maxSocket   = 107 // bytes of a unix socket's path (unix(7): 108 with the zero at its end)
	usualDryMax = 49  // Celsius: the published cap for heat-pump drying used here; common practice, no source
	defaultPort = "127.0.0.1:9471"
)

var nameForm = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]*$`)

// Read reads the text of a kiln file called path. The error is a *sheet.Faults with every fault; then there is no file.
func Read(path string, text []byte) (*File, error) {
	f := &File{path: path, text: text, Metrics: defaultPort,
		Limits: Limits{DriestAir: 0.28}, Fans: Fans{Coast: seconds(90), ReverseIn: seconds(4 * 3600), ReverseBy: seconds(8 * 3600), Frequency: 1000}}
	d := safety.DefaultLimits()
	f.Limits.VentInterval, f.Limits.Spray, f.Limits.Contactor = d.VentInterval, d.SprayInterval, d.ContactorInterval
	f.Limits.StartDelay, f.Limits.DoorWarning, f.Limits.StaleAir = d.StartDelay, d.DoorWarning, d.StaleAir
	s := sheet.Read(path, text, f)
	f.sheet = s
	f.fillDefaults(s)
	f.check(s)
	if err := s.Err(); err != nil {
		return nil, err
	}
	return f, nil
}

func seconds(n int) quantity.Duration { return quantity.Duration(time.Duration(n) * time.Second) }

// SetDefaults is called before a compressor is read.
func (c *Compressor) SetDefaults() {
	*c = Compressor{AmbientMin: 18, MinOff: seconds(300), MinOn: seconds(600), Starts: 4}
}

func (f *File) fillDefaults(s *sheet.Sheet) {
	l := &f.Limits
	if !s.Given("limits.dry_bulb_max") {
		l.DryBulbMax = min(70, l.HardLimit.Add(-3))
	}
	if !s.Given("limits.highest_set_point") {
		l.HighestSetPoint = l.DryBulbMax.Add(-3)
	}
	if c := f.Compressor; c != nil && !s.Given("compressor.drying_max") {
		c.DryBulbMax = min(usualDryMax, c.AmbientMax.Add(-3), l.HighestSetPoint)
	}
	if f.Socket == "" {
		f.Socket = filepath.Join(f.State, "drywarden.sock")
	}
}

// limitFault takes a limit's fault apart; the wording is checked by a test.
var limitFault = regexp.MustCompile(`^limit (\w+): found (.*), expected (.*)$`)

var limitKeys = map[string]string{
	"compressor_min_off": "compressor.min_off", "compressor_starts_per_hour": "compressor.starts_per_hour",
	"compressor_ambient_min": "compressor.ambient_min", "compressor_ambient_max": "compressor.ambient_max", "fan_coast": "fans.coast",
}

func (f *File) check(s *sheet.Sheet) {
	if f.Name != "" && (len(f.Name) > maxName || !nameForm.MatchString(f.Name)) {
		s.Fault("name", strconv.Quote(f.Name), fmt.Sprintf("at most %d of the characters a-z, 0-9, - and _", maxName))
	}
	if f.Volume <= 0 && s.Given("volume") {
		s.Fault("volume", f.Volume.String(), "more than 0 m3")
	}
	if len(f.Path(f.Socket)) > maxSocket {
		s.Fault("socket", strconv.Quote(f.Path(f.Socket)), fmt.Sprintf("a path of at most %d bytes", maxSocket))
	}
	if f.Metrics != "off" {
		if _, port, err := net.SplitHostPort(f.Metrics); err != nil || !isPort(port) {
			s.Fault("metrics", strconv.Quote(f.Metrics), `an address like "127.0.0.1:9471", or "off"`)
		}
	}
	limits := f.safetyLimits()
	if err := limits.Validate(); err != nil {
		for line := range strings.SplitSeq(err.Error(), "\n") {
			if m := limitFault.FindStringSubmatch(line); m != nil {
				key := limitKeys[m[1]]
				if key == "" {
					key = "limits." + m[1]
				}
				if strings.HasPrefix(key, "compressor.") && f.Compressor == nil || !f.judgeable(s, key) {
					continue
				}
				s.Fault(key, m[2], m[3])
				continue
			}
			s.Fault("limits", line, "limits that agree with each other")
		}
	}
	if l := f.Limits.DriestAir; s.Given("limits.driest_air") && (l < 0.05 || l > 0.8) {
		s.Fault("limits.driest_air", l.String(), "5 % to 80 %")
	}
	f.checkCompressor(s)
	f.checkAlarm(s)
	switch f.Hardware.Kind {
	case Board:
		f.checkBoard(s)
	case Simulated:
		f.checkSimulated(s)
	}
}

// judgeable tells whether a limit can be judged: not when it follows from a key that is missing or wrong itself.
func (f *File) judgeable(s *sheet.Sheet, key string) bool {
	switch key {
	case "limits.dry_bulb_max", "limits.highest_set_point":
		return s.Given(key) || s.Good("limits.hard_limit")
	case "limits.hard_limit", "compressor.ambient_max":
		return s.Good(key)
	}
	return true
}

func isPort(text string) bool {
	n, err := strconv.Atoi(text)
	return err == nil && n >= 0 && n <= 65535
}

func (f *File) checkCompressor(s *sheet.Sheet) {
	c := f.Compressor
	if c == nil || !s.Good("compressor.ambient_max") {
		return
	}
	if c.MinOn < seconds(180) || c.MinOn > seconds(3600) {
		s.Fault("compressor.min_on", c.MinOn.String(), "3 min to 1 h")
	}
	if c.DryBulbMax > c.AmbientMax.Add(-1) || c.DryBulbMax > f.Limits.HighestSetPoint || c.DryBulbMax < 20 {
		s.Fault("compressor.drying_max", c.DryBulbMax.String(), fmt.Sprintf("20 C to %v: 1 K under ambient_max and not over the highest set point",
			min(c.AmbientMax.Add(-1), f.Limits.HighestSetPoint)))
	}
}

func (f *File) checkBoard(s *sheet.Sheet) {
	if f.Simulated != nil {
		s.Fault("simulated", "a simulated kiln", `hardware.kind = "simulated", or no [simulated]`)
	}
	seen := map[string]int{}
	twice := func(path, what, id string) {
		if id == "" {
			return
		}
		if line, ok := seen[what+" "+id]; ok {
			s.Fault(path, strconv.Quote(id), fmt.Sprintf("each %s once; it stands in line %d already", what, line))
			return
		}
		seen[what+" "+id] = s.Line(path)
	}
	for i := range f.Probes {
		p := &f.Probes[i]
		at := sheet.At("probe", i)
		p.line = s.Line(sheet.Sub(at, "id"))
		for _, key := range []string{"recalibrate", "calibrated"} {
			if s.Given(sheet.Sub(at, key)) {
				p.line = s.Line(sheet.Sub(at, key))
				break
			}
		}
		if !p.Recalibrate.IsZero() && !p.Recalibrate.After(p.Calibrated) {
			s.Fault(sheet.Sub(at, "recalibrate"), p.Recalibrate.Format(time.DateOnly), "a date after the one of the last calibration")
		}
		twice(sheet.Sub(at, "id"), "probe", p.ID)
		if p.ID != "" && (len(p.ID) > maxName || !nameForm.MatchString(p.ID)) {
			s.Fault(sheet.Sub(at, "id"), strconv.Quote(p.ID), fmt.Sprintf("at most %d of the characters a-z, 0-9, - and _", maxName))
		}
		if s.Good(sheet.Sub(at, "address")) {
			what := p.Bus + " " + p.Address
			if p.Role == hardware.RoleHumidity || p.Role == hardware.RoleOutdoorHumidity {
				what += " humidity" // a chip that measures temperature too is two probes
			}
			twice(sheet.Sub(at, "address"), "address on a bus", what)
		}
		if p.Lot < 0 || p.Lot > hardware.MaxLots {
			s.Fault(sheet.Sub(at, "lot"), strconv.Itoa(p.Lot), fmt.Sprintf("1 to %d, in the order of the charge sheet", hardware.MaxLots))
		}
		if want := unitOf(p.Role); p.Offset.unit != "" && p.Offset.unit != want {
			s.Fault(sheet.Sub(at, "offset"), "an offset in "+p.Offset.unit, "an offset of a "+p.Role.String()+" in "+cmpOr(want, "no unit: it takes none"))
		}
		if math.Abs(p.Offset.Value) > 5 {
			s.Fault(sheet.Sub(at, "offset"), strconv.FormatFloat(p.Offset.Value, 'g', -1, 64), "at most 5: a probe so far off is broken")
		}
		if p.Uncertainty <= 0 || p.Uncertainty > 5 {
			s.Fault(sheet.Sub(at, "uncertainty"), p.Uncertainty.String(), "more than 0 K, at most 5 K")
		}
		f.checkDriver(s, at, p)
	}
	if len(f.Probes) > hardware.MaxProbes {
		s.Fault("probe", strconv.Itoa(len(f.Probes))+" probes", fmt.Sprintf("at most %d", hardware.MaxProbes))
	}
	var fitted hardware.ContactSet
	for i, c := range f.Contacts {
		at := sheet.At("contact", i)
		if s.Good(sheet.Sub(at, "id")) {
			twice(sheet.Sub(at, "id"), "contact", c.ID.String())
			fitted = fitted.With(c.ID, true)
		}
		twice(sheet.Sub(at, "line"), "line", c.Line)
	}
	for i, o := range f.Outputs {
		at := sheet.At("output", i)
		if s.Good(sheet.Sub(at, "id")) {
			twice(sheet.Sub(at, "id"), "output", o.ID.String())
		}
		twice(sheet.Sub(at, "line"), "line", o.Line)
		twice(sheet.Sub(at, "read_back"), "line", o.ReadBack)
		if o.ReadBack == "" && s.Given(sheet.Sub(at, "read_back_active")) {
			s.Fault(sheet.Sub(at, "read_back_active"), strconv.Quote(o.Closed.String())+" without read_back", "a line in read_back, or neither")
		}
	}
	f.checkChips(s)
	f.checkNotFitted(s, fitted)
	f.checkOutputs(s)
	layout := f.Layout()
	for _, fault := range safety.CheckLayout(&layout) {
		s.Missing("hardware", fault)
	}
	for _, m := range []struct {
		key   string
		meter *Meter
		given bool
		want  string
	}{
		{"condensate_meter", f.Condensate, f.Condensate != nil && f.Condensate.Mass > 0, "kilograms_per_pulse"},
		{"energy_meter", f.Energy, f.Energy != nil && f.Energy.Power > 0, "energy_per_pulse"},
	} {
		if m.meter == nil {
			continue
		}
		modbus := f.checkMeter(s, m.key, m.meter)
		f.checkMeterKeys(s, m.key, m.meter, modbus)
		if modbus {
			continue
		}
		twice(sheet.Sub(m.key, "line"), "line", m.meter.Line)
		if !m.given {
			s.Missing(sheet.Sub(m.key, m.want), "what one pulse stands for, more than 0")
		}
	}
	f.checkExpanders(s)
	if !(f.Fans.Current >= 0 && f.Fans.Current <= 200) {
		s.Fault("fans.current", s.Written("fans.current", f.Fans.Current.String()), "0 A to 200 A")
	}
	switch hertz := f.Fans.Frequency; {
	case !f.Fans.Drive && len(f.Fans.Channels) > 0:
		s.Fault("fans.channels", "channels of a drive", "drive = true, or no channels")
	case !(hertz >= 10 && hertz <= 50_000):
		s.Fault("fans.hertz", strconv.FormatFloat(hertz, 'g', -1, 64), "10 to 50000")
	}
	f.checkWiring(s)
}

// checkMeter checks what a meter is read by, and tells whether it needs no pulses.
func (f *File) checkMeter(s *sheet.Sheet, key string, m *Meter) (modbus bool) {
	bus := m.Bus != "" || m.Address != "" || m.Register != nil
	switch {
	case bus && key != "energy_meter":
		s.Fault(key, "a meter on Modbus", "a line that pulses")
	case bus && (m.Line != "" || m.Power > 0):
		s.Fault(key, "a line that pulses and a meter on Modbus", "one of them")
	case bus && (m.Bus == "" || m.Address == "" || m.Register == nil):
		s.Missing(key, "bus, address and register of a meter on Modbus")
	case !bus && m.Line == "":
		s.Missing(sheet.Sub(key, "line"), "the line that pulses"+map[bool]string{true: ", or bus, address and register of a meter on Modbus"}[key == "energy_meter"])
	}
	return bus
}

// checkNotFitted wants a word on every contact: what is not fitted is said to be not fitted.
func (f *File) checkNotFitted(s *sheet.Sheet, fitted hardware.ContactSet) {
	said := fitted
	for i, c := range f.NotFitted {
		if said.Has(c) {
			s.Fault(sheet.At("not_fitted", i), strconv.Quote(c.String()), "each contact once, here or as [[contact]]")
		}
		said = said.With(c, true)
	}
	var silent []string
	for c := range hardware.ContactCount {
		if !said.Has(c) {
			silent = append(silent, c.String())
		}
	}
	if len(silent) > 0 {
		s.Missing("not_fitted", "a [[contact]] for each of these, or its name here: "+strings.Join(silent, ", "))
	}
}

func (f *File) checkOutputs(s *sheet.Sheet) {
	var on hardware.OutputSet
	for _, o := range f.Outputs {
		on = on.With(o.ID, true)
	}
	gapless := func(first hardware.OutputID, n int, what string) {
		for i := 1; i < n; i++ {
			if id := first + hardware.OutputID(i); on.Has(id) && !on.Has(id-1) {
				s.Fault("output", strconv.Quote(id.String())+" without "+strconv.Quote((id-1).String()), what+" counted from 1 without a gap")
			}
		}
	}
	gapless(hardware.FanForward1, hardware.MaxFanGroups, "fan groups")
	gapless(hardware.FanReverse1, hardware.MaxFanGroups, "fan groups")
	gapless(hardware.Heat1, hardware.MaxHeatStages, "heat stages")
	for g := range hardware.MaxFanGroups {
		if on.Has(hardware.FanReverse(g)) && !on.Has(hardware.FanForward(g)) {
			s.Fault("output", strconv.Quote(hardware.FanReverse(g).String())+" without its forward output", "both, or forward alone")
		}
	}
	if on.Has(hardware.Compressor) != (f.Compressor != nil) {
		if f.Compressor == nil {
			s.Missing("compressor", "a [compressor] with ambient_max from its data plate, since the output compressor is fitted")
		} else {
			s.Fault("compressor", "a compressor without an output", `an [[output]] with id = "compressor"`)
		}
	}
	if on.Has(hardware.Spray) && f.Spray.Rate == 0 {
		s.Missing("spray.rate", "the water that the spray adds, like \"2 gal/h\", since the output spray is fitted")
	}
	if on.Has(hardware.BlowerLow) && !on.Has(hardware.Blower) {
		s.Fault("output", `"blower_low" without "blower"`, "both, or blower alone")
	}
	if !on.Has(hardware.Heartbeat) {
		s.Missing("output", `an [[output]] with id = "heartbeat": its relay drops the master contactor when the program stops`)
	}
}

func unitOf(role hardware.Role) string {
	switch role {
	case hardware.RoleHumidity, hardware.RoleOutdoorHumidity:
		return "%"
	case hardware.RoleLoadCell:
		return "kg"
	case hardware.RolePin, hardware.RoleNone:
		return ""
	}
	return "K"
}

func cmpOr(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func (f *File) checkSimulated(s *sheet.Sheet) {
	for key, given := range map[string]bool{"vent": f.Vent.Flow > 0, "spray": f.Spray.Rate > 0, "probe": len(f.Probes) > 0, "contact": len(f.Contacts) > 0, "output": len(f.Outputs) > 0,
		"not_fitted": len(f.NotFitted) > 0, "expander": len(f.Expanders) > 0, "converter": len(f.Converters) > 0, "condensate_meter": f.Condensate != nil, "energy_meter": f.Energy != nil} {
		if given {
			s.Fault(key, "a real kiln's "+strings.ReplaceAll(key, "_", " "), "none in a simulated kiln: [simulated] says what it has")
		}
	}
	if f.Simulated == nil {
		s.Missing("simulated", "a [simulated] with at least the key load")
		return
	}
	if s.Err() != nil {
		return
	}
	// One lot stands for whatever is loaded: what is wrong then is wrong with the kiln.
	config := f.Plant(Load{Lots: []schedule.Lot{{Name: "any", Species: "any", Thickness: 0.027, Volume: 1, Start: 50}}})
	if err := config.Validate(); err != nil {
		for line := range strings.SplitSeq(err.Error(), "\n") {
			s.Fault("simulated", line, "a kiln that can be simulated")
		}
	}
}

// Path makes a path of the file absolute or relative to the working directory; what is relative in the file starts at its
// folder.
func (f *File) Path(p string) string {
	if filepath.IsAbs(p) {
		return p
	}
	return filepath.Join(filepath.Dir(f.path), p)
}

// Text gives the file as it was read.
func (f *File) Text() []byte { return f.text }

// Pressure is that of the station, from its altitude.
func (f *File) Pressure() quantity.Pascal { return wood.StationPressure(f.Altitude) }

// Layout gives a board's kiln as built. A simulated kiln has its own.
func (f *File) Layout() hardware.Layout {
	l := hardware.Layout{FanDrive: f.Fans.Drive, FanCurrent: f.Fans.Current, Condensate: f.Condensate != nil, EnergyMeter: f.Energy != nil}
	for _, p := range f.Probes {
		l.Probes = append(l.Probes, hardware.Probe{Name: p.ID, Role: p.Role, Lot: int8(p.Lot - 1), Place: p.Place, Offset: p.Offset.Value,
			Calibrated: p.Calibrated, Uncertainty: p.Uncertainty})
	}
	for _, c := range f.Contacts {
		l.Contacts = l.Contacts.With(c.ID, true)
	}
	for _, o := range f.Outputs {
		l.Outputs = l.Outputs.With(o.ID, true)
		l.ReadBack = l.ReadBack.With(o.ID, l.ReadBack.Has(o.ID) || o.ReadBack != "")
		l.Current = l.Current.With(o.ID, l.Current.Has(o.ID) || o.Current != "")
	}
	for l.FanGroups < hardware.MaxFanGroups && l.Outputs.Has(hardware.FanForward(l.FanGroups)) {
		l.FanGroups++
	}
	for l.HeatStages < hardware.MaxHeatStages && l.Outputs.Has(hardware.Heat(l.HeatStages)) {
		l.HeatStages++
	}
	return l
}

// SafetyLimits gives what the gate judges by.
func (f *File) SafetyLimits() safety.Limits { return f.safetyLimits() }

func (f *File) safetyLimits() safety.Limits {
	l := safety.DefaultLimits()
	l.HardLimit, l.DryBulbMax, l.HighestSetPoint = f.Limits.HardLimit, f.Limits.DryBulbMax, f.Limits.HighestSetPoint
	l.VentInterval, l.SprayInterval, l.ContactorInterval = f.Limits.VentInterval, f.Limits.Spray, f.Limits.Contactor
	l.StartDelay, l.DoorWarning, l.StaleAir = f.Limits.StartDelay, f.Limits.DoorWarning, f.Limits.StaleAir
	l.FanCoast = f.Fans.Coast
	if c := f.Compressor; c != nil {
		l.CompressorAmbientMin, l.CompressorAmbientMax = c.AmbientMin, c.AmbientMax
		l.CompressorMinOff, l.CompressorStarts = c.MinOff, c.Starts
	}
	return l
}

// Flows gives the air that open vents exchange and the water that an open spray adds; 0: not known, or none.
func (f *File) Flows() (quantity.CubicMeterPerHour, quantity.KilogramPerHour) {
	if s := f.Simulated; s != nil {
		return s.Vent.Flow, s.Spray.Rate
	}
	return f.Vent.Flow, f.Spray.Rate
}

// DryingMax is the highest dry bulb of a drying stage.
func (f *File) DryingMax() quantity.Celsius {
	if f.Compressor != nil {
		return f.Compressor.DryBulbMax
	}
	return f.Limits.HighestSetPoint
}

// ForSchedule gives the kiln as schedules meet it. layout is that of the board or of the simulated kiln.
func (f *File) ForSchedule(layout *hardware.Layout) schedule.Kiln {
	k := f.scheduleKiln()
	k.Spray, k.Heat, k.Vent = layout.Outputs.Has(hardware.Spray), layout.HeatStages > 0, layout.Outputs.Has(hardware.Vent)
	k.Cores = len(layout.ByRole(hardware.RoleCore))
	return k
}

// ForScheduleSimulated is ForSchedule for a simulated kiln that is not loaded yet, with the probes that this many lots
// would get.
func (f *File) ForScheduleSimulated(lots int) schedule.Kiln {
	k, s := f.scheduleKiln(), f.Simulated
	k.Spray, k.Heat, k.Vent, k.Cores = s.Spray.Fitted, s.Heat.Stages > 0, s.Vent.Fitted, s.Probes.Cores*lots
	return k
}

func (f *File) scheduleKiln() schedule.Kiln {
	return schedule.Kiln{
		Machine:    library.Machine{Pressure: f.Pressure(), DryBulbMax: f.DryingMax(), RHMin: f.Limits.DriestAir},
		EMCMin:     wood.EMC(f.DryingMax(), f.Limits.DriestAir),
		DryBulbMax: f.Limits.HighestSetPoint,
		HeatMax:    f.Limits.HighestSetPoint,
		Simulated:  f.Hardware.Kind == Simulated,
		Species:    f.Species,
	}
}
