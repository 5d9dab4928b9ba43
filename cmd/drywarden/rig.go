package main

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/controller/demand"
	"drywarden/controller/estimate"
	"drywarden/controller/loop"
	"drywarden/controller/sequence"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/simkiln"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/schedule"
)

// tick is the length of one pass of the loop.
const tick = time.Second

// plant is the simulated kiln behind a lock: the loop reads and moves it, the gate's deadline may write to it from another
// goroutine.
type plant struct {
	mu   sync.Mutex
	kiln *simkiln.Kiln
}

// Read is the loop's.
func (p *plant) Read(now mono.Instant, to *hardware.Snapshot) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.kiln.Read(now, to)
}

// Apply is the gate's.
func (p *plant) Apply(now mono.Instant, outputs hardware.Outputs) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.kiln.Apply(now, outputs)
}

func (p *plant) advance(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.kiln.Advance(d)
}

func (p *plant) truth() simkiln.Truth {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.kiln.Truth()
}

// drive beats the loop and moves the simulated kiln by the same time.
type drive struct {
	*mono.Paced
	plant *plant
	each  func() // after the kiln moved; may be nil
}

// Next is called by the loop alone.
func (d *drive) Next(ctx context.Context) error {
	if err := d.Paced.Next(ctx); err != nil {
		return err
	}
	d.plant.advance(tick)
	if d.each != nil {
		d.each()
	}
	return nil
}

// person carries what the simulated operator sees and does between kiln and loop.
type person struct {
	plant   *plant
	loop    *loop.Loop
	where   func() (run uint32, stage int8) // as of the last tick
	rules   map[string]hardware.RuleID
	shown   *controller.Status
	weighed []weighing // not yet answered
}

type weighing struct {
	command controller.Command
	reply   <-chan controller.Reply
}

// act shows the person the newest status and does what they decided. It is called by the goroutine that moves the loop.
func (p *person) act() {
	p.again()
	status := p.loop.Status()
	p.plant.mu.Lock()
	if status != nil && status != p.shown {
		p.plant.kiln.Tell(p.notice(status))
		p.shown = status
	}
	actions := slices.Clone(p.plant.kiln.Actions())
	p.plant.mu.Unlock()
	for _, a := range actions {
		c := controller.Command{}
		c.Run, c.Stage = p.where()
		switch a.Kind {
		case simkiln.WeighSample:
			c.Verb, c.Sample, c.Mass = controller.VerbWeigh, a.Sample, a.Mass
			p.weighed = append(p.weighed, weighing{c, p.loop.Submit(c)})
			continue
		case simkiln.Ack:
			c.Verb, c.Rule = controller.VerbAck, a.Rule
		case simkiln.ResetTrip:
			c.Verb, c.Rule = controller.VerbReset, a.Rule
			// Whoever was called for it has put right what it was; a technician's reset is refused without a reason.
			p.loop.SubmitOrder(controller.Order{Command: c, Reason: "mended"})
			continue
		case simkiln.Confirm:
			c.Verb, c.Matters = controller.VerbConfirm, p.shownMatters()
		default:
			continue // mended: the controller is not told
		}
		p.loop.Submit(c)
	}
}

// shownMatters is what the person has seen waiting for their word, all of which they looked at.
func (p *person) shownMatters() controller.Matters {
	if p.shown == nil {
		return 0
	}
	m, err := controller.MattersNamed(p.shown.ToConfirm)
	if err != nil {
		return 0 // of another program
	}
	return m
}

// again weighs once more what the controller found unlikely, as a person would, and sticks to it.
func (p *person) again() {
	p.weighed = slices.DeleteFunc(p.weighed, func(w weighing) bool {
		select {
		case reply := <-w.reply:
			if reply.Refusal == controller.RefusedUnlikely && !w.command.Recheck {
				w.command.Recheck = true
				p.loop.Submit(w.command)
			}
			return true
		default:
			return false
		}
	})
}

func (p *person) notice(s *controller.Status) simkiln.Notice {
	n := simkiln.Notice{Running: s.Charge != nil && s.Charge.Phase == "running", Confirm: s.Outage.Confirm}
	add := func(a hardware.Alarm) {
		if int(n.AlarmCount) < len(n.Alarms) {
			n.Alarms[n.AlarmCount] = a
			n.AlarmCount++
		}
	}
	seen := map[string]bool{}
	for _, a := range s.Alarms {
		seen[a.Rule] = true
		if id, ok := p.rules[a.Rule]; ok {
			add(hardware.Alarm{Rule: id, Latched: a.Latched, Active: a.Active, Acked: a.Acked, Clears: authority(a.Clears)})
		}
	}
	for _, t := range s.Trips {
		if id, ok := p.rules[t.Rule]; ok && !seen[t.Rule] {
			add(hardware.Alarm{Rule: id, Latched: true, Active: t.Active, Acked: true, Clears: authority(t.Clears)})
		}
	}
	return n
}

func authority(name string) hardware.Authority {
	for a := hardware.ByItself; a < hardware.ByTechnician; a++ {
		if a.String() == name {
			return a
		}
	}
	return hardware.ByTechnician
}

// memoryTrips keeps the gate's trips for a simulation.
type memoryTrips struct{ names []string }

func (m *memoryTrips) LoadTrips() ([]string, error) { return slices.Clone(m.names), nil }
func (m *memoryTrips) SaveTrips(names []string) error {
	m.names = slices.Clone(names)
	return nil
}

// controllerConfig tells the controller what kiln it has.
func controllerConfig(f *kilnfile.File, layout *hardware.Layout) controller.Config {
	limits := f.SafetyLimits()
	kiln := f.ForSchedule(layout)
	c := controller.Config{
		Layout: *layout, Pressure: f.Pressure(), Volume: f.Volume, Tick: tick,
		Estimate: estimate.DefaultConfig(), Demand: demand.DefaultConfig(), Sequence: sequence.DefaultConfig(),
		StartDelay: limits.StartDelay.Std(), WarnTime: limits.DoorWarning.Std(),
		DryBulbMax: f.Limits.HighestSetPoint, EMCMin: kiln.EMCMin,
	}
	c.Estimate.VentFlow, c.Estimate.SprayRate = f.Flows()
	d := &c.Demand
	d.HeatStages = layout.HeatStages
	d.Vent, d.Spray = layout.Outputs.Has(hardware.Vent), layout.Outputs.Has(hardware.Spray)
	d.Compressor, d.BlowerLow = layout.Outputs.Has(hardware.Compressor), layout.Outputs.Has(hardware.BlowerLow)
	d.LoneDuty = limits.HeatDuty
	d.SprayBelow, d.SprayUntil = 0.15, 0
	s := &c.Sequence
	s.WarnTime = c.WarnTime
	s.Coast = max(s.Coast, f.Fans.Coast.Std()+gateMargin)
	s.ReverseWetMin, s.ReverseDryMin = f.Fans.ReverseIn.Std(), f.Fans.ReverseBy.Std()
	s.ReverseWetMax, s.ReverseDryMax = s.ReverseWetMin*3/2, s.ReverseDryMin*3/2
	s.ContactorIv = max(s.ContactorIv, limits.ContactorInterval.Std()+gateMargin)
	s.VentIv, s.SprayIv = max(s.VentIv, limits.VentInterval.Std()+gateMargin), max(s.SprayIv, limits.SprayInterval.Std()+gateMargin)
	if m := f.Compressor; m != nil {
		d.AmbientMin, d.AmbientMax = m.AmbientMin, m.AmbientMax
		s.MinOff, s.MinOn = m.MinOff.Std()+gateMargin, m.MinOn.Std()
		s.MinOnWet = min(s.MinOnWet, s.MinOn)
		s.StartGap = max(s.StartGap, time.Hour/time.Duration(m.Starts))
	}
	return c
}

// gateMargin is kept from what the gate enforces, so that in a run without faults nothing is ever refused.
const gateMargin = 2 * time.Second

// traceLimits are the limits that the audit judges by.
func traceLimits(c *controller.Config, l *safety.Limits, f *kilnfile.File) trace.Limits {
	t := trace.Limits{
		CompressorMinOffNS: int64(l.CompressorMinOff), CompressorStartsHour: l.CompressorStarts,
		CompressorAmbientMin: float64(l.CompressorAmbientMin), CompressorAmbientMax: float64(l.CompressorAmbientMax),
		FanCoastNS: int64(l.FanCoast), DryBulbMax: float64(l.DryBulbMax), SetDryBulbMax: float64(c.DryBulbMax), StartDelayNS: int64(l.StartDelay),
		VentIntervalNS: int64(l.VentInterval), SprayIntervalNS: int64(l.SprayInterval), ContactorIntervalNS: int64(l.ContactorInterval),
		RampDryBulb: rampDryBulbMax, RampEMC: rampEMCMax,
	}
	if f.Compressor != nil {
		t.CompressorMinOnNS = int64(min(c.Sequence.MinOn, c.Sequence.MinOnWet, c.Sequence.MinOnOver))
	}
	return t
}

// The greatest ramps that any stage may ask for, as the schedule's files may write them.
const (
	rampDryBulbMax = 20 // K/h
	rampEMCMax     = 5  // points an hour
)

// allRules are the texts of everything that may trip or call.
func allRules() []hardware.RuleText { return slices.Concat(safety.Rules(), loop.Rules()) }

func unjudged(layout *hardware.Layout) []string {
	var list []string
	for _, m := range safety.Unjudged(layout) {
		list = append(list, m.Name+": "+m.Needs)
	}
	return list
}

// readCharge reads a charge sheet and the schedule file it asks for, which lies beside it.
func readCharge(path string) (controller.ChargeFiles, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return controller.ChargeFiles{}, failf(exitUse, "read charge sheet: %w", err)
	}
	files := controller.ChargeFiles{Charge: controller.File{Name: path, Text: string(text)}}
	sheet, _ := schedule.ParseCharge(path, text) // its faults come out of resolve, with all others
	if name := sheet.ScheduleFile(); name != "" {
		beside := filepath.Join(filepath.Dir(path), filepath.Base(name))
		text, err := os.ReadFile(beside)
		if err != nil {
			return files, failf(exitUse, "read the schedule that %s asks for: %w", path, err)
		}
		files.Schedules = append(files.Schedules, controller.File{Name: beside, Text: string(text)})
	}
	return files, nil
}

// resolve makes a plan for this kiln, or gives every fault of all files.
func resolve(files controller.ChargeFiles, kiln schedule.Kiln) (*schedule.Plan, error) {
	charge, _ := schedule.ParseCharge(files.Charge.Name, []byte(files.Charge.Text))
	for _, f := range files.Schedules {
		written, _ := schedule.ParseSchedule(f.Name, []byte(f.Text))
		charge.Use(written)
	}
	return schedule.Resolve(charge, kiln)
}

// loadOf reads what stands in a simulated kiln. The kiln's probes depend on the lots, so the plan is resolved against as
// many cores as there could be.
func loadOf(f *kilnfile.File, files controller.ChargeFiles) (kilnfile.Load, error) {
	plan, err := resolve(files, f.ForScheduleSimulated(hardware.MaxLots))
	if err != nil {
		return kilnfile.Load{}, err
	}
	load := kilnfile.Load{Lots: plan.Lots}
	for _, s := range plan.Samples {
		load.Samples = append(load.Samples, s.Lot)
	}
	return load, nil
}

// weigh puts in the weights that the simulated person measured when the sample boards were cut.
func weigh(plan *schedule.Plan, kiln *simkiln.Kiln) error {
	cut := kiln.CutSamples()
	if len(plan.Samples) > len(cut) {
		return failf(exitUse, "the charge has %s, the simulated kiln was loaded with %d: set its load to this charge",
			count(len(plan.Samples), "sample board"), len(cut))
	}
	for i := range plan.Samples {
		s := &plan.Samples[i]
		if cut[i].Lot != s.Lot {
			return failf(exitUse, "sample board %q is of another lot than the one that the simulated kiln was loaded with", s.Name)
		}
		if s.Start == 0 {
			s.Start, s.OvenDry = cut[i].Start, cut[i].OvenDry
		}
	}
	return nil
}

func hashOf(text []byte) string { return store.Hash(text) }

// newPlant makes the simulated kiln of a kiln file, loaded with a charge.
func newPlant(f *kilnfile.File, files controller.ChargeFiles) (*plant, error) {
	load, err := loadOf(f, files)
	if err != nil {
		return nil, err
	}
	config := f.Plant(load)
	if path := f.Simulated.Weather.File; path != "" {
		file, err := os.Open(f.Path(path))
		if err != nil {
			return nil, failf(exitUse, "read the weather of kiln %q: %w", f.Name, err)
		}
		defer file.Close()
		if config.Weather.Hours, err = simkiln.ReadWeather(file); err != nil {
			return nil, failf(exitUse, "%s: %w", path, err)
		}
	}
	kiln, err := simkiln.New(config)
	if err != nil {
		return nil, failf(exitUse, "simulate kiln %q: %w", f.Name, err)
	}
	return &plant{kiln: kiln}, nil
}
