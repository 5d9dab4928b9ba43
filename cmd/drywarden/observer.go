package main

import (
	"io"
	"math/bits"
	"slices"
	"time"

	"drywarden/cmd/drywarden/internal/chart"
	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/trace"
	"drywarden/safety/audit"
)

// observer takes every record of a simulation: it judges, counts, draws and keeps. It decides nothing.
type observer struct {
	header  trace.Header
	last    trace.Record
	checker *audit.Checker
	trusts  bool            // leaves the audit out, where kiln and control alone are measured
	chart   *chart.Recorder // may be nil
	to      io.Writer       // where the trace goes; nil: nowhere
	writer  *trace.Writer   // to to, from the first header on
	failed  error           // of the writer, the first
	truth   func(lot int) (float64, bool)

	ticks      uint64
	run        time.Duration // since the charge was started
	stages     []stageLog
	trips      []tripLog
	alarms     []tripLog // raised by gate and controller, trips and housekeeping left out
	rules      []hardware.RuleText
	vetoes     int // ticks in which something was refused
	starts     int // of the compressor
	compressor uint32
}

// stageLog is one stage as it was run.
type stageLog struct {
	Name     string
	Began    time.Duration // since the charge was started
	Hours    float64
	Control  float64 // control moisture of the governing lot when it began
	Governed string  // name of that lot; empty: none
}

// tripLog is one trip or alarm.
type tripLog struct {
	Rule string
	At   time.Duration // since the charge was started
}

// Header takes the head of a trace, and again when a run starts or ends.
func (o *observer) Header(h *trace.Header) {
	o.header = *h
	switch {
	case o.trusts:
	case o.checker == nil:
		o.checker = audit.New(*h)
	default:
		o.checker.Restart(*h)
	}
	o.rules = allRules()
	o.compressor = 1 << hardware.Compressor
	switch {
	case o.writer != nil:
		o.keep(o.writer.Header(*h))
	case o.to != nil:
		var err error
		o.writer, err = trace.NewWriter(o.to, *h)
		o.keep(err)
	}
}

func (o *observer) keep(err error) {
	if o.failed == nil {
		o.failed = err
	}
}

// Record takes one tick.
func (o *observer) Record(r *trace.Record) {
	if o.checker != nil {
		o.checker.Check(r)
	}
	if o.writer != nil {
		o.keep(o.writer.Write(r))
	}
	before := &o.last
	if r.Vetoed != 0 {
		o.vetoes++
	}
	if r.Applied&^before.Applied&o.compressor != 0 {
		o.starts++
	}
	for fresh := r.Trips &^ before.Trips; fresh != 0; fresh &= fresh - 1 {
		o.trips = append(o.trips, tripLog{o.rule(bits.TrailingZeros64(fresh)), o.run})
	}
	for i := range r.EventCount {
		if e := &r.Events[i]; e.Kind == uint8(controller.EventAlarm) {
			o.alarm(hardware.RuleID(e.A))
		}
	}
	if r.RunID != 0 {
		o.stage(r)
		o.run += time.Duration(o.header.TickNS)
	}
	if o.chart != nil && r.RunID != 0 {
		o.draw(r)
	}
	o.ticks++
	o.last = *r
}

func (o *observer) rule(id int) string {
	if i := slices.IndexFunc(o.header.Rules, func(r trace.Rule) bool { return int(r.ID) == id }); i >= 0 {
		return o.header.Rules[i].Name
	}
	return "unknown"
}

func (o *observer) alarm(id hardware.RuleID) {
	for i := range o.rules {
		if text := &o.rules[i]; text.ID == id && text.Class > hardware.Housekeeping {
			o.alarms = append(o.alarms, tripLog{text.Name, o.run})
		}
	}
}

func (o *observer) stage(r *trace.Record) {
	run := o.header.Run
	if run == nil || r.Stage < 0 || int(r.Stage) >= len(run.Stages) {
		return
	}
	if o.last.RunID != r.RunID || o.last.Stage != r.Stage || len(o.stages) == 0 {
		entry := stageLog{Name: run.Stages[r.Stage].Name, Began: o.run}
		if g := int(r.Governing); g >= 0 && g < len(run.Lots) {
			entry.Control, entry.Governed = r.Lots[g].Control, run.Lots[g].Name
		}
		o.stages = append(o.stages, entry)
	}
	o.stages[len(o.stages)-1].Hours += time.Duration(o.header.TickNS).Hours()
}

// truthEvery is how many ticks pass between two looks at the simulated kiln's true moisture.
const truthEvery = 600

func (o *observer) draw(r *trace.Record) {
	t := chart.Tick{DryBulb: r.DryBulb, DryBulbOK: r.DryBulbValid, EMC: r.EMC, EMCOK: r.EMCValid,
		SetDryBulb: r.SetDryBulb, SetEMC: r.SetEMC, SetOK: r.SetActive, On: r.Applied}
	name := "rest"
	if run := o.header.Run; run != nil {
		if r.Stage >= 0 && int(r.Stage) < len(run.Stages) {
			name = run.Stages[r.Stage].Name
		}
		look := o.truth != nil && o.ticks%truthEvery == 0
		for i, lot := range run.Lots {
			t.Lots[i] = chart.Lot{Estimate: r.Lots[i].Mean, EstimateOK: r.Lots[i].Mean > 0}
			if look {
				t.Lots[i].Truth, t.Lots[i].TruthOK = o.truth(i)
			}
			if limit := lot.RateLimit * guardFactor(r.Lots[i].Mean); limit > 0 && r.Lots[i].Mean > 20 {
				t.Rate, t.RateOK = max(t.Rate, r.Lots[i].Rate/limit), true
			}
		}
	}
	o.chart.Add(name, &t)
}

// guardFactor is by how much the published safe rate grows below 45 % moisture, 1.5 at 25 %; common practice, no source.
func guardFactor(mc float64) float64 { return 1 + 0.5*min(max((45-mc)/20, 0), 1) }
