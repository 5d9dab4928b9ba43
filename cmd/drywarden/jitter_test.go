package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/board"
	"drywarden/hardware/hardwaretest/chip"
	"drywarden/hardware/mono"
)

// ticks is a kiln and a pacer that note when each tick begins and when its outputs are handed over.
type ticks struct {
	*board.Board
	mono.Pacer

	mu          sync.Mutex
	n           int
	began, done []time.Duration // after the tick's second
}

func (k *ticks) Next(ctx context.Context) error {
	err := k.Pacer.Next(ctx)
	k.mu.Lock()
	defer k.mu.Unlock()
	if err == nil {
		k.n++
		k.began = append(k.began, k.Now().Sub(k.due()))
	}
	return err
}

func (k *ticks) due() mono.Instant { return mono.Instant(time.Duration(k.n) * tick) }

func (k *ticks) Apply(now mono.Instant, to hardware.Outputs) error {
	err := k.Board.Apply(now, to)
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.done) < len(k.began) { // the first in a tick is the tick's own
		k.done = append(k.done, k.Now().Sub(k.due()))
	}
	return err
}

// jitterHost is a computer whose buses are at their worst.
type jitterHost struct {
	bench
	lines chip.RS485
	rtd   [2]*chip.MAX31865
}

type jitterSPI struct{ *chip.MAX31865 }

func (jitterSPI) Close() error { return nil }

func (h *jitterHost) SPI(bus string) (board.SPI, error) {
	return jitterSPI{h.rtd[bus[len(bus)-1]-'0']}, nil
}
func (h *jitterHost) Serial(string, board.SerialLine) (board.Serial, error) { return &h.lines, nil }

// TestJitter measures in real time how far the daemon's ticks are off their seconds, with all that runs in a daemon: gate,
// controller, saver, recorder, socket. The buses are at their worst: eight 1-wire thermometers whose files block for 0.8 s
// each, as the kernel's do, two platinum thermometers, an I2C bus with a probe and outputs on it that hangs, a Modbus device
// that is silent. It runs only when BOARD_JITTER says for how long, such as 10m: what it measures depends on the computer, and
// an ordinary test must not.
func TestJitter(t *testing.T) {
	text := os.Getenv("BOARD_JITTER")
	if text == "" {
		t.Skip("set BOARD_JITTER=10m to measure")
	}
	length, err := time.ParseDuration(text)
	require.NoError(t, err)
	dir, root := t.TempDir(), t.TempDir()
	h := &jitterHost{bench: *newBench()}
	for i := range h.rtd {
		h.rtd[i] = &chip.MAX31865{Clock: mono.NewReal(time.Second), Reference: 430}
		h.rtd[i].Set(115.541)
	}
	_, err = chip.NewOneWire(root, 1)
	require.NoError(t, err)
	require.NoError(t, os.Remove(filepath.Join(root, "w1_bus_master1", "therm_bulk_read")), "as on an older kernel")
	ctx, stop := context.WithTimeout(t.Context(), length)
	defer stop()
	kiln := jitterKiln(t, func(id string) { slowFile(ctx, t, filepath.Join(root, id), 800*time.Millisecond) })
	path := filepath.Join(dir, "kiln.toml")
	require.NoError(t, os.WriteFile(path, []byte(kiln), 0o600))
	file, err := readKiln(path, []byte(kiln))
	require.NoError(t, err)
	fs, err := store.Folder(file.Path(file.State))
	require.NoError(t, err)

	pace := mono.NewRealBy(tick, func() time.Duration { now, _ := store.SinceBoot(); return now })
	wiring := file.Wiring(pace)
	wiring.OneWireRoot = root
	opened, err := board.Open(wiring, h)
	require.NoError(t, err)
	k := &ticks{Board: opened, Pacer: pace}
	release := h.buses["i2c-1"].Hang()
	idle := idleTicks(ctx)
	a := &app{out: io.Discard, err: io.Discard}
	tools := daemonTools{}
	var log bytes.Buffer
	err = a.serve(ctx, file, &runFlags{config: path, speed: 1}, fs, &driven{kiln: k, layout: file.Layout(), pace: k,
		stamp: stampNow(store.Now, slog.New(slog.DiscardHandler))}, slog.New(slog.NewTextHandler(&log, nil)), &tools)
	release()
	require.ErrorContains(t, err, "outputs of relay0 are not proved", "%s", log.String()) // at the end they cannot be switched off
	require.NoError(t, tools.close())
	_ = opened.Close()

	bare := <-idle
	slices.Sort(bare)
	slices.Sort(k.began)
	slices.Sort(k.done)
	at := func(d []time.Duration, share float64) time.Duration { return d[int(share*float64(len(d)-1))] }
	t.Logf("%d ticks: begun late by median %v, 99 %% %v, most %v; outputs handed over after median %v, 99 %% %v, most %v", len(k.began),
		at(k.began, 0.5), at(k.began, 0.99), at(k.began, 1), at(k.done, 0.5), at(k.done, 0.99), at(k.done, 1))
	t.Logf("a loop that does nothing, beside it: late by median %v, 99 %% %v, most %v", at(bare, 0.5), at(bare, 0.99), at(bare, 1))
	require.GreaterOrEqual(t, len(k.began), int(length/tick)-2)
	require.LessOrEqual(t, at(k.began, 1), 50*time.Millisecond)
}

// idleTicks measures how late a loop is that does nothing, half a second off the daemon's: what of the lateness is the
// computer's.
func idleTicks(ctx context.Context) <-chan []time.Duration {
	result := make(chan []time.Duration, 1)
	go func() {
		var late []time.Duration
		time.Sleep(tick / 2)
		pacer := mono.NewReal(tick)
		for n := 1; pacer.Next(ctx) == nil; n++ {
			late = append(late, pacer.Now().Sub(mono.Instant(time.Duration(n)*tick)))
		}
		result <- late
	}()
	return result
}

// jitterKiln is the bench's kiln with other probes; each is called for each thermometer on 1-wire.
func jitterKiln(t *testing.T, each func(id string)) string {
	before, rest, ok := strings.Cut(benchKiln, "[[probe]]")
	require.True(t, ok)
	_, after, ok := strings.Cut(rest, "[[expander]]")
	require.True(t, ok)
	probes := ""
	add := func(name, role, place string) {
		probes += fmt.Sprintf("[[probe]]\nid = %q\nrole = %q\nplace = %q\n%s", name, role, name, place)
	}
	for i := range 2 {
		add(fmt.Sprintf("db-%d", i+1), "dry_bulb", fmt.Sprintf("driver = \"max31865\"\nbus = \"spi0.%d\"\nrtd = { wires = 4, nominal = \"100 ohm\", reference = \"430 ohm\", mains_hz = 50 }\n", i))
	}
	for i := range 8 {
		id, role, lot := fmt.Sprintf("28-%012x", i+1), "core", "lot = 1\n"
		if i == 0 {
			role, lot = "wet_bulb", ""
		}
		each(id)
		add(fmt.Sprintf("w-%d", i+1), role, lot+fmt.Sprintf("driver = \"ds18b20\"\nbus = \"w1-1\"\naddress = %q\n", id))
	}
	add("rh-1", "humidity", "driver = \"modbus\"\nbus = \"/dev/serial/by-id/rs485\"\naddress = \"1\"\n"+
		"registers.temperature = { function = 3, address = 0, scale = 0.1 }\nregisters.humidity = { function = 3, address = 1, scale = 0.1 }\n")
	add("rh-2", "humidity", "driver = \"sht3x\"\nbus = \"i2c-1\"\naddress = \"0x44\"\n")
	return strings.Replace(before, "metrics =", "socket = \"s\"\nmetrics =", 1) + probes + "[[expander]]" + after
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
