package chip

import (
	"math"
	"sync"
	"time"

	"drywarden/hardware/mono"
)

// ADS1115 is a model of the analog-digital converter, single shot only.
type ADS1115 struct {
	Clock mono.Clock

	mu        sync.Mutex
	volts     [4]float64
	pointer   byte
	config    uint16
	result    uint16
	pending   uint16
	busyUntil mono.Instant
	busy      bool
	powered   bool
}

// Set sets the voltage at an input.
func (a *ADS1115) Set(input int, volts float64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.volts[input] = volts
}

// BrownOut takes the supply away for a moment.
func (a *ADS1115) BrownOut() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.powered = false
}

// Transfer is one transfer.
func (a *ADS1115) Transfer(w, r []byte) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.powered {
		a.powered, a.config, a.result, a.pointer, a.busy = true, 0x8583, 0, 0, false
	}
	if a.busy && a.Clock.Now() >= a.busyUntil {
		a.busy, a.result = false, a.pending
	}
	if len(w) > 0 {
		a.pointer = w[0] & 3
	}
	if len(w) == 3 && a.pointer == 1 {
		a.write(uint16(w[1])<<8 | uint16(w[2]))
	}
	var v uint16
	switch a.pointer {
	case 0:
		v = a.result
	case 1:
		v = a.config &^ 0x8000
		if !a.busy {
			v |= 0x8000
		}
	case 2:
		v = 0x8000
	case 3:
		v = 0x7FFF
	}
	for i := range r {
		r[i] = byte(v >> (8 * (1 - i%2)))
	}
	return nil
}

var (
	adsSpans = [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}
	adsRates = [8]float64{8, 16, 32, 64, 128, 250, 475, 860}
)

func (a *ADS1115) write(config uint16) {
	a.config = config
	if config&0x8000 == 0 || config&0x0100 == 0 || a.busy {
		return
	}
	mux := config >> 12 & 7
	volts := 0.0
	if mux >= 4 {
		volts = a.volts[mux-4]
	} else {
		pairs := [4][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}}
		volts = a.volts[pairs[mux][0]] - a.volts[pairs[mux][1]]
	}
	n := math.Round(volts / adsSpans[config>>9&7] * 32768)
	a.pending = uint16(int16(min(max(n, -32768), 32767)))
	a.busy = true
	// The oscillator may be 10 % slow.
	a.busyUntil = a.Clock.Now().Add(time.Duration(1.1 / adsRates[config>>5&7] * 1e9))
}
