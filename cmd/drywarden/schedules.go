package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
	"drywarden/schedule/library"
	"drywarden/schedule/wood"
)

func (a *app) scheduleCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "schedule", Short: "Show the published drying schedules, as printed or for one machine", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	cmd.AddCommand(a.scheduleListCommand(), a.scheduleShowCommand())
	return cmd
}

// scheduleListJSON is what schedule list --json gives.
type scheduleListJSON struct {
	Source  string             `json:"source"`
	Species []scheduleListItem `json:"species"`
	Codes   []string           `json:"codes"`
}

type scheduleListItem struct {
	Species    string `json:"species"`
	Scientific string `json:"scientific"`
	Group      string `json:"group"`
	Code44     string `json:"code_4_4_to_6_4"`
	Code84     string `json:"code_8_4"`
}

func (a *app) scheduleListCommand() *cobra.Command {
	return &cobra.Command{Use: "list", Short: "List the published schedule codes by species", Args: cobra.NoArgs,
		Long: `list gives the published index of species with their schedule codes. A hardwood
that is not in it takes the gentlest code of its group. There are no published
codes here for softwoods, and none for dehumidification kilns as such.

JSON: source, species (species, scientific, group, code_4_4_to_6_4, code_8_4),
codes.`,
		RunE: act(func(*cobra.Command, []string) error {
			told := scheduleListJSON{Source: library.Source, Codes: library.Codes()}
			for _, e := range library.Index() {
				s, err := wood.LookupSpecies(e.Species)
				if err != nil {
					return err
				}
				told.Species = append(told.Species, scheduleListItem{e.Species, e.Scientific, s.Group.String(), e.Code44, e.Code84})
			}
			if a.json {
				return a.print(told)
			}
			w := a.columnsOf()
			fmt.Fprintln(w, "species\tgroup\t4/4 to 6/4\t8/4")
			for _, s := range told.Species {
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", s.Species, s.Group, s.Code44, s.Code84)
			}
			if err := w.Flush(); err != nil {
				return err
			}
			_, err := fmt.Fprint(a.out, wrap("source: ", told.Source, "  "))
			return err
		})}
}

// The machine for which schedule show assembles when no kiln file is given; common practice, no source.
const (
	usualDryBulbMax quantity.Celsius         = 49
	usualDriestAir  quantity.Ratio           = 0.28
	usualTarget     quantity.MoistureContent = 7
)

// scheduleQuestion is what schedule show is asked.
type scheduleQuestion struct {
	code, name    string
	literal       bool
	thickness     quantity.Meter
	start, target quantity.MoistureContent
	machine       library.Machine
	grades        int
	table         wood.Table
	species       *wood.Species // nil: none named
}

// scheduleFormat explains a schedule file; a test runs it as one.
const scheduleFormat = `# A schedule file, NAME.schedule.toml: a charge sheet beside it asks for it with
# schedule = "NAME". Stages run in this order. Every value carries its unit:
# "110 F" or "43.3 C", differences "5 Fd" or "2.8 K". Judge it on your kiln and
# charge before use: drywarden check kiln.toml charge.toml NAME.schedule.toml

name = "walnut"                 # the NAME of the file
source = "invented for this example: put where your schedule comes from"
notes = ""                      # may be left out

[[stage]]
kind = "preheat"                # always the first
dry_bulb = "110 F"              # with one of emc, depression, wet_bulb, rh
emc = "15 %"
until = { time = "12 h" }       # preheat and condition end by time

[[stage]]
kind = "dry"                    # one for each step
name = "dry green"              # may be left out
dry_bulb = "110 F"
depression = "7 Fd"
ramp = "3 K/h"                  # of the dry bulb; left out: by the wood
emc_ramp = "1 %/h"              # left out: 1 down, 2 up
until = { moisture = "40 %", at_least = "12 h", at_most = "20 d" }

[[stage]]
kind = "dry"
dry_bulb = "113 F"
emc = "9 %"
until = { moisture = "25 %" }

[[stage]]
kind = "dry"                    # the last ends when equalizing begins
dry_bulb = "113 F"
emc = "5.2 %"

[[stage]]
kind = "equalize"               # ends by the rule of the charge sheet; figures
                                # left out: by the targets

[[stage]]
kind = "heat"                   # only where a treatment is wanted; so is
                                # condition, before it
dry_bulb = "150 F"
wet_bulb = "140 F"
core = "56 C"                   # least, of every probe in the wood
exposure = "30 min"
count = "unbroken"              # or "cumulative"

[[stage]]
kind = "cool"                   # always the last
dry_bulb = "80 F"
emc = "7 %"
`

func (a *app) scheduleShowCommand() *cobra.Command {
	q := scheduleQuestion{target: usualTarget, machine: library.Machine{DryBulbMax: usualDryBulbMax, RHMin: usualDriestAir}}
	var config, file string
	var where station
	var format bool
	cmd := &cobra.Command{
		Use:   "show",
		Short: "Write out the schedule of a species and thickness, or of a code",
		Long: `show writes out a published schedule: as printed with --literal, otherwise made
to fit one machine. Then the dry bulb is capped by machine and species, the EMC
of every published step is kept unless the machine cannot make air that dry,
the schedule is entered at the step for the starting moisture, and its last
step ends 1.5 points or more under the target. Each limit that binds is told.

Without --config the machine is one that dries at up to 49 C (120 F) and makes
air as dry as 28 % relative humidity at sea level.

A schedule of your own is a file that a charge sheet names: see --file-format.

JSON: code, source, stages (kind, from_mc_percent, null in the green stage,
dry_bulb_celsius, depression_kelvin, emc_percent, wet_bulb_celsius,
relative_humidity_ratio), literal, notes, and with a species species,
safe_rate_percent_per_day and safe_rate_assumed; without --literal also
target_percent, equalize and condition.`,
		Example: `  drywarden schedule show --species "maple, hard (sugar)" --thickness 4/4 \
    --start "30 %"
  drywarden schedule show --code T6-D2 --literal`,
		Args: cobra.NoArgs,
	}
	in := &inputs{cmd: cmd}
	f := cmd.Flags()
	f.StringVar(&q.name, "species", "", "`name` of the species, see wood species")
	f.StringVar(&q.code, "code", "", "published `code`, see schedule list")
	f.BoolVar(&q.literal, "literal", false, "the figures as published, no machine's limits")
	f.IntVar(&q.grades, "grades", 0, fmt.Sprintf("`number` of grades hotter, or milder when negative (%d to %d)", -library.MaxGrades, library.MaxGrades))
	f.BoolVar(&format, "file-format", false, "explain the file of a schedule of your own")
	f.StringVar(&config, "config", "", "kiln `file` whose limits are to be kept")
	in.add(&q.thickness, "thickness", "thickness, a `length` like 8/4 or 52mm")
	in.add(&q.start, "start", "`moisture` at the start, like \"30 %\" (default: green)")
	in.add(&q.target, "target", "`moisture` wanted (default: 7 %)")
	in.add(&q.machine.DryBulbMax, "dry-bulb-max", "greatest dry-bulb `temperature` while drying (default: 49 C)")
	in.add(&q.machine.RHMin, "driest-air", "lowest relative `humidity` that the machine makes (default: 28 %)")
	where.flags(in)
	speciesFileFlag(cmd, &file)
	cmd.RunE = act(func(*cobra.Command, []string) error {
		if format {
			_, err := fmt.Fprint(a.out, scheduleFormat)
			return err
		}
		if err := a.askSchedule(&q, in, &where, config, file); err != nil {
			return err
		}
		told, err := q.answer()
		if err != nil {
			return wrong(err)
		}
		return a.printSchedule(&q, told)
	})
	return cmd
}

// askSchedule puts the question together from the command line.
func (a *app) askSchedule(q *scheduleQuestion, in *inputs, where *station, config, file string) error {
	if q.literal {
		for _, name := range []string{"start", "target", "dry-bulb-max", "driest-air", "altitude", "pressure", "config"} {
			if in.given(name) {
				return failf(exitUse, "--literal shows the figures as published, at sea level: leave out --%s", name)
			}
		}
	}
	kiln, err := kilnMachine(config)
	if err != nil {
		return err
	}
	otherwise := wood.StandardPressure
	if kiln != nil {
		q.machine = library.Machine{DryBulbMax: kiln.DryingMax(), RHMin: kiln.Limits.DriestAir}
		q.table, otherwise = kiln.Species, kiln.Pressure()
	}
	if err := in.read(); err != nil {
		return err
	}
	if q.machine.Pressure, err = where.at(in, otherwise); err != nil {
		return err
	}
	if file != "" {
		if q.table, err = speciesTable(file); err != nil {
			return err
		}
	}
	switch {
	case q.name == "" && q.code == "":
		return failf(exitUse, "give --species with --thickness, or --code")
	case q.code == "" && !in.given("thickness"):
		return failf(exitUse, "give --thickness, like 4/4")
	case q.name == "":
		return nil
	}
	q.species, err = q.table.Lookup(q.name)
	return wrong(err)
}

// kilnMachine gives the kiln of a kiln file, nothing without one.
func kilnMachine(path string) (*kilnfile.File, error) {
	if path == "" {
		return nil, nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, failf(exitUse, "read kiln file: %w", err)
	}
	return readKiln(path, text)
}

// scheduleJSON is what schedule show --json gives.
type scheduleJSON struct {
	Code     string         `json:"code"`
	Source   string         `json:"source"`
	Stages   []dryStageJSON `json:"stages"`
	Literal  bool           `json:"literal"`
	Notes    []string       `json:"notes"`
	Species  string         `json:"species,omitempty"`
	SafeRate *float64       `json:"safe_rate_percent_per_day,omitempty"`
	Assumed  *bool          `json:"safe_rate_assumed,omitempty"`
	Target   *float64       `json:"target_percent,omitempty"`
	Equalize *equalizeJSON  `json:"equalize,omitempty"`
	Settle   *conditionJSON `json:"condition,omitempty"`
}

type dryStageJSON struct {
	Kind       string   `json:"kind"`
	From       *float64 `json:"from_mc_percent"`
	DryBulb    float64  `json:"dry_bulb_celsius"`
	Depression float64  `json:"depression_kelvin"`
	EMC        float64  `json:"emc_percent"`
	WetBulb    float64  `json:"wet_bulb_celsius"`
	RH         float64  `json:"relative_humidity_ratio"`
}

// settingJSON is the air of equalizing or conditioning.
type settingJSON struct {
	DryBulb    float64 `json:"dry_bulb_celsius"`
	Depression float64 `json:"depression_kelvin"`
	EMC        float64 `json:"emc_percent"`
}

type equalizeJSON struct {
	settingJSON
	StartDriest float64 `json:"start_when_driest_at_percent"`
	EndWettest  float64 `json:"end_when_wettest_at_percent"`
}

type conditionJSON struct {
	settingJSON
}

func (q *scheduleQuestion) answer() (*scheduleJSON, error) {
	told := &scheduleJSON{Literal: q.literal, Notes: []string{}}
	if q.species != nil {
		told.Species = q.species.Name
		if q.thickness > 0 {
			rate, assumed := wood.SafeRate(q.species, q.thickness)
			told.SafeRate, told.Assumed = finite(rate), &assumed
		}
	}
	if q.literal {
		return told, q.published(told)
	}
	a, err := library.Assemble(library.Request{Code: q.code, Species: q.name, Thickness: q.thickness, Start: q.start, Target: q.target,
		Machine: q.machine, Grades: q.grades, Table: q.table})
	if err != nil {
		return nil, err
	}
	told.Code, told.Source, told.Notes = a.Code, a.Source, append(told.Notes, a.Notes...)
	told.stages(a.Steps, q.machine.Pressure)
	told.Target = finite(q.target)
	q.ending(told, a.Steps[len(a.Steps)-1].DryBulb)
	return told, nil
}

// published fills in the figures as printed.
func (q *scheduleQuestion) published(told *scheduleJSON) error {
	code, note := q.code, ""
	if code == "" {
		var err error
		if code, note, err = library.CodeForSpecies(q.species, q.thickness); err != nil {
			return err
		}
	}
	if q.grades != 0 {
		variant, end, err := library.Variant(code, q.grades)
		if err != nil {
			return err
		}
		told.Notes = append(told.Notes, fmt.Sprintf("%s taken, %+d grades from the published %s", variant, q.grades, code))
		if end != "" {
			told.Notes = append(told.Notes, end)
		}
		code = variant
	}
	p, err := library.Literal(code)
	if err != nil {
		return err
	}
	if note != "" {
		told.Notes = append(told.Notes, note)
	}
	told.Code, told.Source = p.Code, p.Source
	told.stages(p.Steps, wood.StandardPressure)
	told.Notes = append(told.Notes, p.Notes...)
	told.Notes = append(told.Notes, "as published for conventional kilns, without any machine's limits")
	return nil
}

func (t *scheduleJSON) stages(steps []library.Step, pressure quantity.Pascal) {
	for _, s := range steps {
		wb := s.DryBulb - quantity.Celsius(s.Depression)
		stage := dryStageJSON{Kind: schedule.Dry.String(), DryBulb: float64(s.DryBulb), Depression: float64(s.Depression), EMC: float64(s.EMC),
			WetBulb: float64(wb), RH: float64(max(0, wood.RHFromWetBulb(s.DryBulb, wb, pressure)))}
		if s.FromMC > 0 {
			stage.From = finite(s.FromMC)
		}
		t.Stages = append(t.Stages, stage)
	}
}

// ending gives the settings of equalizing and conditioning at the last dry bulb.
func (q *scheduleQuestion) ending(told *scheduleJSON, db quantity.Celsius) {
	rule := schedule.DefaultEqualizing()
	air, err := library.SettingFor(db, max(q.target-rule.EMCBelow, q.machine.EMCMin(db)), q.machine.Pressure)
	if err != nil {
		told.Notes = append(told.Notes, "no equalizing: "+err.Error())
	} else {
		told.Equalize = &equalizeJSON{setting(air), float64(q.target - rule.StartBelow), float64(q.target + rule.EndAbove)}
	}
	softwood := q.species != nil && q.species.Softwood
	air, err = library.SettingFor(db, library.ConditionEMC(q.target, softwood), q.machine.Pressure)
	if err != nil {
		told.Notes = append(told.Notes, "no conditioning: "+err.Error())
		return
	}
	told.Settle = &conditionJSON{setting(air)}
}

func setting(s library.Setting) settingJSON {
	return settingJSON{float64(s.DryBulb), float64(s.Depression), float64(s.EMC)}
}

func (a *app) printSchedule(q *scheduleQuestion, t *scheduleJSON) error {
	if a.json {
		return a.print(t)
	}
	title := t.Code
	if t.Species != "" {
		title += ": " + t.Species
		if q.thickness > 0 {
			title += ", " + bothLengths(q.thickness)
		}
	}
	fmt.Fprintln(a.out, title)
	w := a.columnsOf()
	fmt.Fprintln(w, "from MC\tdry bulb\tdepression\twet bulb\tRH\tEMC")
	for _, s := range t.Stages {
		from := "green"
		if s.From != nil {
			from = plain(*s.From, 1) + " %"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%.0f %%\t%.1f %%\n", from, bothTemperatures(quantity.Celsius(s.DryBulb)), bothDeltas(quantity.CelsiusDelta(s.Depression)),
			bothTemperatures(quantity.Celsius(s.WetBulb)), 100*s.RH, s.EMC)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if t.SafeRate != nil {
		assumed := ""
		if *t.Assumed {
			assumed = ", assumed: none is published"
		}
		fmt.Fprint(a.out, wrap("safe rate: ", fmt.Sprintf("%s points a day of the fastest board while wet%s", plain(*t.SafeRate, 1), assumed), "  "))
	}
	air := func(s settingJSON) string {
		return fmt.Sprintf("an EMC of %s %% (depression %s at %s)", plain(s.EMC, 1), bothDeltas(quantity.CelsiusDelta(s.Depression)), bothTemperatures(quantity.Celsius(s.DryBulb)))
	}
	if e := t.Equalize; e != nil {
		fmt.Fprint(a.out, wrap("equalize: ", fmt.Sprintf("from when the driest board is at %s %% until the wettest is at %s %%, at %s",
			plain(e.StartDriest, 2), plain(e.EndWettest, 2), air(e.settingJSON)), "  "))
	}
	if c := t.Settle; c != nil {
		fmt.Fprint(a.out, wrap("condition: ", "at "+air(c.settingJSON)+", by prong tests", "  "))
	}
	fmt.Fprint(a.out, wrap("source: ", strings.TrimSpace(t.Source), "  "))
	return a.notes(t.Notes)
}
