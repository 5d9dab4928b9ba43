package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

func (a *app) woodCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "wood", Short: "Calculate sample boards, meter readings, prongs; look up species", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	cmd.AddCommand(a.speciesCommand(), a.boardCommand(), a.meterCommand(), a.prongCommand(), a.exposureCommand())
	return cmd
}

// speciesJSON is what wood species --json gives of one species. null: no figure is given.
type speciesJSON struct {
	Name             string        `json:"name"`
	Scientific       string        `json:"scientific"`
	Also             []string      `json:"also"`
	Group            string        `json:"group"`
	Softwood         bool          `json:"softwood"`
	BasicGravity     float64       `json:"basic_specific_gravity"`
	GreenHeart       *float64      `json:"green_heart_percent"`
	GreenSap         *float64      `json:"green_sap_percent"`
	MaxMoisture      float64       `json:"pores_full_percent"`
	ShrinkRadial     *float64      `json:"shrinkage_radial_to_oven_dry_percent"`
	ShrinkTangential *float64      `json:"shrinkage_tangential_to_oven_dry_percent"`
	ShrinkVolumetric float64       `json:"shrinkage_volumetric_to_oven_dry_percent"`
	VolumeEstimated  bool          `json:"shrinkage_volumetric_estimated"`
	SafeRate         float64       `json:"safe_rate_4_4_percent_per_day"`
	SafeRate84       float64       `json:"safe_rate_8_4_percent_per_day"`
	RateAssumed      bool          `json:"safe_rate_assumed"`
	GreenMaxDryBulb  float64       `json:"green_dry_bulb_max_celsius"`
	MaxDryBulb       float64       `json:"dry_bulb_max_celsius"`
	Note             string        `json:"note"`
	Status           string        `json:"status"`
	At               *speciesAt    `json:"at_moisture,omitempty"`
	Volume           *speciesBoard `json:"of_volume,omitempty"`
	RateAt           *speciesRate  `json:"at_thickness,omitempty"`
}

type speciesAt struct {
	Moisture   float64  `json:"moisture_percent"`
	Gravity    float64  `json:"specific_gravity"`
	Density    float64  `json:"density_kg_per_m3"`
	Radial     *float64 `json:"shrinkage_radial_percent"`
	Tangential *float64 `json:"shrinkage_tangential_percent"`
	Volumetric float64  `json:"shrinkage_volumetric_percent"`
}

type speciesBoard struct {
	Volume  float64 `json:"green_volume_m3"`
	OvenDry float64 `json:"oven_dry_kg"`
	Water   float64 `json:"water_kg_per_point"`
}

type speciesRate struct {
	Thickness float64 `json:"thickness_meters"`
	Rate      float64 `json:"safe_rate_percent_per_day"`
	Assumed   bool    `json:"assumed"`
}

func (a *app) speciesCommand() *cobra.Command {
	var (
		moisture  quantity.MoistureContent
		volume    quantity.CubicMeter
		thickness quantity.Meter
		file      string
	)
	cmd := &cobra.Command{Use: "species [NAME]", Short: "List the species, or show one", Args: cobra.MaximumNArgs(1),
		Long: `species lists the table, or shows one species: green moisture, specific
gravity, shrinkage, safe drying rate and dangers; with --mc its density and
shrinkage at a moisture, with --volume the oven-dry mass and the water in a
point of moisture, with --thickness the safe rate.

Wood Handbook FPL-GTR-190 tables 4-1 and 4-3 and FPL-GTR-282 table 5-3; safe
rates from memory; each species says which figures are confirmed. Species that
are missing can be given with --species-file: see wood species --file-format.

JSON, of one species (of all: a list of them, species): name, scientific, also,
group, softwood, basic_specific_gravity, green_heart_percent, green_sap_percent,
pores_full_percent, shrinkage_radial_to_oven_dry_percent, likewise tangential
and volumetric, shrinkage_volumetric_estimated, safe_rate_4_4_percent_per_day,
safe_rate_8_4_percent_per_day, safe_rate_assumed, green_dry_bulb_max_celsius,
dry_bulb_max_celsius, note, status; null where no figure is given. With --mc
at_moisture (moisture_percent, specific_gravity, density_kg_per_m3,
shrinkage_radial_percent, likewise tangential and volumetric), with --volume
of_volume (green_volume_m3, oven_dry_kg, water_kg_per_point), with --thickness
at_thickness (thickness_meters, safe_rate_percent_per_day, assumed).`,
		Example: `  drywarden wood species "red oak" --mc "12 %" --volume "840 bf" --thickness 8/4`}
	in := &inputs{cmd: cmd}
	in.add(&moisture, "mc", "moisture `content`, like \"12 %\"")
	in.add(&volume, "volume", "green `volume`, like \"2.0 m3\" or \"840 bf\"")
	in.add(&thickness, "thickness", "thickness, a `length` like 8/4 or 52mm")
	var format bool
	cmd.Flags().BoolVar(&format, "file-format", false, "explain the file of --species-file")
	speciesFileFlag(cmd, &file)
	cmd.RunE = act(func(_ *cobra.Command, args []string) error {
		if format {
			_, err := fmt.Fprint(a.out, speciesFormat)
			return err
		}
		if err := in.read(); err != nil {
			return err
		}
		table, err := speciesTable(file)
		if err != nil {
			return err
		}
		if len(args) == 0 {
			for _, name := range []string{"mc", "volume", "thickness"} {
				if in.given(name) {
					return failf(exitUse, "--%s needs the NAME of a species", name)
				}
			}
			return a.printSpeciesList(table.All())
		}
		s, err := table.Lookup(args[0])
		if err != nil {
			return wrong(err)
		}
		told := speciesTold(s)
		if in.given("mc") {
			if err := s.CheckMoisture(moisture); err != nil {
				return wrong(err)
			}
			told.At = atMoisture(s, moisture)
		}
		if in.given("volume") {
			mass := wood.OvenDryMass(volume, s.BasicGravity)
			told.Volume = &speciesBoard{float64(volume), float64(mass), float64(wood.WaterPerPoint(mass))}
		}
		if in.given("thickness") {
			if !(thickness > 0) {
				return failf(exitUse, "thickness %s is not above 0", thickness)
			}
			rate, assumed := wood.SafeRate(s, thickness)
			told.RateAt = &speciesRate{float64(thickness), float64(rate), assumed}
		}
		if a.json {
			return a.print(told)
		}
		return a.printSpecies(&told)
	})
	return cmd
}

// speciesFormat explains a species file; a test reads it as one.
const speciesFormat = `# A species file: one [[species]] table for each. Name it with --species-file, or
# as species = "FILE" in the kiln file, relative to it. Every row must pass the
# checks that the published ones pass (drywarden check FILE), and no name may be
# one of theirs.

[[species]]
name = "apple"                  # as charge sheets will write it
scientific = "Malus domestica"  # may be left out
also = ["apple wood"]           # other names; may be left out
source = "invented for this example: put where your figures come from"
group = "moderate"              # refractory, moderate or easy
softwood = false                # may be left out
basic_gravity = 0.61            # oven-dry mass over green volume, to water
gravity_12 = 0.67               # at 12 % moisture; may be left out
green_heart = "81 %"            # these five may be left out
green_sap = "74 %"
shrink_radial = "5.6 %"         # green to oven-dry
shrink_tangential = "10.1 %"
shrink_volumetric = "17.6 %"
safe_rate = "4 %/d"             # 4/4; left out: the slowest of the group
safe_rate_84 = "1.6 %/d"        # left out: 0.4 of safe_rate
green_dry_bulb_max = "48 C"     # greatest while above fiber saturation
dry_bulb_max = "70 C"           # greatest while drying at all
schedule_as = "cherry, black"   # whose published code it takes; left out: the
                                # gentlest of the group
note = "warps"                  # dangers; may be left out
`

func speciesTold(s *wood.Species) speciesJSON {
	volumetric, estimated := s.VolumetricShrinkage()
	return speciesJSON{Name: s.Name, Scientific: s.Scientific, Also: append([]string{}, s.Aliases...), Group: s.Group.String(), Softwood: s.Softwood,
		BasicGravity: s.BasicGravity, GreenHeart: known(s.GreenHeart), GreenSap: known(s.GreenSap), MaxMoisture: float64(wood.MaxMoisture(s.BasicGravity)),
		ShrinkRadial: known(100 * s.ShrinkRadial), ShrinkTangential: known(100 * s.ShrinkTangential), ShrinkVolumetric: 100 * float64(volumetric), VolumeEstimated: estimated,
		SafeRate: float64(s.SafeRate), SafeRate84: float64(s.SafeRate84), RateAssumed: s.SafeRateAssumed,
		GreenMaxDryBulb: float64(s.GreenMaxDryBulb), MaxDryBulb: float64(s.MaxDryBulb), Note: s.Note, Status: s.Status}
}

// known gives nil for a figure that the table does not have.
func known[T ~float64](v T) *float64 {
	if v == 0 {
		return nil
	}
	return finite(v)
}

func atMoisture(s *wood.Species, m quantity.MoistureContent) *speciesAt {
	volumetric, _ := s.VolumetricShrinkage()
	share := func(r quantity.Ratio) *float64 {
		if r == 0 {
			return nil
		}
		return finite(100 * wood.Shrinkage(r, m))
	}
	return &speciesAt{Moisture: float64(m), Gravity: s.GravityAt(m), Density: float64(s.DensityAt(m)), Radial: share(s.ShrinkRadial),
		Tangential: share(s.ShrinkTangential), Volumetric: 100 * float64(wood.Shrinkage(volumetric, m))}
}

func (a *app) printSpeciesList(list []wood.Species) error {
	if a.json {
		told := struct {
			Species []speciesJSON `json:"species"`
		}{}
		for i := range list {
			told.Species = append(told.Species, speciesTold(&list[i]))
		}
		return a.print(told)
	}
	w := a.columnsOf()
	fmt.Fprintln(w, "species\tgroup\tgravity\tgreen heart\tgreen sap\tsafe 4/4 a day")
	for i := range list {
		s := &list[i]
		assumed := ""
		if s.SafeRateAssumed {
			assumed = " assumed"
		}
		fmt.Fprintf(w, "%s\t%s\t%.2f\t%s\t%s\t%.1f%s\n", s.Name, s.Group, s.BasicGravity, percentOr(known(s.GreenHeart), 0), percentOr(known(s.GreenSap), 0), float64(s.SafeRate), assumed)
	}
	return w.Flush()
}

func percentOr(v *float64, digits int) string {
	if v == nil {
		return "-"
	}
	return plain(*v, digits) + " %"
}

func (a *app) printSpecies(t *speciesJSON) error {
	w := a.columnsOf()
	kind := "hardwood"
	if t.Softwood {
		kind = "softwood"
	}
	fmt.Fprintf(w, "%s (%s), %s, %s\n", t.Name, t.Scientific, kind, t.Group)
	if len(t.Also) > 0 {
		fmt.Fprint(w, wrap("also: ", strings.Join(t.Also, "; "), "  "))
	}
	fmt.Fprintf(w, "basic specific gravity\t%.2f\n", t.BasicGravity)
	fmt.Fprintf(w, "green moisture\theart %s, sap %s\n", percentOr(t.GreenHeart, 0), percentOr(t.GreenSap, 0))
	fmt.Fprintf(w, "pores full at\t%s %%\n", plain(t.MaxMoisture, 0))
	estimated := ""
	if t.VolumeEstimated {
		estimated = ", estimated from the gravity"
	}
	fmt.Fprintf(w, "shrinkage to oven-dry\tradial %s, tangential %s, volume %s %%%s\n", percentOr(t.ShrinkRadial, 1), percentOr(t.ShrinkTangential, 1), plain(t.ShrinkVolumetric, 1), estimated)
	assumed := ""
	if t.RateAssumed {
		assumed = ", assumed: none is published"
	}
	fmt.Fprintf(w, "safe rate a day\t4/4 %s %%, 8/4 %s %%%s\n", plain(t.SafeRate, 1), plain(t.SafeRate84, 1), assumed)
	fmt.Fprintf(w, "greatest dry bulb\tgreen %s, later %s\n", bothTemperatures(quantity.Celsius(t.GreenMaxDryBulb)), bothTemperatures(quantity.Celsius(t.MaxDryBulb)))
	if at := t.At; at != nil {
		fmt.Fprintf(w, "at %s %% moisture\tgravity %.3f, %s lb/ft3 (%s kg/m3)\n", plain(at.Moisture, 1), at.Gravity, plain(at.Density/16.018463, 1), plain(at.Density, 0))
		fmt.Fprintf(w, "  shrunk\tradial %s, tangential %s, volume %s %%\n", percentOr(at.Radial, 1), percentOr(at.Tangential, 1), plain(at.Volumetric, 1))
	}
	if v := t.Volume; v != nil {
		fmt.Fprintf(w, "%s bf (%s m3) green\toven-dry %s\n", plain(v.Volume/float64(quantity.BoardFoot), 0), plain(v.Volume, 3), bothMasses(quantity.Kilogram(v.OvenDry)))
		fmt.Fprintf(w, "  a point of moisture\t%s gal (%s kg) of water\n", plain(v.Water/float64(quantity.WaterPerGallon), 2), plain(v.Water, 2))
	}
	if r := t.RateAt; r != nil {
		assumed = ""
		if r.Assumed {
			assumed = ", assumed"
		}
		fmt.Fprintf(w, "safe rate at %s\t%s points a day%s\n", bothLengths(quantity.Meter(r.Thickness)), plain(r.Rate, 2), assumed)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if t.Note != "" {
		fmt.Fprint(a.out, wrap("dangers: ", t.Note, "  "))
	}
	_, err := fmt.Fprint(a.out, wrap("figures: ", t.Status, "  "))
	return err
}

// boardJSON is what wood board --json gives.
type boardJSON struct {
	Sections []float64      `json:"section_moistures_percent"`
	OvenDry  float64        `json:"oven_dry_kg"`
	WhenCut  *float64       `json:"moisture_when_cut_percent"`
	Now      *float64       `json:"moisture_now_percent"`
	Off      *float64       `json:"points_off_for_1_percent_of_oven_dry"`
	New      *float64       `json:"new_oven_dry_kg,omitempty"`
	NowNew   *float64       `json:"moisture_now_on_new_basis_percent,omitempty"`
	Shift    *float64       `json:"shift_points,omitempty"`
	Weights  []boardWeightJ `json:"weights"`
	Notes    []string       `json:"notes"`
}

type boardWeightJ struct {
	Moisture float64 `json:"moisture_percent"`
	Weight   float64 `json:"weight_kg"`
}

// section is a moisture section on the command line: "62.3 g/35.1 g" or its moisture.
type sections struct {
	texts []string
	list  []quantity.MoistureContent
}

func (s *sections) read() error {
	for _, text := range s.texts {
		wet, dry, weighed := strings.Cut(text, "/")
		if !weighed {
			var m quantity.MoistureContent
			if err := m.UnmarshalText([]byte(text)); err != nil {
				return fmt.Errorf("--section %q: expected green/oven-dry weights like 62.3g/35.1g, or a moisture: %w", text, err)
			}
			s.list = append(s.list, m)
			continue
		}
		var green, ovenDry quantity.Kilogram
		if err := wrong(green.UnmarshalText([]byte(wet)), ovenDry.UnmarshalText([]byte(dry))); err != nil {
			return fmt.Errorf("--section %q: %w", text, err)
		}
		m, err := wood.SectionMoisture(green, ovenDry)
		if err != nil {
			return fmt.Errorf("--section %q: %w", text, err)
		}
		s.list = append(s.list, m)
	}
	return nil
}

func (a *app) boardCommand() *cobra.Command {
	var (
		cut, ovenDry, now, fresh quantity.Kilogram
		parts                    sections
	)
	cmd := &cobra.Command{Use: "board", Short: "Do the arithmetic of a sample board", Args: cobra.NoArgs,
		Long: `board does the arithmetic of a sample board. From the sections cut beside it
(their weights before and after the oven, or their moisture) and its weight
when cut comes its calculated oven-dry weight; from that and its weight now
comes its moisture. --new-oven-dry shows what a later section changes. (Simpson
(ed.) 1991, AH-188 ch. 6, from memory.)

JSON: section_moistures_percent, oven_dry_kg, moisture_when_cut_percent,
moisture_now_percent, points_off_for_1_percent_of_oven_dry, weights
(moisture_percent, weight_kg), notes, and with --new-oven-dry new_oven_dry_kg,
moisture_now_on_new_basis_percent, shift_points.`,
		Example: `  drywarden wood board --section 62.3g/35.1g --section 60.8g/34.0g \
    --cut 2.31kg --now 1.92kg
  drywarden wood board --oven-dry 1.298kg --now 1.45kg --new-oven-dry 1.27kg`}
	in := &inputs{cmd: cmd}
	cmd.Flags().StringArrayVar(&parts.texts, "section", nil, "`weights` of a section green/oven-dry, or its moisture; repeat for each")
	in.add(&cut, "cut", "`weight` of the board when cut")
	in.add(&ovenDry, "oven-dry", "oven-dry `weight` when it is known already")
	in.add(&now, "now", "`weight` of the board now")
	in.add(&fresh, "new-oven-dry", "oven-dry `weight` from later sections")
	cmd.RunE = act(func(*cobra.Command, []string) error {
		if err := in.read(); err != nil {
			return err
		}
		if err := parts.read(); err != nil {
			return wrong(err)
		}
		known, cutting := in.given("oven-dry"), in.given("cut") || len(parts.list) > 0
		if known == cutting {
			return failf(exitUse, "give --cut with one --section or more, or --oven-dry")
		}
		if cutting {
			if !in.given("cut") || len(parts.list) == 0 {
				return failf(exitUse, "give --cut with one --section or more, or --oven-dry")
			}
			var err error
			if ovenDry, err = wood.CalculatedOvenDry(cut, parts.list...); err != nil {
				return wrong(err)
			}
		}
		if !(ovenDry > 0) {
			return failf(exitUse, "oven-dry weight %s is not above 0", ovenDry)
		}
		told := boardJSON{Sections: []float64{}, OvenDry: float64(ovenDry), Weights: []boardWeightJ{}, Notes: []string{}}
		if cutting && now > cut {
			told.Notes = append(told.Notes, fmt.Sprintf("the board weighs %s now, more than the %s when it was cut: are the two changed round?", bothMasses(now), bothMasses(cut)))
		}
		for _, m := range parts.list {
			told.Sections = append(told.Sections, float64(m))
		}
		if cutting {
			told.WhenCut = finite(wood.CurrentMoisture(cut, ovenDry))
		}
		if in.given("now") {
			if now < ovenDry {
				return failf(exitUse, "the board weighs %s now, less than its oven-dry weight %s: one of the two is wrong", bothMasses(now), bothMasses(ovenDry))
			}
			m := wood.CurrentMoisture(now, ovenDry)
			told.Now, told.Off = finite(m), finite(wood.OvenDryError(m, 0.01))
		}
		if in.given("new-oven-dry") {
			if err := rebased(&told, ovenDry, fresh, now); err != nil {
				return wrong(err)
			}
			ovenDry = fresh
		}
		present := ovenDry
		switch {
		case in.given("now"):
			present = now
		case cutting:
			present = cut
		}
		for _, m := range []quantity.MoistureContent{50, 40, 35, 30, 25, 20, 15, 10, 8, 7, 6} {
			if (in.given("now") || cutting) && wood.WeightAt(ovenDry, m) >= present {
				continue // it will not get wetter
			}
			told.Weights = append(told.Weights, boardWeightJ{float64(m), float64(wood.WeightAt(ovenDry, m))})
		}
		if a.json {
			return a.print(told)
		}
		return a.printBoard(&told)
	})
	return cmd
}

func rebased(told *boardJSON, old, fresh, now quantity.Kilogram) error {
	if told.Now == nil {
		return fmt.Errorf("--new-oven-dry needs --now")
	}
	_, change, err := wood.Rebase(wood.SampleHistory{Weighings: []wood.Weighing{{Weight: now}}, Bases: []wood.Basis{{OvenDry: old}}},
		wood.Basis{OvenDry: fresh, By: "the person asking", Reason: "a calculation"})
	if err != nil {
		return err
	}
	told.New, told.NowNew, told.Shift = finite(fresh), finite(wood.CurrentMoisture(now, fresh)), finite(change.Shift[0])
	return nil
}

func (a *app) printBoard(t *boardJSON) error {
	w := a.columnsOf()
	for i, m := range t.Sections {
		fmt.Fprintf(w, "section %d\t%s %%\n", i+1, plain(m, 1))
	}
	fmt.Fprintf(w, "oven-dry weight\t%s\n", bothMasses(quantity.Kilogram(t.OvenDry)))
	if t.WhenCut != nil {
		fmt.Fprintf(w, "moisture when cut\t%s %%\n", plain(*t.WhenCut, 1))
	}
	if t.Now != nil {
		fmt.Fprintf(w, "moisture now\t%s %%\n", plain(*t.Now, 1))
		fmt.Fprintf(w, "  1 %% of oven-dry weight\t%s points\n", plain(*t.Off, 2))
	}
	if t.New != nil {
		fmt.Fprintf(w, "new oven-dry weight\t%s\n", bothMasses(quantity.Kilogram(*t.New)))
		fmt.Fprintf(w, "moisture now\t%s %%, a shift of %+.1f points\n", plain(*t.NowNew, 1), *t.Shift)
	}
	fmt.Fprintln(w, "it will weigh")
	for _, x := range t.Weights {
		fmt.Fprintf(w, "  at %s %%\t%s\n", plain(x.Moisture, 0), bothMasses(quantity.Kilogram(x.Weight)))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return a.notes(t.Notes)
}

// meterJSON is what wood meter --json gives.
type meterJSON struct {
	Moisture float64  `json:"moisture_percent"`
	Sigma    float64  `json:"sigma_points"`
	Scale    string   `json:"scale"`
	Source   string   `json:"source"`
	Notes    []string `json:"notes"`
}

const (
	meterSource = "Pfaff and Garrahan 1986, temperature; James 1988, FPL-GTR-6 table 1, resistance and species (both from memory)"
	prongSource = "Simpson (ed.) 1991, Dry Kiln Operator's Manual, AH-188, ch. 6 and 7 (from memory)"
)

func (a *app) meterCommand() *cobra.Command {
	var (
		reading     quantity.MoistureContent
		resistance  quantity.Ohm
		temperature quantity.Celsius
		name, file  string
	)
	cmd := &cobra.Command{Use: "meter", Short: "Correct a pin meter's reading for temperature and species", Args: cobra.NoArgs,
		Long: `meter corrects the reading of a pin meter on the Douglas-fir scale, its own
species correction switched off, for the temperature of the wood and for the
species; or it converts a resistance between pins. It holds from 7 to 25 %
moisture and from -20 C to 60 C; above fiber saturation no meter means
anything. (Pfaff and Garrahan 1986; James 1988, FPL-GTR-6 table 1; both from
memory.)

JSON: moisture_percent, sigma_points (one standard deviation), scale, source,
notes.`,
		Example: `  drywarden wood meter --reading "14 %" --temperature 120F --species "red oak"
  drywarden wood meter --resistance 4.6Mohm --temperature "27 C"`}
	in := &inputs{cmd: cmd}
	in.add(&reading, "reading", "`moisture` that the meter shows")
	in.add(&resistance, "resistance", "`resistance` between the pins, like 4.6Mohm")
	in.add(&temperature, "temperature", "`temperature` of the wood")
	cmd.Flags().StringVar(&name, "species", "Douglas fir", "`name` of the species")
	speciesFileFlag(cmd, &file)
	cmd.RunE = act(func(*cobra.Command, []string) error {
		if err := in.read("temperature"); err != nil {
			return err
		}
		by, err := in.oneOf("reading", "resistance")
		if err != nil {
			return err
		}
		table, err := speciesTable(file)
		if err != nil {
			return err
		}
		s, err := table.Lookup(name)
		if err != nil {
			return wrong(err)
		}
		told := meterJSON{Source: meterSource, Notes: []string{}}
		scale, own := wood.PinScaleFor(s)
		var mc, sigma quantity.MoistureContent
		if by == "reading" {
			if mc, sigma, scale, own, err = wood.MeterMoisture(reading, temperature, s); err != nil {
				return wrong(err)
			}
		} else {
			var ok bool
			if mc, sigma, ok = scale.Moisture(resistance, temperature); !ok {
				return wrong(pinFault(scale, resistance, temperature))
			}
		}
		told.Moisture, told.Sigma, told.Scale = float64(mc), float64(sigma), scale.Name
		if !own {
			told.Notes = append(told.Notes, fmt.Sprintf("no resistances are published here for %s: the Douglas-fir scale stands in", s.Name))
		}
		if a.json {
			return a.print(told)
		}
		fmt.Fprintf(a.out, "moisture %s %% +- %s points (one standard deviation), %s scale\n", plain(told.Moisture, 1), plain(told.Sigma, 1), told.Scale)
		fmt.Fprint(a.out, wrap("source: ", told.Source, "  "))
		return a.notes(told.Notes)
	})
	return cmd
}

// pinFault says why a resistance cannot be converted.
func pinFault(scale *wood.PinScale, r quantity.Ohm, t quantity.Celsius) error {
	if err := wood.CheckPinReading(wood.PinMinMoisture, t); err != nil {
		return err
	}
	return fmt.Errorf("resistance %s in wood at %s is out of range: the %s scale holds from %s %% (%s Mohm at 27 C) to %s %% (%s Mohm), above fiber saturation a meter means nothing",
		r, bothTemperatures(t), scale.Name, plain(float64(wood.PinMinMoisture), 0), plain(float64(scale.Ohms(wood.PinMinMoisture))/1e6, 0),
		plain(float64(wood.PinMaxMoisture), 0), plain(float64(scale.Ohms(wood.PinMaxMoisture))/1e6, 2))
}

// prongJSON is what wood prong --json gives.
type prongJSON struct {
	Verdict string   `json:"verdict"`
	Needed  bool     `json:"conditioning_needed"`
	EMC     *float64 `json:"conditioning_emc_percent"`
	Least   *float64 `json:"usual_hours_min"`
	Most    *float64 `json:"usual_hours_max"`
	Advice  string   `json:"advice"`
	Source  string   `json:"source"`
}

func (a *app) prongCommand() *cobra.Command {
	var (
		atOnce, later, name, file string
		thickness                 quantity.Meter
		target                    quantity.MoistureContent
	)
	cmd := &cobra.Command{Use: "prong", Short: "Judge a prong test and advise on conditioning", Args: cobra.NoArgs,
		Long: `prong judges a stress section: how its prongs stand when sawn, and after 12 to
24 h in the room (straight, inward or outward). The later look decides; then it
advises on conditioning. (Simpson (ed.) 1991, AH-188 ch. 6 and 7, from memory.)

JSON: verdict, conditioning_needed, conditioning_emc_percent, usual_hours_min,
usual_hours_max, advice, source.`,
		Example: `  drywarden wood prong --at-once inward --later inward --species "red oak" \
    --thickness 4/4 --target 7%`}
	in := &inputs{cmd: cmd}
	f := cmd.Flags()
	f.StringVar(&atOnce, "at-once", "", "`bend` when sawn: straight, inward or outward")
	f.StringVar(&later, "later", "", "`bend` after 12 to 24 h in the room")
	f.StringVar(&name, "species", "", "`name` of the species")
	in.add(&thickness, "thickness", "thickness, a `length` like 8/4 or 52mm")
	in.add(&target, "target", "`moisture` wanted, like \"7 %\"")
	speciesFileFlag(cmd, &file)
	cmd.RunE = act(func(*cobra.Command, []string) error {
		if err := in.read("at-once", "later", "species", "thickness", "target"); err != nil {
			return err
		}
		first, err1 := wood.ParseBend(atOnce)
		second, err2 := wood.ParseBend(later)
		if err := wrong(err1, err2); err != nil {
			return err
		}
		table, err := speciesTable(file)
		if err != nil {
			return err
		}
		s, err := table.Lookup(name)
		if err != nil {
			return wrong(err)
		}
		if !(thickness > 0) || !(target >= 4 && target <= 25) {
			return failf(exitUse, "thickness %s and target %s: expected a thickness above 0 and a target of 4 %% to 25 %%", thickness, target)
		}
		stress, err := wood.JudgeProngs(first, second)
		if err != nil {
			return wrong(err)
		}
		advice := wood.AdviseConditioning(stress, s, thickness, target)
		told := prongJSON{Verdict: stress.String(), Needed: advice.Needed, Advice: advice.Advice, Source: prongSource}
		if advice.Needed {
			told.EMC = finite(advice.EMC)
			least, most := advice.Shortest.Hours(), advice.Longest.Hours()
			told.Least, told.Most = &least, &most
		}
		if a.json {
			return a.print(told)
		}
		fmt.Fprintln(a.out, told.Verdict)
		fmt.Fprint(a.out, wrap("", told.Advice, ""))
		_, err = fmt.Fprint(a.out, wrap("source: ", told.Source, "  "))
		return err
	})
	return cmd
}

// exposureJSON is a rule as wood exposure --json gives it.
type exposureJSON struct {
	Name        string  `json:"name"`
	Temperature float64 `json:"temperature_celsius"`
	Of          string  `json:"measured_in"`
	Minutes     float64 `json:"minutes"`
	Unbroken    bool    `json:"unbroken"`
	Official    bool    `json:"official"`
	Source      string  `json:"source"`
	Caution     string  `json:"caution"`
}

func (a *app) exposureCommand() *cobra.Command {
	return &cobra.Command{Use: "exposure", Short: "List the rules of heat exposure, each with its source", Args: cobra.NoArgs,
		Long: `exposure lists what heat for how long counts as what. What is recorded is an
exposure, never a certificate: only the authority of the local rules gives
that.

JSON: rules (name, temperature_celsius, measured_in core or dry_bulb, minutes,
unbroken, official, source, caution).`,
		RunE: act(func(*cobra.Command, []string) error {
			told := struct {
				Rules []exposureJSON `json:"rules"`
			}{}
			for _, e := range wood.Exposures() {
				of := "core"
				if e.DryBulb {
					of = "dry_bulb"
				}
				told.Rules = append(told.Rules, exposureJSON{e.Name, float64(e.Core), of, e.Time.Minutes(), e.Unbroken, e.Official, e.Source, e.Caution})
			}
			if a.json {
				return a.print(told)
			}
			for _, e := range told.Rules {
				where, how := "in the core", "cumulative"
				if e.Of == "dry_bulb" {
					where = "dry bulb"
				}
				if e.Unbroken {
					how = "unbroken"
				}
				if !e.Official {
					how += ", no public rule"
				}
				fmt.Fprintf(a.out, "%s: %s %s for %s, %s\n", e.Name, bothTemperatures(quantity.Celsius(e.Temperature)), where, hoursAndMinutes(e.Minutes), how)
				fmt.Fprint(a.out, wrap("  source: ", e.Source, "    "))
				fmt.Fprint(a.out, wrap("  caution: ", e.Caution, "    "))
			}
			return nil
		})}
}
