package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"drywarden/hardware/board"
)

func (a *app) probeListCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "List what answers on every bus, ready to be pasted into a kiln file",
		Long: `list looks at every bus of this computer, at the addresses that a kiln's chips
can have, and tells what answers, as tables of a kiln file. What only you can
know (which role, where it hangs) stands there as a comment: fill it in.

It changes no output and no setting, and a chip that it does not know it only
reads from. SPI has no addresses: there a MAX31865 is read, and a chip of
another kind gets nine bytes of zero. Modbus devices cannot be found without
knowing their settings. A humidity sensor that measures for a daemon would lose
that measurement: beside a daemon that uses a bus or line of this computer it
refuses.`,
		Args: cobra.NoArgs,
		RunE: act(func(*cobra.Command, []string) error { return a.probeList() }),
	}
}

type foundJSON struct {
	Bus     string `json:"bus"`
	Address string `json:"address"`
	Driver  string `json:"driver"`
	Perhaps string `json:"perhaps"`
	Saw     string `json:"saw"`
}

type lineJSON struct {
	Chip  string `json:"chip"`
	Label string `json:"label"`
	Line  int    `json:"line"`
	Name  string `json:"name"`
	User  string `json:"user"`
}

func (a *app) probeList() error {
	host, err := a.host()
	if err != nil {
		return err
	}
	if used := host.InUse(); len(used) > 0 {
		return failf(exitRefused, "another drywarden uses %s: stop it first (systemctl stop drywarden@NAME)", strings.Join(used, ", "))
	}
	found, chips := board.Scan(host, host.Places(), nil), host.Chips()
	if !a.json {
		return paste(a.out, found, chips)
	}
	told := struct {
		Found []foundJSON `json:"found"`
		Lines []lineJSON  `json:"lines"`
	}{Found: []foundJSON{}, Lines: []lineJSON{}}
	for _, f := range found {
		told.Found = append(told.Found, foundJSON(f))
	}
	for _, chip := range chips {
		for i, line := range chip.Lines {
			told.Lines = append(told.Lines, lineJSON{chip.Name, chip.Label, i, line.Name, line.User})
		}
	}
	return a.print(told)
}

// rolesOf names what a driver's probes can be for, the commonest first; wants is a table that the driver needs.
var rolesOf = map[string]struct{ roles, wants string }{
	board.MAX31865: {"dry_bulb, wet_bulb, leaving_air, core, ...", `rtd = { wires = 4, reference = "430 ohm", mains_hz = 60 }`},
	board.DS18B20:  {"core, coil, leaving_air, dry_bulb, ...", ""},
	board.SHT3x:    {"humidity, outdoor_humidity, leaving_air, outdoor_temperature, ...", ""},
	board.SHT4x:    {"humidity, outdoor_humidity, leaving_air, outdoor_temperature, ...", ""},
	board.IIO:      {"load_cell", `weigh = { chip = "hx711", tare_counts = 8388608.0, kilograms_per_count = 5e-5, rated_load = "20 kg" }`},
}

// paste writes what was found as TOML: what is known as tables, what a person must say, and what is no part, as comments.
func paste(out io.Writer, found []board.Found, chips []board.Chip) error {
	var b strings.Builder
	b.WriteString("# What answers on the buses of this computer, for a kiln file. Take the # away before\n" +
		"# a role and a place, and say there what the probe is for and where it hangs.\n\n")
	if len(found) == 0 {
		b.WriteString("# Nothing on any bus: is I2C, SPI or 1-wire switched on, and may this user open it?\n\n")
	}
	probes, expanders, converters := 0, 0, 0
	for _, f := range found {
		saw := strings.ReplaceAll(f.Saw, "\n", "; ")
		known, probe := rolesOf[f.Driver]
		switch {
		case probe:
			probes++
			fmt.Fprintf(&b, "[[probe]]\nid = %q\n", "probe-"+strconv.Itoa(probes))
			role, others, _ := strings.Cut(known.roles, ", ")
			fmt.Fprintf(&b, "# role = %q\n", role)
			if others != "" {
				fmt.Fprintf(&b, "#   or %s\n", others)
			}
			fmt.Fprintf(&b, "# place = \"where it hangs\"\ndriver = %q\nbus = %q\n", f.Driver, f.Bus)
			if f.Address != "" {
				fmt.Fprintf(&b, "address = %q\n", f.Address)
			}
			if known.wants != "" {
				fmt.Fprintf(&b, "# %s\n", known.wants)
			}
			fmt.Fprintf(&b, "# seen: %s\n\n", saw)
		case f.Driver == board.MCP23017:
			fmt.Fprintf(&b, "[[expander]]\nid = %q\nbus = %q\naddress = %q\n# seen: %s\n\n", "expander-"+strconv.Itoa(expanders), f.Bus, f.Address, saw)
			expanders++
		case f.Perhaps == board.ADS1115:
			fmt.Fprintf(&b, "# %s %s: %s.\n# If it measures currents:\n# [[converter]]\n# id = \"adc-%d\"\n# bus = %q\n# address = %q\n# amperes_per_volt = 20.0\n\n",
				f.Bus, f.Address, saw, converters, f.Bus, f.Address)
			converters++
		default:
			fmt.Fprintf(&b, "# %s: %s\n\n", strings.TrimSpace(f.Bus+" "+f.Address), saw)
		}
	}
	for _, chip := range chips {
		fmt.Fprintf(&b, "# Lines of %s, which the kernel labels %q:\n", chip.Name, chip.Label)
		for i, l := range chip.Lines {
			use := "free"
			if l.User != "" {
				use = "used by " + l.User
			}
			fmt.Fprintf(&b, "# line = \"%s/%d\"   # %s\n", chip.Name, i, strings.TrimSpace(l.Name+" "+use))
		}
	}
	_, err := io.WriteString(out, b.String())
	return err
}
