package chip

import (
	"math"
	"sync"
	"time"

	"drywarden/hardware/mono"
)

// SHT is a model of an SHT4x or SHT3x humidity sensor: single shot, no clock stretching.
type SHT struct {
	Clock mono.Clock
	Four  bool // SHT4x: one-byte commands, humidity from -6 % to 119 %; else SHT3x

	mu       sync.Mutex
	celsius  float64
	humidity float64 // percent
	ready    mono.Instant
	reply    []byte
	status   uint16
	powered  bool
}

// Set sets the air around the sensor: degrees Celsius and percent.
func (s *SHT) Set(celsius, humidity float64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.celsius, s.humidity = celsius, humidity
}

// BrownOut takes the supply away for a moment.
func (s *SHT) BrownOut() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.powered = false
}

func (s *SHT) words(values ...uint16) []byte {
	var out []byte
	for _, v := range values {
		crc := byte(0xFF)
		for _, b := range []byte{byte(v >> 8), byte(v)} {
			for bit := 7; bit >= 0; bit-- { // bit by bit, as a shift register does it
				top := crc >> 7
				crc <<= 1
				if top^(b>>bit&1) == 1 {
					crc ^= 0x31
				}
			}
		}
		out = append(out, byte(v>>8), byte(v), crc)
	}
	return out
}

func code(value, low, span float64) uint16 {
	return uint16(math.Round(min(max((value-low)/span, 0), 1) * 65535))
}

// Transfer is one transfer.
func (s *SHT) Transfer(w, r []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.powered {
		s.powered, s.status, s.reply = true, 0x8010, nil
	}
	if len(w) > 0 {
		if err := s.command(w); err != nil {
			return err
		}
	}
	if len(r) == 0 {
		return nil
	}
	if s.reply == nil || s.Clock.Now() < s.ready {
		return ErrNack
	}
	for i := range r {
		r[i] = 0xFF
	}
	copy(r, s.reply)
	s.reply = nil
	return nil
}

func (s *SHT) command(w []byte) error {
	wait := time.Duration(0)
	measure := func(d time.Duration) {
		wait = d
		if s.Four {
			s.reply = s.words(code(s.celsius, -45, 175), code(s.humidity, -6, 125))
		} else {
			s.reply = s.words(code(s.celsius, -45, 175), code(s.humidity, 0, 100))
		}
	}
	command := uint16(w[0])
	if !s.Four {
		if len(w) != 2 {
			return refuse("sht3x", w)
		}
		command = uint16(w[0])<<8 | uint16(w[1])
	}
	switch command {
	case 0xFD:
		measure(8300 * time.Microsecond)
	case 0x89:
		s.reply = s.words(0x0F1E, 0x2D3C)
	case 0x94, 0x30A2:
		s.reply = nil
		s.status = 0x8010
		wait = time.Millisecond
	case 0x2400:
		measure(15 * time.Millisecond)
	case 0xF32D:
		s.reply = s.words(s.status)
	case 0x3041:
		s.status &^= 0x8C10
	default:
		return refuse("sht", w)
	}
	s.ready = s.Clock.Now().Add(wait)
	return nil
}
