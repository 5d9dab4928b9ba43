package board

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe/max31865"
	"drywarden/hardware/probe/modbus"
)

// TestJitter measures in real time how far a tick of one second is off while the buses are at their worst: eight 1-wire
// thermometers whose files block for 0.8 s each, as the kernel's do, two platinum thermometers, an I2C bus with outputs on it
// that hangs, a Modbus device that is silent. It runs only when BOARD_JITTER says for how long, such as 10m: what it measures
// depends on the computer, and an ordinary test must not.
func TestJitter(t *testing.T) {
	text := os.Getenv("BOARD_JITTER")
	if text == "" {
		t.Skip("set BOARD_JITTER=10m to measure")
	}
	length, err := time.ParseDuration(text)
	require.NoError(t, err)
	clock := mono.NewReal(time.Second)
	m := &models{clock: clock, i2c: map[string]*chip.I2C{"i2c-1": {}}}
	c := Config{Clock: clock, OneWireRoot: t.TempDir()}
	add := func(name string, role hardware.Role, p Probe) {
		c.Probes = append(c.Probes, p)
		c.Layout.Probes = append(c.Layout.Probes, hardware.Probe{Name: name, Role: role, Lot: hardware.NoLot})
	}
	_, err = chip.NewOneWire(c.OneWireRoot, 1)
	require.NoError(t, err)
	require.NoError(t, os.Remove(filepath.Join(c.OneWireRoot, "w1_bus_master1", "therm_bulk_read")), "as on an older kernel")
	ctx, stop := context.WithCancel(t.Context())
	for i := range 8 {
		id := fmt.Sprintf("28-%012x", i+1)
		slowFile(ctx, t, filepath.Join(c.OneWireRoot, id), 800*time.Millisecond)
		add(id, hardware.RoleCore, Probe{Driver: DS18B20, Bus: "w1-1", Address: id})
	}
	for i := range m.rtd {
		m.rtd[i] = &chip.MAX31865{Clock: clock, Reference: 430}
		m.rtd[i].Set(115.541)
		add(fmt.Sprintf("rtd-%d", i), hardware.RoleDryBulb, Probe{Driver: MAX31865, Bus: fmt.Sprintf("spi0.%d", i),
			RTD: max31865.Settings{Wires: 4, Nominal: 100, Reference: 430, Mains: 50}})
	}
	register := modbus.Register{Function: modbus.ReadHolding, Scale: 0.1}
	add("rh", hardware.RoleHumidity, Probe{Driver: Modbus, Bus: "/dev/serial/by-id/rs485", Address: "1", Registers: Registers{Temperature: register, Humidity: register}})
	add("sht", hardware.RoleHumidity, Probe{Driver: SHT3x, Bus: "i2c-1", Address: "0x44"})
	c.Expanders = []Expander{{Name: "relay0", Bus: "i2c-1", Address: 0x20}}
	c.Outputs = []Output{{ID: hardware.FanForward1, Line: "relay0/0"}, {ID: hardware.Heartbeat, Line: "gpiochip0/17"}}
	c.Contacts = []Contact{{ID: hardware.ContactDoor, Line: "gpiochip0/5"}}
	c.Layout.Outputs = 1<<hardware.FanForward1 | 1<<hardware.Heartbeat
	c.Layout.Contacts = 1 << hardware.ContactDoor
	c.Layout.Condensate, c.Condensate = true, &Pulse{Line: "gpiochip0/25", Each: 0.25}
	release := m.i2c["i2c-1"].Hang()

	b, err := Open(c, m)
	require.NoError(t, err)
	var late, busy []time.Duration
	begin := clock.Now()
	pacer := mono.NewReal(time.Second)
	for n := 1; clock.Now().Sub(begin) < length; n++ {
		require.NoError(t, pacer.Next(t.Context()))
		start := pacer.Now()
		var s hardware.Snapshot
		require.NoError(t, b.Read(clock.Now(), &s))
		_ = b.Apply(clock.Now(), hardware.Outputs{On: hardware.OutputSet(n&1) << hardware.Heartbeat}) // relay0 hangs
		late = append(late, start.Sub(mono.Instant(time.Duration(n)*time.Second)))
		busy = append(busy, pacer.Now().Sub(start))
	}
	release()
	stop()
	_ = b.Close()
	slices.Sort(late)
	slices.Sort(busy)
	at := func(d []time.Duration, share float64) time.Duration { return d[int(share*float64(len(d)-1))] }
	t.Logf("%d ticks: late by median %v, 99 %% %v, most %v; read and applied in median %v, 99 %% %v, most %v", len(late),
		at(late, 0.5), at(late, 0.99), at(late, 1), at(busy, 0.5), at(busy, 0.99), at(busy, 1))
	require.LessOrEqual(t, at(late, 1), 50*time.Millisecond)
}

// slowFile makes a sensor's file whose reading blocks for a while each time: a pipe that is written late.
func slowFile(ctx context.Context, t *testing.T, dir string, after time.Duration) {
	require.NoError(t, os.Mkdir(dir, 0o755))
	path := filepath.Join(dir, "w1_slave")
	require.NoError(t, unix.Mkfifo(path, 0o644))
	pad := chip.Scratchpad(40)
	text := fmt.Appendf(nil, "% x : crc=%02x YES\n% x t=40000\n", pad, pad[8], pad)
	go func() {
		for ctx.Err() == nil {
			fd, err := unix.Open(path, unix.O_WRONLY|unix.O_NONBLOCK, 0) // an error: nobody reads yet
			if err != nil {
				time.Sleep(5 * time.Millisecond)
				continue
			}
			time.Sleep(after)
			_, _ = unix.Write(fd, text)
			_ = unix.Close(fd)
			time.Sleep(20 * time.Millisecond) // until the reader has seen the end
		}
	}()
}
