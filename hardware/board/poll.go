package board

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
	"drywarden/hardware/probe/ads1115"
	"drywarden/hardware/probe/contact"
	"drywarden/hardware/probe/ds18b20"
	"drywarden/hardware/probe/max31865"
	"drywarden/hardware/probe/mcp23017"
	"drywarden/hardware/probe/modbus"
	"drywarden/hardware/probe/pulse"
	"drywarden/hardware/probe/sht3x"
	"drywarden/hardware/probe/sht4x"
)

// How often digital inputs are looked at. An S0 pulse lasts 30 ms.
const (
	pulseEvery    = 4 * time.Millisecond
	contactEvery  = 10 * time.Millisecond
	expanderEvery = 100 * time.Millisecond
)

// job measures something on a bus and stores it.
type job func(now mono.Instant)

// wiring builds a board.
type wiring struct {
	board   *Board
	host    Host
	buses   map[string]*i2cBus
	serials map[string]*line
	faults  []error
	jobs    map[string][]job        // by bus
	order   []string                // buses with jobs
	own     []*group                // of the computer's own chips, not yet claimed
	drives  []func(context.Context) // of outputs, not yet started
	loops   []func(context.Context) // of inputs
}

// fail notes that what is written in a field of a part cannot be had. there, when it is not nil, lists what could.
func (w *wiring) fail(key, field, written string, err error, there []string) {
	w.faults = append(w.faults, missing(key, field, written, err, there))
}

// supplyEvery is how often thermometers on 1-wire are asked how they are fed.
const supplyEvery = 10 * time.Minute

// signNoBus is the signature of a bus that is not there, the 1-wire driver's too.
const signNoBus = "no_bus"

// absent is what a bus that cannot be had is to what hangs on it. That keeps nobody from starting: it may come later.
func absent(key, written string, err error, there []string) error {
	return probe.Faultf(hardware.NoAnswer, signNoBus, "%w", missing(key, "bus", written, err, there))
}

// tells gives a function that notes whether a bus can be opened.
func (w *wiring) tells(key, bus string, there func(Places) []string) func(error) {
	b := w.board
	return func(err error) {
		if err != nil {
			err = absent(key, bus, err, append([]string{}, there(w.host.Places())...))
		}
		b.noteLocked("bus "+bus, b.config.Clock.Now(), err)
	}
}

func missing(key, field, written string, err error, there []string) *WiringFault {
	f := &WiringFault{Key: key, Field: field, Found: fmt.Sprintf("%q: %v", written, err), Err: err}
	if len(there) > 0 {
		f.Expected = "one that is there: " + strings.Join(there, ", ")
	} else if there != nil {
		f.Expected = "one that is there; there is none: is it plugged in and switched on, and may this user open it?"
	}
	return f
}

func (w *wiring) add(bus string, j job) {
	if w.jobs[bus] == nil {
		w.order = append(w.order, bus)
	}
	w.jobs[bus] = append(w.jobs[bus], j)
}

// i2c gives a bus, open or not.
func (w *wiring) i2c(key, bus string) *i2cBus {
	b := w.buses[bus]
	if b == nil {
		b = &i2cBus{reopened[I2C]{open: func() (I2C, error) { return w.host.I2C(bus) }, limit: busFailures,
			told: w.tells(key, bus, func(p Places) []string { return p.I2C })}}
		w.buses[bus] = b
		w.board.closers = append(w.board.closers, b.Close)
		_, _ = b.get() // told
	}
	return b
}

func (w *wiring) wire() {
	w.jobs = map[string][]job{}
	c := &w.board.config
	w.probes()
	w.converters()
	if m := c.Meter; m != nil {
		meter := &modbus.EnergyMeter{Master: w.master(m.Key, m.Bus, m.line()), Device: m.Device, Energy: m.Energy, Most: m.Most}
		w.add(m.Bus, func(now mono.Instant) {
			v, err := meter.Measure(now)
			w.board.store(&w.board.meter, "energy meter", now, float64(v), 0, 0, err)
		})
	}
	for _, bus := range w.order {
		every := c.Every
		if every == 0 {
			every = defaultEvery
			if strings.HasPrefix(bus, "w1-") {
				every = oneWireEvery
			}
		}
		jobs := w.jobs[bus]
		w.loops = append(w.loops, func(ctx context.Context) { poll(ctx, c.Clock, every, jobs) })
	}
	w.lines()
	w.drive()
}

// poll does the jobs of one bus, one after the other, every so often.
func poll(ctx context.Context, clock mono.Clock, every time.Duration, jobs []job) {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		for _, j := range jobs {
			if ctx.Err() != nil {
				return
			}
			j(clock.Now())
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// target is a probe's row of the table.
type target struct {
	id    int
	row   *latest
	name  string
	probe hardware.Probe
}

func (w *wiring) target(i int) target {
	p := w.board.config.Layout.Probes[i]
	return target{id: i, row: &w.board.latest[i], name: "probe " + p.Name, probe: p}
}

func (w *wiring) store(t target, now mono.Instant, value float64, err error) {
	w.board.store(t.row, t.name, now, value, t.probe.Offset, t.probe.Role.Resolution(), err)
}

// air is a chip that measures temperature and humidity, for one or two probes.
type air struct {
	measure func(now mono.Instant) (probe.Air, error)
	targets []target
}

func (w *wiring) probes() {
	c := &w.board.config
	airs := map[string]*air{}
	oneWire := map[string]bool{}
	for i, p := range c.Probes {
		t := w.target(i)
		switch p.Driver {
		case SHT3x, SHT4x, Modbus:
			at := p.Bus + " " + p.Address
			if a := airs[at]; a != nil {
				a.targets = append(a.targets, t)
				continue
			}
			a := &air{measure: w.airOf(p), targets: []target{t}}
			airs[at] = a
			w.add(p.Bus, func(now mono.Instant) {
				got, err := a.measure(now)
				if p.Driver != Modbus && w.lost(a.targets, now, err) { // a master asks again by itself
					got, err = a.measure(now)
				}
				for _, t := range a.targets {
					v := float64(got.Temperature)
					if humid(t.probe.Role) {
						v = float64(got.Humidity)
					}
					w.store(t, now, v, err)
				}
			})
		case MAX31865:
			w.rtd(t, p)
		case DS18B20:
			w.oneWire(t, p, oneWire)
		case ADS1115:
			w.pins(t, p)
		case IIO:
			cell, err := cellOf(p, c.IIORoot)
			if err != nil {
				w.fail(p.Key, "address", p.Address, err, nil)
				continue
			}
			w.add(p.Bus, func(now mono.Instant) {
				m, err := cell.Read()
				w.store(t, now, float64(m), err)
			})
		}
	}
}

// lost tells whether a transfer was lost that is worth another: one is no fault. A chip that has lost its settings is one, and
// is told though it measures the next time.
func (w *wiring) lost(targets []target, now mono.Instant, err error) bool {
	if errors.Is(err, probe.ErrReset) {
		for _, t := range targets {
			w.board.noteLocked(t.name, now, err)
		}
	}
	q := probe.QualityOf(err)
	return q == hardware.NoAnswer || q == hardware.Checksum
}

func (w *wiring) airOf(p Probe) func(mono.Instant) (probe.Air, error) {
	if p.Driver == Modbus {
		device, err := strconv.ParseUint(p.Address, 10, 8)
		if err != nil {
			w.fail(p.Key, "address", p.Address, err, nil)
		}
		t := &modbus.Transmitter{Master: w.master(p.Key, p.Bus, p.Registers.line()), Device: byte(device),
			Temperature: p.Registers.Temperature, Humidity: p.Registers.Humidity}
		return t.Measure
	}
	at, err := address(p.Address)
	if err != nil {
		w.fail(p.Key, "address", p.Address, err, nil)
	}
	bus := w.i2c(p.Key, p.Bus)
	if p.Driver == SHT3x {
		return (&sht3x.Chip{Bus: bus, Address: at}).Measure
	}
	return (&sht4x.Chip{Bus: bus, Address: at}).Measure
}

func (w *wiring) rtd(t target, p Probe) {
	conn := &spiBus{reopened[SPI]{open: func() (SPI, error) { return w.host.SPI(p.Bus) }, limit: busFailures,
		told: w.tells(p.Key, p.Bus, func(p Places) []string { return p.SPI })}}
	w.board.closers = append(w.board.closers, conn.Close)
	_, _ = conn.get() // told
	chip := &max31865.Chip{Conn: conn, Name: p.Bus, Settings: p.RTD}
	port, _, _ := strings.Cut(p.Bus, ".") // chips on one port take turns
	w.add(port, func(now mono.Instant) {
		v, err := chip.Measure(now)
		if w.lost([]target{t}, now, err) {
			v, err = chip.Measure(now)
		}
		w.store(t, now, float64(v), err)
	})
}

func (w *wiring) oneWire(t target, p Probe, seen map[string]bool) {
	n, err := number(p.Bus, "w1-")
	if err != nil {
		w.fail(p.Key, "bus", p.Bus, err, nil)
		return
	}
	root := w.board.config.OneWireRoot
	if root == "" {
		root = ds18b20.Root
	}
	if !seen[p.Bus] {
		seen[p.Bus] = true
		tell := func(now mono.Instant, err error) {
			if probe.SignOf(err) == signNoBus {
				masters := []string{}
				for _, n := range w.host.Places().OneWire {
					masters = append(masters, "w1-"+strconv.Itoa(n))
				}
				err = absent(p.Key, p.Bus, err, masters)
			}
			w.board.noteLocked("bus "+p.Bus, now, err)
		}
		if _, err := ds18b20.List(root, ds18b20.Master(n)); err != nil {
			tell(w.board.config.Clock.Now(), probe.Faultf(hardware.NoAnswer, signNoBus, "%w", err))
		}
		w.add(p.Bus, func(now mono.Instant) { tell(now, ds18b20.Convert(root, ds18b20.Master(n), nil)) })
	}
	sensor := &ds18b20.Sensor{Root: root, ID: p.Address}
	looked, fed := false, mono.Instant(0) // at the supply
	w.add(p.Bus, func(now mono.Instant) {
		v, err := sensor.Read()
		w.store(t, now, float64(v), err)
		if err == nil && (!looked || now.Sub(fed) >= supplyEvery) {
			looked, fed = true, now
			w.board.noteLocked("supply of "+t.name, now, sensor.CheckSupply())
		}
	})
}

func (w *wiring) pins(t target, p Probe) {
	text, input, _ := strings.Cut(p.Address, "/")
	at, err := address(text)
	n, err2 := strconv.Atoi(input)
	if err := errors.Join(err, err2); err != nil {
		w.fail(p.Key, "address", p.Address, err, nil)
		return
	}
	chip := &ads1115.Chip{Bus: w.i2c(p.Key, p.Bus), Address: at}
	w.add(p.Bus, func(now mono.Instant) {
		r, err := chip.Resistance(n, p.Pin.Range, p.Pin.Rate, p.Pin.Front)
		w.store(t, now, float64(r), err)
	})
}

func (w *wiring) converters() {
	c := &w.board.config
	chips := map[string]*ads1115.Chip{}
	for _, v := range c.Converters {
		chips[v.Name] = &ads1115.Chip{Bus: w.i2c(v.Key, v.Bus), Address: v.Address}
	}
	for _, o := range c.Outputs {
		if o.Current == "" {
			continue
		}
		name, input, err := splitLine(o.Current)
		n, err2 := strconv.Atoi(input)
		if err := errors.Join(err, err2); err != nil {
			w.fail(o.Key, "current", o.Current, err, nil)
			continue
		}
		for _, v := range c.Converters {
			if v.Name != name {
				continue
			}
			what, row := "current of "+o.ID.String(), &w.board.current[o.ID]
			w.add(v.Bus, func(now mono.Instant) {
				volts, err := chips[name].Volts(n, v.Range, ads1115.PerSecond128)
				w.board.store(row, what, now, max(0, (volts-o.CurrentAtOffset)*o.AmperesPerVolt), 0, 0.01, err)
			})
		}
	}
}

// master gives the master of a serial port, one for all devices on it.
func (w *wiring) master(key, port string, settings SerialLine) *modbus.Master {
	l := w.serials[port]
	if l == nil {
		l = &line{reopened: reopened[Serial]{open: func() (Serial, error) { return w.host.Serial(port, settings) }, limit: serialFailures,
			told: w.tells(key, port, func(p Places) []string { return p.Serial })}}
		w.serials[port] = l
		l.master = &modbus.Master{Port: l, Clock: w.board.config.Clock, Timeout: settings.Timeout, Baud: settings.Baud, Retries: 2}
		w.board.closers = append(w.board.closers, l.Close)
		_, _ = l.get() // told
	}
	return l.master
}

// group is what hangs on one GPIO chip or expander.
type group struct {
	name   string
	inputs []string
	inAt   []place                             // where inputs are written, in the same order
	levels []func(now mono.Instant, high bool) // of inputs, in the same order; b.mu is held
	quick  bool                                // pulses among them
	out    []string
	outAt  []place // where outputs are written, in the same order
	pins   map[hardware.OutputID]int
}

// place is a field of a part of the wiring.
type place struct{ key, field string }

// lines sets expanders up and notes what is to be claimed.
func (w *wiring) lines() {
	b, c := w.board, &w.board.config
	groups := map[string]*group{}
	var order []*group
	group := func(where place, at string) (*group, string) {
		chip, name, err := splitLine(at)
		if err != nil {
			w.fail(where.key, where.field, at, err, nil)
		}
		g := groups[chip]
		if g == nil {
			g = &group{name: chip, pins: map[hardware.OutputID]int{}}
			groups[chip] = g
			order = append(order, g)
		}
		return g, name
	}
	input := func(where place, at string, quick bool, level func(mono.Instant, bool)) {
		g, name := group(where, at)
		g.inputs, g.levels, g.quick = append(g.inputs, name), append(g.levels, level), g.quick || quick
		g.inAt = append(g.inAt, where)
	}
	for _, x := range c.Contacts {
		in := debounced(x)
		b.contacts[x.ID] = in
		input(place{x.Key, "line"}, x.Line, false, func(now mono.Instant, high bool) { in.Level(now, high != x.ActiveLow) })
	}
	for _, o := range c.Outputs {
		g, name := group(place{o.Key, "line"}, o.Line)
		g.pins[o.ID] = len(g.out)
		g.out, g.outAt = append(g.out, name), append(g.outAt, place{o.Key, "line"})
		if o.ReadBack != "" {
			in := contact.New(contact.Settings{})
			b.readBack[o.ID] = in
			input(place{o.Key, "read_back"}, o.ReadBack, false, func(now mono.Instant, high bool) { in.Level(now, high != o.ReadBackLow) })
		}
	}
	for i, p := range []*Pulse{c.Condensate, c.Energy} {
		if p != nil {
			counter := pulse.New(p.Settings)
			b.pulses[i] = counter
			input(place{p.Key, "line"}, p.Line, true, func(now mono.Instant, high bool) { counter.Level(now, high != p.Low) })
		}
	}
	for _, g := range order {
		expander := false
		for _, e := range c.Expanders {
			if e.Name == g.name {
				expander = true
				w.expander(g, e)
			}
		}
		if !expander {
			w.own = append(w.own, g)
		}
	}
}

func (b *Board) noteLocked(what string, at mono.Instant, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.note(what, at, err)
}

func (w *wiring) device(name string, pins map[hardware.OutputID]int, write func(mono.Instant, uint64) error) *outputs {
	o := &outputs{name: name, levels: pinLevels(pins), write: write, clock: w.board.config.Clock, note: w.board.noteLocked,
		wake: make(chan struct{}, 1), landed: make(chan struct{})}
	w.board.devices = append(w.board.devices, o)
	w.drives = append(w.drives, o.run)
	return o
}

// claim claims the lines of the computer's own chips.
func (w *wiring) claim() {
	for _, g := range w.own {
		w.gpio(g)
	}
}

// gpio claims the lines of a chip of the computer's.
func (w *wiring) gpio(g *group) {
	b := w.board
	if len(g.out) > 0 {
		lines, err := w.host.Outputs(g.name, g.out)
		if err != nil {
			w.failLine(g.name, g.out, g.outAt, err)
			return
		}
		b.closers = append(b.closers, lines.Close)
		w.device(g.name, g.pins, driveLines(g.name, lines))
	}
	if len(g.inputs) == 0 {
		return
	}
	lines, err := w.host.Inputs(g.name, g.inputs)
	if err != nil {
		w.failLine(g.name, g.inputs, g.inAt, err)
		return
	}
	b.closers = append(b.closers, lines.Close)
	every := contactEvery
	if g.quick {
		every = pulseEvery
	}
	clock := b.config.Clock
	w.loops = append(w.loops, func(ctx context.Context) {
		poll(ctx, clock, every, []job{func(mono.Instant) {
			bits, known, err := lines.Read()
			b.levels(g, clock.Now(), bits, known, err)
		}})
	})
}

// failLine notes that lines of a chip cannot be had: at the one that the error names, else at the first.
func (w *wiring) failLine(chip string, names []string, at []place, err error) {
	i := 0
	if line, ok := errors.AsType[*LineError](err); ok {
		i, err = max(0, slices.Index(names, line.Line)), line.Err
	}
	w.fail(at[i].key, at[i].field, chip+"/"+names[i], err, nil)
}

// levels hands the levels of a group's inputs to what they are for. Inputs that could not be read grow old.
func (b *Board) levels(g *group, now mono.Instant, bits, known uint64, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.note("inputs of "+g.name, now, err)
	if err != nil {
		return
	}
	for i, level := range g.levels {
		if known>>i&1 == 1 {
			level(now, bits>>i&1 == 1)
		}
	}
}

// expander sets an MCP23017 up; its inputs are looked at by the goroutine that writes its outputs.
func (w *wiring) expander(g *group, e Expander) {
	b := w.board
	bus := w.i2c(e.Key, e.Bus)
	if _, err := bus.get(); err != nil { // without outputs and contacts nobody starts
		w.fail(e.Key, "bus", e.Bus, err, append([]string{}, w.host.Places().I2C...))
		return
	}
	chip := &mcp23017.Chip{Bus: bus, Address: e.Address}
	pin := func(name string) int {
		n, err := expanderPin(name)
		if err != nil {
			w.fail(e.Key, "id", e.Name, err, nil)
		}
		return n
	}
	pins := map[hardware.OutputID]int{}
	for id, i := range g.pins {
		pins[id] = pin(g.out[i])
		chip.Outputs |= 1 << pins[id]
	}
	at := make([]int, len(g.inputs))
	for i, name := range g.inputs {
		at[i] = pin(name)
		if e.PullUp {
			chip.PullUp |= 1 << at[i]
		}
	}
	o := w.device(e.Name, pins, driveExpander(chip))
	if len(g.inputs) == 0 {
		return
	}
	o.every = expanderEvery
	o.look = func(now mono.Instant) {
		got, err := chip.Read()
		if err != nil && probe.SignOf(err) == "pin_held" {
			err = nil // the outputs tell that; the inputs are good
		}
		bits := uint64(0)
		for i, pin := range at {
			bits |= uint64(got>>pin&1) << i
		}
		b.levels(g, now, bits, ^uint64(0), err)
	}
}
