package loop

import (
	"context"
	"fmt"
	"log/slog"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/schedule"
)

// tell logs what changed in this tick, and only that.
func (l *Loop) tell() {
	state := &l.image.State
	for i := range l.res.EventCount {
		l.event(l.res.Events[i])
	}
	now := seen{mode: state.Mode, forced: l.applied.Forced, stage: -1, unread: l.seen.unread, trips: l.applied.Trips}
	if state.Run.Phase != schedule.Idle {
		now.stage, now.run = state.Run.Stage, state.Run.ID
	}
	was := l.seen
	if now == was && l.snap.Tick > 1 {
		return
	}
	l.seen = now
	if now.mode != was.mode {
		l.log.Info("mode", "mode", now.mode.String(), "before", was.mode.String())
	}
	if now.forced != was.forced {
		level := slog.LevelWarn
		if now.forced == hardware.NotForced {
			level = slog.LevelInfo
		}
		l.log.Log(context.Background(), level, "forced level", "forced", now.forced.String(), "before", was.forced.String())
	}
	for rule := range hardware.LastSafetyRule + 1 {
		if is := now.trips.Has(rule); is != was.trips.Has(rule) && is {
			l.log.Error("tripped", "rule", l.rules.name(rule), "clears", l.rules.text(rule).Clears.String())
		}
	}
	if l.deps.Notify != nil {
		l.deps.Notify.Status(l.line(now))
	}
}

// news adds an event for each alarm of the gate that is new or over, latched trips left out: those are told as such. What
// stands goes on without a word.
func (l *Loop) news() {
	calls := hardware.RuleSet(0)
	for i := range min(int(l.applied.AlarmCount), hardware.MaxAlarms) {
		if a := &l.applied.Alarms[i]; !a.Latched {
			calls = calls.With(a.Rule, true)
		}
	}
	changed := calls ^ l.calls
	l.calls = calls
	for rule := hardware.RuleID(0); changed != 0 && rule <= hardware.LastSafetyRule; rule++ {
		if !changed.Has(rule) || int(l.res.EventCount) >= len(l.res.Events) {
			continue
		}
		kind := controller.EventAlarmClear
		if calls.Has(rule) {
			kind = controller.EventAlarm
		}
		l.res.Events[l.res.EventCount] = controller.Event{Kind: kind, A: int32(rule)}
		l.res.EventCount++
	}
}

// line is the service manager's status: one short line.
func (l *Loop) line(s seen) string {
	text := "no charge, " + s.mode.String()
	if s.run != 0 {
		text = fmt.Sprintf("run %d, stage %d, %s", s.run, s.stage+1, s.mode)
	}
	if s.forced != hardware.NotForced {
		text += ", forced " + s.forced.String()
	}
	return text
}

func (l *Loop) event(e controller.Event) {
	switch e.Kind {
	case controller.EventStage:
		name := "none"
		if p := l.image.Run; p != nil && int(e.A) >= 0 && int(e.A) < len(p.Plan.Schedule.Stages) {
			name = p.Plan.Schedule.Stages[e.A].Name
		}
		l.log.Info("stage", "stage", e.A, "name", name, "cause", schedule.Cause(e.B).String())
	case controller.EventStart:
		l.log.Info("run started", "run", e.A)
	case controller.EventEnd:
		l.log.Info("run ended", "run", e.A)
	case controller.EventWeigh:
		l.log.Info("sample weighed", "sample", e.A, "mass_kilograms", e.B)
	case controller.EventAlarm:
		text := l.rules.text(hardware.RuleID(e.A))
		level := slog.LevelWarn
		if text.Class >= hardware.WoodAtRisk {
			level = slog.LevelError
		}
		l.log.Log(context.Background(), level, "alarm", "rule", l.rules.name(hardware.RuleID(e.A)), "class", text.Class.String(), "value", e.B)
	case controller.EventConfirmed:
		l.log.Info("confirmed", "matter", controller.MatterNames()[e.A])
	case controller.EventRepeat:
		l.log.Warn("alarm not acknowledged", "rule", l.rules.name(hardware.RuleID(e.A)), "minutes", e.B)
	case controller.EventAlarmClear:
		l.log.Info("alarm over", "rule", l.rules.name(hardware.RuleID(e.A)))
	case controller.EventHold:
		l.log.Info("hold", "reasons", schedule.Hold(e.A).String())
	case controller.EventRestart:
		l.log.Info("restart policy", "class", controller.OutageClass(e.A).String(), "outage_seconds", e.B)
	case controller.EventResetGranted:
		l.log.Info("reset granted", "rule", l.rules.name(hardware.RuleID(e.A)), "to", hardware.Authority(e.B).String())
	case controller.EventTripReset:
		l.log.Info("trip reset", "rule", l.rules.name(hardware.RuleID(e.A)), "by", hardware.Authority(e.B).String())
	}
}
