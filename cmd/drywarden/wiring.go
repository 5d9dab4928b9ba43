package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/hardware"
	"drywarden/hardware/board"
	"drywarden/hardware/probe/modbus"
)

func (a *app) wiringCommand() *cobra.Command {
	var config string
	cmd := &cobra.Command{
		Use:   "wiring --config FILE",
		Short: "The wiring table of a kiln file, for the electrician",
		Args:  cobra.NoArgs,
		RunE:  act(func(*cobra.Command, []string) error { return a.wiring(config) }),
	}
	cmd.Flags().StringVar(&config, "config", "", "kiln `file`")
	_ = cmd.MarkFlagRequired("config")
	return cmd
}

type wireJSON struct {
	Kind    string `json:"kind"` // output, contact, probe, meter, drive, expander, converter
	Name    string `json:"name"`
	Where   string `json:"where"`
	Level   string `json:"level"` // at which it is energised or active; a driver's name
	Details string `json:"details"`
	Circuit string `json:"circuit"` // what must be connected, and how
}

func (a *app) wiring(path string) error {
	file, err := boardFile(path)
	if err != nil {
		return err
	}
	list := wires(file)
	if a.json {
		return a.print(list)
	}
	fmt.Fprintf(a.out, `Wiring of kiln %s. Work on mains and on machines is a licensed electrician's, by the
local code. The hard-wired limit, pressure cut-outs, airflow switch and emergency
stop act without the computer. Every output must be off at a low or open line:
fit pull-downs. The heartbeat's relay drops the master contactor within 3 s.

`, file.Name)
	w := a.columnsOf()
	for _, x := range list {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", x.Kind, x.Name, x.Where, x.Level, x.Details)
		if x.Circuit != "" {
			fmt.Fprintf(w, "\t\t\t\t%s\n", x.Circuit)
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(a.out)
	for _, note := range wiringNotes(list) {
		fmt.Fprint(a.out, wrap("- ", note, "  "))
	}
	return nil
}

// What outputs may have beside their line.
const (
	mirror     = "mirror contact"
	transducer = "current transducer"
)

// wiringNotes tells what holds for every part of its kind.
func wiringNotes(list []wireJSON) []string {
	notes := []string{
		"Lines of the computer, of its converters and of expanders bear 3.3 V and some milliamperes, never more: 5 V, 24 V or mains on one destroys it. Outputs drive the input of a relay or driver board, whose supply is isolated from them; each line has 10 kohm to ground.",
		"Contacts are free of voltage, made for small signals, and in cables away from mains. What switches another voltage comes in through an interposing relay or an opto-coupler. \"Normally closed\" is closed while the thing named is not so, machine at rest: then a broken wire reads as the careful side. Pull-ups and pull-downs are 10 kohm; a cable that leaves the box wants 1 kohm in series with the line.",
	}
	seen := map[string]bool{}
	for _, x := range list {
		seen[x.Level] = true // of a probe, its driver
		for _, part := range []string{mirror, transducer} {
			seen[part] = seen[part] || strings.Contains(x.Details+x.Circuit, part)
		}
	}
	add := func(when bool, note string) {
		if when {
			notes = append(notes, note)
		}
	}
	add(seen[mirror], "A mirror contact (IEC 60947-4-1) cannot be closed while a main contact is: it is normally closed, and a welded contactor shows.")
	add(seen[transducer], "Currents come from transducers with an isolated DC output of 0 to 3.3 V. A bare current transformer is none: its AC harms the converter. The secondary of a transformer is never left open: the voltage there kills.")
	add(seen[board.MAX31865], "PT100: set the jumpers of the converter board for its wires. Without 10 Mohm from RTDIN+ to BIAS a broken RTDIN+ wire goes unseen with 3 and 4 wires. Screens are earthed at the box only. Two wires add the cable to the reading: 0.4 ohm is a kelvin.")
	add(seen[board.DS18B20], "DS18B20: three wires, 3.3 V, one line without branches, 4.7 kohm from data to 3.3 V once a bus.")
	add(seen[board.SHT3x] || seen[board.SHT4x], "I2C stays within 1 m, apart from mains.")
	add(seen[board.Modbus], "RS-485: one line without branches, a twisted pair and a common ground, 120 ohm at both of its ends and nowhere else.")
	return notes
}

// opens are the contacts that open to tell what they are there for: it forbids. The others close: what they tell allows.
const opens = dangerous

// dry tells how a contact without voltage gives a line the level active: an open wire reads as the careful side.
func dry(active kilnfile.Level, opening bool) string {
	kind, atRest := "normally open", kilnfile.Low
	if opening {
		kind = "normally closed"
	}
	// The level of the open circuit is the pull's; the contact goes to the other rail.
	if (active == kilnfile.High) == opening {
		atRest = kilnfile.High
	}
	if atRest == kilnfile.High {
		return kind + ", to ground; pull-up to 3.3 V"
	}
	return kind + ", to 3.3 V; pull-down"
}

func wires(file *kilnfile.File) []wireJSON {
	list := []wireJSON{}
	add := func(kind, name, where, level, details, circuit string) {
		list = append(list, wireJSON{kind, name, where, level, details, circuit})
	}
	for _, o := range file.Outputs {
		var details []string
		if o.ID == hardware.Heartbeat {
			details = append(details, "to the timer relay of the master contactor: 3 s without a change and it drops")
		}
		if o.ReadBack != "" {
			details = append(details, mirror+" to "+o.ReadBack+": "+dry(o.Closed, true))
		}
		if o.Current != "" {
			details = append(details, transducer+" to "+o.Current+perVolt(file, o.Current))
		}
		details = append(details, "", "")
		add("output", o.ID.String(), o.Line, o.Active.String()+" energises", details[0], details[1])
	}
	for _, c := range file.Contacts {
		add("contact", c.ID.String(), c.Line, c.Active.String()+" is active", dry(c.Active, opens.Has(c.ID)), "")
	}
	for i := range file.Probes {
		p := &file.Probes[i]
		add("probe", p.ID, strings.TrimSpace(p.Bus+" "+p.Address), p.Driver, p.Place, probeCircuit(p))
	}
	for _, m := range []struct {
		name  string
		meter *kilnfile.Meter
	}{{"condensate", file.Condensate}, {"energy", file.Energy}} {
		switch {
		case m.meter == nil:
		case m.meter.Register != nil:
			add("meter", m.name, m.meter.Bus+" "+m.meter.Address, board.Modbus, "", serialCircuit(m.meter.Baud, m.meter.Parity))
		default:
			add("meter", m.name, m.meter.Line, "pulses "+m.meter.Pulse.String(), dry(m.meter.Pulse, false), "")
		}
	}
	for i, channel := range file.Fans.Channels {
		fans := "all fan groups"
		if len(file.Fans.Channels) > 1 {
			fans = "fan group " + strconv.Itoa(i+1)
		}
		add("drive", fans, channel, strconv.FormatFloat(file.Fans.Frequency, 'g', -1, 64)+" Hz",
			"smoothed, isolated, to the drive's speed input; its start input hangs on the fan outputs", "")
	}
	for _, e := range file.Expanders {
		add("expander", e.Name, e.Bus+" "+e.Address, "mcp23017", "pins 0 to 7 are GPA0 to GPA7, 8 to 15 GPB0 to GPB7", strap(e.Address, expanderStraps))
	}
	for _, v := range file.Converters {
		add("converter", v.Name, v.Bus+" "+v.Address, board.ADS1115, "inputs 0 to 3 are AIN0 to AIN3; 3.3 V supply", strap(v.Address, converterStraps))
	}
	return list
}

// perVolt tells the range that a current's transducer must have.
func perVolt(file *kilnfile.File, current string) string {
	name, _, _ := strings.Cut(current, "/")
	for _, v := range file.Converters {
		if v.Name == name {
			return fmt.Sprintf(": %g A a volt, %g V without a current", v.PerVolt, v.Zero)
		}
	}
	return ""
}

// probeCircuit tells what a probe wants beside its bus.
func probeCircuit(p *kilnfile.Probe) string {
	switch {
	case p.RTD != nil:
		r := p.RTD
		text := fmt.Sprintf("PT%g, %d wires; reference resistor %g ohm; %d Hz mains", float64(r.Nominal), r.Wires, float64(r.Reference), r.Mains)
		if r.Wires > 2 {
			text += "; 10 Mohm from RTDIN+ to BIAS"
		}
		return text
	case p.Registers != nil:
		return serialCircuit(p.Registers.Baud, p.Registers.Parity)
	case p.FrontEnd != nil && p.FrontEnd.Divider != nil:
		d := p.FrontEnd.Divider
		return fmt.Sprintf("%g V over the pins and %v to ground; measured over the resistor", d.Supply, d.Reference)
	case p.FrontEnd != nil && p.FrontEnd.Logarithmic != nil:
		l := p.FrontEnd.Logarithmic
		return fmt.Sprintf("logarithmic amplifier: %g V at its check resistor of %v", l.At, l.Reference)
	case p.Weigh != nil:
		return fmt.Sprintf("%s, load cell for %v", p.Weigh.Chip, p.Weigh.Most)
	}
	return ""
}

// serialCircuit tells how the device on a serial line must be set.
func serialCircuit(baud int, parity modbus.Parity) string {
	if baud == 0 {
		baud = 9600
	}
	return fmt.Sprintf("RS-485: the device's address as said, %d baud, 8 bits, %s parity, 1 stop bit", baud, strings.Replace(parity.String(), "none", "no", 1))
}

// How the address pins of chips are connected (datasheets of MCP23017 and ADS1115).
func expanderStraps(address int64) string {
	pin := func(bit int64) string { return map[int64]string{0: "ground", 1: "3.3 V"}[address>>bit&1] }
	return fmt.Sprintf("A0 to %s, A1 to %s, A2 to %s; RESET to 3.3 V", pin(0), pin(1), pin(2))
}

func converterStraps(address int64) string {
	return "ADDR to " + []string{"ground", "3.3 V", "SDA", "SCL"}[address&3]
}

func strap(address string, of func(int64) string) string {
	if n := numberOf(address); n >= 0 {
		return of(n)
	}
	return ""
}
