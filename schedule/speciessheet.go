package schedule

import (
	"slices"
	"strconv"
	"strings"

	"drywarden/hardware/quantity"
	"drywarden/schedule/library"
	"drywarden/schedule/sheet"
	"drywarden/schedule/wood"
)

type speciesFile struct {
	Species []speciesData `toml:"species,required"`
}

type speciesData struct {
	Name             string                   `toml:"name,required"`
	Scientific       string                   `toml:"scientific"`
	Also             []string                 `toml:"also"`
	Source           string                   `toml:"source,required"`
	Group            groupName                `toml:"group,required"`
	Softwood         bool                     `toml:"softwood"`
	GreenHeart       quantity.MoistureContent `toml:"green_heart"`
	GreenSap         quantity.MoistureContent `toml:"green_sap"`
	ShrinkRadial     quantity.Ratio           `toml:"shrink_radial"`
	ShrinkTangential quantity.Ratio           `toml:"shrink_tangential"`
	ShrinkVolumetric quantity.Ratio           `toml:"shrink_volumetric"`
	BasicGravity     float64                  `toml:"basic_gravity,required"`
	Gravity12        float64                  `toml:"gravity_12"`
	SafeRate         quantity.MoisturePerDay  `toml:"safe_rate"`
	SafeRate84       quantity.MoisturePerDay  `toml:"safe_rate_84"`
	GreenMaxDryBulb  quantity.Celsius         `toml:"green_dry_bulb_max,required"`
	MaxDryBulb       quantity.Celsius         `toml:"dry_bulb_max,required"`
	ScheduleAs       string                   `toml:"schedule_as"`
	Note             string                   `toml:"note"`
}

// groupName reads a group in a file.
type groupName uint8

func (g groupName) String() string { return wood.Group(g).String() }

func (g *groupName) UnmarshalText(b []byte) error {
	group, err := wood.ParseGroup(string(b))
	*g = groupName(group)
	return err
}

// ParseSpecies reads a file of an operator's own species: a [[species]] table for each, with its name, group, basic specific
// gravity, greatest dry bulbs and the source of the figures; the rest may be left out. The rows pass the same checks as the
// published ones (wood.Species.Validate). The error is *sheet.Faults with every fault, and then there is no table.
func ParseSpecies(name string, text []byte) (wood.Table, error) {
	var file speciesFile
	s := sheet.Read(name, text, &file)
	own := make([]wood.Species, 0, len(file.Species))
	for i := range file.Species {
		d, at := &file.Species[i], sheet.At("species", i)
		if d.ScheduleAs != "" && !inIndex(d.ScheduleAs) {
			s.Fault(sheet.Sub(at, "schedule_as"), strconv.Quote(d.ScheduleAs), "a species of the published index, see schedule list")
		}
		species := d.species()
		if err := species.Validate(); err != nil {
			for line := range strings.SplitSeq(err.Error(), "\n") {
				tell(s, at, line)
			}
		}
		own = append(own, species)
	}
	if s.Err() != nil {
		return wood.Table{}, s.Err()
	}
	table, err := wood.NewTable(own)
	if err != nil {
		for line := range strings.SplitSeq(err.Error(), "\n") {
			s.Fault("species", line, "a name of its own for each species")
		}
		return wood.Table{}, s.Err()
	}
	return table, nil
}

// tell makes a fault of one line of Validate: "species NAME: what it is, expected what it should be".
func tell(s *sheet.Sheet, at, line string) {
	found, expected, _ := strings.Cut(line, ", expected ")
	if _, after, ok := strings.Cut(found, ": "); ok {
		found = after
	}
	for _, k := range speciesKeys {
		if strings.HasPrefix(found, k.what) {
			at = sheet.Sub(at, k.key)
			break
		}
	}
	s.Fault(at, found, expected)
}

// speciesKeys tells by its words to which key a fault belongs; the first that fits counts.
var speciesKeys = []struct{ what, key string }{
	{"basic specific gravity", "basic_gravity"}, {"specific gravity at", "gravity_12"},
	{"green moisture of the heart", "green_heart"}, {"green moisture of the sap", "green_sap"},
	{"radial", "shrink_radial"}, {"tangential", "shrink_tangential"}, {"volumetric", "shrink_volumetric"},
	{"greatest dry bulb while green", "green_dry_bulb_max"}, {"greatest dry bulb", "dry_bulb_max"},
	{"safe rate of 8/4", "safe_rate_84"}, {"safe rate", "safe_rate"}, {"where the figures", "source"}, {"a name without", "name"},
}

func inIndex(name string) bool {
	return slices.ContainsFunc(library.Index(), func(e library.Entry) bool { return e.Species == name })
}

func (d *speciesData) species() wood.Species {
	status := ""
	if d.Source != "" {
		status = "operator's own: " + d.Source
	}
	return wood.Species{
		Name: d.Name, Scientific: d.Scientific, Aliases: d.Also, Group: wood.Group(d.Group), Softwood: d.Softwood,
		GreenHeart: d.GreenHeart, GreenSap: d.GreenSap,
		ShrinkRadial: d.ShrinkRadial, ShrinkTangential: d.ShrinkTangential, ShrinkVolumetric: d.ShrinkVolumetric,
		BasicGravity: d.BasicGravity, Gravity12: d.Gravity12, SafeRate: d.SafeRate, SafeRate84: d.SafeRate84,
		GreenMaxDryBulb: d.GreenMaxDryBulb, MaxDryBulb: d.MaxDryBulb, IndexName: d.ScheduleAs, Note: d.Note,
		Status: status,
	}
}
