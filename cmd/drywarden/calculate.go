package main

import (
	"encoding"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
	"drywarden/schedule/wood"
)

// inputs are the flags of a calculator that carry a unit. They are read when the command runs, so that every fault is
// told together and in the form that --json asks for.
type inputs struct {
	cmd  *cobra.Command
	list []*input
}

type input struct {
	name string
	text string
	to   encoding.TextUnmarshaler
}

// add gives the command a flag that is read into to. usage puts the word for the value in back quotes.
func (in *inputs) add(to encoding.TextUnmarshaler, name, usage string) {
	i := &input{name: name, to: to}
	in.cmd.Flags().StringVar(&i.text, name, "", usage)
	in.list = append(in.list, i)
}

// given tells whether a flag stands on the command line.
func (in *inputs) given(name string) bool { return in.cmd.Flags().Changed(name) }

// read reads the flags that were given and demands the required ones.
func (in *inputs) read(required ...string) error {
	var faults []error
	for _, i := range in.list {
		if !in.given(i.name) {
			continue
		}
		if err := i.to.UnmarshalText([]byte(i.text)); err != nil {
			faults = append(faults, fmt.Errorf("--%s: %w", i.name, err))
		}
	}
	for _, name := range required {
		if !in.given(name) {
			faults = append(faults, fmt.Errorf("--%s is not given", name))
		}
	}
	return wrong(faults...)
}

// oneOf gives the only one of these flags that is given.
func (in *inputs) oneOf(names ...string) (string, error) {
	var found []string
	for _, name := range names {
		if in.given(name) {
			found = append(found, name)
		}
	}
	switch len(found) {
	case 0:
		return "", failf(exitUse, "give one of --%s; none is given", strings.Join(names, ", --"))
	case 1:
		return found[0], nil
	}
	return "", failf(exitUse, "give one of --%s; --%s are given", strings.Join(names, ", --"), strings.Join(found, " and --"))
}

// wrong makes one error of wrong use, in one line, of all that are not nil.
func wrong(errs ...error) error {
	err := errors.Join(errs...)
	if err == nil {
		return nil
	}
	return fail(exitUse, errors.New(oneLine(err)))
}

// oneLine gives several faults in one sentence.
func oneLine(err error) string { return strings.ReplaceAll(err.Error(), "\n", "; ") }

// pressure is an air pressure on the command line: with its unit, or a bare number in Pa.
type pressure struct{ quantity.Pascal }

func (p *pressure) UnmarshalText(b []byte) error {
	if v, err := strconv.ParseFloat(strings.TrimSpace(string(b)), 64); err == nil && quantity.Finite(v) {
		p.Pascal = quantity.Pascal(v)
		return nil
	}
	return p.Pascal.UnmarshalText(b)
}

// The range of air pressures for which moist air is checked against the reference program.
const lowestPressure, highestPressure = 30000, 110000

// station is where the air is: --altitude or --pressure.
type station struct {
	altitude quantity.Meter
	pressure pressure
}

func (s *station) flags(in *inputs) {
	in.add(&s.altitude, "altitude", "`height` above the sea, like \"1200 ft\" (default: sea level)")
	in.add(&s.pressure, "pressure", "air `pressure`, like \"845 hPa\", or in Pa without a unit")
}

// at gives the station's pressure, that of otherwise when neither is given.
func (s *station) at(in *inputs, otherwise quantity.Pascal) (quantity.Pascal, error) {
	switch {
	case in.given("altitude") && in.given("pressure"):
		return 0, failf(exitUse, "give one of --altitude, --pressure; both are given")
	case in.given("altitude"):
		return wood.StationPressure(s.altitude), nil
	case in.given("pressure"):
		if p := s.pressure.Pascal; !(p >= lowestPressure && p <= highestPressure) {
			return 0, failf(exitUse, "--pressure: air pressure %g Pa is out of range, expected %d Pa to %d Pa", float64(p), lowestPressure, highestPressure)
		}
		return s.pressure.Pascal, nil
	}
	return otherwise, nil
}

// speciesTable gives the published species and, when a file is named, those of the file.
func speciesTable(path string) (wood.Table, error) {
	if path == "" {
		return wood.Table{}, nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return wood.Table{}, failf(exitUse, "read species: %w", err)
	}
	return schedule.ParseSpecies(path, text)
}

// readKiln reads a kiln file and the species file that it names.
func readKiln(path string, text []byte) (*kilnfile.File, error) {
	file, err := kilnfile.Read(path, text)
	if err != nil || file.Own == "" {
		return file, err
	}
	if file.Species, err = speciesTable(file.Path(file.Own)); err != nil {
		return nil, err
	}
	return file, nil
}

func speciesFileFlag(cmd *cobra.Command, path *string) {
	cmd.Flags().StringVar(path, "species-file", "", "`file` with species of your own")
}

// finite gives nil for what does not exist: unknown is never zero.
func finite[T ~float64](v T) *float64 {
	x := float64(v)
	if !quantity.Finite(x) {
		return nil
	}
	return &x
}

// Both systems of units side by side.

func bothTemperatures(t quantity.Celsius) string {
	return fmt.Sprintf("%s F (%s C)", plain(t.Fahrenheit(), 1), plain(float64(t), 1))
}

func bothDeltas(d quantity.CelsiusDelta) string {
	return fmt.Sprintf("%s Fd (%s K)", plain(float64(d)*1.8, 1), plain(float64(d), 1))
}

func bothLengths(l quantity.Meter) string {
	return fmt.Sprintf("%s in (%s mm)", plain(float64(l)/0.0254, 2), plain(float64(l)*1000, 1))
}

func bothMasses(m quantity.Kilogram) string {
	if m < 5 {
		return fmt.Sprintf("%.3f lb (%.1f g)", float64(m)/0.45359237, float64(m)*1000)
	}
	return fmt.Sprintf("%.1f lb (%.1f kg)", float64(m)/0.45359237, float64(m))
}

// plain writes a number with at most this many digits after the point.
func plain(v float64, digits int) string {
	scale := math.Pow(10, float64(digits))
	return strconv.FormatFloat(math.Round(v*scale)/scale+0, 'f', -1, 64)
}

// columnsOf starts a table.
func (a *app) columnsOf() *tabwriter.Writer {
	return tabwriter.NewWriter(&trimmed{to: a.out}, 0, 0, 2, ' ', 0)
}

// trimmed drops spaces at the ends of lines.
type trimmed struct {
	to     io.Writer
	spaces int
}

func (t *trimmed) Write(b []byte) (int, error) {
	out := make([]byte, 0, len(b))
	for _, c := range b {
		switch c {
		case ' ':
			t.spaces++
			continue
		case '\n':
		default:
			out = append(out, strings.Repeat(" ", t.spaces)...)
		}
		t.spaces = 0
		out = append(out, c)
	}
	if _, err := t.to.Write(out); err != nil {
		return 0, err
	}
	return len(b), nil
}

// notes writes each note in its own paragraph.
func (a *app) notes(list []string) error {
	for _, n := range list {
		if _, err := fmt.Fprint(a.out, wrap("note: ", n, "  ")); err != nil {
			return err
		}
	}
	return nil
}
