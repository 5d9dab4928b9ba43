package safety

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
)

// FuzzRecord feeds the record of trips with names of any kind, separated by line ends. What is not understood trips; what
// is latched stays latched; what is written back and read again changes nothing more.
func FuzzRecord(f *testing.F) {
	for _, seed := range []string{"", "emergency_stop", "fan_forward_1\nfan_forward_2", "fan_forward_1\nfan_reverse_1", "door_open", "none",
		"pressure_cutout\npressure_cutout\npressure_cutout\npressure_cutout", "controller_silence\ncontroller_silence\ncontroller_silence",
		"smoke\nsmoke", "no such thing", "heat_1", "\x00\xff"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		names := []string(nil)
		if text != "" {
			names = strings.Split(text, "\n")
		}
		r := newRig(t)
		r.state.recall(names)
		known := true
		for _, name := range names {
			id, ok := Lookup(name)
			switch {
			case ok && Latches(id):
				require.True(t, r.state.Latched.Has(id))
			case name == oneCutout, name == oneSilence, strings.HasPrefix(name, "fan_") && len(name) == len("fan_forward_1"):
			default:
				known = false
			}
		}
		require.False(t, !known && !r.state.Latched.Has(TripRecordUnreadable), "what cannot be understood may have been any trip")
		latched := r.state.Latched
		r.run(3)
		require.Equal(t, latched, r.out.Trips, "nothing clears by itself")
		again := newRig(t)
		again.state.recall(r.state.record(r.plant).names())
		require.Equal(t, latched, again.state.Latched)
		require.Equal(t, r.state.record(r.plant), again.state.record(again.plant))
	})
}

// FuzzState feeds the text form of State. What it takes it writes the same again, and a gate that runs on it keeps its
// word: nothing breaks, and the emergency stop switches everything off.
func FuzzState(f *testing.F) {
	limits := testLimits()
	r := newRig(f)
	for _, s := range []State{NewState(&limits), func() State { r.drying(); return r.state }()} {
		text, err := json.Marshal(s)
		require.NoError(f, err)
		f.Add(text)
		f.Add(bytes.Replace(text, []byte(`"Ticks":`), []byte(`"Ticks":1`), 1))
		f.Add(bytes.ReplaceAll(text, []byte(`0`), []byte(`-7`)))
	}
	f.Add([]byte(`{}`))
	f.Add([]byte(`{"Speed":[0,0,0,0],"Twin":[99,-3]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		before := NewState(&limits)
		s := before
		if err := json.Unmarshal(text, &s); err != nil {
			require.Equal(t, before, s, "left as it was")
			return
		}
		once, err := json.Marshal(s)
		require.NoError(t, err)
		var back State
		require.NoError(t, json.Unmarshal(once, &back))
		twice, err := json.Marshal(back)
		require.NoError(t, err)
		require.Equal(t, string(once), string(twice))
		r := newRig(t)
		r.state = s
		r.want = drives
		for range 5 {
			r.tick(time.Second)
			require.Zero(t, r.out.On&^(r.want|heartbeatOut|ventOut))
		}
		r.breaks = active(hardware.ContactEStop)
		r.tick(time.Second)
		require.Zero(t, r.out.On)
	})
}
