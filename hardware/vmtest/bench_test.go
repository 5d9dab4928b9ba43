package vmtest

import (
	"encoding/json"
	"fmt"
	"math"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/simkiln"
	"drywarden/hardware/vmtest/wire"
)

// bench is what stands outside the machine: the kiln. It goes on while the machine has no power. Its wiring is that of
// testdata/vm.toml.
type bench struct {
	origin time.Time

	mu      sync.Mutex // guards what follows
	kiln    *simkiln.Kiln
	roles   [wire.Thermometers + 3]hardware.ProbeID // of the thermometers; humidity, outdoor temperature and humidity
	pinIDs  []hardware.ProbeID
	moved   time.Duration // how far the kiln has come
	driven  wire.Driven
	faults  wire.World // what is unplugged, and whether the bus is stuck
	changes []change
}

// change is what the outputs did at one time.
type change struct {
	at     time.Time
	driven hardware.OutputSet // by expander and bridge
	closed hardware.OutputSet // contactors that conduct: behind the heartbeat's master contactor and the hard-wired protections
}

var relayPins = []hardware.OutputID{hardware.FanForward1, hardware.FanReverse1, hardware.Compressor, hardware.Blower, hardware.Crankcase,
	hardware.Heat1, hardware.Vent, hardware.Spray, hardware.Sounder, hardware.Beacon, hardware.AlarmLamp, hardware.DoorLamp}

var (
	lineContacts  = map[int]hardware.ContactID{1: hardware.ContactAirflow, 2: hardware.ContactEStop}
	inputContacts = []hardware.ContactID{hardware.ContactDoor, hardware.ContactHighLimit, hardware.ContactHighPressure, hardware.ContactLowPressure,
		hardware.ContactSmoke, hardware.ContactGas, hardware.ContactFloat, hardware.ContactInsideButton, hardware.ContactPanelReset,
		hardware.ContactMains, hardware.ContactBlowerAirflow, hardware.ContactWaterSupply} // from pin 0
	inputReadBacks = map[int]hardware.OutputID{12: hardware.FanForward1, 13: hardware.FanReverse1, 14: hardware.Compressor, 15: hardware.Heat1}
	ampInputs      = [4]hardware.OutputID{hardware.Compressor, hardware.Heat1, hardware.FanForward1, hardware.FanReverse1}
)

const (
	heartbeatLine  = 0
	panelReset     = 8 // of inputContacts
	amperesPerVolt = 10
)

// newBench gives a warm kiln with a lot that has a few hours of drying behind it.
func newBench(t *testing.T, seed uint64) *bench {
	c := simkiln.SmallConfig()
	c.Seed = seed
	c.Room.Start, c.Room.StartRH = 45, 0.5
	c.Heat.Power = 3000
	c.Machine.Crankcase = 20
	c.Person.Absent = true
	c.Lots = []simkiln.LotConfig{{Name: "poplar", Species: "yellow-poplar", Thickness: 0.027, Volume: 1.2, Start: 12, AirDried: true, Boards: 6}}
	c.Samples = []int8{0, 0}
	kiln, err := simkiln.New(c)
	require.NoError(t, err)
	b := &bench{origin: time.Now(), kiln: kiln}
	layout := kiln.Layout()
	seen := map[hardware.Role]int{}
	for i, role := range []hardware.Role{hardware.RoleDryBulb, hardware.RoleDryBulb, hardware.RoleWetBulb, hardware.RoleCore, hardware.RoleCore,
		hardware.RoleCoil, hardware.RoleHumidity, hardware.RoleOutdoorTemperature, hardware.RoleOutdoorHumidity} {
		b.roles[i] = layout.ByRole(role)[seen[role]]
		seen[role]++
	}
	b.pinIDs = layout.ByRole(hardware.RolePin)
	b.look()
	stop := make(chan struct{})
	var running sync.WaitGroup
	running.Go(func() {
		ticker := time.NewTicker(100 * time.Millisecond)
		defer ticker.Stop()
		for {
			select {
			case <-stop:
				return
			case <-ticker.C:
				b.look()
			}
		}
	})
	t.Cleanup(func() { close(stop); running.Wait() })
	return b
}

// look lets the kiln come up to now and tells it what is driven.
func (b *bench) look() wire.World {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := time.Since(b.origin)
	b.kiln.Advance(now - b.moved)
	b.moved = now
	driven := hardware.OutputSet(0)
	for pin, id := range relayPins {
		driven = driven.With(id, b.driven.Relays>>pin&1 == 1)
	}
	driven = driven.With(hardware.Heartbeat, b.driven.Lines>>heartbeatLine&1 == 1)
	_ = b.kiln.Apply(0, hardware.Outputs{On: driven}) // never fails
	var s hardware.Snapshot
	_ = b.kiln.Read(0, &s) // never fails
	seen := change{time.Now(), driven.With(hardware.Heartbeat, false), s.ReadBack}
	if n := len(b.changes); n == 0 || b.changes[n-1].driven != seen.driven || b.changes[n-1].closed != seen.closed {
		b.changes = append(b.changes, seen)
	}
	return b.world(&s)
}

// world is what the chips are shown.
func (b *bench) world(s *hardware.Snapshot) wire.World {
	w := b.faults
	w.Driven = b.driven
	value := func(i int) float64 { return s.Readings[b.roles[i]].Value }
	for i := range w.Celsius {
		w.Celsius[i] = value(i)
	}
	w.Air = [2]float64{value(0), 100 * value(wire.Thermometers)}
	w.Outdoor = [2]float64{value(wire.Thermometers + 1), 100 * value(wire.Thermometers+2)}
	for i, id := range b.pinIDs {
		w.Pins[i] = 2 - 0.5*(math.Log10(s.Readings[id].Value)-8) // as the kiln file describes the amplifier
	}
	for i, id := range ampInputs {
		w.Amps[i] = float64(s.Current[id]) / amperesPerVolt
	}
	for line, id := range lineContacts {
		if s.Contacts.Active.Has(id) {
			w.Lines |= 1 << line
		}
	}
	for pin, id := range inputContacts {
		if s.Contacts.Active.Has(id) {
			w.Inputs |= 1 << pin
		}
	}
	for pin, id := range inputReadBacks {
		if s.ReadBack.Has(id) {
			w.Inputs |= 1 << pin
		}
	}
	return w
}

// drive tells what the machine drives from now on.
func (b *bench) drive(d wire.Driven) {
	b.mu.Lock()
	b.driven = d
	b.mu.Unlock()
	b.look()
}

// fault does something to the hardware.
func (b *bench) fault(do func(*wire.World)) time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	do(&b.faults)
	return time.Now()
}

// now gives what the outputs do now.
func (b *bench) now() change {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changes[len(b.changes)-1]
}

// since gives what the outputs did from a time on, beginning with how they were then.
func (b *bench) since(from time.Time) []change {
	b.mu.Lock()
	defer b.mu.Unlock()
	first := 0
	for i, c := range b.changes {
		if !c.at.After(from) {
			first = i
		}
	}
	return append([]change(nil), b.changes[first:]...)
}

// off tells how long after from the outputs in a set were off for good, as far as was seen: as driven, and as they conduct.
func (b *bench) off(from time.Time, set hardware.OutputSet) (driven, closed time.Duration) {
	all := b.since(from)
	for i, c := range all[:len(all)-1] {
		next := all[i+1].at.Sub(from)
		if c.driven&set != 0 {
			driven = next
		}
		if c.closed&set != 0 {
			closed = next
		}
	}
	last := all[len(all)-1]
	if last.driven&set != 0 {
		driven = math.MaxInt64
	}
	if last.closed&set != 0 {
		closed = math.MaxInt64
	}
	return driven, closed
}

// story tells what the outputs did from a time on.
func (b *bench) story(from time.Time) string {
	text := ""
	for _, c := range b.since(from) {
		text += fmt.Sprintf("\n%.1f s: driven %s; conducting %s", c.at.Sub(from).Seconds(), names(c.driven), names(c.closed))
	}
	return text
}

// first gives the first change from a time on, or what was then, that drives one of a set; ok is false when there is none.
func (b *bench) first(from time.Time, set hardware.OutputSet) (seen change, ok bool) {
	for _, c := range b.since(from) {
		if c.driven&set != 0 {
			return c, true
		}
	}
	return change{}, false
}

// samples gives the boards as weighed when they were cut, for the charge sheet.
func (b *bench) samples() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	text := ""
	for i, s := range b.kiln.CutSamples() {
		text += fmt.Sprintf("\n[[sample]]\nname = \"s-%d\"\nlot = \"poplar\"\nweight = \"%.3f kg\"\noven_dry = \"%.3f kg\"\n", i+1, float64(s.Start), float64(s.OvenDry))
	}
	return text
}

func (b *bench) sample(i int) simkiln.Sample {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.kiln.CutSamples()[i]
}

// plug is the cable to the machine, until that is gone: then nothing is driven any more.
func (b *bench) plug(conn net.Conn) {
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		lines := json.NewDecoder(conn)
		for {
			var d wire.Driven
			if err := lines.Decode(&d); err != nil {
				return
			}
			b.drive(d)
		}
	}()
	ticker := time.NewTicker(100 * time.Millisecond)
	defer ticker.Stop()
	lines := json.NewEncoder(conn)
	for {
		select {
		case <-gone:
			b.drive(wire.Driven{})
			return
		case <-ticker.C:
			_ = lines.Encode(b.look()) // the machine may be going
		}
	}
}
