package trace

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"
	"time"
)

// coder walks over a record's fields in one fixed order, the same for writing and reading, so that the two cannot drift
// apart. Each field takes one bit of the mask: set when the field is not what was forecast.
type coder struct {
	decoding bool
	mask     uint64
	bit      uint
	buf      []byte // encoding: values appended; decoding: values still to be read
	bad      bool   // decoding: ran out of bytes

	// What the forecasts are made of.
	run   [4]line // boot, tick, uptime, wall
	time  [2]line // stage time, exposure
	sets  [2]wave // applied, read-back: the heartbeat toggles
	flag  uint64
	held  [15]uint64
	air   [8]uint64 // float64 bits that stay until they jump
	slow  [5]line   // float64 bits that move steadily
	speed [2 * MaxFanGroups]uint64
	probe [MaxProbes]column
	lots  [MaxLots * 4]line
	qual  [MaxProbes]uint8
}

// line forecasts that a value moves on as it did last.
type line struct{ last, step uint64 }

// wave forecasts that the bits that changed last change again.
type wave struct{ last, flip uint64 }

// column is one probe: the last value, and the last multiple of the resolution.
type column struct {
	bits     uint64
	multiple int64
	step     float64
}

var errShort = errors.New("a record is cut short")

// reset forgets everything, as at a header.
func (c *coder) reset(h *Header) {
	buf := c.buf[:0]
	*c = coder{decoding: c.decoding, buf: buf}
	for i := range c.probe {
		c.probe[i].step = 0.01
		if i < len(h.Probes) && h.Probes[i].Resolution > 0 {
			c.probe[i].step = h.Probes[i].Resolution
		}
	}
}

func zigzag(v int64) uint64   { return uint64(v)<<1 ^ uint64(v>>63) }
func unzigzag(v uint64) int64 { return int64(v>>1) ^ -int64(v&1) }

func (c *coder) put(v uint64) { c.buf = binary.AppendUvarint(c.buf, v) }

func (c *coder) get() uint64 {
	v, n := binary.Uvarint(c.buf)
	if n <= 0 {
		c.bad = true
		return 0
	}
	c.buf = c.buf[n:]
	return v
}

// differs takes the next bit of the mask.
func (c *coder) differs(now bool) bool {
	at := c.bit
	c.bit++
	if c.decoding {
		return c.mask>>at&1 != 0
	}
	if now {
		c.mask |= 1 << at
	}
	return now
}

func (c *coder) line(v uint64, l *line) uint64 {
	forecast := l.last + l.step
	if c.differs(v != forecast) {
		if c.decoding {
			v = forecast + uint64(unzigzag(c.get()))
		} else {
			c.put(zigzag(int64(v - forecast)))
		}
	} else {
		v = forecast
	}
	l.last, l.step = v, v-l.last
	return v
}

func (c *coder) wave(v uint64, w *wave) uint64 {
	forecast := w.last ^ w.flip
	if c.differs(v != forecast) {
		if c.decoding {
			v = forecast ^ c.get()
		} else {
			c.put(v ^ forecast)
		}
	} else {
		v = forecast
	}
	w.last, w.flip = v, v^w.last
	return v
}

// keep is for integers that stay as they are.
func (c *coder) keep(v uint64, last *uint64) uint64 {
	if c.differs(v != *last) {
		if c.decoding {
			v = *last ^ c.get()
		} else {
			c.put(v ^ *last)
		}
		*last = v
	}
	return *last
}

// jump is for float64 bits that stay until they jump anywhere. Reversed bytes make round numbers short.
func (c *coder) jump(v uint64, last *uint64) uint64 {
	if c.differs(v != *last) {
		if c.decoding {
			v = bits.ReverseBytes64(c.get()) ^ *last
		} else {
			c.put(bits.ReverseBytes64(v ^ *last))
		}
		*last = v
	}
	return *last
}

func (c *coder) float(v *float64, last *uint64) {
	*v = math.Float64frombits(c.jump(math.Float64bits(*v), last))
}

func (c *coder) steady(v *float64, l *line) {
	*v = math.Float64frombits(c.line(math.Float64bits(*v), l))
}

// record codes one record. Encoding, the mask and the values are left in c; decoding, they are taken from c.
func (c *coder) record(r *Record) error {
	c.bit = 0
	// What changes most comes first: the mask is a varint.
	c.probes(r)
	c.beliefs(r)
	c.float(&r.DryBulb, &c.air[1])
	c.float(&r.EMC, &c.air[2])
	c.steady(&r.SetDryBulb, &c.slow[1])
	c.steady(&r.SetEMC, &c.slow[2])
	c.steady(&r.Energy, &c.slow[0])

	c.float(&r.Condensate, &c.air[0])
	r.Uptime = time.Duration(c.line(uint64(r.Uptime), &c.run[2]))
	r.StageTime = time.Duration(c.line(uint64(r.StageTime), &c.time[0]))
	r.WallUnix = int64(c.line(uint64(r.WallUnix), &c.run[3]))
	h := &c.held
	r.Requested = uint32(c.keep(uint64(r.Requested), &h[10]))
	r.Applied = uint32(c.wave(uint64(r.Applied), &c.sets[1]))
	r.ReadBack = uint32(c.wave(uint64(r.ReadBack), &c.sets[0]))

	r.Boot = uint32(c.line(uint64(r.Boot), &c.run[0]))
	r.Tick = c.line(r.Tick, &c.run[1])
	r.Exposure = time.Duration(c.line(uint64(r.Exposure), &c.time[1]))
	c.flags(r)
	c.qualities(r)
	r.ContactActive = uint32(c.keep(uint64(r.ContactActive), &h[0]))
	r.ContactValid = uint32(c.keep(uint64(r.ContactValid), &h[1]))
	r.ReadBackValid = uint32(c.keep(uint64(r.ReadBackValid), &h[2]))
	r.CondensateQuality = uint8(c.keep(uint64(r.CondensateQuality), &h[3]))
	r.EnergyQuality = uint8(c.keep(uint64(r.EnergyQuality), &h[4]))
	r.Governing = int8(c.keep(uint64(uint8(r.Governing)), &h[5]))
	r.RunID = uint32(c.keep(uint64(r.RunID), &h[6]))
	r.Mode = uint8(c.keep(uint64(r.Mode), &h[7]))
	r.Stage = int8(c.keep(uint64(uint8(r.Stage)), &h[8]))
	r.StageKind = uint8(c.keep(uint64(r.StageKind), &h[9]))
	c.steady(&r.GuardBias, &c.slow[3])
	c.float(&r.BaseDryBulb, &c.air[3])
	c.float(&r.BaseEMC, &c.air[4])
	r.Vetoed = uint32(c.keep(uint64(r.Vetoed), &h[11]))
	r.Forced = uint8(c.keep(uint64(r.Forced), &h[12]))
	r.Trips = c.keep(r.Trips, &h[13])
	c.speeds(r)
	return c.events(r)
}

func (c *coder) flags(r *Record) {
	v := flag(r.WallTrusted, 0) | flag(r.DryBulbValid, 1) | flag(r.EMCValid, 2) | flag(r.SetActive, 3) |
		flag(r.Override, 4) | flag(r.VentDry, 5) | flag(r.ExposureCount, 6)
	v = c.keep(v, &c.flag)
	if c.decoding {
		r.WallTrusted, r.DryBulbValid, r.EMCValid, r.SetActive = v&1 != 0, v&2 != 0, v&4 != 0, v&8 != 0
		r.Override, r.VentDry, r.ExposureCount = v&16 != 0, v&32 != 0, v&64 != 0
	}
}

func flag(on bool, bit uint) uint64 {
	if on {
		return 1 << bit
	}
	return 0
}

// probes codes the columns that changed. A value that is a multiple of the resolution goes as the difference in
// multiples, any other as it is.
func (c *coder) probes(r *Record) {
	var changed uint64
	if !c.decoding {
		for i := range r.Probe {
			if math.Float64bits(r.Probe[i]) != c.probe[i].bits {
				changed |= 1 << i
			}
		}
	}
	if c.differs(changed != 0) {
		if c.decoding {
			changed = c.get()
		} else {
			c.put(changed)
		}
		for left := changed & (1<<MaxProbes - 1); left != 0; left &= left - 1 {
			i := bits.TrailingZeros64(left)
			c.column(&r.Probe[i], &c.probe[i])
		}
	}
	if c.decoding {
		for i := range r.Probe {
			r.Probe[i] = math.Float64frombits(c.probe[i].bits)
		}
	}
}

func (c *coder) column(v *float64, p *column) {
	if c.decoding {
		code := c.get()
		if code&1 != 0 {
			p.bits = bits.ReverseBytes64(c.get())
			return
		}
		p.multiple += unzigzag(code >> 1)
		p.bits = math.Float64bits(float64(p.multiple) * p.step)
		return
	}
	p.bits = math.Float64bits(*v)
	// Beyond 2^52 multiples the difference would not fit, and NaN and infinities are multiples of nothing.
	if q := math.Round(*v / p.step); math.Abs(q) < 1<<52 && math.Float64bits(q*p.step) == p.bits && (q != 0 || p.bits == 0) {
		k := int64(q)
		c.put(zigzag(k-p.multiple) << 1)
		p.multiple = k
		return
	}
	c.put(1)
	c.put(bits.ReverseBytes64(p.bits))
}

func (c *coder) qualities(r *Record) {
	if c.differs(r.ProbeQuality != c.qual) {
		var changed uint64
		if c.decoding {
			changed = c.get()
		} else {
			for i, q := range r.ProbeQuality {
				if q != c.qual[i] {
					changed |= 1 << i
				}
			}
			c.put(changed)
		}
		for left := changed & (1<<MaxProbes - 1); left != 0; left &= left - 1 {
			i := bits.TrailingZeros64(left)
			if c.decoding {
				c.qual[i] = uint8(c.get())
			} else {
				c.put(uint64(r.ProbeQuality[i]))
			}
		}
		if !c.decoding {
			c.qual = r.ProbeQuality
		}
	}
	if c.decoding {
		r.ProbeQuality = c.qual
	}
}

func (c *coder) beliefs(r *Record) {
	var changed uint64
	if !c.decoding {
		for i := range r.Lots {
			l, b := c.lots[4*i:4*i+4], &r.Lots[i]
			changed |= flag(math.Float64bits(b.Control) != l[0].last+l[0].step, 0)<<(4*i) |
				flag(math.Float64bits(b.Mean) != l[1].last+l[1].step, 1)<<(4*i) |
				flag(math.Float64bits(b.Sigma) != l[2].last+l[2].step, 2)<<(4*i) |
				flag(math.Float64bits(b.Rate) != l[3].last+l[3].step, 3)<<(4*i)
		}
	}
	if c.differs(changed != 0) {
		if c.decoding {
			changed = c.get()
		} else {
			c.put(changed)
		}
	}
	if c.decoding {
		for i := range r.Lots {
			b := &r.Lots[i]
			for j, v := range [4]*float64{&b.Control, &b.Mean, &b.Sigma, &b.Rate} {
				l := &c.lots[4*i+j]
				now := l.last + l.step
				if changed>>(4*i+j)&1 != 0 {
					now += uint64(unzigzag(c.get()))
				}
				l.last, l.step = now, now-l.last
				*v = math.Float64frombits(now)
			}
		}
		return
	}
	for i := range r.Lots {
		b := &r.Lots[i]
		for j, v := range [4]float64{b.Control, b.Mean, b.Sigma, b.Rate} {
			l, now := &c.lots[4*i+j], math.Float64bits(v)
			if changed>>(4*i+j)&1 != 0 {
				c.put(zigzag(int64(now - l.last - l.step)))
			}
			l.last, l.step = now, now-l.last
		}
	}
}

func (c *coder) speeds(r *Record) {
	var changed uint64
	if !c.decoding {
		for i := range MaxFanGroups {
			changed |= flag(math.Float64bits(r.RequestedSpeed[i]) != c.speed[i], uint(i)) |
				flag(math.Float64bits(r.AppliedSpeed[i]) != c.speed[MaxFanGroups+i], uint(MaxFanGroups+i))
		}
	}
	if c.differs(changed != 0) {
		if c.decoding {
			changed = c.get()
		} else {
			c.put(changed)
		}
	}
	for i := range 2 * MaxFanGroups {
		v := &r.RequestedSpeed[i%MaxFanGroups]
		if i >= MaxFanGroups {
			v = &r.AppliedSpeed[i-MaxFanGroups]
		}
		if changed>>i&1 != 0 {
			if c.decoding {
				c.speed[i] = bits.ReverseBytes64(c.get())
			} else {
				c.speed[i] = math.Float64bits(*v)
				c.put(bits.ReverseBytes64(c.speed[i]))
			}
		}
		if c.decoding {
			*v = math.Float64frombits(c.speed[i])
		}
	}
}

// events codes the first EventCount events; what stands behind them is not kept.
func (c *coder) events(r *Record) error {
	if c.decoding {
		r.EventCount, r.Events = 0, [MaxEvents]Event{}
	}
	if !c.differs(r.EventCount != 0) {
		return nil
	}
	if c.decoding {
		n := c.get()
		if n > MaxEvents {
			return errors.New("a record holds more events than a tick can have")
		}
		r.EventCount = uint8(n)
	} else {
		c.put(uint64(r.EventCount))
	}
	for i := range r.EventCount {
		e := &r.Events[i]
		if c.decoding {
			e.Kind, e.A = uint8(c.get()), int32(unzigzag(c.get()))
			e.B = math.Float64frombits(bits.ReverseBytes64(c.get()))
		} else {
			c.put(uint64(e.Kind))
			c.put(zigzag(int64(e.A)))
			c.put(bits.ReverseBytes64(math.Float64bits(e.B)))
		}
	}
	return nil
}
