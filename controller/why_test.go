package controller

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller/demand"
	"drywarden/controller/sequence"
	"drywarden/hardware"
	"drywarden/schedule"
)

func TestSentences(t *testing.T) {
	names := &Names{Lots: []string{"Tansy Mill", "Hollow Creek"}, Stage: 3, Rule: func(hardware.RuleID) string { return "compressor_rest" }}
	rest := Why{Code: WhyCode(sequence.MinimumRest), Remaining: 3*time.Minute + 10*time.Second}
	require.Equal(t, "compressor off: minimum rest, 3 min 10 s left", rest.OutputSentence(hardware.Compressor, false, names))
	still := Why{Code: WhyStageMoisture, Lot: 1, Value: 41.2, Limit: 40}
	require.Equal(t, "stage 3 not over: lot Hollow Creek still 41.2 %, needs 40.0", still.StageSentence(names))
	cold := Why{Code: WhyCode(demand.TooCold), Value: 43.25, Limit: 44.8}
	require.Equal(t, "heat 1 on: dry bulb 43.2 C, it heats up to 44.8 C", cold.OutputSentence(hardware.Heat1, true, nil))
	require.Contains(t, cold.Sentence(&Names{US: true}), "110 F")
	require.Equal(t, "held: door+trip", Why{Code: WhyStageHeld, Value: float64(schedule.HoldDoor | schedule.HoldTrip)}.Sentence(nil))
	require.Equal(t, "asked for, but refused by compressor_rest, 20 s left", Why{Code: WhyVetoed, Remaining: 20 * time.Second}.Sentence(names))
	require.Equal(t, "asked for, but refused by compressor_rest", Why{Code: WhyVetoed}.Sentence(names))
	require.Equal(t, "the blower moves no air", Why{Code: WhyCode(sequence.BlowerUnproven)}.Sentence(nil))
	require.Equal(t, "no charge is running", Why{Code: WhyNoCharge}.StageSentence(names))
	require.Equal(t, "reason 250", Why{Code: 250}.Sentence(nil))
}

// Every code in use has a sentence, and no sentence leaves a placeholder behind.
func TestEveryCodeHasASentence(t *testing.T) {
	in := func(from, to WhyCode) {
		for code := from; code <= to; code++ {
			require.NotEmpty(t, templates[code], "code %d", code)
			for _, left := range []time.Duration{0, time.Minute} {
				text := Why{Code: code, Value: 1, Limit: 2, Remaining: left}.Sentence(nil)
				require.False(t, strings.ContainsAny(text, "{}"), "code %d: %s", code, text)
				require.LessOrEqual(t, len(text), 110, text)
			}
		}
	}
	in(WhyCode(demand.None), WhyCode(demand.DampEnough))
	in(WhyCode(sequence.NotAllowedYet), WhyCode(sequence.LeastInterval))
	in(WhyCode(sequence.FirstOfController), whyCount-1)
}

func TestSpan(t *testing.T) {
	for d, text := range map[time.Duration]string{0: "0 s", 9 * time.Second: "9 s", 190 * time.Second: "3 min 10 s", time.Hour: "1 h",
		26*time.Hour + 59*time.Minute: "1 d 2 h", -time.Second: "0 s", 3599500 * time.Millisecond: "1 h"} {
		require.Equal(t, text, Span(d))
	}
}

func TestRules(t *testing.T) {
	seen := map[string]bool{}
	for i, r := range Rules() {
		require.Equal(t, FirstRule+hardware.RuleID(i), r.ID, r.Name)
		require.False(t, seen[r.Name], r.Name)
		seen[r.Name] = true
		for _, text := range []string{r.Name, r.Seen, r.Done, r.CheckFirst, r.WoodWaits} {
			require.NotEmpty(t, text, r.Name)
		}
		require.LessOrEqual(t, r.Clears, hardware.ByOperator, "the controller has no reset input of its own")
	}
	require.Less(t, lastRule, hardware.RuleID(240), "the shell's rules begin there")
}

func TestNames(t *testing.T) {
	for m := range modeCount {
		text, err := m.MarshalText()
		require.NoError(t, err)
		var again Mode
		require.NoError(t, again.UnmarshalText(text))
		require.Equal(t, m, again)
	}
	for v := range verbCount {
		text, err := v.MarshalText()
		require.NoError(t, err)
		var again Verb
		require.NoError(t, again.UnmarshalText(text))
		require.Equal(t, v, again)
	}
	for c := range OutageLong + 1 {
		text, err := c.MarshalText()
		require.NoError(t, err)
		var again OutageClass
		require.NoError(t, again.UnmarshalText(text))
		require.Equal(t, c, again)
	}
	for r := range refusalCount {
		require.NotContains(t, r.String(), "unknown")
	}
	var m Mode
	require.Error(t, m.UnmarshalText([]byte("dreaming")))
}

func TestAlarmsKeepTheGravest(t *testing.T) {
	var s State
	tk := tick{s: &s, out: &Result{}}
	for i := range hardware.MaxAlarms {
		tk.raise(hardware.Alarm{Rule: hardware.RuleID(100 + i), Class: hardware.Machine})
	}
	tk.raise(hardware.Alarm{Rule: 200, Class: hardware.Housekeeping})
	require.EqualValues(t, hardware.MaxAlarms, s.AlarmCount)
	for _, a := range s.Alarms {
		require.NotEqualValues(t, 200, a.Rule)
	}
	tk.raise(hardware.Alarm{Rule: 201, Class: hardware.Danger})
	found := false
	for _, a := range s.Alarms {
		found = found || a.Rule == 201
	}
	require.True(t, found)
	require.EqualValues(t, hardware.MaxAlarms, s.AlarmCount)
}
