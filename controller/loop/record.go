package loop

import (
	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/trace"
	"drywarden/schedule"
	"drywarden/schedule/wood"
)

// traceFormat is the version of the header that the loop fills in.
const traceFormat = 1

// fillHeader completes the header for the run as it is now.
func (l *Loop) fillHeader() {
	h := &l.header
	layout := &l.deps.Config.Layout
	*h = l.deps.Header
	h.Format, h.TickNS, h.Boot = traceFormat, int64(l.deps.Config.Tick), l.image.Boot
	h.Probes = nil
	for _, p := range layout.Probes {
		h.Probes = append(h.Probes, trace.Probe{Name: p.Name, Role: p.Role.String(), Lot: p.Lot, Resolution: p.Role.Resolution(), Offset: p.Offset})
	}
	h.Qualities = qualityNames()
	h.Contacts, h.ContactsFitted = contactNames(), uint32(layout.Contacts)
	h.Outputs, h.OutputsFitted, h.OutputsReadBack = outputNames(), uint32(layout.Outputs), uint32(layout.ReadBack)
	h.Modes, h.StageKinds, h.EventKinds = controller.ModeNames(), schedule.KindNames(), controller.EventNames()
	h.Verbs, h.Matters, h.StageCauses = verbNames(), controller.MatterNames(), schedule.CauseNames()
	h.ForcedLevels = []string{hardware.NotForced.String(), hardware.ForcedSafe.String(), hardware.ForcedOff.String()}
	if len(h.Rules) == 0 { // safety's tests hold that a rule latches exactly when it does not clear by itself
		for _, r := range l.rules.texts {
			if r.ID <= hardware.LastSafetyRule {
				h.Rules = append(h.Rules, trace.Rule{ID: uint8(r.ID), Name: r.Name, Latched: r.Clears != hardware.ByItself, Clears: r.Clears.String()})
			}
		}
	}
	h.Run = nil
	if l.image.Run != nil {
		h.Run = runOf(l.image.Run.Plan)
	}
}

// tellHeader hands the header over as it is now.
func (l *Loop) tellHeader() {
	l.fillHeader()
	if l.deps.Recorder != nil {
		l.deps.Recorder.Header(&l.header)
	}
}

func runOf(p *schedule.Plan) *trace.Run {
	r := &trace.Run{ID: p.ID, Charge: p.Charge, Schedule: p.Schedule.Name, Hash: p.Hash}
	for _, s := range p.Schedule.Stages {
		stage := trace.Stage{Name: s.Name, Kind: s.Kind.String(), DryBulb: float64(s.DryBulb), EMC: float64(s.EMC), MinDwellNS: int64(s.MinDwell),
			RampDryBulb: float64(s.RampDryBulb), RampEMCDown: float64(s.RampEMCDown), RampEMCUp: float64(s.RampEMCUp)}
		if s.Kind == schedule.Dry {
			stage.UntilMC = float64(s.UntilMC)
		}
		if s.Kind == schedule.Heat {
			stage.Core, stage.ExposureNS = float64(s.Core.Add(s.CoreMargin)), int64(s.Exposure)
			stage.Unbroken, stage.MinCores = s.Unbroken, s.MinCores
		}
		r.Stages = append(r.Stages, stage)
	}
	for _, lot := range p.Lots {
		r.Lots = append(r.Lots, trace.Lot{Name: lot.Name, Target: float64(lot.Target), GreenMaxDryBulb: float64(lot.GreenMaxDryBulb), MaxDryBulb: float64(lot.MaxDryBulb),
			FiberSaturation: float64(wood.FiberSaturation), RateLimit: float64(lot.RateLimit)})
	}
	return r
}

// fillRecord maps the tick to flat data. It allocates nothing.
func (l *Loop) fillRecord() {
	r, s, res, state := &l.record, &l.snap, &l.res, &l.image.State
	r.Boot, r.Tick, r.Uptime = l.image.Boot, s.Tick, s.Now.Sub(l.origin)
	r.WallUnix, r.WallTrusted = s.Wall.Unix, s.Wall.Trusted

	for i := range s.Readings {
		reading := &s.Readings[i]
		r.Probe[i], r.ProbeQuality[i] = 0, uint8(reading.Quality)
		if reading.OK() {
			r.Probe[i] = reading.Value
		}
	}
	r.ContactActive, r.ContactValid = uint32(s.Contacts.Active), uint32(s.Contacts.Valid)
	r.ReadBack, r.ReadBackValid = uint32(s.ReadBack), uint32(s.ReadBackValid)
	r.Condensate, r.CondensateQuality = s.Condensate.Total, uint8(s.Condensate.Quality)
	r.Energy, r.EnergyQuality = s.Energy.Total, uint8(s.Energy.Quality)

	c := &res.Conditions
	r.DryBulb, r.DryBulbValid = float64(c.DryBulb), c.DryBulbOK
	r.EMC, r.EMCValid = float64(c.EMC), c.EMCOK
	for i := range r.Lots {
		lot := &c.Lots[i]
		r.Lots[i] = trace.LotBelief{Control: lot.Control.Value, Mean: lot.Mean.Value, Sigma: lot.Control.Sigma, Rate: lot.Rate.Value}
	}
	run, sp := &state.Run, &res.SetPoints
	r.RunID, r.Mode = 0, uint8(state.Mode)
	r.Stage, r.StageKind, r.StageTime = -1, 0, 0
	r.Exposure, r.ExposureCount = 0, false
	r.Governing = -1 // the lots of a run that has just ended are no longer in the header
	if run.Phase != schedule.Idle {
		r.Governing = c.Governing
		r.RunID, r.Stage, r.StageTime = run.ID, sp.Stage, run.InStage
		r.StageKind, r.Exposure, r.ExposureCount = uint8(sp.Kind), run.Exposure, sp.Counting
	}
	r.SetActive, r.SetDryBulb, r.SetEMC = sp.Active, float64(sp.DryBulb), float64(sp.EMC)
	r.BaseDryBulb, r.BaseEMC = float64(sp.BaseDryBulb), float64(sp.BaseEMC)
	r.GuardBias, r.Override = float64(sp.GuardBias), sp.Override
	r.VentDry = res.Demand.VentDry

	a := &l.applied
	r.Requested, r.Applied = uint32(res.Requested.On), uint32(a.On)
	for i := range r.AppliedSpeed {
		r.RequestedSpeed[i], r.AppliedSpeed[i] = float64(res.Requested.FanSpeed[i]), float64(a.FanSpeed[i])
	}
	r.Vetoed = 0
	for i := range a.VetoCount {
		r.Vetoed |= 1 << a.Vetoes[i].Output
	}
	r.Forced, r.Trips = uint8(a.Forced), uint64(a.Trips)

	r.EventCount = min(res.EventCount, trace.MaxEvents)
	for i := range r.EventCount {
		e := res.Events[i]
		r.Events[i] = trace.Event{Kind: uint8(e.Kind), A: e.A, B: e.B}
	}
}

func qualityNames() []string {
	names := []string{}
	for q := hardware.Absent; q <= hardware.Stale; q++ {
		names = append(names, q.String())
	}
	return names
}

// firstReading gives the first valid reading of a role that is a temperature.
func (l *Loop) firstReading(role hardware.Role) (quantity.Celsius, bool) {
	for i, p := range l.deps.Config.Layout.Probes {
		if r := l.snap.Readings[i]; p.Role == role && r.OK() {
			return quantity.Celsius(r.Value), true
		}
	}
	return 0, false
}
