package chip

import "sync"

// DS2482 is a model of the bridge from I2C to a 1-wire bus (DS2482-100 datasheet, function commands and registers) with
// thermometers on it. What takes time on the wire is done at once.
type DS2482 struct {
	mu      sync.Mutex
	devices []*DS18B20
	short   bool
	powered bool
	pointer byte
	status  byte
	config  byte
	data    byte
}

// Registers, by their pointer codes, and bits of the status.
const (
	dsStatus = 0xF0
	dsData   = 0xE1
	dsConfig = 0xC3

	dsPresence  = 0x02
	dsShort     = 0x04
	dsLevel     = 0x08
	dsReset     = 0x10
	dsBit       = 0x20
	dsSecond    = 0x40
	dsDirection = 0x80
)

// Hang hangs a thermometer on the wire.
func (d *DS2482) Hang(t *DS18B20) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.devices = append(d.devices, t)
}

// Short shorts the wire to ground, or mends it.
func (d *DS2482) Short(is bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.short = is
}

// BrownOut takes the supply away for a moment.
func (d *DS2482) BrownOut() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.powered = false
}

// Transfer is one transfer.
func (d *DS2482) Transfer(w, r []byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.powered {
		d.reset()
	}
	if len(w) > 0 {
		if err := d.command(w); err != nil {
			return err
		}
	}
	for i := range r {
		switch d.pointer {
		case dsData:
			r[i] = d.data
		case dsConfig:
			r[i] = d.config
		default:
			r[i] = d.status
		}
	}
	return nil
}

func (d *DS2482) reset() {
	d.powered, d.pointer, d.status, d.config = true, dsStatus, dsReset|dsLevel, 0
}

func (d *DS2482) command(w []byte) error {
	if wants := map[byte]int{0xF0: 1, 0xE1: 2, 0xD2: 2, 0xB4: 1, 0x87: 2, 0xA5: 2, 0x96: 1, 0x78: 2}[w[0]]; wants != len(w) {
		return refuse("ds2482", w)
	}
	switch w[0] {
	case 0xF0:
		d.reset()
		return nil
	case 0xE1:
		if w[1] != dsStatus && w[1] != dsData && w[1] != dsConfig {
			return refuse("ds2482", w)
		}
		d.pointer = w[1]
		return nil
	case 0xD2:
		if w[1]>>4 != ^w[1]&0x0F {
			return refuse("ds2482", w)
		}
		d.config, d.pointer = w[1]&0x0F, dsConfig
		d.status &^= dsReset
		return nil
	case 0xB4:
		d.status &^= dsPresence | dsShort
		for _, t := range d.devices {
			if t.start() && !d.short {
				d.status |= dsPresence
			}
		}
		if d.short {
			d.status |= dsShort
		}
	case 0x87:
		d.flag(dsBit, d.slot(w[1]&0x80 != 0))
	case 0xA5:
		for bit := range 8 {
			d.slot(w[1]>>bit&1 == 1)
		}
	case 0x96:
		d.data = 0
		for bit := range 8 {
			if d.slot(true) {
				d.data |= 1 << bit
			}
		}
	case 0x78:
		d.triplet(w[1]&0x80 != 0)
	}
	d.pointer = dsStatus
	return nil
}

func (d *DS2482) flag(bit byte, on bool) {
	d.status &^= bit
	if on {
		d.status |= bit
	}
}

// triplet reads a bit and its complement and writes the direction to go on in.
func (d *DS2482) triplet(wanted bool) {
	bit, complement := d.slot(true), d.slot(true)
	direction := bit
	if bit == complement {
		direction = wanted || bit // nobody answered: 1
	}
	d.slot(direction)
	d.flag(dsBit, bit)
	d.flag(dsSecond, complement)
	d.flag(dsDirection, direction)
}

// slot is one time slot: the wire is high when nobody pulls it low.
func (d *DS2482) slot(high bool) bool {
	level := high
	for _, t := range d.devices {
		level = t.slot(high) && level
	}
	return level && !d.short
}
