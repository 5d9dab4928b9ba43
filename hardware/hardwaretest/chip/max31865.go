package chip

import (
	"math"
	"sync"
	"time"

	"drywarden/hardware/mono"
)

// MAX31865 is a model of the resistance-digital converter on SPI.
type MAX31865 struct {
	Clock     mono.Clock
	Reference float64 // ohm

	mu      sync.Mutex
	powered bool
	absent  *byte
	ohms    float64
	faults  byte // what the fault detection finds while this is the case
	config  byte
	limits  [4]byte
	rtd     uint16
	status  byte
	biased  mono.Instant // since then
	done    mono.Instant
	cycle   mono.Instant
	running bool
}

// Set sets the resistance of the probe; infinity is an open one.
func (m *MAX31865) Set(ohms float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.ohms = ohms
}

// Break makes the fault detection find these bits of the fault status register.
func (m *MAX31865) Break(bits byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.faults = bits
}

// Remove takes the chip away: everything reads as level. Nil puts it back.
func (m *MAX31865) Remove(level *byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.absent = level
}

// BrownOut takes the supply away for a moment.
func (m *MAX31865) BrownOut() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.powered = false
}

// Tx is one transfer: the chip is selected for its length.
func (m *MAX31865) Tx(w, r []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.absent != nil {
		for i := range r {
			r[i] = *m.absent
		}
		return nil
	}
	if !m.powered {
		m.powered, m.config, m.limits, m.rtd, m.status, m.running = true, 0, [4]byte{0xFF, 0xFF, 0, 0}, 0, 0, false
	}
	m.settle()
	if len(w) == 0 {
		return nil
	}
	if len(r) > 0 {
		r[0] = 0
	}
	write, at := w[0]&0x80 != 0, w[0]&0x7F
	for i := 1; i < len(w); i++ {
		if write {
			m.put(at, w[i])
		}
		if i < len(r) {
			r[i] = 0xFF
			if !write {
				r[i] = m.get(at)
			}
		}
		if at++; at > 7 {
			at = 0
		}
	}
	return nil
}

func (m *MAX31865) settle() {
	now := m.Clock.Now()
	if m.running && now >= m.done {
		m.running = false
		m.config &^= 0x20
		code := math.Round(m.ohms / m.Reference * 32768)
		if settled := m.done.Sub(m.biased) >= 10*time.Millisecond; m.config&0x80 == 0 || !settled {
			code = 0 // without a settled bias nothing is measured
		}
		m.rtd = uint16(min(max(code, 0), 32767))
		high, low := uint16(m.limits[0])<<8|uint16(m.limits[1]), uint16(m.limits[2])<<8|uint16(m.limits[3])
		if m.rtd<<1 >= high&^1 {
			m.status |= 0x80
		}
		if m.rtd<<1 <= low&^1 {
			m.status |= 0x40
		}
		m.status |= m.faults & 0x04 // voltages are watched at all times
	}
	if m.config&0x0C != 0 && now >= m.cycle {
		m.config &^= 0x0C
		m.status |= m.faults
	}
}

func (m *MAX31865) get(at byte) byte {
	fault := uint16(0)
	if m.status != 0 {
		fault = 1
	}
	switch at {
	case 0:
		return m.config
	case 1:
		return byte(m.rtd >> 7)
	case 2:
		return byte(m.rtd<<1 | fault)
	case 7:
		return m.status
	}
	return m.limits[at-3]
}

func (m *MAX31865) put(at, b byte) {
	now := m.Clock.Now()
	switch {
	case at == 0:
		if b&0x80 != 0 && m.config&0x80 == 0 {
			m.biased = now
		}
		m.config = b &^ 0x02
		if b&0x02 != 0 && b&0x2C == 0 {
			m.status = 0
		}
		if b&0x20 != 0 {
			m.running = true
			m.done = now.Add(55 * time.Millisecond)
			if b&1 != 0 {
				m.done = now.Add(66 * time.Millisecond)
			}
		}
		if b&0x0C == 0x04 {
			m.cycle = now.Add(600 * time.Microsecond)
		}
	case at >= 3 && at <= 6:
		m.limits[at-3] = b
	}
}
