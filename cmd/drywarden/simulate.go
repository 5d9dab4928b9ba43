package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"drywarden/cmd/drywarden/internal/chart"
	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/safety/audit"
	"drywarden/schedule"
)

// simulateFlags are what a simulation can be told.
type simulateFlags struct {
	config, charge, out string
	seed                uint64
	maxDays             float64
	faults              string
	storm               float64
}

func (a *app) simulateCommand() *cobra.Command {
	var flags simulateFlags
	cmd := &cobra.Command{
		Use:   "simulate",
		Short: "Dry a whole charge in a simulated kiln, as fast as it goes",
		Long: `simulate dries one charge from loading to cool-down in a simulated kiln, with
the same code that runs a real one, and judges every second of it by the
independent audit. Without flags it takes an invented yard's kiln and charge.

It always ends: when the charge is done, or after --max-days. The exit code is 1
when the charge is not done or the audit found a violation.

In --json, mc_*, max_rate_over_limit, water_kg and energy_kwh are the simulated
kiln's truth; estimate_* is what the controller believed. max_check_score and
max_honeycomb_score are the greatest drying strain of the worst board, of its
surface and of its core, over what it bears: from 1 on, expect damage. A lot
dries as species_set does; where that is not its own species, its days are an
assumption. books says how well water and heat of the simulated kiln close;
where they do not, simulate fails.

` + faultsHelp + kindsOfFaults(),
		Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error { return a.simulate(cmd.Context(), &flags) }),
	}
	f := cmd.Flags()
	f.StringVar(&flags.config, "config", "", "kiln `file` with a simulated kiln (default: the demonstration's)")
	f.StringVar(&flags.charge, "charge", "", "charge sheet `file` (default: what the kiln file loads)")
	f.Uint64Var(&flags.seed, "seed", 0, "`number` that everything drawn at random comes from (default: the kiln file's)")
	f.Float64Var(&flags.maxDays, "max-days", 0, "give up after this many simulated days (default: three times the preview)")
	f.StringVar(&flags.faults, "faults", "", "`file` of what is to fail, and when")
	f.Float64Var(&flags.storm, "storm", 0, "draw failures at this multiple of their usual density")
	f.StringVar(&flags.out, "out", "", "`folder` for chart.svg and the trace of every tick")
	return cmd
}

// simulation is one charge in a simulated kiln, moved by hand.
type simulation struct {
	file   *kilnfile.File
	plan   *schedule.Plan
	plant  *plant
	loop   *loop.Loop
	person *person
	seen   *observer
	saver  *loop.MemorySaver
	trips  *memoryTrips
	begun  []quantity.MoistureContent // true mean of each lot when loaded
	faults int                        // that are to happen, however late
}

// newSimulation wires a simulated kiln, gate and loop together. writer and picture may be nil.
func newSimulation(file *kilnfile.File, files controller.ChargeFiles, seen *observer) (*simulation, error) {
	p, err := newPlant(file, files)
	if err != nil {
		return nil, err
	}
	layout := p.kiln.Layout()
	plan, err := resolve(files, file.ForSchedule(&layout))
	if err != nil {
		return nil, err
	}
	if err := weigh(plan, p.kiln); err != nil {
		return nil, err
	}
	sim := &simulation{file: file, plan: plan, plant: p, seen: seen, saver: &loop.MemorySaver{}, trips: &memoryTrips{}}
	for _, lot := range p.truth().Lots {
		sim.begun = append(sim.begun, lot.Mean)
	}
	seen.truth = func(lot int) (float64, bool) {
		t := p.truth()
		if lot >= len(t.Lots) {
			return 0, false
		}
		return float64(t.Lots[lot].Mean), true
	}
	return sim, sim.start(nil)
}

// start makes gate and loop as a process's start does; restored is what was durable before.
func (s *simulation) start(restored *loop.Image) error {
	layout := s.plant.kiln.Layout()
	limits := s.file.SafetyLimits()
	config := controllerConfig(s.file, &layout)
	pace := &drive{Paced: mono.NewPaced(tick, 0), plant: s.plant}
	gate, err := safety.NewGate(limits, &layout, s.plant, pace, s.trips)
	if err != nil {
		return failf(exitUse, "kiln %q: %w", s.file.Name, err)
	}
	s.loop, err = loop.New(loop.Deps{
		Config: config, Inputs: s.plant, Gate: gate, Saver: s.saver, Pacer: pace, Recorder: s.seen,
		Header: trace.Header{Program: program(), Kiln: s.file.Name, KilnHash: hashOf(s.file.Text()), Seed: s.file.Simulated.Seed,
			Limits: traceLimits(&config, &limits, s.file)},
		Rules: safety.Rules(), Units: s.file.Units.String(), Unjudged: unjudged(&layout), Restored: restored,
		PublishEvery: publishEvery,
	})
	if err != nil {
		return fmt.Errorf("simulate kiln %q: %w", s.file.Name, err)
	}
	s.person = newPerson(s.plant, s.loop, s.seen)
	return nil
}

// publishEvery is how many ticks of a simulation pass between two looks of the person at the status.
const publishEvery = 600

func newPerson(p *plant, l *loop.Loop, seen *observer) *person {
	return &person{plant: p, loop: l, rules: ruleIDs(), where: func() (uint32, int8) { return seen.last.RunID, seen.last.Stage }}
}

// errMaxDays says that the charge did not end in time.
var errMaxDays = errors.New("the charge was not done in time")

// run moves the kiln until the charge is done. each is called after every tick.
func (s *simulation) run(ctx context.Context, longest time.Duration, each func()) error {
	started := s.loop.Start(s.plan)
	for ticks := 0; time.Duration(ticks)*tick < longest; ticks++ {
		if err := s.loop.Tick(ctx); err != nil {
			return err
		}
		s.person.act()
		each()
		if started != nil {
			select {
			case reply := <-started:
				if reply.Refusal != controller.Accepted {
					return failf(exitFailed, "the charge was not started: refused (%d)", reply.Refusal)
				}
				started = nil
			default:
			}
		}
		if ticks%publishEvery == 0 && s.isDone() {
			return nil
		}
	}
	return errMaxDays
}

func (s *simulation) isDone() bool {
	status := s.loop.Status()
	return status != nil && status.Charge != nil && status.Charge.Phase == "done"
}

// lotJSON is one lot of the result: its truth, and what the controller believed.
type lotJSON struct {
	Name          string   `json:"name"`
	Start         float64  `json:"mc_start_percent"`
	Mean          float64  `json:"mc_final_mean_percent"`
	SD            float64  `json:"mc_final_sd_percent"`
	Min           float64  `json:"mc_final_min_percent"`
	Max           float64  `json:"mc_final_max_percent"`
	RateOverLimit float64  `json:"max_rate_over_limit"`
	Check         float64  `json:"max_check_score"`     // worst board, 1: expect surface checks
	Honeycomb     float64  `json:"max_honeycomb_score"` // worst board, 1: expect honeycomb
	Target        float64  `json:"target_percent"`
	Set           string   `json:"species_set"`     // whose drying the boards have
	OwnSet        bool     `json:"species_set_own"` // false: another species stands in
	Estimate      *float64 `json:"estimate_final_mean_percent"`
	EstimateSigma *float64 `json:"estimate_final_sigma_points"`
}

type stageJSON struct {
	Name  string  `json:"name"`
	Hours float64 `json:"hours"`
}

// resultJSON is what simulate --json gives.
type resultJSON struct {
	Kiln       string            `json:"kiln"`
	Charge     string            `json:"charge"`
	Seed       uint64            `json:"seed"`
	Lots       []lotJSON         `json:"lots"`
	Days       float64           `json:"days"`
	Done       bool              `json:"done"`
	Water      float64           `json:"water_kg"`
	Energy     float64           `json:"energy_kwh"`
	SMER       float64           `json:"smer_kg_per_kwh"`
	Books      booksJSON         `json:"books"`
	Starts     int               `json:"compressor_starts"`
	Trips      int               `json:"trips"`
	TripList   []tripJSON        `json:"trip_list"`
	Alarms     int               `json:"alarms"` // raised by gate and controller, trips and housekeeping left out
	AlarmList  []tripJSON        `json:"alarm_list"`
	Vetoes     int               `json:"vetoed_ticks"`
	Violations uint64            `json:"invariant_violations"`
	Broken     []audit.Violation `json:"violations"`
	Stages     []stageJSON       `json:"stages"`
}

// booksJSON is how well the simulated kiln's books close.
type booksJSON struct {
	StepWater float64 `json:"worst_step_water_error_ratio"` // of all water in the wood
	StepHeat  float64 `json:"worst_step_heat_error_ratio"`  // of all heat in the wood
	Water     float64 `json:"water_imbalance_ratio"`        // of the water evaporated
	Energy    float64 `json:"energy_imbalance_ratio"`       // of the energy drawn
}

// close tells what of it is no rounding: then the simulation is worth nothing.
func (b *booksJSON) close() error {
	var faults []error
	for _, x := range []struct {
		what        string
		found, most float64
	}{{"water of a step", b.StepWater, 1e-9}, {"heat of a step", b.StepHeat, 1e-9}, {"water", b.Water, 1e-3}, {"energy", b.Energy, 5e-3}} {
		if !(math.Abs(x.found) <= x.most) {
			faults = append(faults, fmt.Errorf("%s is off by %.1e, expected at most %.0e", x.what, x.found, x.most))
		}
	}
	if len(faults) > 0 {
		return fmt.Errorf("the simulated kiln's books do not close: %w", errors.Join(faults...))
	}
	return nil
}

type tripJSON struct {
	Rule string  `json:"rule"`
	Days float64 `json:"days"`
}

// seedIn sets the seed where one is given: 0 leaves the kiln file's.
func (f *simulateFlags) load() (*kilnfile.File, controller.ChargeFiles, error) {
	file, err := demoKiln()
	files := demoCharge()
	if err != nil {
		return nil, files, err
	}
	if f.config != "" {
		text, err := os.ReadFile(f.config)
		if err != nil {
			return nil, files, failf(exitUse, "read kiln file: %w", err)
		}
		if file, err = readKiln(f.config, text); err != nil {
			return nil, files, err
		}
		if file.Hardware.Kind != kilnfile.Simulated {
			return nil, files, failf(exitUse, "%s is a real kiln (kind = %q): only a simulated one can be simulated", f.config, file.Hardware.Kind)
		}
		if f.charge == "" {
			if files, err = readCharge(file.Path(file.Simulated.Load)); err != nil {
				return nil, files, err
			}
		}
	}
	if f.charge != "" {
		if files, err = readCharge(f.charge); err != nil {
			return nil, files, err
		}
	}
	if f.seed != 0 {
		file.Simulated.Seed = f.seed
	}
	return file, files, nil
}

func (a *app) simulate(ctx context.Context, flags *simulateFlags) error {
	if flags.maxDays < 0 {
		return failf(exitUse, "--max-days is %g, expected more than 0", flags.maxDays)
	}
	file, files, err := flags.load()
	if err != nil {
		return err
	}
	seen := &observer{chart: &chart.Recorder{Interval: tick}}
	closeTrace, err := seen.into(flags.out)
	if err != nil {
		return err
	}
	sim, err := newSimulation(file, files, seen)
	if err != nil {
		return errors.Join(err, closeTrace())
	}
	longest := 3 * previewLength(previewPlan(sim.plan))
	if flags.maxDays > 0 {
		longest = time.Duration(flags.maxDays * 24 * float64(time.Hour))
	}
	if err := flags.addFaults(sim, longest); err != nil {
		return errors.Join(err, closeTrace())
	}
	if !a.json {
		a.intro(sim)
	}
	progress := a.newProgress(sim)
	failure := sim.run(ctx, longest, progress.show)
	progress.clear()
	sim.loop.Publish()
	if failure != nil && !errors.Is(failure, errMaxDays) {
		return errors.Join(failure, closeTrace())
	}
	result := sim.result(failure == nil)
	if err := result.Books.close(); err != nil {
		return errors.Join(err, closeTrace())
	}
	if err := errors.Join(seen.failed, closeTrace()); err != nil {
		return fmt.Errorf("write the trace: %w", err)
	}
	if flags.out != "" {
		if err := sim.draw(filepath.Join(flags.out, "chart.svg"), &result); err != nil {
			return err
		}
	}
	if a.json {
		err = a.print(result)
	} else {
		err = a.printResult(sim, &result, flags.out)
	}
	if err == nil && (!result.Done || result.Violations > 0) {
		return silent(exitFailed)
	}
	return err
}

// into opens the trace in the folder; with no folder nothing is kept.
func (o *observer) into(folder string) (closing func() error, err error) {
	if folder == "" {
		return func() error { return nil }, nil
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, fmt.Errorf("make the folder for chart and trace: %w", err)
	}
	file, err := os.Create(filepath.Join(folder, "trace"))
	if err != nil {
		return nil, fmt.Errorf("write the trace: %w", err)
	}
	buffer := bufio.NewWriterSize(file, 1<<20)
	o.to = buffer
	return func() error {
		var closed error
		if o.writer != nil {
			closed = o.writer.Close()
		}
		return errors.Join(closed, buffer.Flush(), file.Close())
	}, nil
}

func (s *simulation) result(done bool) resultJSON {
	truth := s.plant.truth()
	report := s.seen.checker.Finish()
	r := resultJSON{Kiln: s.file.Name, Charge: s.plan.Charge, Seed: s.file.Simulated.Seed, Days: s.seen.run.Hours() / 24, Done: done,
		Water: float64(truth.Water), Energy: float64(truth.Energy) / 3.6e6, Starts: s.seen.starts, Trips: len(s.seen.trips), Vetoes: s.seen.vetoes,
		Books:      booksJSON{float64(truth.MassError), float64(truth.HeatError), float64(truth.WaterImbalance), float64(truth.EnergyBalance)},
		Violations: report.Total, Broken: report.Violations, TripList: []tripJSON{},
		Alarms: len(s.seen.alarms), AlarmList: []tripJSON{}}
	if r.Broken == nil {
		r.Broken = []audit.Violation{}
	}
	if r.Energy > 0 {
		r.SMER = r.Water / r.Energy
	}
	for _, t := range s.seen.trips {
		r.TripList = append(r.TripList, tripJSON{t.Rule, t.At.Hours() / 24})
	}
	for _, t := range s.seen.alarms {
		r.AlarmList = append(r.AlarmList, tripJSON{t.Rule, t.At.Hours() / 24})
	}
	status := s.loop.Status()
	for i, lot := range truth.Lots {
		l := lotJSON{Name: lot.Name, Start: float64(s.begun[i]), Mean: float64(lot.Mean), SD: float64(lot.SD), Min: float64(lot.Min), Max: float64(lot.Max),
			RateOverLimit: float64(lot.RateOverLimit), Check: float64(lot.Check), Honeycomb: float64(lot.Honeycomb), Target: float64(s.plan.Lots[i].Target),
			Set: lot.Set, OwnSet: lot.OwnSet}
		if c := status.Charge; c != nil && i < len(c.Lots) {
			l.Estimate, l.EstimateSigma = c.Lots[i].Mean.Value, c.Lots[i].Mean.Sigma
		}
		r.Lots = append(r.Lots, l)
	}
	for _, stage := range s.seen.stages {
		r.Stages = append(r.Stages, stageJSON{stage.Name, stage.Hours})
	}
	return r
}

// draw writes the chart.
func (s *simulation) draw(path string, r *resultJSON) error {
	file, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("draw the chart: %w", err)
	}
	defer func() { _ = file.Close() }()
	legend := chart.Legend{
		Title: fmt.Sprintf("Charge %s in kiln %s (simulated)", r.Charge, r.Kiln),
		Subtitle: fmt.Sprintf("schedule %s; %.1f days, %.0f kg of water, %.0f kWh; seed %d", s.plan.Schedule.Name, r.Days, r.Water, r.Energy,
			r.Seed),
		Fahrenheit: s.file.Units == kilnfile.US,
	}
	for _, lot := range s.plan.Lots {
		legend.Lots = append(legend.Lots, chart.LotLegend{Name: lot.Name, Target: float64(lot.Target)})
	}
	layout := s.plant.kiln.Layout()
	for _, o := range []hardware.OutputID{hardware.FanForward1, hardware.FanReverse1, hardware.Compressor, hardware.Heat1, hardware.Heat2,
		hardware.Heat3, hardware.Vent, hardware.Spray} {
		if layout.Outputs.Has(o) {
			legend.Outputs = append(legend.Outputs, chart.OutputLegend{Name: o.String(), Bit: uint8(o)})
		}
	}
	if err := s.seen.chart.SVG(file, legend); err != nil {
		return fmt.Errorf("draw the chart: %w", err)
	}
	return file.Close()
}

// progress is one line on a terminal that is written over and over.
type progress struct {
	to    io.Writer // nil: no terminal
	sim   *simulation
	begun time.Time
	next  time.Time
	whole time.Duration // preview
	ticks int
}

func (a *app) newProgress(s *simulation) *progress {
	p := &progress{sim: s, begun: time.Now(), whole: previewLength(previewPlan(s.plan))}
	if file, ok := a.err.(*os.File); ok && !a.json {
		if _, err := unix.IoctlGetTermios(int(file.Fd()), unix.TCGETS); err == nil {
			p.to = file
		}
	}
	return p
}

func (p *progress) show() {
	if p.ticks++; p.to == nil || p.ticks%publishEvery != 0 {
		return
	}
	now := time.Now()
	if now.Before(p.next) {
		return
	}
	p.next = now.Add(200 * time.Millisecond)
	o := p.sim.seen
	line := "starting"
	if n := len(o.stages); n > 0 {
		line = o.stages[n-1].Name
	}
	if g := int(o.last.Governing); g >= 0 && g < len(p.sim.plan.Lots) {
		lot := &p.sim.plan.Lots[g]
		line += fmt.Sprintf(", %s %.1f %%", lot.Name, o.last.Lots[g].Control)
		if limit := float64(lot.RateLimit) * guardFactor(o.last.Lots[g].Control); limit > 0 {
			line += fmt.Sprintf(", %.1f of %.1f %%/d", o.last.Lots[g].Rate, limit)
		}
	}
	if o.last.DryBulbValid && o.last.EMCValid {
		line += fmt.Sprintf(", %s/%.1f %%", temperature(o.last.DryBulb, p.sim.file.Units), o.last.EMC)
	}
	line = fmt.Sprintf("day %4.1f of about %.0f: %s", o.run.Hours()/24, max(p.whole.Hours()/24, o.run.Hours()/24), line)
	if r := []rune(line); len(r) >= columns {
		line = string(r[:columns-1])
	}
	_, _ = fmt.Fprintf(p.to, "\r%-*s", columns-1, line)
}

func (p *progress) clear() {
	if p.to != nil {
		_, _ = fmt.Fprintf(p.to, "\r%-*s\r", columns-1, "")
	}
}

func (a *app) intro(s *simulation) {
	fmt.Fprintf(a.out, "kiln %s (simulated), charge %s, seed %d\n", s.file.Name, s.plan.Charge, s.file.Simulated.Seed)
	fmt.Fprint(a.out, wrap("schedule ", s.plan.Schedule.Name+" ("+s.plan.Schedule.Source+")", "  "))
	fmt.Fprintf(a.out, "preview: about %.0f days\n", previewLength(previewPlan(s.plan)).Hours()/24)
	if s.faults > 0 {
		fmt.Fprintf(a.out, "%s to come\n", count(s.faults, "fault"))
	}
	fmt.Fprintln(a.out)
}

func (a *app) printResult(s *simulation, r *resultJSON, out string) error {
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "stage\tfrom day\ttook\tgoverned by")
	for _, stage := range s.seen.stages {
		by := ""
		if stage.Governed != "" {
			by = fmt.Sprintf("%s at %.1f %%", stage.Governed, stage.Control)
		}
		fmt.Fprintf(w, "%s\t%.1f\t%s\t%s\n", stage.Name, stage.Began.Hours()/24, days(time.Duration(stage.Hours*float64(time.Hour))), by)
	}
	fmt.Fprintln(w)
	_ = w.Flush()
	for _, t := range s.seen.trips {
		fmt.Fprintf(a.out, "trip on day %.1f: %s\n", t.At.Hours()/24, t.Rule)
	}
	for _, t := range s.seen.alarms {
		fmt.Fprintf(a.out, "alarm on day %.1f: %s\n", t.At.Hours()/24, t.Rule)
	}
	fmt.Fprintln(w, "lot\tstart\ttarget\tend\tspread\tdriest\twettest\tbelieved\trate/limit")
	for _, l := range r.Lots {
		believed := "-"
		if l.Estimate != nil && l.EstimateSigma != nil {
			believed = fmt.Sprintf("%.1f±%.1f", *l.Estimate, *l.EstimateSigma)
		}
		rate := "-"
		if l.RateOverLimit > 0 {
			rate = fmt.Sprintf("%.2f", l.RateOverLimit)
		}
		fmt.Fprintf(w, "%s\t%.1f\t%.2f\t%.2f\t%.2f\t%.2f\t%.2f\t%s\t%s\n", l.Name, l.Start, l.Target, l.Mean, l.SD, l.Min, l.Max, believed, rate)
	}
	_ = w.Flush()
	fmt.Fprint(a.out, "moisture in %: the simulated kiln's truth, but for what was believed\n\n")
	for _, l := range r.Lots {
		if !l.OwnSet {
			fmt.Fprint(a.out, wrap("", fmt.Sprintf("%s dried as %s would: the simulated kiln does not know its species, so its days are an assumption", l.Name, l.Set), ""))
		}
	}
	state := "done"
	if !r.Done {
		state = "NOT done"
	}
	fmt.Fprint(a.out, wrap("", fmt.Sprintf("%s after %.1f days: %s of water, %.0f kWh, %.2f kg/kWh, %s of the compressor, %s, %s, %s found by the audit",
		state, r.Days, mass(r.Water, s.file.Units), r.Energy, r.SMER, count(r.Starts, "start"), count(r.Trips, "trip"),
		count(r.Vetoes, "vetoed tick"), count(int(r.Violations), "violation")), ""))
	for _, v := range r.Broken {
		fmt.Fprint(a.out, wrap("violation: ", fmt.Sprintf("%s at tick %d: %s, expected %s", v.Name, v.Tick, v.Seen, v.Expected), "  "))
	}
	if out != "" {
		fmt.Fprintf(a.out, "chart: %s\ntrace: %s\n", filepath.Join(out, "chart.svg"), filepath.Join(out, "trace"))
	}
	return nil
}
