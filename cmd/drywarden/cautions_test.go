package main

import (
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/controller/loop"
	"drywarden/hardware"
	"drywarden/safety"
)

// TestCautions: whoever a text sends to a machine is told first to lock it out, for most machines start again by
// themselves; nobody is sent to a breaker without being told what not to do there; and no text says what only the outputs
// can say, whether fans run. Common practice, no source.
func TestCautions(t *testing.T) {
	touched := regexp.MustCompile(`(?i)\b(belts?|pulleys|blades|overloads?|fuses?|contactors?|elements?|relay|blower|flaps|baffles|airflow switch|input boards|auxiliary)\b`)
	locked := regexp.MustCompile(`(?i)\block(ed)? out\b`)
	breakers := regexp.MustCompile(`(?i)\b(breaker|overloads?)\b`)
	kept := map[string]bool{}
	for _, r := range append(safety.Rules(), loop.Rules()...) {
		first := r.CheckFirst
		require.LessOrEqual(t, len(first), 260, "%s: nobody reads so much at a panel: %s", r.Name, first)
		if hand := touched.FindStringIndex(first); hand != nil {
			at := locked.FindStringIndex(first)
			require.NotNil(t, at, "%s: %s", r.Name, first)
			require.Less(t, at[0], hand[0], "%s: first lock out: %s", r.Name, first)
		}
		if breakers.MatchString(first) {
			require.Contains(t, first, "Never reclose a breaker or RCD that trips again: an electrician.", r.Name)
		}
		for _, text := range []string{r.Done, r.WoodWaits} {
			require.NotRegexp(t, `(?i)(^|; |, )((the other |no )?fans run( on)?)\b`, text, "%s: whether they do depends on what ran before", r.Name)
		}
		kept[r.Name] = true
	}
	says := func(rule string, words ...string) {
		t.Helper()
		require.True(t, kept[rule], rule)
		for _, r := range append(safety.Rules(), loop.Rules()...) {
			for _, w := range words {
				if r.Name == rule {
					require.Contains(t, r.CheckFirst, w, rule)
				}
			}
		}
	}
	for _, fire := range []string{"smoke", "air_rising_fast", "air_far_too_hot", "high_limit", "dry_bulb_too_high", "air_too_warm"} {
		says(fire, "verybody out, do not enter, call the fire service")
	}
	says("gas_leak", "Everybody out, do not enter", "no flame, no switch", "refrigeration technician")
	says("water_on_floor", "only from a dry place")
	require.Equal(t, hardware.Danger, safety.Rules()[safety.GasLeak-1].Class)
}
