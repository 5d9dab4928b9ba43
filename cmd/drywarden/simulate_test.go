package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/cmd/drywarden/internal/chart"
	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/safety/audit"
)

var seedCount = flag.Int("seeds", 3, "how many seeds TestSeeds dries the demonstration's charge with")

// demoRun dries the demonstration's charge with a seed, for limit at the most (0: three times the preview), and gives the
// result, the trace and the chart.
func demoRun(t *testing.T, seed uint64, limit time.Duration) (resultJSON, []byte, []byte) {
	t.Helper()
	flags := simulateFlags{seed: seed}
	file, files, err := flags.load()
	require.NoError(t, err)
	var kept, picture bytes.Buffer
	seen := &observer{to: &kept, chart: &chart.Recorder{Interval: tick}}
	sim, err := newSimulation(file, files, seen)
	require.NoError(t, err)
	if limit == 0 {
		limit = 3 * previewLength(previewPlan(sim.plan))
	}
	failure := sim.run(context.Background(), limit, func() {})
	sim.loop.Publish()
	require.NoError(t, seen.writer.Close())
	require.NoError(t, seen.failed)
	require.NoError(t, seen.chart.SVG(&picture, chart.Legend{}))
	return sim.result(failure == nil), kept.Bytes(), picture.Bytes()
}

// TestSeeds dries the demonstration's charge with several seeds. In a run without faults every lot's mean ends near its
// target, the audit finds nothing and the gate refuses nothing.
func TestSeeds(t *testing.T) {
	n, limit := *seedCount, time.Duration(0)
	if testing.Short() {
		n, limit = 1, 36*time.Hour // enough for the race detector, which is fifty times slower
	}
	for seed := range uint64(n) {
		t.Run(fmt.Sprintf("seed %d", seed+1), func(t *testing.T) {
			t.Parallel()
			r, _, _ := demoRun(t, seed+1, limit)
			t.Logf("%.1f days, %d starts, %.0f kWh, %+v", r.Days, r.Starts, r.Energy, r.Lots)
			require.Zero(t, r.Violations, "%+v", r.Broken)
			require.NoError(t, r.Books.close(), "mass within 1e-9 a step and 0.1 %% a charge, energy within 0.5 %%")
			require.Zero(t, r.Vetoes)
			require.Zero(t, r.Trips, "%+v", r.TripList)
			if limit > 0 {
				return
			}
			require.True(t, r.Done)
			require.LessOrEqual(t, r.Days, 40.0)
			for _, lot := range r.Lots {
				require.InDelta(t, lot.Target, lot.Mean, 0.75, "%s", lot.Name)
				require.LessOrEqual(t, lot.Min, lot.Mean)
				require.GreaterOrEqual(t, lot.Max, lot.Mean)
			}
		})
	}
}

// TestSameSeedSameBytes runs the first days of the same charge twice; the second trace goes through the audit as a file
// does.
func TestSameSeedSameBytes(t *testing.T) {
	if testing.Short() {
		t.Skip("a week three times")
	}
	t.Parallel()
	const week = 7 * 24 * time.Hour
	r1, trace1, chart1 := demoRun(t, 7, week)
	r2, trace2, chart2 := demoRun(t, 7, week)
	require.Equal(t, r1, r2)
	require.True(t, bytes.Equal(trace1, trace2), "same seed, same trace")
	require.True(t, bytes.Equal(chart1, chart2), "same seed, same chart")
	report, err := judge(bytes.NewReader(trace2))
	require.NoError(t, err)
	require.Zero(t, report.Total, "%+v", report.Violations)
	require.Empty(t, report.Damage)
	require.Equal(t, r2.Violations, report.Total, "judged from the file as in the process")
	require.NotEmpty(t, report.NotJudged, "what no trace shows is said")
	other, _, _ := demoRun(t, 8, week)
	require.NotEqual(t, r1.Lots, other.Lots, "another seed, another charge")
}

// TestAuditSeesABrokenTrace turns one bit of the applied outputs: the judge must not take the run's word for it.
func TestAuditSeesABrokenTrace(t *testing.T) {
	file, files, err := (&simulateFlags{}).load()
	require.NoError(t, err)
	sim, err := newSimulation(file, files, &observer{})
	require.NoError(t, err)
	require.ErrorIs(t, sim.run(context.Background(), 2*time.Hour, func() {}), errMaxDays)
	good := sim.seen.checker.Finish()
	require.Zero(t, good.Total, "%+v", good.Violations)
	bad := audit.New(sim.seen.header)
	r := sim.seen.last
	r.Applied |= 1<<0 | 1<<4 // fan group 1 forward and in reverse
	bad.Check(&r)
	require.NotZero(t, bad.Finish().Total)
}

// TestPublishedCharges dries the three charges of a published trial and compares the time until the mass-weighted mean of
// the wood reaches the published end. Where the controller, by its sample boards, ends the charge a little before that, its
// end counts, if the mean is within 0.75 points.
//
// Bergman R.D. 2008, Operation and cost of a small dehumidification dry kiln, USDA FPL-RN-0310, abstract: mixed air-dried
// 4/4 18.4 to 7.3 % in 15 days; 5/4 black cherry 47.5 to 6.8 % in 27 days; green 4/4 northern red oak 82.9 to 6.1 % in 45
// days. Room, machine and temperatures are not published: see testdata/charges/small-kiln.toml, which is assumed. The mark of
// 35 % is this program's own.
func TestPublishedCharges(t *testing.T) {
	if testing.Short() {
		t.Skip("three long charges")
	}
	const folder = "../../testdata/charges"
	for _, c := range []struct {
		charge    string
		end, days float64
	}{{"mixed", 7.3, 15}, {"cherry", 6.8, 27}, {"red-oak", 6.1, 45}} {
		t.Run(c.charge, func(t *testing.T) {
			t.Parallel()
			flags := simulateFlags{config: filepath.Join(folder, "small-kiln.toml"), charge: filepath.Join(folder, c.charge+".toml")}
			file, files, err := flags.load()
			require.NoError(t, err)
			sim, err := newSimulation(file, files, &observer{})
			require.NoError(t, err)
			reached, mean, ticks := 0.0, 0.0, 0
			ctx, stop := context.WithCancel(context.Background())
			defer stop()
			err = sim.run(ctx, time.Duration(c.days*1.5*24*float64(time.Hour)), func() {
				if ticks++; ticks%3600 != 0 {
					return
				}
				water, wood := 0.0, 0.0
				for i, lot := range sim.plant.truth().Lots {
					water += float64(lot.Mean) * float64(sim.plan.Lots[i].OvenDry)
					wood += float64(sim.plan.Lots[i].OvenDry)
				}
				if mean = water / wood; mean <= c.end {
					reached = sim.seen.run.Hours() / 24
					stop()
				}
			})
			if reached == 0 {
				require.NoError(t, err)
				require.InDelta(t, c.end, mean, 0.75)
				reached = sim.seen.run.Hours() / 24
			}
			t.Logf("%s: %.1f %% after %.1f days, published %.1f %% after %.0f (%+.0f %%)", c.charge, mean, reached, c.end, c.days, 100*(reached/c.days-1))
			require.InDelta(t, c.days, reached, 0.35*c.days)
			report := sim.seen.checker.Finish()
			require.Zero(t, report.Total, "%+v", report.Violations)
		})
	}
}

// TestSimulateSaysWhatStandsIn is a charge of one species that the simulated kiln knows and one that it does not.
func TestSimulateSaysWhatStandsIn(t *testing.T) {
	folder := t.TempDir()
	config := filepath.Join(folder, "kiln.toml")
	require.NoError(t, os.WriteFile(config, []byte(strings.Replace(faultyKiln, "ABSENT", "true", 1)), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "charge.toml"), []byte(strings.ReplaceAll(faultyCharge, "START", "55 %")), 0o600))
	for _, asJSON := range []bool{false, true} {
		args := []string{"simulate", "--config", config, "--max-days", "0.01"}
		if asJSON {
			args = append(args, "--json")
		}
		var out, errs bytes.Buffer
		require.Equal(t, exitFailed, run(context.Background(), args, nil, &out, &errs), errs.String())
		if !asJSON {
			require.Contains(t, out.String(), "\nash dried as ")
			require.NotContains(t, out.String(), "poplar dried as")
			continue
		}
		var result resultJSON
		require.NoError(t, json.Unmarshal(out.Bytes(), &result))
		require.False(t, result.Lots[0].OwnSet)
		require.True(t, result.Lots[1].OwnSet)
		require.Equal(t, "yellow-poplar", result.Lots[1].Set)
	}
}

// TestShippedFilesLoad sees to it that every kiln and charge shipped can be loaded together.
func TestShippedFilesLoad(t *testing.T) {
	for _, c := range [][]string{
		{"../../deploy/kiln.toml"},
		{"../../deploy/simulated.toml", "demo/charge.toml"},
		{"demo/kiln.toml", "demo/charge.toml"},
		{"../../testdata/charges/small-kiln.toml", "../../testdata/charges/mixed.toml", "../../testdata/charges/cherry.toml", "../../testdata/charges/red-oak.toml"},
	} {
		var out, errs bytes.Buffer
		code := run(context.Background(), append([]string{"check"}, c...), nil, &out, &errs)
		require.Zero(t, code, "%v: %s", c, errs.String())
	}
	_, err := kilnfile.Read("demo/kiln.toml", demoKilnText)
	require.NoError(t, err)
	_, err = os.Stat("../../deploy/kiln.toml")
	require.NoError(t, err)
}

// A simulation whose water or heat got lost is no result.
func TestBooksMustClose(t *testing.T) {
	require.NoError(t, (&booksJSON{1e-13, 1e-13, -9e-4, 4e-3}).close())
	for _, b := range []booksJSON{{StepWater: 2e-9}, {StepHeat: 2e-9}, {Water: -2e-3}, {Energy: 6e-3}, {Energy: math.NaN()}} {
		require.ErrorContains(t, b.close(), "do not close")
	}
	require.ErrorContains(t, (&booksJSON{1, 1, 1, 1}).close(), "heat of a step")
}
