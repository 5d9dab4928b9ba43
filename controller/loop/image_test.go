package loop

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"drywarden/controller"
	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
	"drywarden/hardware"
	"drywarden/hardware/trace"
	"drywarden/schedule"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fillAll sets every number of a value to one that is not zero, so that what is forgotten shows as zero.
func fillAll(v reflect.Value, next *int) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fillAll(v.Field(i), next)
		}
	case reflect.Array:
		for i := range v.Len() {
			fillAll(v.Index(i), next)
		}
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int8, reflect.Uint8:
		// Small numbers are enums and indexes: 1 has a name in all of them.
		if v.CanInt() {
			v.SetInt(1)
		} else {
			v.SetUint(1)
		}
	case reflect.Int, reflect.Int16, reflect.Int32, reflect.Int64:
		*next++
		v.SetInt(int64(*next))
	case reflect.Uint, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		*next++
		v.SetUint(uint64(*next) % 256)
	case reflect.Float32, reflect.Float64:
		*next++
		v.SetFloat(float64(*next) + 0.1)
	}
}

// TestStateIsAPlainValue: copying it is a checkpoint and JSON must not lose a field.
func TestStateIsAPlainValue(t *testing.T) {
	var check func(reflect.Type, string)
	check = func(typ reflect.Type, path string) {
		switch typ.Kind() {
		case reflect.Struct:
			for i := range typ.NumField() {
				f := typ.Field(i)
				require.True(t, f.IsExported(), "%s.%s would not be saved", path, f.Name)
				if tag := f.Tag.Get("json"); tag != ",omitzero" { // what is left out as zero comes back as zero
					require.Empty(t, tag, "%s.%s: a tag may hide a field", path, f.Name)
				}
				check(f.Type, path+"."+f.Name)
			}
		case reflect.Array:
			check(typ.Elem(), path+"[]")
		case reflect.Map, reflect.Slice, reflect.Pointer, reflect.Interface, reflect.Chan, reflect.Func, reflect.String, reflect.Uintptr:
			require.Fail(t, "state must be a plain value", "%s is a %s", path, typ.Kind())
		}
	}
	check(reflect.TypeFor[controller.State](), "State")
}

func TestImageSurvivesItsEncoding(t *testing.T) {
	var m Image
	n := 0
	fillAll(reflect.ValueOf(&m.State).Elem(), &n)
	m.State.Run.Hold = schedule.HoldOperator | schedule.HoldDoor
	m.Program, m.KilnHash, m.Boot, m.LastRun = "test 1", "abc", 3, 9
	m.Stamp = store.Stamp{BootID: "b", BootTime: 5, WallUnix: 6, WallTrusted: true}
	m.Run = &RunFiles{ID: 9, Charge: KeptFile{"c.toml", "ff"}, Schedules: []KeptFile{{"s.toml", "ee"}}, PlanHash: "dd"}
	m.DryBulb, m.DryBulbOK = 43.2, true
	data, err := m.Encode()
	require.NoError(t, err)
	got, err := DecodeImage(data)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(&m, got))
	t.Logf("control state is %d bytes as written", len(data))
}

func TestImageOfAnotherProgramIsRefused(t *testing.T) {
	var m Image
	data, err := m.Encode()
	require.NoError(t, err)
	var fields map[string]any
	require.NoError(t, json.Unmarshal(data, &fields))
	for _, c := range []struct {
		name, want string
		change     func()
	}{
		{"newer format", "format 2", func() { fields["format"] = 2 }},
		{"unknown field", "unknown field", func() { fields["format"] = imageFormat; fields["more"] = 1 }},
	} {
		c.change()
		data, err := json.Marshal(fields)
		require.NoError(t, err)
		_, err = DecodeImage(data)
		require.ErrorContains(t, err, c.want, c.name)
	}
	_, err = DecodeImage([]byte("{"))
	require.Error(t, err)
}

func FuzzDecodeImage(f *testing.F) {
	var m Image
	data, _ := m.Encode()
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) { _, _ = DecodeImage(data) })
}

// leaves lists every number of a value.
func leaves(v reflect.Value) (list []reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			list = append(list, leaves(v.Field(i))...)
		}
	case reflect.Array:
		for i := range v.Len() {
			list = append(list, leaves(v.Index(i))...)
		}
	case reflect.Bool, reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64,
		reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64, reflect.Float64:
		list = append(list, v)
	}
	return list
}

// spoil sets one number of a state to another of its type.
func spoil(leaf reflect.Value, to int64) {
	switch {
	case leaf.Kind() == reflect.Bool:
		leaf.SetBool(to&1 != 0)
	case leaf.CanInt():
		leaf.SetInt(to)
	case leaf.CanUint():
		leaf.SetUint(uint64(to))
	default:
		leaf.SetFloat(math.Float64frombits(uint64(to)))
	}
}

// FuzzRestored starts on states that no program should ever write, though the disk gives them as they were written. Either
// they are refused, which a person is told, or the loop runs on them: whatever they hold, no tick may break, for then no
// start would ever get further.
func FuzzRestored(f *testing.F) {
	var m Image
	count := len(leaves(reflect.ValueOf(&m.State).Elem()))
	for leaf := 0; leaf < count; leaf += 97 {
		for _, to := range []int64{-1, 200, math.MinInt64} {
			f.Add(uint16(leaf), to, uint16(leaf+3), int64(math.Float64bits(-1e300)))
		}
	}
	r := newRig(f, nil).started()
	r.ticks(100)
	was := r.saver.Cut()
	f.Fuzz(func(t *testing.T, one uint16, a int64, two uint16, b int64) {
		m := *was
		all := leaves(reflect.ValueOf(&m.State).Elem())
		spoil(all[int(one)%len(all)], a)
		spoil(all[int(two)%len(all)], b)
		data, err := m.Encode()
		if err != nil {
			return // not a number: never written
		}
		back, err := DecodeImage(data)
		if err != nil {
			return
		}
		back.Run = was.Run
		fresh := &rig{t: t, room: &room{celsius: 30, outdoor: 10}, saver: &handSaver{}, seen: &records{}, trips: &memoryTrips{}, log: &bytes.Buffer{}}
		fresh.boot(back, nil)
		s := fresh.ticks(3)
		_, err = json.Marshal(s)
		require.NoError(t, err, "the status can be told")
		_, err = fresh.Loop.image.Encode()
		require.NoError(t, err, "the state can be saved")
		fresh.ticks(40)
	})
}

func TestAdoptRenumbersRulesAndForgetsMovedProbes(t *testing.T) {
	old := Names{Rules: []NamedRule{{70, "wick"}, {71, "frost"}}, Probes: []string{"dry_bulb a", "core b"}, Modes: []string{"start"}}
	image := func() *Image {
		m := &Image{KilnHash: "k", Names: old}
		m.State.AlarmCount = 2
		m.State.Alarms[0].Rule, m.State.Alarms[1].Rule = 70, 71
		n := 0
		fillAll(reflect.ValueOf(&m.State.Estimate).Elem(), &n)
		return m
	}
	now := Names{Rules: []NamedRule{{70, "new"}, {80, "frost"}, {81, "wick"}}, Probes: []string{"dry_bulb a", "core b", "core c"}, Modes: []string{"start", "rest"}}

	m := image()
	changed, err := m.adopt(now, "k")
	require.NoError(t, err)
	require.False(t, changed, "rules were renumbered and a probe added at the end: nothing that matters")
	require.EqualValues(t, 81, m.State.Alarms[0].Rule)
	require.EqualValues(t, 80, m.State.Alarms[1].Rule)
	require.NotZero(t, m.State.Estimate)

	m = image()
	changed, err = m.adopt(now, "other")
	require.NoError(t, err)
	require.True(t, changed, "another kiln file")

	m = image()
	moved := now
	moved.Probes = []string{"core b", "dry_bulb a"}
	changed, err = m.adopt(moved, "k")
	require.NoError(t, err)
	require.True(t, changed)
	require.Zero(t, m.State.Estimate, "what was learnt of one probe is not believed of another")

	m = image()
	gone := now
	gone.Rules = gone.Rules[:2]
	changed, err = m.adopt(gone, "k")
	require.NoError(t, err)
	require.True(t, changed, "an alarm of a rule that nobody knows wants a person")

	m = image()
	other := now
	other.Modes = []string{"rest", "start"}
	_, err = m.adopt(other, "k")
	require.ErrorContains(t, err, "other modes")
}

func TestMemorySaverIsOneTickLate(t *testing.T) {
	var s MemorySaver
	require.Nil(t, s.Cut())
	require.Zero(t, s.Durable())
	m := Image{}
	m.State.Generation = 4
	s.Save(&m)
	m.State.Generation = 5 // the saver holds a copy
	require.EqualValues(t, 4, s.Durable())
	s.Save(&m)
	found := s.Cut()
	require.EqualValues(t, 4, found.State.Generation, "what was saved in the last tick is lost")
	require.EqualValues(t, 4, s.Durable())
	require.NoError(t, s.Failure())
}

// TestDiskSaver on synctest's clock: it never blocks, retries, skips what is outdated, and writes the last on Close.
func TestDiskSaver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := storetest.NewDisk(rand.New(rand.NewPCG(1, 1)).IntN)
		full := errors.New("no space left")
		var saves atomic.Int64
		var refuse atomic.Bool
		disk.Fail = func(call, _ string) error {
			if call == "create" {
				saves.Add(1)
				if refuse.Load() {
					return full
				}
			}
			return nil
		}
		slots := store.NewSlots(disk, "state")
		s := NewDiskSaver(slots, 7, nil)
		require.EqualValues(t, 7, s.Durable())
		m := Image{}
		m.State.Generation = 8
		s.Save(&m)
		synctest.Wait()
		require.EqualValues(t, 8, s.Durable())

		refuse.Store(true)
		m.State.Generation = 9
		s.Save(&m)
		synctest.Wait()
		require.ErrorIs(t, s.Failure(), full)
		require.EqualValues(t, 8, s.Durable())
		time.Sleep(retryAfter + time.Millisecond)
		synctest.Wait()
		require.EqualValues(t, 3, saves.Load(), "it tries again by itself")
		refuse.Store(false)
		time.Sleep(retryAfter + time.Millisecond)
		synctest.Wait()
		require.NoError(t, s.Failure())
		require.EqualValues(t, 9, s.Durable())

		for g := uint64(10); g <= 20; g++ { // the goroutine does not run in between
			m.State.Generation = g
			s.Save(&m)
		}
		require.NoError(t, s.Close(time.Second))
		require.EqualValues(t, 20, s.Durable())
		require.LessOrEqual(t, saves.Load(), int64(4+11))
		got, err := Restore(store.NewSlots(disk.Restart(), "state"))
		require.NoError(t, err)
		require.EqualValues(t, 20, got.State.Generation)
		require.NoError(t, s.Close(time.Second), "closing twice is no harm")
	})
}

func TestDiskSaverGivesUpOnADeadDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := storetest.NewDisk(func(int) int { return 0 })
		release := make(chan struct{})
		disk.Fail = func(call, _ string) error {
			if call == "sync" {
				<-release
			}
			return nil
		}
		s := NewDiskSaver(store.NewSlots(disk, "state"), 0, nil)
		m := Image{}
		m.State.Generation = 1
		s.Save(&m)
		synctest.Wait()
		s.Save(&m) // does not wait for the disk
		require.ErrorIs(t, s.Close(time.Second), errSlowDisk)
		close(release)
	})
}

func TestRestoreOfNothingIsAFirstStart(t *testing.T) {
	m, err := Restore(store.NewSlots(storetest.NewDisk(func(int) int { return 0 }), "state"))
	require.NoError(t, err)
	require.Nil(t, m)
}

// TestCooling against the exponential: a body at 50 C in 10 C is at 10 + 40 exp(-1) after one time constant.
func TestCooling(t *testing.T) {
	require.InDelta(t, coolingTime.Hours(), cooling(50, 10+40*0.36787944, 10).Hours(), 1e-3)
	require.InDelta(t, 2*coolingTime.Hours(), cooling(50, 10+40*0.13533528, 10).Hours(), 1e-3)
	for _, c := range []struct{ then, now, outdoor float64 }{
		{50, 50, 10}, {50, 55, 10}, {15, 12, 10}, {50, 10, 10}, {50, 9, 10}, {50, 10.5, 10}, {5, 4, 10},
	} {
		require.Zero(t, cooling(quantityOf(c.then), quantityOf(c.now), quantityOf(c.outdoor)), fmt.Sprint(c))
	}
}

// TestRecordLeavesNothingOut fills everything that a tick knows with numbers that are not zero, and finds none left at zero.
func TestRecordLeavesNothingOut(t *testing.T) {
	l := &Loop{}
	n := 0
	fillAll(reflect.ValueOf(&l.snap).Elem(), &n)
	fillAll(reflect.ValueOf(&l.res).Elem(), &n)
	fillAll(reflect.ValueOf(&l.applied).Elem(), &n)
	fillAll(reflect.ValueOf(&l.image.State).Elem(), &n)
	l.image.Boot = 2
	for i := range l.snap.Readings {
		l.snap.Readings[i].Quality = hardware.Valid
	}
	l.applied.Outputs.On, l.res.Requested.On, l.applied.Trips = 3, 5, 9
	l.res.EventCount = trace.MaxEvents
	l.fillRecord()
	var zero func(v reflect.Value, path string)
	zero = func(v reflect.Value, path string) {
		switch v.Kind() {
		case reflect.Struct:
			for i := range v.NumField() {
				zero(v.Field(i), path+"."+v.Type().Field(i).Name)
			}
		case reflect.Array:
			for i := range v.Len() {
				zero(v.Index(i), fmt.Sprintf("%s[%d]", path, i))
			}
		default:
			require.False(t, v.IsZero(), "%s was not filled in", path)
		}
	}
	zero(reflect.ValueOf(l.record), "Record")

	// And what must not be recorded is not: values of bad quality, events of an earlier tick.
	l.snap.Readings[3].Quality = hardware.Stale
	l.res.EventCount = 1
	l.image.State.Run.Phase = schedule.Idle
	l.fillRecord()
	require.Zero(t, l.record.Probe[3])
	require.EqualValues(t, 1, l.record.EventCount)
	require.Zero(t, l.record.RunID)
	require.EqualValues(t, -1, l.record.Stage)
}

// TestTablesFitEachOther: the trace's arrays are no shorter than what they are filled from.
func TestTablesFitEachOther(t *testing.T) {
	require.GreaterOrEqual(t, trace.MaxProbes, hardware.MaxProbes)
	require.GreaterOrEqual(t, trace.MaxLots, hardware.MaxLots)
	require.GreaterOrEqual(t, trace.MaxFanGroups, hardware.MaxFanGroups)
	require.GreaterOrEqual(t, trace.MaxEvents, controller.MaxEvents)
	require.LessOrEqual(t, int(hardware.OutputCount), 32)
	require.LessOrEqual(t, int(hardware.ContactCount), 32)
}

func TestHeaderNamesEveryNumber(t *testing.T) {
	l := &Loop{}
	l.deps.Header.Program = "p"
	l.image.Boot = 3
	l.deps.Config.Tick = time.Second
	l.deps.Config.Layout.Probes = []hardware.Probe{{Name: "db-1", Role: hardware.RoleDryBulb, Lot: hardware.NoLot}}
	var err error
	l.rules, err = newRuleBook([]hardware.RuleText{{ID: 1, Name: "e_stop", Clears: hardware.AtPanel}, {ID: 2, Name: "soft"}, {ID: 64, Name: "own"}})
	require.NoError(t, err)
	l.fillHeader()
	h := l.header
	require.Equal(t, "p", h.Program)
	require.EqualValues(t, 3, h.Boot)
	require.EqualValues(t, time.Second, h.TickNS)
	require.Equal(t, []trace.Probe{{Name: "db-1", Role: "dry_bulb", Lot: -1, Resolution: 0.01}}, h.Probes)
	require.Len(t, h.Contacts, int(hardware.ContactCount))
	require.Len(t, h.Outputs, int(hardware.OutputCount))
	require.Equal(t, "stale", h.Qualities[hardware.Stale])
	require.Len(t, h.Qualities, int(hardware.Stale)+1)
	require.Equal(t, []string{"none", "safe", "off"}, h.ForcedLevels)
	require.Equal(t, "reset", h.Verbs[controller.VerbReset])
	require.Equal(t, "trip_reset", h.EventKinds[controller.EventTripReset])
	require.Equal(t, schedule.CauseNames(), h.StageCauses)
	require.Equal(t, []trace.Rule{{ID: 1, Name: "e_stop", Latched: true, Clears: "panel"}, {ID: 2, Name: "soft", Clears: "itself"}}, h.Rules)
	require.Nil(t, h.Run)
	l.image.Run = &RunFiles{Plan: testPlan()}
	l.fillHeader()
	require.Equal(t, []string{"preheat", "dry", "heat"}, []string{l.header.Run.Stages[0].Kind, l.header.Run.Stages[1].Kind, l.header.Run.Stages[2].Kind})
	require.Equal(t, 57.0, l.header.Run.Stages[2].Core, "the margin is included")
	require.Equal(t, 12.0, l.header.Run.Stages[1].UntilMC)
	require.Equal(t, []float64{5, 1, 2}, []float64{l.header.Run.Stages[0].RampDryBulb, l.header.Run.Stages[0].RampEMCDown, l.header.Run.Stages[0].RampEMCUp})
	require.Equal(t, 30.0, l.header.Run.Lots[0].FiberSaturation)
}

func TestRuleBook(t *testing.T) {
	_, err := newRuleBook([]hardware.RuleText{{ID: 1, Name: "a"}, {ID: 1, Name: "b"}, {ID: 2, Name: "a"}, {ID: 3}})
	require.ErrorContains(t, err, "same number 1")
	require.ErrorContains(t, err, `name "a" is missing or given twice`)
	require.ErrorContains(t, err, `rule 3: name ""`)
	book, err := newRuleBook(Rules())
	require.NoError(t, err)
	require.Equal(t, "storage", book.name(RuleStorage))
	require.Equal(t, "unknown_9", book.name(9))
	for _, r := range Rules() {
		require.NotEmpty(t, r.Seen)
		require.NotEmpty(t, r.Done)
		require.NotEmpty(t, r.CheckFirst)
		require.NotEmpty(t, r.WoodWaits)
		require.Greater(t, r.ID, hardware.LastSafetyRule)
	}
}
