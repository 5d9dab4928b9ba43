package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/trace"
	"drywarden/schedule"
)

// rideThrough is the longest that last outputs may be kept on a value that is no longer read.
const rideThrough = time.Minute

// hot is what must never come on because an input was lost.
const hot = hardware.AllHeat | 1<<hardware.Compressor

// checkpoint is a moment of a real run: the state before a tick, and what the tick got.
type checkpoint struct {
	kind  schedule.Kind
	why   int
	plan  *schedule.Plan
	state controller.State
	snap  hardware.Snapshot
}

// with does the tick from the checkpoint with another snapshot.
func (c *checkpoint) with(cfg *controller.Config, snap *hardware.Snapshot) (controller.State, controller.Result) {
	s, in, out := c.state, controller.Input{Snapshot: snap, Plan: c.plan}, controller.Result{}
	controller.Step(cfg, &s, &in, &out)
	return s, out
}

// checkpoints runs a charge and keeps moments of it: some at random in each kind of stage, and those in which heat or
// compressor come on or are on, pins are read, offsets are learnt, or a stage changes.
func checkpoints(t *testing.T, k *cutKiln, most time.Duration, each int) []checkpoint {
	random := rand.New(rand.NewPCG(k.file.Simulated.Seed, 0x9057))
	var kept []checkpoint
	count := map[[2]int]int{}
	seen := map[[2]int]int{}
	before := *k.state()
	k.told = func(r *trace.Record) {
		run := &before.Run
		if run.Phase == schedule.Running && r.RunID != 0 && k.saver.live.Run != nil {
			plan := k.saver.live.Run.Plan
			kind := plan.Schedule.Stages[run.Stage].Kind
			why := 0
			rises := hardware.OutputSet(r.Requested) &^ k.snap.Previous.On & hot
			switch {
			case rises != 0:
				why = 1
			case run.Next.Wanted != k.state().Run.Next.Wanted:
				why = 2
			case before.Estimate.Wood.Pins >= time.Hour-time.Second:
				why = 3
			case k.snap.Previous.On&hot != 0 && random.IntN(100) == 0:
				why = 5
			case before.Estimate.Air.Learning >= time.Minute-time.Second && random.IntN(50) == 0:
				why = 4
			}
			key := [2]int{int(kind), why}
			seen[key]++
			// Each moment of a kind is as likely to be kept as any other.
			at := -1
			if count[key] < each {
				at = len(kept)
				kept = append(kept, checkpoint{})
				count[key]++
			} else if random.IntN(seen[key]) < each {
				nth := random.IntN(each)
				for i := range kept {
					if c := &kept[i]; c.kind == kind && c.why == why {
						if nth == 0 {
							at = i
							break
						}
						nth--
					}
				}
			}
			if at >= 0 {
				kept[at] = checkpoint{kind: kind, why: why, plan: plan, state: before, snap: *k.snap}
			}
		}
		before = *k.state()
	}
	for range int(most / tick) {
		if k.tick(); k.state().Run.Phase == schedule.Done {
			break
		}
	}
	return kept
}

// loss is a set of probes that fall silent together.
type loss struct {
	name   string
	probes []hardware.ProbeID
}

// losses lists every probe alone, every role as a whole, and everything.
func losses(layout *hardware.Layout) []loss {
	var list []loss
	all := loss{name: "everything"}
	for i, p := range layout.Probes {
		id := hardware.ProbeID(i)
		list = append(list, loss{p.Name, []hardware.ProbeID{id}})
		all.probes = append(all.probes, id)
	}
	for role := hardware.RoleDryBulb; role <= hardware.RoleLoadCell; role++ {
		if ids := layout.ByRole(role); len(ids) > 1 {
			list = append(list, loss{"every " + role.String(), ids})
		}
	}
	humid := append(layout.ByRole(hardware.RoleWetBulb), layout.ByRole(hardware.RoleHumidity)...)
	return append(list, loss{"every humidity source", humid}, all)
}

// from takes the probes out of a snapshot.
func (l *loss) from(snap *hardware.Snapshot, quality hardware.Quality) hardware.Snapshot {
	poor := *snap
	for _, id := range l.probes {
		poor.Readings[id] = hardware.Reading{Quality: quality}
		if quality == hardware.Stale {
			poor.Readings[id].Age = time.Hour
		}
	}
	return poor
}

var lostQualities = []hardware.Quality{hardware.NoAnswer, hardware.Checksum, hardware.Implausible, hardware.Stale, hardware.Absent}

// probeLossRuns are the charges whose moments are looked at: one through all kinds of stage, one of green wood.
func probeLossRuns(t *testing.T) (k []*cutKiln, moments [][]checkpoint) {
	each := 25
	if testing.Short() {
		each = 5
	}
	short := newCutKiln(t, 3, "unbroken")
	k, moments = append(k, short), append(moments, checkpoints(t, short, 20*24*time.Hour, each))
	require.Equal(t, schedule.Done, short.state().Run.Phase)
	if !testing.Short() {
		file, err := demoKiln()
		require.NoError(t, err)
		file.Simulated.Boards = 3
		green := startCutKiln(t, file, demoCharge(), 5)
		k, moments = append(k, green), append(moments, checkpoints(t, green, 5*24*time.Hour, each))
	}
	kinds := map[schedule.Kind]int{}
	for _, list := range moments {
		for i := range list {
			kinds[list[i].kind]++
		}
	}
	t.Logf("moments by kind of stage: %v", kinds)
	for kind := schedule.Preheat; kind <= schedule.Cool; kind++ {
		require.GreaterOrEqual(t, kinds[kind], each, kind)
	}
	return k, moments
}

func TestLossOfProbes(t *testing.T) {
	kilns, moments := probeLossRuns(t)
	for name, test := range map[string]func(*testing.T, []*cutKiln, [][]checkpoint){
		"asks for no more": asksForNoMore, "is ridden through": staysLost, "leaves it to the other": otherTakesOver,
		"lowers no moisture": sampleNobodyWeighs,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test(t, kilns, moments)
		})
	}
}

// asksForNoMore: whatever falls silent, in whatever moment and however it shows, the same tick without it
// asks for no warmer and no drier air than with it, switches neither heat nor compressor on, and believes no wood drier.
func asksForNoMore(t *testing.T, kilns []*cutKiln, moments [][]checkpoint) {
	steps, rises := 0, 0
	for n, k := range kilns {
		all := losses(&k.config.Layout)
		for i := range moments[n] {
			c := &moments[n][i]
			_, whole := c.with(&k.config, &c.snap)
			if whole.Requested.On&^c.snap.Previous.On&hot != 0 {
				rises++
			}
			for _, l := range all {
				for _, q := range lostQualities {
					poor := l.from(&c.snap, q)
					_, out := c.with(&k.config, &poor)
					steps++
					less(t, fmt.Sprintf("%s stage, %v into it, %s is %v", c.kind, c.state.Run.InStage, l.name, q), c, &whole, &out)
				}
			}
		}
	}
	t.Logf("%d ticks without a probe; in %d of the moments heat or compressor would have come on", steps, rises)
	require.Greater(t, rises, 3)
}

func less(t *testing.T, at string, c *checkpoint, whole, out *controller.Result) {
	const tiny = 1e-9
	if rise := out.Requested.On &^ c.snap.Previous.On & hot; rise != 0 {
		t.Fatalf("%s: %b comes on", at, rise)
	}
	a, b := &whole.SetPoints, &out.SetPoints
	if a.Stage == b.Stage && a.Active && b.Active {
		if float64(b.DryBulb-a.DryBulb) > tiny || float64(a.EMC-b.EMC) > tiny {
			t.Fatalf("%s: set points %v, %v; with it %v, %v", at, b.DryBulb, b.EMC, a.DryBulb, a.EMC)
		}
	} else if a.Stage != b.Stage && b.Active && (b.DryBulb > max(c.state.Run.DryBulb, 5)+tiny || b.EMC < c.state.Run.EMC-tiny) {
		t.Fatalf("%s: the change of stage is put off, and the old one asks for more: %v, %v", at, b.DryBulb, b.EMC)
	}
	for lot := range c.plan.Lots {
		with, without := whole.Conditions.Lots[lot].Control, out.Conditions.Lots[lot].Control
		if !without.Valid || without.Value < with.Value-tiny {
			t.Fatalf("%s: control moisture of lot %d is %v; with it %v", at, lot, without, with)
		}
	}
}

// staysLost goes on without it for two minutes: what is on may stay so for the ride-through, nothing rises,
// and then what needs the probe is off.
func staysLost(t *testing.T, kilns []*cutKiln, moments [][]checkpoint) {
	longest := time.Duration(0)
	for n, k := range kilns {
		layout := &k.config.Layout
		dry := loss{"every dry bulb", layout.ByRole(hardware.RoleDryBulb)}
		humid := loss{"every humidity source", append(layout.ByRole(hardware.RoleWetBulb), layout.ByRole(hardware.RoleHumidity)...)}
		for i := range moments[n] {
			c := &moments[n][i]
			for _, l := range []loss{dry, humid} {
				for _, q := range []hardware.Quality{hardware.NoAnswer, hardware.Stale} {
					s, in, out := c.state, controller.Input{Plan: c.plan}, controller.Result{}
					snap := l.from(&c.snap, q)
					in.Snapshot = &snap
					set := [2]float64{math.Inf(1), math.Inf(-1)}
					kept := time.Duration(0)
					for lost := tick; lost <= 2*time.Minute; lost += tick {
						at := fmt.Sprintf("%s stage, %s is %v for %v", c.kind, l.name, q, lost)
						stage := s.Run.Stage
						controller.Step(&k.config, &s, &in, &out)
						if rise := out.Requested.On &^ snap.Previous.On & hot; rise != 0 {
							t.Fatalf("%s: %b comes on", at, rise)
						}
						if stage != s.Run.Stage && lost > tick {
							t.Fatalf("%s: the stage changes", at)
						}
						if sp := &out.SetPoints; sp.Active && stage == s.Run.Stage {
							if float64(sp.DryBulb) > set[0]+1e-9 || float64(sp.EMC) < set[1]-1e-9 {
								t.Fatalf("%s: set points rise to %v, %v from %v", at, sp.DryBulb, sp.EMC, set)
							}
							set = [2]float64{float64(sp.DryBulb), float64(sp.EMC)}
						}
						needs := out.Requested.On & hot
						if c.kind == schedule.Heat && l.name == humid.name {
							needs &= 1 << hardware.Compressor // a heat stage goes by cores and dry bulb
						}
						if needs != 0 {
							kept = lost
						}
						// As the gate would let it through.
						snap.Previous.Outputs, snap.Previous.Vetoes, snap.Previous.VetoCount = out.Requested, [len(snap.Previous.Vetoes)]hardware.Veto{}, 0
						snap.Tick++
						snap.Now, snap.Elapsed, snap.Durable = snap.Now.Add(tick), tick, s.Generation
					}
					longest = max(longest, kept)
					if kept > rideThrough {
						t.Fatalf("%s stage, %s is %v: heat or compressor was kept for %v", c.kind, l.name, q, kept)
					}
				}
			}
		}
	}
	t.Logf("heat or compressor was kept for %v at the longest", longest)
	require.GreaterOrEqual(t, longest, 30*time.Second, "there was something to ride through")
}

// otherTakesOver: dry bulbs differ, by calibration and place, and what one reads more than the others is
// learnt. When one falls silent the other goes on from what was believed.
func otherTakesOver(t *testing.T, kilns []*cutKiln, moments [][]checkpoint) {
	const (
		jump    = 0.05 // K, less than a probe's noise; on top of what the air really did in that tick
		jumpEMC = 0.15 // points: a wet bulb is read against a dry bulb that may be a tenth of a kelvin old
		learnt  = 0.3  // K, what remains of the difference once it is learnt
		settles = 2 * time.Minute
	)
	apart := 0.0
	for n, k := range kilns {
		layout := &k.config.Layout
		dry := layout.ByRole(hardware.RoleDryBulb)
		humid := append(layout.ByRole(hardware.RoleWetBulb), layout.ByRole(hardware.RoleHumidity)...)
		require.Greater(t, len(dry), 1)
		require.Greater(t, len(humid), 1)
		for i := range moments[n] {
			c := &moments[n][i]
			air := &c.state.Estimate.Air
			if !air.DryBulbOK || !air.EMCOK || air.Lost > 0 || air.LostHumid > 0 {
				continue
			}
			_, whole := c.with(&k.config, &c.snap)
			if c.state.UpTime > 12*time.Hour {
				d := c.snap.Readings[dry[0]].Value - c.snap.Readings[dry[1]].Value
				apart = max(apart, math.Abs(d))
				require.InDelta(t, d, air.Offset[dry[0]]-air.Offset[dry[1]], learnt, "%s stage: the offsets are learnt", c.kind)
			}
			for _, id := range append(append([]hardware.ProbeID{}, dry...), humid...) {
				l := loss{layout.Probes[id].Name, []hardware.ProbeID{id}}
				at := fmt.Sprintf("%s stage, %s", c.kind, l.name)
				snap := l.from(&c.snap, hardware.NoAnswer)
				s, in, out := c.state, controller.Input{Snapshot: &snap, Plan: c.plan}, controller.Result{}
				controller.Step(&k.config, &s, &in, &out)
				require.True(t, out.Conditions.DryBulbOK && out.Conditions.EMCOK && !out.Conditions.Held, at)
				require.InDelta(t, air.DryBulb, float64(out.Conditions.DryBulb), jump+math.Abs(float64(whole.Conditions.DryBulb)-air.DryBulb), at)
				require.InDelta(t, air.EMC, float64(out.Conditions.EMC), jumpEMC+math.Abs(float64(whole.Conditions.EMC)-air.EMC), at)
				// It goes on so while the other reads the same.
				first := out.Conditions.DryBulb
				for range int(settles / tick) {
					snap.Tick++
					snap.Now, snap.Elapsed, snap.Durable = snap.Now.Add(tick), tick, s.Generation
					controller.Step(&k.config, &s, &in, &out)
				}
				require.InDelta(t, float64(first), float64(out.Conditions.DryBulb), jump, at)
			}
		}
	}
	t.Logf("the dry bulbs are up to %.2f K apart", apart)
	require.Greater(t, apart, 0.1, "there was something to learn")
}

// sampleNobodyWeighs: sample boards that are no longer weighed are carried forward at their lots' rate;
// losing the weight of one, or every pin with it, never makes the wood look drier than the tick before by more than that.
func sampleNobodyWeighs(t *testing.T, kilns []*cutKiln, moments [][]checkpoint) {
	for n, k := range kilns {
		layout := &k.config.Layout
		pins := loss{"pins", layout.ByRole(hardware.RolePin)}
		require.NotEmpty(t, pins.probes)
		for i := range moments[n] {
			c := &moments[n][i]
			if i%5 != 0 {
				continue
			}
			snap := pins.from(&c.snap, hardware.NoAnswer)
			s, in, out := c.state, controller.Input{Snapshot: &snap, Plan: c.plan}, controller.Result{}
			before := c.state.Estimate.Wood.Said
			for range 20 * 60 {
				controller.Step(&k.config, &s, &in, &out)
				for lot := range c.plan.Lots {
					is := s.Estimate.Wood.Said[lot]
					// No board dries faster than two and a half times its lot.
					least := before[lot].Control.Value - 2.5*max(before[lot].Rate.Value, is.Rate.Value, 0)/24/60*1.05 - 1e-9
					require.GreaterOrEqual(t, is.Control.Value, least, "%s stage, lot %d", c.kind, lot)
				}
				before = s.Estimate.Wood.Said
				snap.Tick++
				snap.Now, snap.Elapsed, snap.Durable = snap.Now.Add(tick), tick, s.Generation
			}
		}
	}
}
