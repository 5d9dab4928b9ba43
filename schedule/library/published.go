package library

import (
	"embed"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

//go:embed data/*.csv
var data embed.FS

// Source names the publication of every code.
const Source = "Simpson (ed.) 1991, Dry Kiln Operator's Manual, USDA AH-188, ch. 7 (tables from memory)"

// Step is one element of a published schedule, in force from FromMC until the next one's.
type Step struct {
	FromMC     quantity.MoistureContent // 0 in the green step
	DryBulb    quantity.Celsius
	Depression quantity.CelsiusDelta // at the pressure for which the step was written
	EMC        quantity.MoistureContent
}

// Published is a code written out as printed, at sea level and without any cap.
type Published struct {
	Code   string
	Source string
	Steps  []Step
	Notes  []string // each step that asks for drier air than there is
}

// temperatureAt are the moistures at which the temperature table changes its step; the first is the green step.
var temperatureAt = [...]float64{0, 30, 25, 20, 15}

// Codes gives every code of the species index, sorted, without doubles.
func Codes() []string {
	var codes []string
	for _, row := range indexRows() {
		codes = append(codes, row.thin, row.thick)
	}
	slices.Sort(codes)
	return slices.Compact(codes)
}

// Entry is a row of the species index.
type Entry struct {
	Species    string
	Scientific string
	Code44     string // 4/4 to 6/4
	Code84     string
}

// Index gives the species index in its printed order.
func Index() []Entry {
	var list []Entry
	for _, row := range indexRows() {
		list = append(list, Entry{row.species, row.scientific, row.thin, row.thick})
	}
	return list
}

// Literal writes out a code such as "T4-D2", in any case. The published EMC is Hailwood-Horrobin's at the published dry
// bulb and thermodynamic wet bulb at sea level, and 0 where no air has so great a depression (50 F at 105 F), which a note
// says. The error says which part of the code is not in the tables.
func Literal(code string) (Published, error) {
	code = strings.ToUpper(strings.TrimSpace(code))
	temperature, rest, found := strings.Cut(code, "-")
	if !found || len(rest) != 2 {
		return Published{}, fmt.Errorf("schedule code %q: expected temperature, moisture class and depression as in T4-D2", code)
	}
	dry, errT := tableRow("schedule_temperature_codes.csv", temperature, "temperature code")
	class, errC := tableRow("schedule_mc_classes.csv", rest[:1], "moisture class")
	depression, errD := tableRow("schedule_wetbulb_depression.csv", rest[1:], "depression number")
	if err := errors.Join(errT, errC, errD); err != nil {
		return Published{}, fmt.Errorf("schedule code %q: %w", code, err)
	}
	// Columns of the class table: range (2), then where each depression step starts.
	depressionAt := append([]float64{0}, class[3:8]...)
	triggers := slices.Concat(temperatureAt[1:], depressionAt[1:])
	slices.Sort(triggers)
	triggers = slices.Compact(triggers)
	slices.Reverse(triggers)

	published := Published{Code: code, Source: Source}
	for _, from := range append([]float64{0}, triggers...) {
		db := quantity.FromFahrenheit(inForce(temperatureAt[:], dry, from))
		dep := quantity.CelsiusDelta(inForce(depressionAt, depression, from) / 1.8)
		// Such a step means that the vents stand open; the driest air that there is comes nearest.
		rh := max(0, wood.RHFromWetBulb(db, db-quantity.Celsius(dep), wood.StandardPressure))
		published.Steps = append(published.Steps, Step{
			FromMC: quantity.MoistureContent(from), DryBulb: db, Depression: dep, EMC: wood.EMC(db, rh),
		})
	}
	published = published.withoutRepeats()
	for i := range published.Steps {
		if note := published.Steps[i].tooDry(); note != "" {
			published.Notes = append(published.Notes, note)
		}
	}
	return published, nil
}

// tooDry says that a published step asks for air that is not, or nothing.
func (s *Step) tooDry() string {
	if s.EMC > 0 {
		return ""
	}
	return fmt.Sprintf("%s: no air of %s has a depression of %s; bone-dry air is meant", s.name(), temperature(s.DryBulb), difference(s.Depression))
}

// inForce gives the value of a column that holds when the moisture has fallen to from; 0 stands for green.
func inForce(at, values []float64, from float64) float64 {
	if from == 0 {
		return values[0]
	}
	value := values[0]
	for i := 1; i < len(at); i++ {
		if from <= at[i] {
			value = values[i]
		}
	}
	return value
}

// withoutRepeats drops triggers at which neither table changes its figure.
func (p Published) withoutRepeats() Published {
	p.Steps = slices.CompactFunc(p.Steps, func(a, b Step) bool { return a.DryBulb == b.DryBulb && a.Depression == b.Depression })
	return p
}

type indexRow struct{ species, scientific, thin, thick string }

func indexRows() []indexRow {
	var rows []indexRow
	for _, r := range readTable("schedule_species_index.csv") {
		rows = append(rows, indexRow{r[0], r[1], r[2], r[3]})
	}
	return rows
}

// tableRow gives the numbers of the row whose first cell is key; the last column is the row's status.
func tableRow(file, key, what string) ([]float64, error) {
	var keys []string
	for _, r := range readTable(file) {
		if r[0] != key {
			keys = append(keys, r[0])
			continue
		}
		var numbers []float64
		for _, cell := range r[1 : len(r)-1] {
			number, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				return nil, fmt.Errorf("read %s: %w", file, err)
			}
			numbers = append(numbers, number)
		}
		return numbers, nil
	}
	return nil, fmt.Errorf("no %s %q, there are %s", what, key, strings.Join(keys, " "))
}

// readTable gives the rows of an embedded table without comments and header. The tables are part of the program: one that
// does not read is a broken build, and the tests read each of them.
func readTable(file string) [][]string {
	text, err := fs.ReadFile(data, "data/"+file)
	if err != nil {
		panic(err)
	}
	reader := csv.NewReader(strings.NewReader(string(text)))
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		panic(fmt.Errorf("read %s: %w", file, err))
	}
	return rows[1:]
}
