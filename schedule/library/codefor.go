package library

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// Green thicknesses between which the columns of the index are read: it prints one for 4/4 to 6/4 and one for 8/4.
const (
	thinnest quantity.Meter = 0.022
	over64   quantity.Meter = 0.0425
	over84   quantity.Meter = 0.055
	at64     quantity.Meter = 0.0365 // from here practice shades refractory stock towards the 8/4 code
)

// CodeFor gives the published code for a species and a green thickness. note says what was assumed: a hardwood that is not
// in the index takes the gentlest code of its group; a thickness outside 4/4 to 8/4 takes the nearest column. Softwood codes
// are not available: the error says so.
func CodeFor(species string, thickness quantity.Meter) (code, note string, err error) {
	s, err := wood.LookupSpecies(species)
	if err != nil {
		return "", "", fmt.Errorf("find schedule: %w", err)
	}
	return CodeForSpecies(s, thickness)
}

// CodeForSpecies is CodeFor for a species at hand, of whatever table. One of an operator's own takes the row of the index
// that its IndexName says, else the gentlest of its group like any other that is not in the index.
func CodeForSpecies(s *wood.Species, thickness quantity.Meter) (code, note string, err error) {
	if !(thickness > 0) {
		return "", "", fmt.Errorf("find schedule for %s: thickness %v is not above 0", s.Name, thickness)
	}
	if s.Softwood {
		return "", "", fmt.Errorf("find schedule for %s: no softwood codes are published here, give the schedule inline", s.Name)
	}
	row, found := rowOf(s)
	if !found {
		row = gentlest(s.Group, thickness)
		note = fmt.Sprintf("assumed: %s is not in the published index, the gentlest code of the %s group (%s) is taken", s.Name, s.Group, row.species)
	}
	column, thick := columnOf(s.Group, thickness)
	if thick {
		code = row.thick
	} else {
		code = row.thin
	}
	return code, joinNotes(note, column), nil
}

func columnOf(group wood.Group, thickness quantity.Meter) (note string, thick bool) {
	switch {
	case thickness < thinnest:
		return fmt.Sprintf("assumed: no code is published for %v, the 4/4 one is taken", thickness), false
	case thickness > over84:
		return fmt.Sprintf("assumed: no code is published for %v, the 8/4 one is taken; thicker stock wants a milder schedule", thickness), true
	case thickness > over64:
		return "", true
	case thickness >= at64 && group == wood.Refractory:
		return "6/4 of refractory woods: practice shades the published code towards the 8/4 one", false
	}
	return "", false
}

func joinNotes(a, b string) string {
	if a != "" && b != "" {
		return a + "; " + b
	}
	return a + b
}

func rowOf(s *wood.Species) (indexRow, bool) {
	for _, row := range indexRows() {
		if s.IndexName != "" && row.species == s.IndexName {
			return row, true
		}
	}
	return indexRow{}, false
}

// gentlest gives the row of a group whose code is the slowest: smallest depression number, then lowest temperature number,
// then the class that leaves the first step last.
func gentlest(group wood.Group, thickness quantity.Meter) indexRow {
	var best indexRow
	bestRank := math.MaxInt
	for _, row := range indexRows() {
		s, err := wood.LookupSpecies(row.species)
		if err != nil || s.Group != group {
			continue
		}
		code := row.thin
		if thickness > over64 {
			code = row.thick
		}
		if r := rank(code); r < bestRank {
			best, bestRank = row, r
		}
	}
	return best
}

// rank orders codes from gentle to harsh.
func rank(code string) int {
	temperature, rest, _ := strings.Cut(strings.TrimPrefix(code, "T"), "-")
	t, _ := strconv.Atoi(temperature) // the tests parse every code of the index
	return int(rest[1]-'0')*10000 + t*100 + int(rest[0]-'A')
}

// stepAt gives the index of the step in force at a moisture; 0 stands for green.
func stepAt(steps []Step, mc quantity.MoistureContent) int {
	at := 0
	for i := 1; i < len(steps) && mc > 0; i++ {
		if mc <= steps[i].FromMC {
			at = i
		}
	}
	return at
}
