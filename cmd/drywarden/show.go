package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/schedule"
)

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// number writes a value that may not be known.
func number(v *float64, format string) string {
	if v == nil {
		return "?"
	}
	return fmt.Sprintf(format, *v)
}

func (a *app) printStatus(s *controller.Status) error {
	units := unitsOf(s)
	degrees := func(v *float64) string {
		if v == nil {
			return "?"
		}
		return temperature(*v, units)
	}
	fmt.Fprint(a.out, wrap("", fmt.Sprintf("kiln %s: %s", s.Kiln, s.Headline), "  "))
	if s.StartDelay > 0 {
		fmt.Fprintf(a.out, "starting: nothing moves for another %s\n", days(seconds(s.StartDelay)))
	}
	if s.Forced != "none" {
		fmt.Fprintf(a.out, "FORCED %s by the gate\n", strings.ToUpper(s.Forced))
	}
	for _, w := range s.Waits {
		fmt.Fprint(a.out, wrap("waits for you: ", w, "  "))
	}
	if s.Outage.Problem != "" {
		fmt.Fprint(a.out, wrap("control state lost: ", s.Outage.Problem, "  "))
	}
	if s.Storage.Failure != "" {
		fmt.Fprint(a.out, wrap("control state is not saved: ", s.Storage.Failure, "  "))
	}
	for _, t := range s.Trips {
		fmt.Fprint(a.out, wrap("TRIP ", t.Rule+": "+t.Seen+" "+t.HowToClear, "  "))
	}
	for _, al := range s.Alarms {
		if !tripped(s, al.Rule) {
			fmt.Fprint(a.out, wrap("alarm ", alarmLine(&al), "  "))
		}
	}
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	if c := s.Charge; c != nil {
		fmt.Fprint(a.out, wrap("charge ", fmt.Sprintf("%s, run %d, schedule %s: %s", c.Name, c.Run, c.Schedule, stageText(c)), "  "))
		fmt.Fprint(a.out, wrap("  stage: ", c.Why, "    "))
		for _, h := range c.HoldTexts {
			fmt.Fprint(a.out, wrap("  HELD: ", h, "    "))
		}
		if c.ExposureWanted != nil {
			fmt.Fprintf(a.out, "  recorded exposure %s of %s\n", days(seconds(c.Exposure)), days(seconds(*c.ExposureWanted)))
		}
	}
	set := s.Set
	air := fmt.Sprintf("air: dry bulb %s, EMC %s", degrees(s.Air.DryBulb), number(s.Air.EMC, "%.1f %%"))
	if set.Active {
		air += fmt.Sprintf("; set %s, EMC %s", degrees(set.DryBulb), number(set.EMC, "%.1f %%"))
	}
	if set.GuardBias > 0 {
		air += fmt.Sprintf(" (%.1f points by the rate guard)", set.GuardBias)
	}
	if set.Override {
		air += fmt.Sprintf(" (your own, for another %s)", days(seconds(set.OverrideLeft)))
	}
	if s.Air.Held {
		air += "; last good values"
	}
	fmt.Fprint(a.out, wrap("", air, "  "))
	if c := s.Charge; c != nil {
		fmt.Fprintln(w, "lot\tcontrol\tmean\ttarget\trate\tsafe rate\tlast evidence")
		for i, lot := range c.Lots {
			mark := ""
			if i == c.Governing {
				mark = " *"
			}
			limit := number(lot.RateLimit, "%.1f %%/d")
			if lot.RateAssumed {
				limit += " assumed"
			}
			if lot.RateLimit == nil {
				limit = "none"
			}
			fmt.Fprintf(w, "%s%s\t%s±%s %%\t%s %%\t%.1f±%.2f %%\t%s\t%s\t%s ago\n", lot.Name, mark, number(lot.Control.Value, "%.1f"),
				number(lot.Control.Sigma, "%.1f"), number(lot.Mean.Value, "%.1f"), lot.Target, lot.Tolerance, number(lot.Rate, "%.1f %%/d"), limit,
				days(seconds(lot.EvidenceAge)))
		}
		_ = w.Flush()
	}
	for _, o := range s.Outputs {
		state := "off"
		if o.Applied {
			state = "on"
		}
		if o.Applied && o.Speed != nil {
			state = fmt.Sprintf("%.0f%%", *o.Speed*100)
		}
		// The daemon's sentence begins with the output's name, which stands in front already.
		text := o.Why
		if _, rest, ok := strings.Cut(text, ": "); ok && strings.HasPrefix(text, strings.ReplaceAll(o.Name, "_", " ")+" o") {
			text = rest
		}
		if o.Veto != "" {
			text += " (refused: " + o.Veto + ")"
		}
		fmt.Fprint(a.out, wrap(fmt.Sprintf("%-13s %-4s ", o.Name, state), text, strings.Repeat(" ", 19)))
	}
	for _, p := range s.Probes {
		if p.Quality != "valid" {
			fmt.Fprint(a.out, wrap("probe ", fmt.Sprintf("%s (%s, %s): %s", p.Name, p.Role, p.Place, strings.ReplaceAll(p.Quality, "_", " ")), "  "))
		}
	}
	_, err := fmt.Fprintf(a.out, "up %s, boot %d, %s\n", days(seconds(s.UpSeconds)), s.Boot, clock(s))
	return err
}

func tripped(s *controller.Status, rule string) bool {
	for _, t := range s.Trips {
		if t.Rule == rule {
			return true
		}
	}
	return false
}

func stageText(c *controller.ChargeStatus) string {
	if c.Phase == "done" {
		return "done, ready to be ended"
	}
	if c.Stage < 0 || c.Stage >= len(c.Stages) {
		return c.Phase
	}
	return fmt.Sprintf("stage %d of %d, %s, for %s", c.Stage+1, len(c.Stages), stageName(c), days(seconds(c.InStage)))
}

func stageName(c *controller.ChargeStatus) string {
	if c.Stage < 0 || c.Stage >= len(c.Stages) {
		return c.Phase
	}
	return c.Stages[c.Stage].Name
}

func (a *app) printStages(s *controller.Status) error {
	if s.Charge == nil {
		return failf(exitRefused, "no charge is running")
	}
	if a.json {
		return a.print(struct {
			Run    uint32                   `json:"run"`
			Stage  int                      `json:"stage"`
			Stages []controller.StageStatus `json:"stages"`
		}{s.Charge.Run, s.Charge.Stage, s.Charge.Stages})
	}
	units := unitsOf(s)
	w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\tstage\tkind\tdry bulb\tEMC\tuntil")
	for i, st := range s.Charge.Stages {
		mark := " "
		if i == s.Charge.Stage {
			mark = ">"
		}
		next := ""
		if i+1 < len(s.Charge.Stages) {
			next = s.Charge.Stages[i+1].Kind
		}
		until := untilText(st.Kind, st.UntilMC, next)
		if st.For != nil {
			until = days(seconds(*st.For)) + " at the set points"
		}
		air := airText(st.Kind, st.DryBulb, st.EMC, units)
		fmt.Fprintf(w, "%s%d\t%s\t%s\t%s\t%s\n", mark, i+1, st.Name, st.Kind, air, until)
	}
	return w.Flush()
}

// untilText says in a word what ends a stage of a kind, when its next is of another.
func untilText(kind string, until *float64, next string) string {
	switch {
	case until != nil:
		return fmt.Sprintf("%.1f %%", *until)
	case kind == schedule.Dry.String() && next == schedule.Equalize.String():
		return "driest is ready"
	case kind == schedule.Dry.String():
		return "all at target"
	case kind == schedule.Equalize.String():
		return "even"
	case kind == schedule.Heat.String():
		return "exposure"
	case kind == schedule.Cool.String():
		return "cooled"
	}
	return ""
}

// airText gives a stage's air in two columns; while it cools, none is asked for.
func airText(kind string, dryBulb, emc float64, units kilnfile.Units) string {
	if kind == schedule.Cool.String() {
		return "-\t-"
	}
	return fmt.Sprintf("%s\t%.1f %%", temperature(dryBulb, units), emc)
}

func (a *app) printTrips(trips []controller.TripStatus, unjudged []string) error {
	if a.json {
		return a.print(struct {
			Trips    []controller.TripStatus `json:"trips"`
			Unjudged []string                `json:"unjudged"`
		}{trips, unjudged})
	}
	if len(trips) == 0 {
		fmt.Fprintln(a.out, "no trip is latched")
	}
	for _, t := range trips {
		fmt.Fprint(a.out, wrap(t.Rule+": ", t.Seen, "  "))
		fmt.Fprint(a.out, wrap("  done: ", t.Done, "    "))
		fmt.Fprint(a.out, wrap("  check first: ", t.CheckFirst, "    "))
		fmt.Fprint(a.out, wrap("  the wood: ", t.WoodWaits, "    "))
		fmt.Fprint(a.out, wrap("  to clear: ", t.HowToClear, "    "))
	}
	for _, u := range unjudged {
		fmt.Fprint(a.out, wrap("cannot judge ", u, "  "))
	}
	return nil
}

func alarmLine(al *controller.AlarmStatus) string {
	state := "over"
	if al.Active {
		state = "for " + days(seconds(al.For))
	}
	if al.Acked {
		state += ", seen"
	}
	return fmt.Sprintf("%s (%s, %s): %s", al.Rule, strings.ReplaceAll(al.Class, "_", " "), state, al.Seen)
}

func (a *app) printAlarms(alarms []controller.AlarmStatus) error {
	if a.json {
		return a.print(struct {
			Alarms []controller.AlarmStatus `json:"alarms"`
		}{alarms})
	}
	if len(alarms) == 0 {
		fmt.Fprintln(a.out, "no alarm")
	}
	for i := range alarms {
		al := &alarms[i]
		fmt.Fprint(a.out, wrap("", alarmLine(al), "  "))
		fmt.Fprint(a.out, wrap("  done: ", al.Done, "    "))
		fmt.Fprint(a.out, wrap("  check first: ", al.CheckFirst, "    "))
		fmt.Fprint(a.out, wrap("  the wood: ", al.WoodWaits, "    "))
	}
	return nil
}

// printLine is one line of watch.
func (a *app) printLine(s *controller.Status) error {
	if a.json {
		return json.NewEncoder(a.out).Encode(s)
	}
	units := unitsOf(s)
	line := s.Mode
	if c := s.Charge; c != nil {
		line = fmt.Sprintf("%s, stage %d %s, %s %%", s.Mode, c.Stage+1, stageName(c), number(c.Control.Value, "%.1f"))
	}
	if s.Air.DryBulb != nil && s.Air.EMC != nil {
		line += fmt.Sprintf(", %s/%.1f %%", temperature(*s.Air.DryBulb, units), *s.Air.EMC)
	}
	on := running(s)
	if len(on) > 0 {
		line += ", on: " + strings.Join(on, ", ")
	}
	if n := len(s.Trips); n > 0 {
		line += ", " + count(n, "trip")
	}
	_, err := fmt.Fprintln(a.out, line)
	return err
}

// running names in short what runs, for one line.
func running(s *controller.Status) []string {
	var on []string
	for _, o := range s.Outputs {
		name := ""
		switch {
		case !o.Applied:
		case strings.HasPrefix(o.Name, "fan_forward"):
			name = "fans"
		case strings.HasPrefix(o.Name, "fan_reverse"):
			name = "fans back"
		case strings.HasPrefix(o.Name, "heat_"):
			name = "heat"
		case o.Name == "compressor", o.Name == "vent", o.Name == "spray", o.Name == "sounder":
			name = o.Name
		}
		if name != "" && !slices.Contains(on, name) {
			on = append(on, name)
		}
	}
	return on
}
