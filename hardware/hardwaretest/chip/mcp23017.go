package chip

import "sync"

// MCP23017 is a model of the 16-bit port expander, registers in the order of BANK = 0.
type MCP23017 struct {
	mu      sync.Mutex
	powered bool
	reg     [0x16]byte
	at      byte
	held    uint16 // pins that something outside holds, whatever the chip drives
	level   uint16 // at which level
	glitch  uint16 // pins that were ever driven high
}

// Hold holds pins at levels from outside: an input's signal, or a short on an output. Pins not in mask are let go.
func (m *MCP23017) Hold(mask, level uint16) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.held, m.level = mask, level&mask
}

// BrownOut takes the supply away for a moment.
func (m *MCP23017) BrownOut() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.powered = false
	m.up()
}

// Driven gives the pins that the chip drives high now, and those that it ever did.
func (m *MCP23017) Driven() (now, ever uint16) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.up()
	return m.driven(), m.glitch
}

// Directions gives the pins that are inputs.
func (m *MCP23017) Directions() uint16 {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.up()
	return m.word(0x00)
}

func (m *MCP23017) word(at byte) uint16 { return uint16(m.reg[at]) | uint16(m.reg[at+1])<<8 }

func (m *MCP23017) driven() uint16 { return m.word(0x14) &^ m.word(0x00) }

func (m *MCP23017) up() {
	if !m.powered {
		m.powered, m.reg, m.at = true, [0x16]byte{0: 0xFF, 1: 0xFF}, 0
	}
}

// pins gives what the port registers show: what is driven, held or pulled up.
func (m *MCP23017) pins() uint16 {
	p := m.driven() | m.word(0x0C)&m.word(0x00)
	p = p&^m.held | m.level
	return p ^ m.word(0x02)
}

// Transfer is one transfer.
func (m *MCP23017) Transfer(w, r []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.up()
	if len(w) > 0 {
		m.at = w[0]
		for _, b := range w[1:] {
			m.put(b)
		}
		m.glitch |= m.driven()
	}
	for i := range r {
		switch p, at := m.pins(), m.place(); at {
		case 0x12:
			r[i] = byte(p)
		case 0x13:
			r[i] = byte(p >> 8)
		case nowhere:
			r[i] = 0
		default:
			r[i] = m.reg[at]
		}
		m.next()
	}
	return nil
}

// Bits of IOCON, and what is at no register.
const (
	bank    = 0x80
	seqOp   = 0x20
	notIn   = 0x01 // is not there: reads as zero
	nowhere = 0xFF
)

// place gives the place in reg of the register that the address means: with BANK clear ports take turns, with BANK set each
// has its registers together, port B's from 0x10 on.
func (m *MCP23017) place() byte {
	if m.reg[0x0A]&bank == 0 {
		m.at %= 0x16
		return m.at
	}
	m.at %= 0x1B
	if m.at&0x0F > 0x0A {
		return nowhere
	}
	return m.at&0x0F<<1 | m.at>>4
}

// next moves the address on: not at all with SEQOP and BANK set, between the two of a pair with SEQOP set and BANK clear.
func (m *MCP23017) next() {
	switch config := m.reg[0x0A]; {
	case config&seqOp == 0:
		m.at++
	case config&bank == 0:
		m.at ^= 1
	}
}

func (m *MCP23017) put(b byte) {
	defer m.next() // by the configuration as it is then
	switch at := m.place(); at {
	case nowhere:
	case 0x0A, 0x0B: // one register at two addresses
		m.reg[0x0A], m.reg[0x0B] = b&^notIn, b&^notIn
	case 0x12, 0x13: // writing the port writes the latch
		m.reg[at+2] = b
	case 0x0E, 0x0F, 0x10, 0x11: // read only
	default:
		m.reg[at] = b
	}
}
