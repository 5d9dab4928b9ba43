package main

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"os"
	"sync"
	"time"

	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
	"drywarden/hardware/vmtest/wire"
)

// Events of /dev/uhid (linux/uhid.h). An event is its kind, 32 bits, and what belongs to it; all is in the machine's order.
const (
	uhidOutput    = 6
	uhidGet       = 9
	uhidGetReply  = 10
	uhidCreate    = 11
	uhidInput     = 12
	uhidSet       = 13
	uhidSetReply  = 14
	uhidEventSize = 4380
	uhidDataMax   = 4096

	noSuchReport = 5 // EIO
)

// watched is a chip after each transfer of which somebody looks.
type watched struct {
	chip.Target
	after func()
}

func (w watched) Transfer(write, read []byte) error {
	err := w.Target.Transfer(write, read)
	w.after()
	return err
}

// board is the bridge with the chips behind it, wired as vmtest's kiln file says.
type board struct {
	bus     chip.I2C
	bridge  chip.CP2112
	relays  chip.MCP23017
	inputs  chip.MCP23017
	master  chip.DS2482
	thermos [wire.Thermometers]*chip.DS18B20
	air     *chip.SHT
	outdoor *chip.SHT
	pins    *chip.ADS1115
	amps    *chip.ADS1115
	pull    func() // pulls the bridge off
}

func newBoard(clock mono.Clock, changed func()) *board {
	b := &board{air: &chip.SHT{Clock: clock, Four: true}, outdoor: &chip.SHT{Clock: clock, Four: true},
		pins: &chip.ADS1115{Clock: clock}, amps: &chip.ADS1115{Clock: clock}}
	b.bridge.Bus, b.bridge.Changed = &b.bus, changed
	for i := range b.thermos {
		b.thermos[i] = &chip.DS18B20{Clock: clock, Serial: uint64(i) + 1}
		b.master.Hang(b.thermos[i])
	}
	b.bus.Plug(0x18, &b.master)
	b.bus.Plug(0x20, watched{&b.relays, changed})
	b.bus.Plug(0x21, &b.inputs)
	b.bus.Plug(0x44, b.air)
	b.bus.Plug(0x45, b.outdoor)
	b.bus.Plug(0x48, b.pins)
	b.bus.Plug(0x49, b.amps)
	return b
}

// see takes over what the kiln is like now.
func (b *board) see(w *wire.World) {
	for i, t := range b.thermos {
		t.Set(w.Celsius[i])
		t.Unplug(w.Unplugged[i])
	}
	b.air.Set(w.Air[0], w.Air[1])
	b.outdoor.Set(w.Outdoor[0], w.Outdoor[1])
	for i, v := range w.Pins {
		b.pins.Set(i, v)
	}
	for i, v := range w.Amps {
		b.amps.Set(i, v)
	}
	for line := range 8 {
		b.bridge.Put(line, w.Lines>>line&1 == 1)
	}
	b.inputs.Hold(0xFFFF, w.Inputs)
	if w.Pulled {
		b.pull()
	}
	if w.Stuck {
		b.bus.Break(chip.ErrTimeout)
	} else {
		b.bus.Break(nil)
	}
}

// latch makes the chips drive what they drove before a reset of the computer, of which they know nothing.
func (b *board) latch(d wire.Driven) {
	if d == (wire.Driven{}) {
		return
	}
	for _, write := range [][]byte{{0x14, byte(d.Relays), byte(d.Relays >> 8)}, {0x00, 0x00, 0xF0}} { // twelve outputs
		_ = b.relays.Transfer(write, nil) // the model takes it
	}
	b.bridge.SetFeature([]byte{0x02, 1, 0xFF, 0, 0}) // the heartbeat's line
	b.bridge.SetFeature([]byte{0x04, d.Lines, 0xFF})
}

func (b *board) driven() wire.Driven {
	relays, _ := b.relays.Driven()
	return wire.Driven{Relays: relays, Lines: b.bridge.Driven()}
}

// bridge makes the device and answers for it until the kernel or the bench is gone.
func bridge(portPath string) error {
	port, err := os.OpenFile(portPath, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	device, err := os.OpenFile("/dev/uhid", os.O_RDWR, 0)
	if err != nil {
		return err
	}
	wake := make(chan struct{}, 1)
	b := newBoard(mono.NewReal(time.Second), func() {
		select {
		case wake <- struct{}{}:
		default:
		}
	})
	from := bufio.NewReader(port)
	if _, err := from.ReadString('\n'); err != nil { // after a reset it may be the end of a line
		return fmt.Errorf("listen to the bench: %w", err)
	}
	lines := json.NewDecoder(from)
	var first wire.World
	if err := lines.Decode(&first); err != nil {
		return fmt.Errorf("listen to the bench: %w", err)
	}
	// The kernel takes the device away once nobody uses the bus on it any more: until then, that takes the one who closes it.
	pulled := make(chan struct{})
	b.pull = sync.OnceFunc(func() {
		b.bridge.Reset()
		close(pulled)
		go func() { _ = device.Close() }()
	})
	b.latch(first.Driven)
	b.see(&first)
	failed := make(chan error, 3)
	go func() { failed <- b.listen(lines) }()
	go func() { failed <- b.tell(port, wake) }()
	if _, err := device.Write(create()); err != nil {
		return fmt.Errorf("make the device: %w", err)
	}
	go func() {
		err := b.answer(device)
		select {
		case <-pulled: // nobody asks any more; what the other chips drive is still told
		default:
			failed <- err
		}
	}()
	return <-failed
}

// alone makes the device and answers for it without a bench: chips in a kiln that stands still, mains and water there.
func alone() error {
	device, err := os.OpenFile("/dev/uhid", os.O_RDWR, 0)
	if err != nil {
		return err
	}
	b := newBoard(mono.NewReal(time.Second), func() {})
	still := wire.World{Air: [2]float64{40, 60}, Outdoor: [2]float64{10, 70}, Pins: [2]float64{2, 2}, Inputs: 1<<9 | 1<<11}
	for i := range still.Celsius {
		still.Celsius[i] = 40 + float64(i)/4
	}
	b.see(&still)
	if _, err := device.Write(create()); err != nil {
		return fmt.Errorf("make the device: %w", err)
	}
	return b.answer(device)
}

// listen hears from the bench what the kiln is like.
func (b *board) listen(lines *json.Decoder) error {
	for {
		var w wire.World
		if err := lines.Decode(&w); err != nil {
			return fmt.Errorf("listen to the bench: %w", err)
		}
		b.see(&w)
	}
}

// tell tells the bench what is driven, at the start and whenever that may have changed.
func (b *board) tell(port *os.File, wake <-chan struct{}) error {
	lines := json.NewEncoder(port)
	for last, first := (wire.Driven{}), true; ; <-wake {
		if now := b.driven(); first || now != last {
			if err := lines.Encode(now); err != nil {
				return fmt.Errorf("tell the bench: %w", err)
			}
			last, first = now, false
		}
	}
}

func event(kind uint32, size int) []byte {
	e := make([]byte, 4+size)
	binary.LittleEndian.PutUint32(e, kind)
	return e
}

// create makes UHID_CREATE2: names of 128, 64 and 64 bytes, size of the descriptor, bus, vendor, product, version, country.
func create() []byte {
	const names, busUSB, vendor, product = 128 + 64 + 64, 3, 0x10C4, 0xEA90
	e := event(uhidCreate, names+20+uhidDataMax)
	copy(e[4:], "bridge of the bench")
	at := e[4+names:]
	binary.LittleEndian.PutUint16(at, uint16(len(chip.CP2112Reports)))
	binary.LittleEndian.PutUint16(at[2:], busUSB)
	binary.LittleEndian.PutUint32(at[4:], vendor)
	binary.LittleEndian.PutUint32(at[8:], product)
	copy(at[20:], chip.CP2112Reports)
	return e
}

// answer answers the kernel's reports and questions.
func (b *board) answer(device *os.File) error {
	buffer := make([]byte, uhidEventSize)
	for {
		n, err := device.Read(buffer)
		if err != nil {
			return fmt.Errorf("listen to the kernel: %w", err)
		}
		var reply []byte
		switch e := buffer[4:n]; binary.LittleEndian.Uint32(buffer) {
		case uhidOutput:
			if input := b.bridge.Output(e[:binary.LittleEndian.Uint16(e[uhidDataMax:])]); input != nil {
				reply = event(uhidInput, 2+len(input))
				binary.LittleEndian.PutUint16(reply[4:], uint16(len(input)))
				copy(reply[6:], input)
			}
		case uhidGet:
			report := b.bridge.Feature(e[4])
			reply = event(uhidGetReply, 8+len(report))
			copy(reply[4:], e[:4]) // the kernel's number of the question
			if report == nil {
				binary.LittleEndian.PutUint16(reply[8:], noSuchReport)
			}
			binary.LittleEndian.PutUint16(reply[10:], uint16(len(report)))
			copy(reply[12:], report)
		case uhidSet:
			reply = event(uhidSetReply, 6)
			copy(reply[4:], e[:4])
			if !b.bridge.SetFeature(e[8 : 8+binary.LittleEndian.Uint16(e[6:])]) {
				binary.LittleEndian.PutUint16(reply[8:], noSuchReport)
			}
		}
		if reply == nil { // start, open, close
			continue
		}
		if _, err := device.Write(reply); err != nil {
			return fmt.Errorf("tell the kernel: %w", err)
		}
	}
}
