package loop

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// Status gives what was published last; nil before the first tick was published. Nobody may change it.
func (l *Loop) Status() *controller.Status { return l.status.Load() }

// Publish builds the status as of the last tick, publishes it and gives it. It is for the goroutine that calls Tick.
func (l *Loop) Publish() *controller.Status {
	s := l.build()
	l.status.Store(s)
	return s
}

func (l *Loop) build() *controller.Status {
	state, snap, cfg := &l.image.State, &l.snap, &l.deps.Config
	names := l.names()
	reasons := controller.Explain(&l.image.State, &l.in, &l.res)
	s := &controller.Status{
		Program: l.header.Program, Kiln: l.header.Kiln, Units: l.deps.Units,
		Boot: l.image.Boot, Tick: snap.Tick, UpSeconds: snap.Now.Sub(l.origin).Seconds(), TickSeconds: cfg.Tick.Seconds(),
		WallUnix: snap.Wall.Unix, ClockTrusted: snap.Wall.Trusted,
		Mode: state.Mode.String(), Forced: l.applied.Forced.String(),
		StartDelay: max(0, (cfg.StartDelay - state.UpTime).Seconds()),
		Outage: controller.OutageStatus{Class: state.Restart.Class.String(), Restored: l.outage.restored, Changed: l.outage.changed,
			Confirm: state.Waiting() != 0, Problem: l.outage.problem},
		Storage:  controller.StorageStatus{Generation: state.Generation, Durable: snap.Durable},
		Unjudged: slices.Concat([]string{}, l.deps.Unjudged),
		Air:      l.airStatus(), Set: l.setStatus(), Charge: l.chargeStatus(names, reasons.Stage),
		Outputs: l.outputStatus(names, &reasons), Probes: l.probeStatus(), Contacts: l.contactStatus(),
		Alarms: l.alarmStatus(), Counts: l.countStatus(),
		Waits: []string{}, ToConfirm: state.Waiting().Names(),
	}
	if l.outage.known {
		s.Outage.Seconds = known(true, l.outage.length.Seconds())
	}
	if state.Pending.On {
		s.Pending = &controller.PendingStatus{Verb: state.Pending.Command.Verb.String(), Generation: state.Pending.Generation}
	}
	s.Storage.Failure = l.storageTrouble()
	s.Trips = l.tripStatus(s.Alarms)
	if cfg.Layout.Condensate {
		s.Meters.Condensate = known(snap.Condensate.Quality == hardware.Valid, snap.Condensate.Total)
	}
	if cfg.Layout.EnergyMeter {
		s.Meters.Energy = known(snap.Energy.Quality == hardware.Valid, snap.Energy.Total)
	}
	if l.deps.Courier != nil {
		s.Delivery = l.deps.Courier.Delivery()
	}
	l.waits(s)
	s.Headline = headline(s)
	return s
}

func known[T ~float64](ok bool, v T) *float64 {
	if !ok || !quantity.Finite(float64(v)) {
		return nil
	}
	f := float64(v)
	return &f
}

func belief(b schedule.Belief) controller.BeliefStatus {
	return controller.BeliefStatus{Value: known(b.Valid, b.Value), Sigma: known(b.Valid, b.Sigma)}
}

func (l *Loop) airStatus() controller.AirStatus {
	c := &l.res.Conditions
	return controller.AirStatus{
		DryBulb: known(c.DryBulbOK, c.DryBulb), WetBulb: known(c.EMCOK && c.DryBulbOK, c.WetBulb),
		Depression: known(c.EMCOK && c.DryBulbOK, c.DryBulb.Sub(c.WetBulb)),
		RH:         known(c.EMCOK, c.RH), EMC: known(c.EMCOK, c.EMC), HumidityRatio: known(c.EMCOK, c.IndoorW),
		Held: c.Held, DryBulbs: c.DryBulbs, Coil: known(c.CoilOK, c.Coil),
		Outdoor: known(c.OutdoorOK, c.Outdoor), OutdoorHumidity: known(c.OutdoorWOK, c.OutdoorW),
		ColdestCore: known(c.CoreCount > 0, c.ColdestCore), HottestCore: known(c.CoreCount > 0, c.HottestCore), Cores: c.CoreCount,
		Airflow: c.Airflow, DoorShut: c.DoorShut, DoorRelease: l.res.SetPoints.DoorRelease,
	}
}

func (l *Loop) setStatus() controller.SetStatus {
	sp := &l.res.SetPoints
	o := &l.image.State.Run.Override
	s := controller.SetStatus{
		Active: sp.Active, DryBulb: known(sp.Active, sp.DryBulb), EMC: known(sp.Active, sp.EMC),
		BaseDryBulb: known(sp.Active, sp.BaseDryBulb), BaseEMC: known(sp.Active, sp.BaseEMC),
		GuardBias: float64(sp.GuardBias), DutyCap: float64(sp.DutyCap), FanSpeed: float64(sp.FanSpeed), Override: sp.Override,
	}
	if o.On {
		s.OverrideLeft = o.Left.Seconds()
	}
	return s
}

func (l *Loop) chargeStatus(names *controller.Names, why controller.Why) *controller.ChargeStatus {
	run := &l.image.State.Run
	if run.Phase == schedule.Idle || l.image.Run == nil {
		return nil
	}
	p, c, sp := l.image.Run.Plan, &l.res.Conditions, &l.res.SetPoints
	s := &controller.ChargeStatus{
		Run: run.ID, Name: p.Charge, Hash: p.Hash, Schedule: p.Schedule.Name, Source: p.Schedule.Source, Phase: run.Phase.String(),
		Stage: int(run.Stage), InStage: run.InStage.Seconds(), AtPoints: run.AtPoints.Seconds(), Why: why.StageSentence(names),
		Holds: []string{}, HoldTexts: []string{}, Overdue: run.Overdue,
		Exposure: run.Exposure.Seconds(), Counting: sp.Counting,
		Control: belief(c.Charge), Governing: int(c.Governing),
		Stages: []controller.StageStatus{}, Lots: []controller.LotStatus{}, Samples: []controller.SampleStatus{},
	}
	for i, name := range schedule.HoldNames() {
		if run.Hold&(1<<i) != 0 {
			s.Holds = append(s.Holds, name)
			s.HoldTexts = append(s.HoldTexts, holdText(1<<i))
		}
	}
	for i, st := range p.Schedule.Stages {
		s.Stages = append(s.Stages, controller.StageStatus{Name: st.Name, Kind: st.Kind.String(), DryBulb: float64(st.DryBulb), EMC: float64(st.EMC),
			UntilMC: known(st.Kind == schedule.Dry && st.UntilMC > 0, st.UntilMC), For: known(st.For > 0, st.For.Seconds())})
		if i == int(run.Stage) && st.Kind == schedule.Heat {
			s.ExposureWanted = known(true, st.Exposure.Seconds())
		}
	}
	for i := range min(len(p.Lots), hardware.MaxLots) {
		lot, b := &p.Lots[i], &c.Lots[i]
		s.Lots = append(s.Lots, controller.LotStatus{
			Name: lot.Name, Owner: lot.Owner, Species: lot.Species, Thickness: float64(lot.Thickness), Volume: float64(lot.Volume), Pieces: lot.Pieces,
			Start: float64(lot.Start), Target: float64(lot.Target), Tolerance: float64(lot.Tolerance),
			Control: belief(b.Control), Mean: belief(b.Mean), Driest: belief(b.Driest), Wettest: belief(b.Wettest),
			Rate: known(b.Rate.Valid, b.Rate.Value), RateSigma: known(b.Rate.Valid, b.Rate.Sigma),
			RateLimit: known(lot.RateLimit > 0, lot.RateLimit), RateAssumed: lot.RateAssumed, EvidenceAge: b.Age.Seconds(),
		})
	}
	for _, b := range p.Samples {
		s.Samples = append(s.Samples, controller.SampleStatus{Name: b.Name, Lot: int(b.Lot), Start: float64(b.Start), OvenDry: float64(b.OvenDry)})
	}
	return s
}

func (l *Loop) outputStatus(names *controller.Names, reasons *controller.Reasons) []controller.OutputStatus {
	layout, snap := &l.deps.Config.Layout, &l.snap
	list := []controller.OutputStatus{}
	for o := range hardware.OutputCount {
		if !layout.Outputs.Has(o) {
			continue
		}
		s := controller.OutputStatus{Name: o.String(), Requested: l.res.Requested.On.Has(o), Applied: l.applied.On.Has(o)}
		switch state := &l.image.State; {
		case state.Proved.Has(o):
			s.Tried = "as_wanted"
		case state.Doubted.Has(o):
			s.Tried = "otherwise"
		}
		why := reasons.Why[o]
		if snap.ReadBackValid.Has(o) {
			on := snap.ReadBack.Has(o)
			s.ReadBack = &on
		}
		s.Current = known(snap.CurrentValid.Has(o), float64(snap.Current[o]))
		if group, ok := fanGroup(o); ok && layout.FanDrive {
			s.Speed = known(true, l.applied.FanSpeed[group])
		}
		for i := range l.applied.VetoCount {
			if v := &l.applied.Vetoes[i]; v.Output == o {
				s.Veto, s.VetoLeft = l.rules.name(v.Rule), v.Remaining.Seconds()
				why = controller.Why{Code: controller.WhyVetoed, Probe: hardware.NoProbe, Lot: hardware.NoLot, Rule: v.Rule, Remaining: v.Remaining}
			}
		}
		s.Why = why.OutputSentence(o, s.Applied, names)
		list = append(list, s)
	}
	return list
}

func fanGroup(o hardware.OutputID) (int, bool) {
	for g := range hardware.MaxFanGroups {
		if o == hardware.FanForward(g) || o == hardware.FanReverse(g) {
			return g, true
		}
	}
	return 0, false
}

func (l *Loop) probeStatus() []controller.ProbeStatus {
	list := []controller.ProbeStatus{}
	for i, p := range l.deps.Config.Layout.Probes {
		r := l.snap.Readings[i]
		s := controller.ProbeStatus{Name: p.Name, Role: p.Role.String(), Unit: unitOf(p.Role), Place: p.Place, Lot: int(p.Lot),
			Value: known(r.OK(), r.Value), Quality: r.Quality.String(), Age: r.Age.Seconds(), Offset: p.Offset}
		if !p.Calibrated.IsZero() {
			s.Date = p.Calibrated.Format(time.DateOnly)
		}
		list = append(list, s)
	}
	return list
}

// unitOf gives the unit of a role's readings, as metrics and keys write it.
func unitOf(r hardware.Role) string {
	switch r {
	case hardware.RoleHumidity, hardware.RoleOutdoorHumidity:
		return "ratio"
	case hardware.RolePin:
		return "ohms"
	case hardware.RoleLoadCell:
		return "kilograms"
	}
	return "celsius"
}

func (l *Loop) contactStatus() []controller.ContactStatus {
	list := []controller.ContactStatus{}
	for c := range hardware.ContactCount {
		if !l.deps.Config.Layout.Contacts.Has(c) {
			continue
		}
		s := controller.ContactStatus{Name: c.String()}
		if l.snap.Contacts.Valid.Has(c) {
			active := l.snap.Contacts.Active.Has(c)
			s.Active = &active
		}
		list = append(list, s)
	}
	return list
}

// alarmStatus lists the alarms of gate, controller and shell, the gravest first.
func (l *Loop) alarmStatus() []controller.AlarmStatus {
	var all []hardware.Alarm
	all = append(all, l.applied.Alarms[:min(int(l.applied.AlarmCount), hardware.MaxAlarms)]...)
	all = append(all, l.image.State.Alarms[:min(int(l.image.State.AlarmCount), hardware.MaxAlarms)]...)
	all = l.ownAlarms(all)
	slices.SortStableFunc(all, func(a, b hardware.Alarm) int { return cmp.Compare(b.Class, a.Class) })
	list := []controller.AlarmStatus{}
	for _, a := range all {
		text := l.rules.text(a.Rule)
		probe := ""
		if a.Probe >= 0 && int(a.Probe) < len(l.deps.Config.Layout.Probes) {
			probe = l.deps.Config.Layout.Probes[a.Probe].Name
		}
		list = append(list, controller.AlarmStatus{
			Rule: l.rules.name(a.Rule), Class: a.Class.String(), Active: a.Active, Latched: a.Latched, Acked: a.Acked, Clears: a.Clears.String(),
			Probe: probe, For: a.For.Seconds(), Value: finite(a.Value), Limit: finite(a.Limit),
			Seen: fill(text.Seen, &a, probe), Done: fill(text.Done, &a, probe),
			CheckFirst: fill(text.CheckFirst, &a, probe), WoodWaits: fill(text.WoodWaits, &a, probe),
			Safety: a.Rule <= hardware.LastSafetyRule,
		})
	}
	return list
}

// ownAlarms adds those of the shell itself, which live as long as their cause.
func (l *Loop) ownAlarms(all []hardware.Alarm) []hardware.Alarm {
	if l.deps.Courier != nil {
		if d := l.deps.Courier.Delivery(); d.Failing {
			text := l.rules.text(RuleUndelivered)
			all = append(all, hardware.Alarm{Rule: RuleUndelivered, Class: text.Class, Active: true, Clears: text.Clears, Probe: hardware.NoProbe,
				Value: float64(d.Undelivered), Limit: d.Patience / 60})
		}
	}
	for _, own := range []struct {
		rule   hardware.RuleID
		active bool
	}{{RuleStorage, l.storageTrouble() != ""}, {RuleSlowTick, l.watch.late > 0}, {RuleInputs, l.seen.unread},
		{RuleClock, l.watch.doubt > 0}, {RuleMemory, l.watch.mended}} {
		if own.active {
			text := l.rules.text(own.rule)
			all = append(all, hardware.Alarm{Rule: own.rule, Class: text.Class, Active: true, Clears: text.Clears, Probe: hardware.NoProbe})
		}
	}
	return all
}

// finite keeps what is no number out of JSON, which has no way to write it.
func finite(v float64) float64 {
	if !quantity.Finite(v) {
		return 0
	}
	return v
}

func fill(text string, a *hardware.Alarm, probe string) string {
	if !strings.Contains(text, "{") {
		return text
	}
	return strings.NewReplacer("{value}", number(a.Value), "{limit}", number(a.Limit), "{probe}", cmp.Or(probe, "a probe")).Replace(text)
}

// number writes at most two decimals.
func number(v float64) string {
	text := strconv.FormatFloat(v, 'f', 2, 64)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

func (l *Loop) tripStatus(alarms []controller.AlarmStatus) []controller.TripStatus {
	list := []controller.TripStatus{}
	for rule := range hardware.LastSafetyRule + 1 {
		if !l.applied.Trips.Has(rule) {
			continue
		}
		text := l.rules.text(rule)
		none := hardware.Alarm{Rule: rule, Probe: hardware.NoProbe}
		s := controller.TripStatus{Rule: l.rules.name(rule), Clears: text.Clears.String(), Seen: fill(text.Seen, &none, ""), Done: fill(text.Done, &none, ""),
			CheckFirst: fill(text.CheckFirst, &none, ""), WoodWaits: fill(text.WoodWaits, &none, ""), HowToClear: howToClear(text.Clears)}
		for _, a := range alarms {
			if a.Safety && a.Rule == s.Rule {
				s.Active, s.Seen, s.Done, s.CheckFirst, s.WoodWaits = a.Active, a.Seen, a.Done, a.CheckFirst, a.WoodWaits
			}
		}
		list = append(list, s)
	}
	return list
}

func (l *Loop) countStatus() controller.CountStatus {
	s := controller.CountStatus{Ticks: l.snap.Tick, Slow: l.counts.slow, Commands: l.counts.commands, Refused: l.counts.refused,
		Outputs: []controller.OutputCount{}}
	for o := range hardware.OutputCount {
		if l.deps.Config.Layout.Outputs.Has(o) {
			s.Outputs = append(s.Outputs, controller.OutputCount{Name: o.String(), Starts: l.counts.starts[o], Vetoes: l.counts.vetoes[o]})
		}
	}
	return s
}
