package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/schedule"
	"drywarden/schedule/sheet"
)

func (a *app) checkCommand() *cobra.Command {
	var hardware, warm bool
	cmd := &cobra.Command{
		Use:   "check FILE...",
		Short: "Validate kiln, charge and schedule files together; preview the run",
		Long: `check reads kiln, charge and schedule files together, reports every fault with
file, line and key, shows what the defaults came to, and previews the run of
each charge on the kiln: its stages, and how long they take at the safe drying
rate.

A file with [hardware] is a kiln, one with [[lot]] a charge, one with
[[species]] has species of your own, any other is a schedule. Without a kiln
file, charges are checked against the demonstration's kiln.

With --hardware one kiln file is held against what is wired to this computer,
with the daemon stopped and every output off: probes that do not answer, what is
on a bus and not in the file, probes that cannot be told apart, contactors that
say on, contacts that are active. --warm-hand then asks for one probe after the
other to be warmed, and finds those that are exchanged.`,
		Example: "  drywarden check kiln.toml charge.toml\n  drywarden check --hardware --warm-hand /etc/drywarden/north.toml",
		Args:    cobra.MinimumNArgs(1),
		RunE: act(func(cmd *cobra.Command, args []string) error {
			switch {
			case !hardware && warm:
				return failf(exitUse, "--warm-hand is for --hardware")
			case !hardware:
				return a.check(args)
			case len(args) != 1:
				return failf(exitUse, "--hardware is for one kiln file")
			}
			return a.checkHardware(cmd.Context(), args[0], warm)
		}),
	}
	cmd.Flags().BoolVar(&hardware, "hardware", false, "hold one kiln file against what is wired to this computer")
	cmd.Flags().BoolVar(&warm, "warm-hand", false, "with --hardware: have each probe warmed by hand, and find those that are exchanged")
	return cmd
}

// checkJSON is what check --json gives.
type checkJSON struct {
	Kiln    *checkKilnJSON    `json:"kiln"`
	Charges []checkChargeJSON `json:"charges"`
}

type checkKilnJSON struct {
	Name       string   `json:"name"`
	Kind       string   `json:"kind"`
	DryBulbMax float64  `json:"drying_max_celsius"`
	SetMax     float64  `json:"highest_set_point_celsius"`
	TripAt     float64  `json:"dry_bulb_max_celsius"`
	EMCMin     float64  `json:"driest_emc_percent"`
	Pressure   float64  `json:"pressure_pascals"`
	Unjudged   []string `json:"unjudged"`
	Alarms     []string `json:"alarms_go_to"`
}

type checkChargeJSON struct {
	ID       string           `json:"id"`
	Schedule string           `json:"schedule"`
	Source   string           `json:"source"`
	Days     float64          `json:"days_preview"`
	Notes    []string         `json:"notes"`
	Stages   []checkStageJSON `json:"stages"`
}

type checkStageJSON struct {
	Name    string   `json:"name"`
	Kind    string   `json:"kind"`
	DryBulb float64  `json:"dry_bulb_celsius"`
	EMC     float64  `json:"emc_percent"`
	Until   *float64 `json:"until_mc_percent"`
	Hours   float64  `json:"hours_preview"`
}

// kindOf tells what a file is meant to be by its headers.
func kindOf(text []byte) string {
	for line := range bytes.Lines(text) {
		header := strings.TrimSpace(string(line))
		switch {
		case strings.HasPrefix(header, "[hardware"), strings.HasPrefix(header, "[limits"), strings.HasPrefix(header, "[simulated"):
			return "kiln"
		case strings.HasPrefix(header, "[[lot]]"), strings.HasPrefix(header, "[[sample]]"):
			return "charge"
		case strings.HasPrefix(header, "[[species]]"):
			return "species"
		}
	}
	return "schedule"
}

func (a *app) check(paths []string) error {
	var kilnPath string
	var charges, schedules []string
	var species string
	texts := map[string][]byte{}
	for _, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			return failf(exitUse, "check: %w", err)
		}
		texts[path] = text
		switch kindOf(text) {
		case "kiln":
			if kilnPath != "" {
				return failf(exitUse, "check: %s and %s are both kiln files; give one", kilnPath, path)
			}
			kilnPath = path
		case "charge":
			charges = append(charges, path)
		case "species":
			species = path
		default:
			schedules = append(schedules, path)
		}
	}
	var faults []error
	file, err := demoKiln()
	if err != nil {
		return err
	}
	if kilnPath != "" {
		given, err := readKiln(kilnPath, texts[kilnPath])
		if err == nil {
			err = given.CheckDates(time.Now())
		}
		faults = append(faults, err)
		if given != nil {
			file = given
		} else {
			kilnPath = "" // what else is given is judged against the demonstration's kiln
		}
	}
	if species != "" {
		table, err := schedule.ParseSpecies(species, texts[species])
		faults = append(faults, err)
		if err == nil && file.Own == "" {
			file.Species = table
		}
	}
	kiln, layout, err := a.checkedKiln(file, kilnPath, charges)
	faults = append(faults, err)
	for _, path := range schedules {
		written, err := schedule.ParseSchedule(path, texts[path])
		if err == nil {
			err = written.Check(kiln)
		}
		faults = append(faults, err)
	}
	told := checkJSON{}
	var plans []*schedule.Plan
	for _, path := range charges {
		files := controller.ChargeFiles{Charge: controller.File{Name: path, Text: string(texts[path])}}
		charge, _ := schedule.ParseCharge(path, texts[path])
		if name := charge.ScheduleFile(); name != "" {
			beside := findSchedule(path, name, schedules)
			if text, err := os.ReadFile(beside); err == nil {
				files.Schedules = append(files.Schedules, controller.File{Name: beside, Text: string(text)})
			}
		}
		plan, err := resolve(files, kiln)
		if err == nil && kilnPath != "" {
			err = file.CheckCalibration(plan, time.Now())
		}
		if err != nil {
			faults = append(faults, err)
			continue
		}
		plans = append(plans, plan)
	}
	if err := joinFaults(faults); err != nil {
		return err
	}
	if kilnPath != "" {
		told.Kiln = &checkKilnJSON{Name: file.Name, Kind: file.Hardware.Kind.String(), DryBulbMax: float64(file.DryingMax()),
			SetMax: float64(file.Limits.HighestSetPoint), TripAt: float64(file.Limits.DryBulbMax), EMCMin: float64(kiln.EMCMin),
			Pressure: float64(file.Pressure()), Unjudged: unjudged(layout), Alarms: toldOf(file.Courier())}
	}
	for _, plan := range plans {
		told.Charges = append(told.Charges, checkedCharge(plan))
	}
	if a.json {
		return a.print(told)
	}
	return a.printCheck(&told, file.Units)
}

// joinFaults puts the faults of several files into one list; any other error goes first.
func joinFaults(errs []error) error {
	seen := map[sheet.Fault]bool{}
	var all sheet.Faults
	for _, err := range errs {
		var faults *sheet.Faults
		switch {
		case err == nil:
		case errors.As(err, &faults):
			for _, f := range faults.List { // a schedule given and asked for is read twice
				if !seen[f] {
					seen[f] = true
					all.List = append(all.List, f)
				}
			}
		default:
			return err
		}
	}
	return all.Err()
}

func findSchedule(charge, name string, given []string) string {
	for _, path := range given {
		if filepath.Base(path) == name {
			return path
		}
	}
	return filepath.Join(filepath.Dir(charge), name)
}

// checkedKiln gives the kiln as schedules and rules meet it. A simulated one is loaded with its own load, or with the first
// charge given when it is the demonstration's.
func (a *app) checkedKiln(file *kilnfile.File, path string, charges []string) (schedule.Kiln, *hardware.Layout, error) {
	if file.Hardware.Kind == kilnfile.Board {
		layout := file.Layout()
		return file.ForSchedule(&layout), &layout, nil
	}
	kiln := file.ForScheduleSimulated(1)
	var files controller.ChargeFiles
	var err error
	switch {
	case path != "":
		files, err = readCharge(file.Path(file.Simulated.Load))
	case len(charges) > 0:
		files, err = readCharge(charges[0])
	default:
		files = demoCharge()
	}
	if err != nil {
		return kiln, &hardware.Layout{}, err
	}
	plant, err := newPlant(file, files)
	if err != nil {
		return kiln, &hardware.Layout{}, err
	}
	layout := plant.kiln.Layout()
	return file.ForSchedule(&layout), &layout, nil
}

func checkedCharge(plan *schedule.Plan) checkChargeJSON {
	stages := previewPlan(plan)
	c := checkChargeJSON{ID: plan.Charge, Schedule: plan.Schedule.Name, Source: plan.Schedule.Source,
		Days: previewLength(stages).Hours() / 24, Notes: plan.Notes}
	for _, s := range stages {
		stage := checkStageJSON{Name: s.Name, Kind: s.Kind.String(), DryBulb: float64(s.DryBulb), EMC: float64(s.EMC), Hours: s.Time.Hours()}
		if s.Until > 0 {
			until := float64(s.Until)
			stage.Until = &until
		}
		c.Stages = append(c.Stages, stage)
	}
	return c
}

func (a *app) printCheck(told *checkJSON, units kilnfile.Units) error {
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	if k := told.Kiln; k != nil {
		fmt.Fprintf(w, "kiln %s (%s): no fault\n", k.Name, k.Kind)
		fmt.Fprintf(w, "  dries at up to %s, set points up to %s, trips at %s\n", temperature(k.DryBulbMax, units), temperature(k.SetMax, units), temperature(k.TripAt, units))
		fmt.Fprintf(w, "  driest air: EMC %.1f %% at %s; air pressure %.0f hPa\n", k.EMCMin, temperature(k.DryBulbMax, units), k.Pressure/100)
		for _, line := range k.Alarms {
			fmt.Fprint(w, wrap("  alarms are told ", line, "    "))
		}
		for _, u := range k.Unjudged {
			fmt.Fprint(w, wrap("  cannot judge ", u, "    "))
		}
	}
	for i := range told.Charges {
		c := &told.Charges[i]
		fmt.Fprintf(w, "charge %s: no fault; about %.0f days\n", c.ID, c.Days)
		fmt.Fprint(w, wrap("  schedule ", c.Schedule+" ("+c.Source+")", "    "))
		fmt.Fprintln(w, "  stage\tuntil\tdry bulb\tEMC\ttime")
		for i, s := range c.Stages {
			next := ""
			if i+1 < len(c.Stages) {
				next = c.Stages[i+1].Kind
			}
			fmt.Fprintf(w, "  %s\t%s\t%s\t%s\n", s.Name, untilText(s.Kind, s.Until, next), airText(s.Kind, s.DryBulb, s.EMC, units),
				days(time.Duration(s.Hours*float64(time.Hour))))
		}
		_ = w.Flush()
		for _, n := range c.Notes {
			fmt.Fprint(w, wrap("  note: ", n, "    "))
		}
	}
	if told.Kiln == nil && len(told.Charges) == 0 {
		fmt.Fprintln(w, "no fault")
	}
	return w.Flush()
}
