package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// record makes a charge of the given length in which everything is easy to foretell: dry bulb 40, EMC 10, output 0
// always on, output 1 every second tick, lot 0 falling from 80 to 0.
func record(ticks int) *Recorder {
	r := &Recorder{Interval: time.Minute}
	for i := range ticks {
		tick := Tick{DryBulb: 40, SetDryBulb: 41, DryBulbOK: true, EMC: 10, SetEMC: 9, EMCOK: i%3 != 0, SetOK: true, On: 1 | uint32(i%2)<<1}
		tick.Lots[0] = Lot{Estimate: 80 * (1 - float64(i)/float64(ticks)), EstimateOK: true, Truth: 80, TruthOK: true}
		stage := "preheat"
		if i >= ticks/4 {
			stage = "dry <80 %"
		}
		r.Add(stage, &tick)
	}
	return r
}

func TestBinsKeepEveryTickInBoundedMemory(t *testing.T) {
	for _, ticks := range []int{1, 7, MaxBins, 2*MaxBins + 1, 123456} {
		r := record(ticks)
		require.LessOrEqual(t, len(r.bins), 2*MaxBins)
		seen, on := 0, 0
		for i := range r.bins {
			seen += r.bins[i].ticks
			on += r.bins[i].on[1]
			dryBulb, ok := r.bins[i].dryBulb.value()
			require.True(t, ok)
			require.InDelta(t, 40, dryBulb, 1e-9)
		}
		require.Equal(t, ticks, seen)
		require.Equal(t, ticks/2, on)
		require.InDelta(t, float64(ticks)/1440, r.Days(), 1e-9)
		require.InDelta(t, r.Days(), r.spans[len(r.spans)-1].to.Hours()/24, 1e-9)
	}
}

func TestPictureIsWellFormedAndNamesEverything(t *testing.T) {
	var out bytes.Buffer
	legend := Legend{Title: "Charge <7> & more", Subtitle: "a test", Fahrenheit: true,
		Lots: []LotLegend{{"oak", 7}}, Outputs: []OutputLegend{{"fans", 0}, {"compressor", 1}, {"vent", 2}}}
	require.NoError(t, record(5000).SVG(&out, legend))
	text := out.String()
	decoder := xml.NewDecoder(strings.NewReader(text))
	for {
		_, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
	}
	require.NotContains(t, text, "NaN")
	require.NotContains(t, text, "Inf")
	for _, want := range []string{"Charge &lt;7&gt; &amp; more", "oak", "°F", "days since the start", "compressor", "on 50.0 % of the time",
		"on 100.0 % of the time", "on 0.0 % of the time", "dry &lt;80 %", "preheat"} {
		require.Contains(t, text, want)
	}
	var again bytes.Buffer
	require.NoError(t, record(5000).SVG(&again, legend))
	require.Equal(t, text, again.String(), "same charge, same bytes")
}

func TestNothingRecordedStillDraws(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, (&Recorder{Interval: time.Second}).SVG(&out, Legend{Title: "nothing"}))
	require.NotContains(t, out.String(), "NaN")
}
