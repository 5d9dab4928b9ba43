package simkiln

import (
	"fmt"
	"math"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Psychrometer coefficient of a ventilated wick, per K (WMO), and of one in still air.
const (
	wickFull  = 6.6e-4
	wickStill = 1.2e-3
)

// fitted is what a probe is in truth: never changes.
type fitted struct {
	role  hardware.Role
	board int
	off   float64 // m from the core for cores, depth for pins, sample for load cells
	bias  float64
	sigma float64
	keep  float64 // of the old value per sampling: lag
}

// idOf makes a lot's name fit for a probe's.
func idOf(name string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return '_'
	}, strings.ToLower(name))
}

func keepOf(lag float64) float64 { return math.Exp(-sampling.Seconds() / lag) }

func (k *Kiln) buildLayout() {
	r := stream(k.cfg.Seed, 6)
	p := k.cfg.Probes
	l := &k.layout
	add := func(role hardware.Role, name, place string, lot int8, n int, bias, sigma, lag, uncertainty float64) {
		for i := range n {
			f := fitted{role: role, bias: bias * r.normal(), sigma: sigma, keep: keepOf(lag)}
			f.off = r.between(0, 0.003)
			if p.Ideal {
				f.bias, f.sigma, f.off = 0, 0, 0
			}
			full := name
			if n > 1 {
				full = fmt.Sprintf("%s_%d", name, i+1)
			}
			k.fitted = append(k.fitted, f)
			l.Probes = append(l.Probes, hardware.Probe{Name: full, Role: role, Lot: lot, Place: place,
				Calibrated: p.Calibrated, Uncertainty: quantity.CelsiusDelta(uncertainty)})
		}
	}
	none := hardware.NoLot
	add(hardware.RoleDryBulb, "dry_bulb", "entering air", none, p.DryBulbs, 0.1, 0.03, 90, 0.3)
	add(hardware.RoleWetBulb, "wet_bulb", "entering air", none, p.WetBulbs, 0.1, 0.03, 90, 0.3)
	add(hardware.RoleHumidity, "humidity", "entering air", none, p.Humidity, 0.01, 0.002, 60, 0)
	add(hardware.RoleLeavingAir, "leaving_air", "leaving air", none, p.LeavingAir, 0.1, 0.03, 90, 0.3)
	for i, lot := range k.cfg.Lots {
		add(hardware.RoleCore, "core_"+idOf(lot.Name), "core of a board of "+lot.Name, int8(i), p.Cores, 0.1, 0.02, 30, 0.5)
		add(hardware.RolePin, "pin_"+idOf(lot.Name), "a quarter deep in a board of "+lot.Name, int8(i), p.Pins, 0.02, 0.01, 20, 0)
	}
	one := func(on bool) int {
		if on {
			return 1
		}
		return 0
	}
	add(hardware.RoleCoil, "coil", "evaporator", none, one(p.Coil), 0.3, 0.05, 60, 0.5)
	add(hardware.RoleSuction, "suction", "suction line", none, one(p.Suction), 0.3, 0.05, 60, 0.5)
	add(hardware.RoleShell, "shell", "compressor shell", none, one(p.Shell), 0.5, 0.1, 60, 1)
	add(hardware.RoleOutdoorTemperature, "outdoor_temperature", "north wall", none, one(p.Outdoor), 0.3, 0.05, 120, 0.5)
	add(hardware.RoleOutdoorHumidity, "outdoor_humidity", "north wall", none, one(p.Outdoor), 0.02, 0.003, 120, 0)
	add(hardware.RoleLoadCell, "load_cell", "hung sample", none, p.LoadCells, 0.0005, 0.0005, 5, 0)
	cell := 0
	seen := map[int8][2]int{} // only while building
	for i := range k.fitted {
		f, lot := &k.fitted[i], l.Probes[i].Lot
		switch f.role {
		case hardware.RoleCore:
			f.board = seen[lot][0]
			seen[lot] = [2]int{seen[lot][0] + 1, seen[lot][1]}
		case hardware.RolePin:
			f.board = seen[lot][1]
			seen[lot] = [2]int{seen[lot][0], seen[lot][1] + 1}
		case hardware.RoleLoadCell:
			f.board = cell
			l.Probes[i].Lot = k.cfg.Samples[cell]
			cell++
		}
	}

	k.dry, k.wet = hardware.NoProbe, hardware.NoProbe
	if ids := l.ByRole(hardware.RoleDryBulb); len(ids) > 0 {
		k.dry = ids[0]
	}
	if ids := l.ByRole(hardware.RoleWetBulb); len(ids) > 0 {
		k.wet = ids[0]
	}

	c := &k.cfg
	l.FanGroups, l.FanDrive, l.HeatStages = c.Fans.Groups, c.Fans.Drive, c.Heat.Stages
	l.FanCurrent = quantity.Ampere(float64(c.Fans.Power) / float64(c.Fans.Groups) / volts)
	l.Condensate, l.EnergyMeter = c.Meters.Condensate && c.Machine.Fitted, c.Meters.Energy
	var out hardware.OutputSet
	for g := range c.Fans.Groups {
		out = out.With(hardware.FanForward(g), true).With(hardware.FanReverse(g), true)
	}
	if c.Machine.Fitted {
		out = out.With(hardware.Compressor, true).With(hardware.Blower, true).With(hardware.BlowerLow, c.Machine.BlowerLow).
			With(hardware.Crankcase, c.Machine.Crankcase > 0)
	}
	for i := range c.Heat.Stages {
		out = out.With(hardware.Heat(i), true)
	}
	out = out.With(hardware.Vent, c.Vents.Fitted).With(hardware.Spray, c.Spray.Fitted)
	l.ReadBack, l.Current = out, out.With(hardware.Vent, false).With(hardware.Spray, false).With(hardware.BlowerLow, false)
	for _, o := range []hardware.OutputID{hardware.Sounder, hardware.Beacon, hardware.AlarmLamp, hardware.DoorLamp, hardware.Heartbeat} {
		out = out.With(o, true)
	}
	l.Outputs = out
	contacts := hardware.ContactSet(1)<<hardware.ContactCount - 1
	contacts = contacts.With(hardware.ContactVentOpen, c.Vents.Fitted).With(hardware.ContactVentShut, c.Vents.Fitted)
	contacts = contacts.With(hardware.ContactWaterSupply, c.Spray.Fitted)
	for _, id := range []hardware.ContactID{hardware.ContactBlowerAirflow, hardware.ContactHighPressure, hardware.ContactLowPressure,
		hardware.ContactGas, hardware.ContactFloat} {
		contacts = contacts.With(id, c.Machine.Fitted)
	}
	l.Contacts = contacts
	for i := range k.s.Reading {
		k.s.Reading[i].Quality = hardware.NotFitted
	}
}

// placeProbes finds the boards of cores, pins and load cells, once the boards are drawn: cores go into the thickest
// boards of a lot, pins into boards spread over it.
func (k *Kiln) placeProbes() {
	for i := range k.fitted {
		f, lot := &k.fitted[i], k.layout.Probes[i].Lot
		var boards []int
		for b := range k.wood.Count {
			if k.wood.Lot[b] == lot {
				boards = append(boards, b)
			}
		}
		switch f.role {
		case hardware.RoleCore:
			nth := f.board % len(boards)
			for range nth + 1 {
				best := 0
				for j := range boards {
					if k.wood.Half[boards[j]] > k.wood.Half[boards[best]] {
						best = j
					}
				}
				f.board = boards[best]
				boards = append(boards[:best], boards[best+1:]...)
			}
		case hardware.RolePin:
			f.board = boards[(f.board*2+1)*len(boards)/(2*max(k.cfg.Probes.Pins, 1))%len(boards)]
			f.off = 0.5
		}
	}
}

// truth gives what a probe would show with neither lag nor error.
func (k *Kiln) truth(f *fitted) float64 {
	s := &k.s
	switch f.role {
	case hardware.RoleDryBulb:
		return s.RoomT
	case hardware.RoleWetBulb:
		coefficient := wickFull
		if s.Speed < 0.3 {
			coefficient = wickStill
		}
		pressure := float64(k.cfg.Pressure)
		s.WetBulb = wetBulb(s.RoomT, vapourPressure(s.RoomW, pressure), pressure, coefficient, s.WetBulb)
		return s.WetBulb + s.WickDryness*(s.RoomT-s.WetBulb) + s.WickDirt
	case hardware.RoleHumidity:
		return s.RoomRH
	case hardware.RoleLeavingAir:
		return s.LoadT
	case hardware.RoleCore:
		return k.wood.coreTemperature(f.board, f.off)
	case hardware.RolePin:
		m := k.wood.at(f.board, f.off)
		t := k.wood.T[f.board*heatNodes+heatNodes/2]
		return pinLogOhm(m, t)
	case hardware.RoleCoil:
		if s.MachineOn > 0 {
			return s.Pump.Coil
		}
		if s.Ice > 0 {
			return min(s.RoomT, 0)
		}
		return s.RoomT
	case hardware.RoleSuction:
		if s.MachineOn > 0 {
			return s.Pump.Te + 1
		}
		return s.RoomT
	case hardware.RoleShell:
		return s.Shell
	case hardware.RoleOutdoorTemperature:
		return s.OutT
	case hardware.RoleOutdoorHumidity:
		return min(1, s.OutP/saturation(s.OutT))
	case hardware.RoleLoadCell:
		b := &s.Samples[f.board]
		mass := b.OvenDry * (1 + k.wood.mean(b.Board)/100)
		if k.cfg.Probes.Ideal {
			return mass + s.CellSlip
		}
		// Creeps by 0.02 % a day for a week and drifts by 20 ppm a kelvin: usual data of load cells, no source.
		creep := 2e-4 * 7 * (1 - math.Exp(-s.Now.Hours()/24/7))
		return mass*(1+creep+20e-6*(s.RoomT-20)) + s.CellSlip
	}
	return 0
}

func (k *Kiln) humidity() float64 {
	return vapourPressure(k.s.RoomW, float64(k.cfg.Pressure)) / saturation(k.s.RoomT)
}

// douglasFir gives log10 of megohm at 7 to 25 % and 80 F: James, FPL-GTR-6 (1988) Table 1 (from memory).
var douglasFir = [...]float64{22400, 4780, 1660, 630, 265, 120, 60, 33, 18.6, 11.2, 7.1, 4.6, 3.09, 2.14, 1.51, 1.10, 0.79, 0.60, 0.46}

var douglasFirLog = func() (log [len(douglasFir)]float64) {
	for i, mohm := range douglasFir {
		log[i] = math.Log10(mohm)
	}
	return log
}()

// pinLogOhm gives log10 of the resistance between pins in wood of moisture m and temperature t: what a meter would read
// rises by 0.1 point a kelvin over 26.7 C at 12 % and 0.15 at 20 % (James 1988, chart, from memory).
func pinLogOhm(m, t float64) float64 {
	reading := m + (t-26.7)*max(0.02, 0.1+0.00625*(m-12))
	x := min(max(reading, 4), 60) - 7
	i := min(max(int(math.Floor(x)), 0), len(douglasFir)-2)
	low, high := douglasFirLog[i], douglasFirLog[i+1]
	return 6 + max(low+(x-float64(i))*(high-low), -1.5)
}

func (k *Kiln) startSensors() {
	k.placeProbes()
	k.s.WetBulb = k.s.RoomT - 3
	k.s.RoomRH = k.humidity()
	for i := range k.fitted {
		k.s.Sensor[i] = k.truth(&k.fitted[i])
	}
	k.sample()
}

// sample measures every probe.
func (k *Kiln) sample() {
	s := &k.s
	s.SampleAt = s.Now + sampling
	s.Sampled = s.Now
	elapsed := sampling.Hours() / 24
	if v := s.Severity[WickDry]; v > 0 {
		s.WickDryness = min(1, s.WickDryness+2*v*elapsed)
	}
	if v := s.Severity[WickDirty]; v > 0 {
		s.WickDirt += 0.1 * v * elapsed
	}
	s.RoomRH = k.humidity()
	if rh := s.RoomRH; !k.cfg.Probes.Ideal {
		if rh > 0.90 {
			s.HumidityDrift += 0.015 / 30 * elapsed // capacitive films swell: 1.5 % RH a month, common experience
		}
		if rh > 0.985 { // dew on the probe: it shows full air until it has dried off
			s.Wetted = s.Now + 20*time.Minute
		}
	}
	s.HumidityDrift += 0.01 * s.Severity[HumidityDrift] * elapsed
	r := &s.SensorRandom
	for i := range k.fitted {
		f := &k.fitted[i]
		v := k.truth(f)
		v += (s.Sensor[i] - v) * f.keep
		s.Sensor[i] = v
		v += f.bias
		if f.sigma > 0 {
			v += f.sigma * r.noise()
		}
		q := hardware.Valid
		switch f.role {
		case hardware.RoleHumidity, hardware.RoleOutdoorHumidity:
			if f.role == hardware.RoleHumidity {
				v += s.HumidityDrift
				if s.Severity[HumidityWet] > 0 || s.Wetted > s.Now {
					v = 1
				}
			}
			v = min(max(v, 0), 1)
		case hardware.RolePin:
			ohm := math.Exp(math.Ln10 * v)
			leak := 1e12 // cable
			if v := s.Severity[PinLeak]; v > 0 {
				leak = 1e9 / v
			}
			v = min(max(ohm*leak/(ohm+leak), 1e5), 1e11) // the meter's range
		}
		if fault := s.ProbeFault[i]; fault != NoFault {
			v, q = k.spoil(i, f, fault, v)
			if f.humid() {
				v = min(max(v, 0), 1) // a transmitter ends at its range, whatever is wrong with it
			}
		}
		if f.bus() {
			switch {
			case s.Severity[BusDown] > 0:
				q = hardware.NoAnswer
			case s.PowerOn && f.thermometer():
				v = powerOnValue
			}
		}
		if q == hardware.NoAnswer || q == hardware.Checksum {
			s.Reading[i].Quality = q
			s.Reading[i].Age += sampling
			continue
		}
		if f.thermometer() && (v < coldestRead || v > hottestRead) {
			q = hardware.Implausible
		}
		s.Reading[i] = hardware.Reading{Value: quantity.Quantize(v, f.role.Resolution()), Quality: q}
	}
	s.PowerOn = false
	if s.Severity[ProbeDuplicate] > 0 {
		for i := range k.fitted {
			if s.ProbeFault[i] != ProbeDuplicate || !k.fitted[i].thermometer() {
				continue // only thermometers can be taken for each other
			}
			if i > 0 {
				s.Reading[i] = s.Reading[0]
			} else if len(k.fitted) > 1 && k.fitted[1].thermometer() {
				s.Reading[0] = s.Reading[1]
			}
		}
	}
	if s.Severity[ProbesCrossed] > 0 && k.dry >= 0 && k.wet >= 0 {
		s.Reading[k.dry], s.Reading[k.wet] = s.Reading[k.wet], s.Reading[k.dry]
	}
}

// Range of a digital thermometer, Celsius: Maxim DS18B20 datasheet (2019), electrical characteristics (from memory).
const (
	coldestRead = -55
	hottestRead = 125
)

// powerOnValue is what bus thermometers give before their first measurement.
const powerOnValue = 85

// bus tells whether a probe hangs on the digital bus; pins and load cells have meters of their own.
func (f *fitted) bus() bool { return f.role != hardware.RolePin && f.role != hardware.RoleLoadCell }

func (f *fitted) humid() bool {
	return f.role == hardware.RoleHumidity || f.role == hardware.RoleOutdoorHumidity
}

func (f *fitted) thermometer() bool { return f.bus() && !f.humid() }

// spoil gives what a faulty probe shows.
func (k *Kiln) spoil(i int, f *fitted, fault FaultKind, v float64) (float64, hardware.Quality) {
	s := &k.s
	severity := s.ProbeSeverity[i]
	unit := 1.0 // K
	if f.humid() {
		unit = 0.04
	}
	switch fault {
	case ProbeOpen, ProbeShort:
		return 0, hardware.Implausible
	case ProbeStuck:
		return s.Reading[i].Value, hardware.Valid
	case ProbeNoAnswer:
		return v, hardware.NoAnswer
	case ProbeChecksum:
		return v, hardware.Checksum
	case ProbeDrift:
		s.ProbeDrift[i] += severity * unit * sampling.Hours() / 24
		return v + s.ProbeDrift[i], hardware.Valid
	case ProbeNoise:
		return v + 2*severity*unit*s.SensorRandom.noise(), hardware.Valid
	case ProbePowerOn:
		if !f.thermometer() {
			return v, hardware.NoAnswer // what has no such value is silent while it starts
		}
		return powerOnValue, hardware.Valid
	case PinLoose:
		s.ProbeDrift[i] += severity * sampling.Hours()
		return min(v*math.Pow(10, s.ProbeDrift[i]), 1e11), hardware.Valid
	case ProbeInAir:
		if f.role == hardware.RoleCore {
			return s.RoomT, hardware.Valid
		}
	}
	return v, hardware.Valid
}
