package controller_test

import (
	"fmt"
	"os"
	"strconv"
	"testing"
	"time"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/schedule"
)

func TestProbe(t *testing.T) {
	days, _ := strconv.Atoi(os.Getenv("DAYS"))
	if days == 0 {
		t.Skip()
	}
	r := newRig(t, kilnConfig(1), demoCharge)
	r.start()
	for i, s := range r.plan.Schedule.Stages {
		fmt.Println(i, s.Name, s.Kind, s.DryBulb, s.EMC, s.UntilMC, s.MinDwell, s.For)
	}
	began := time.Now()
	stage := int8(-1)
	rule := map[hardware.RuleID]int{}
	r.seen = func(r *rig) {
		for i := range r.last.VetoCount {
			v := r.last.Vetoes[i]
			if rule[v.Rule]++; rule[v.Rule] < 4 {
				fmt.Println("VETO", r.snap.Tick, v.Output, v.Rule, v.Remaining, "fans", r.state.Sequence.Fans)
			}
		}
		for i := range r.out.EventCount {
			e := r.out.Events[i]
			switch e.Kind {
			case controller.EventAlarm, controller.EventAlarmClear, controller.EventHold:
				name := ""
				if e.A >= 64 {
					name = controller.Rules()[e.A-64].Name
				}
				fmt.Println(r.snap.Tick/3600, "event", controller.EventNames()[e.Kind], e.A, e.B, name)
			}
		}
		for i := range r.out.ReplyCount {
			if r.out.Replies[i].Refusal != 0 {
				fmt.Println(r.snap.Tick/3600, "REFUSED", r.out.Replies[i])
			}
		}
	}
	var emcErr, n, out float64
	for h := range days * 24 {
		for range 3600 {
			r.tick()
			if r.snap.Tick%10 == 0 {
				r.person()
			}
			if os.Getenv("FINE") != "" && r.snap.Tick%600 == 0 {
				c, sp, d := r.out.Conditions, r.out.SetPoints, r.state.Demand
				fmt.Printf("   %.2fh db %.2f/%.2f emc %.2f/%.2f rh %.2f out %.1f comp %v(%.2f) heat %d vent %v shift %.2f hot %v perm %b drained %.1f water %.1f\n", float64(r.snap.Tick)/3600, c.DryBulb, sp.DryBulb, c.EMC, sp.EMC, c.RH, c.Outdoor, r.last.On.Has(hardware.Compressor), d.Duty, d.Heat, r.last.On.Has(hardware.Vent), d.Shift, d.HotOff, sp.Permit, r.snap.Condensate.Total, r.kiln.Truth().Water)
			}
			if c := r.out.Conditions; c.EMCOK && r.out.SetPoints.Active {
				emcErr += float64(c.EMC - r.out.SetPoints.EMC)
				n++
				if d := c.EMC - r.out.SetPoints.EMC; d > .5 || d < -.5 {
					out++
				}
			}
		}
		if st := r.state.Run.Stage; st != stage || h%12 == 0 {
			stage = st
			c, sp := r.out.Conditions, r.out.SetPoints
			tr := r.kiln.Truth()
			fmt.Printf("h%4d st%d db %.1f/%.1f emc %.1f/%.1f(base %.1f bias %.1f) charge %.1f±%.1f gov%d starts %d", h, st, c.DryBulb, sp.DryBulb, c.EMC, sp.EMC, sp.BaseEMC, sp.GuardBias, c.Charge.Value, c.Charge.Sigma, c.Governing, r.starts)
			for i, l := range tr.Lots {
				b := c.Lots[i]
				fmt.Printf(" | %.1f est %.1f±%.1f ctl %.1f±%.1f r %.1f/24h %.1f d%.1f w%.1f [%.1f %.1f]", l.Mean, b.Mean.Value, b.Mean.Sigma, b.Control.Value, b.Control.Sigma, b.Rate.Value, b.Rate24h.Value, b.Driest.Value, b.Wettest.Value, l.Min, l.Max)
			}
			k, ks := r.state.Estimate.Wood.Recovery()
			fmt.Printf(" k %.2f±%.2f shift %.1f out %.0f%% err %.2f mean fans %s\n", k, ks, r.state.Demand.Shift, out/n*100, emcErr/n, r.state.Sequence.Fans)
			emcErr, n, out = 0, 0, 0
			_ = hardware.Spray
		}
		if r.state.Run.Phase == schedule.Done {
			fmt.Println("DONE", h)
			break
		}
	}
	fmt.Println(time.Since(began)/time.Duration(r.snap.Tick), "a tick; vetoes", r.vetoes, rule)
	n2 := controller.Names{Lots: []string{"a", "b"}, Stage: int(r.state.Run.Stage) + 1}
	for o := range hardware.OutputCount {
		fmt.Println(r.out.Why[o].OutputSentence(o, r.out.Requested.On.Has(o), &n2))
	}
	fmt.Println(r.out.StageWhy.StageSentence(&n2))
	tr := r.kiln.Truth()
	fmt.Println(tr.Water, tr.Energy/3.6e6, tr.Starts)
	for _, l := range tr.Lots {
		fmt.Println(l.MaxRate, l.RateOverLimit)
	}
}
