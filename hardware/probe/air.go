package probe

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
)

// Air is what a humidity sensor measured.
type Air struct {
	Temperature quantity.Celsius
	Humidity    quantity.Ratio // 0 to 1
	Unclipped   quantity.Ratio // as measured, for diagnosis: a sensor may say a little less than 0 or more than 1
}

// Bounds of what a sensor in a kiln can have measured: what it says outside them is a fault of its own.
const (
	AirMin = quantity.Celsius(-40)
	AirMax = quantity.Celsius(124) // the humidity sensors' scale ends at 130 C
)

// PinnedAfter is how long a humidity at the very top is believed. Air in a kiln is not saturated for hours with the same
// sensor dry: it is wet.
const PinnedAfter = 3 * time.Hour

// pinnedAt is where a humidity counts as at the top: within one part in a thousand.
const pinnedAt = quantity.Ratio(0.999)

// Pinned sees a humidity sensor that has water on it. The zero value has seen nothing.
type Pinned struct {
	since mono.Instant
	on    bool
}

// Check clips the humidity and judges the air: out of range, or at the top for hours.
func (p *Pinned) Check(device Device, now mono.Instant, air *Air) error {
	air.Humidity = min(max(air.Unclipped, 0), 1)
	if air.Temperature < AirMin || air.Temperature > AirMax {
		return Faultf(hardware.Implausible, "out_of_range", "read %v: %v is no temperature of a kiln", device, air.Temperature)
	}
	switch {
	case air.Unclipped < pinnedAt:
		p.on = false
	case !p.on:
		p.on, p.since = true, now
	case now.Sub(p.since) >= PinnedAfter:
		return Faultf(hardware.Implausible, "condensed", "read %v: humidity at %.1f %% for %v: there is water on the sensor", device,
			float64(air.Unclipped)*100, now.Sub(p.since).Truncate(time.Minute))
	}
	return nil
}

// Words takes an answer of the SHT sensors apart: words of two bytes, high byte first, each with its checksum.
func Words(device Device, reply []byte) ([2]uint16, error) {
	var words [2]uint16
	for i := 0; i+2 < len(reply) && i/3 < len(words); i += 3 {
		if want := CRC8(reply[i : i+2]); reply[i+2] != want {
			sign := "checksum"
			if allSame(reply, 0x00) || allSame(reply, 0xFF) {
				sign = "stuck_line"
			}
			return words, Faultf(hardware.Checksum, sign, "read %v: got % x: checksum of word %d is %02x, expected %02x", device, reply, i/3+1, reply[i+2], want)
		}
		words[i/3] = uint16(reply[i])<<8 | uint16(reply[i+1])
	}
	return words, nil
}

func allSame(b []byte, v byte) bool {
	for _, x := range b {
		if x != v {
			return false
		}
	}
	return true
}

// Wait sleeps by sleep, or by time.Sleep when there is none.
func Wait(sleep func(time.Duration), d time.Duration) {
	if sleep == nil {
		sleep = time.Sleep
	}
	sleep(d)
}
