package safety

import (
	"encoding/json"
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

func TestNewState(t *testing.T) {
	for starts := 1; starts <= 6; starts++ {
		l := testLimits()
		l.CompressorStarts = starts
		s := NewState(&l)
		for i, age := range s.Starts {
			require.Equal(t, i < starts-4, age == 0, "%d a hour, %d", starts, i)
			require.True(t, age == 0 || age == longest)
		}
	}
	l := testLimits()
	s := NewState(&l)
	for _, age := range append(append(append(s.Cutouts[:], s.Silences[:]...), s.Drops[:]...), s.Unproven, s.BlowerUnproven, s.SincePress, s.ShortCycled,
		s.HeatFailed, s.CompressorFailed) {
		require.Equal(t, longest, age)
	}
	require.Equal(t, 30*24*time.Hour, longest)
	require.Equal(t, [2]hardware.ProbeID{hardware.NoProbe, hardware.NoProbe}, s.Twin)
	for _, rule := range s.Rule {
		require.Equal(t, RuleState{Probe: hardware.NoProbe}, rule)
	}
	for _, since := range []time.Duration{s.Up, s.FansOn, s.FansOff, s.NoHumidity, s.Warned, s.HeatCredit, s.VentCredit, s.DoorShut, s.SinceChange[hardware.Compressor]} {
		require.Zero(t, since, "nothing is earned yet")
	}
}

// durations gives every time in a state that its text holds.
func durations(v reflect.Value, to *[]reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			durations(v.Field(i), to)
		}
	case reflect.Array:
		for i := range v.Len() {
			if v.Type() == reflect.TypeFor[[ruleCount]RuleState]() && i == int(NoRule) {
				continue // no rule
			}
			durations(v.Index(i), to)
		}
	case reflect.Int64:
		if v.Type() == reflect.TypeFor[time.Duration]() {
			*to = append(*to, v)
		}
	}
}

// No time of a state is read that cannot be.
func TestEveryTimeOfStateIsChecked(t *testing.T) {
	l := testLimits()
	s := NewState(&l)
	var all []reflect.Value
	durations(reflect.ValueOf(&s).Elem(), &all)
	require.Greater(t, len(all), 200)
	read := func() error {
		text, err := json.Marshal(s)
		require.NoError(t, err)
		var back State
		return json.Unmarshal(text, &back)
	}
	for _, d := range all {
		was := d.Int()
		for bad, refused := range map[time.Duration]bool{-1: true, longest + 1: true, 0: false, longest: false} {
			d.SetInt(int64(bad))
			require.Equal(t, refused, read() != nil, "%v", bad)
		}
		d.SetInt(was)
	}
	for _, to := range []*hardware.ProbeID{&s.Twin[0], &s.Twin[1], &s.Rule[1].Probe, &s.Rule[ruleCount-1].Probe} {
		for probe, refused := range map[hardware.ProbeID]bool{-2: true, hardware.MaxProbes: true, -1: false, hardware.MaxProbes - 1: false} {
			*to = probe
			require.Equal(t, refused, read() != nil, "%v", probe)
		}
		*to = hardware.NoProbe
	}
	for i := range s.Out.FanSpeed {
		for speed, refused := range map[quantity.Ratio]bool{-0.01: true, 1.01: true, 0: false, 1: false} {
			s.Out.FanSpeed[i] = speed
			require.Equal(t, refused, read() != nil, "%v", speed)
			s.Out.FanSpeed[i], s.Load[i].Speed = 0, speed
			require.Equal(t, refused, read() != nil, "%v", speed)
			s.Load[i].Speed = 0
		}
	}
	for d := range Direction(3) {
		text, err := d.MarshalText()
		require.NoError(t, err)
		back := DirectionUnknown
		require.NoError(t, back.UnmarshalText(text))
		require.Equal(t, d, back)
	}
	_, err := Direction(3).MarshalText()
	require.Error(t, err)
}

// The record names what still matters, to the second.
func TestRecordEdges(t *testing.T) {
	r := newRig(t)
	r.drying()
	r.want = 0
	r.run(1)
	forgets := func(has func(record) bool) (ticks int) {
		for has(r.state.record(r.plant)) {
			r.run(1)
			ticks++
		}
		return ticks
	}
	require.Equal(t, 30, forgets(func(rec record) bool { return rec.fans != 0 }), "half the coast-down")
	push(r.state.Cutouts[:])
	push(r.state.Silences[:])
	push(r.state.Silences[:])
	require.Equal(t, []string{"pressure_cutout", "controller_silence", "controller_silence"}, r.state.record(r.plant).names())
	require.Equal(t, 3600, forgets(func(rec record) bool { return rec.silences != 0 }))
	require.Equal(t, 23*3600, forgets(func(rec record) bool { return rec.cutouts != 0 }))

	// Three, each younger than a day or an hour.
	for age, locked := range map[time.Duration]bool{24*time.Hour - 2*time.Second: true, 24*time.Hour - time.Second: false} {
		r := newRig(t)
		r.drying()
		r.state.Cutouts[0], r.state.Cutouts[1] = time.Hour, age
		r.breaks = active(hardware.ContactHighPressure)
		r.run(1)
		require.Equal(t, locked, r.out.Trips.Has(CompressorLockout), "%v", age)
		r.run(5)
		require.Equal(t, []time.Duration{5 * time.Second, time.Hour + 6*time.Second}, r.state.Cutouts[:2], "counted once")
	}
	for age, latched := range map[time.Duration]bool{time.Hour - 3*time.Second: true, time.Hour - 2*time.Second: false} {
		r := newRig(t)
		r.drying()
		r.state.Silences[0], r.state.Silences[1] = 0, age
		r.tick(5001 * time.Millisecond)
		require.Equal(t, latched, r.out.Trips.Has(ControllerSilentOften), "%v", age)
	}
	r = newRig(t)
	r.state.recall([]string{"controller_silence", "controller_silence", "fan_forward_2", "pressure_cutout"})
	require.Zero(t, r.state.Latched)
	require.Equal(t, []GroupState{{}, {Last: DirectionForward}, {}, {}}, r.state.Groups[:])
	require.Equal(t, [maxCutouts]time.Duration{0, longest, longest}, r.state.Cutouts)
	require.Equal(t, [maxSilence]time.Duration{0, 0, longest}, r.state.Silences)
	r.state.recall([]string{"controller_silence", "smoke"})
	require.Equal(t, hardware.RuleSet(1<<ControllerSilentOften|1<<Smoke), r.state.Latched)
}
