package estimate

import (
	"time"

	"drywarden/hardware"
)

// Bounds of what a healthy probe shows. Common practice, no source, unless said.
const (
	// powerOn is what a common kind of bus sensor holds before its first conversion, in Celsius: Maxim Integrated, DS18B20
	// data sheet (2019), temperature register.
	powerOn     = 85.0
	powerOnStep = 0.005

	jumpRate    = 10.0 // K/s; no air and no wood changes so fast
	badSamples  = 3    // discarded in a row: the probe is not believed
	soundAgain  = 3    // samples in a row that agree with each other: it is
	roughKelvin = 0.5  // K; to and fro by more than this from sample to sample
	roughHumid  = 0.03 // ratio, likewise
	roughShare  = 0.1  // of the samples: noisy
	roughGone   = 0.02
	roughMemory = time.Minute
	noisyTold   = 15 * time.Second // until it is told
	noisyFor    = time.Minute      // and no longer believed

	stuckFor   = 14 * time.Minute // without the least change; looked at once a minute
	stuckMove  = 0.25             // K, while another probe of the air moved by as much,
	stuckActed = 5 * time.Minute  // or heat, compressor or vents were on for so long
	saturated  = 0.985            // ratio; a humidity probe may well stay at its end

	pairApart   = 1.0              // K between dry bulbs, as calibrated
	pairFor     = 28 * time.Minute // looked at once a minute, and noise may hide it for another
	wetFrom     = 0.99             // ratio
	wetFor      = 29 * time.Minute // looked at once a minute
	wetOther    = 0.95             // ratio; what another source shows at most
	wetGone     = 0.98
	driftKelvin = 0.7 // K of wet bulb that wick and humidity probe may move apart
	driftBack   = 0.5
	driftSettle = 6 * time.Hour // until what they differ by is taken as theirs
	driftMemory = time.Hour

	coreMemory  = 8 * time.Minute // what moves more slowly than this, wood follows too
	coreForget  = 20 * time.Minute
	coreMoves   = 0.5 // K2, summed once a minute: so much the air must have moved to and fro
	coreFollows = 0.6 // of it, and no wood does that: 13 mm deep a swing of 20 min is damped to a fifth
	coreJump    = 1.5 // K from sample to sample, onto the air's temperature
	coreNear    = 1.0 // K
	twinFor     = 10 * time.Minute
	twinChanges = 5
)

// Track is what is remembered of one probe, to judge its next sample.
type Track struct {
	Samples      uint8         `json:",omitzero"` // up to 3
	Age          time.Duration `json:",omitzero"` // of the reading in the tick before
	Since        time.Duration `json:",omitzero"` // since the last sample
	Value        float64       `json:",omitzero"` // to be used
	Last, Before float64       `json:",omitzero"` // the last two samples as read
	Bad, Sound   uint8         `json:",omitzero"` // samples in a row: discarded, agreeing with each other since
	Still        time.Duration `json:",omitzero"` // without any change
	Acted        time.Duration `json:",omitzero"` // of it with heat, compressor or vents on
	Low, High    float64       `json:",omitzero"` // of another probe meanwhile
	Rough        float64       `json:",omitzero"` // share of samples that go to and fro
	RoughFor     time.Duration `json:",omitzero"`
	Wet          time.Duration `json:",omitzero"` // humidity probe at its end

	Slow    [2]float64    `json:",omitzero"` // core: its mean of the last minutes, and of how far it is from that; 0: none yet
	Follows [2]float64    `json:",omitzero"` // sums of what core and air moved together, and of what the air moved
	Twin    int8          `json:",omitzero"` // core: probe that reads the same, plus 1
	TwinFor time.Duration `json:",omitzero"`
	Changes uint8         `json:",omitzero"` // of value meanwhile
}

// Trust says which probes are not believed, and why, by bit.
type Trust struct {
	Probe [hardware.MaxProbes]Track

	Jumped  uint64 // power-on value or faster than anything can change
	Rough   uint64 // to and fro: the middle of three samples counts
	Noisy   uint64 // the same for a minute
	Stuck   uint64
	Wet     uint64 // humidity probe at its end while other evidence says that the air is not damp
	Drifted uint64 // dry bulb that left the others, until somebody has looked
	InAir   uint64 // core probe that follows the air, until somebody has looked
	Twin    uint64 // core probes that read exactly the same, until somebody has looked
	Slipped uint64 // load cells that jumped, until somebody has looked
	Leak    uint64 // pins whose resistance does not follow the wood, or that are short
	Loose   uint64 // pins that dry faster than wood can
	Bad     uint64 // all that are not believed
	Valid   uint64 // readings that are valid in this tick

	Apart   float64 // dry bulbs as calibrated, warmest less coldest
	ApartBy hardware.ProbeID
	PairFor time.Duration
	Pair    bool // dry bulbs went apart and nobody can tell which is right, until somebody has looked

	Drift    float64       // K: by how much the wet bulb has moved up against the humidity probe
	DriftRef float64       // K: what they differed by once settled
	DriftNow float64       // K, smoothed
	DriftFor time.Duration // of evidence
	Dirty    bool          // Drift too high: the wick, or the humidity probe reads low
	Dry      bool          // Drift too low: the humidity probe reads high
	DriftBy  hardware.ProbeID

	Minute time.Duration // since the last look once a minute
	Slow   [2]float64    // of the dry bulb, as in Track
	Fresh  uint64        // probes that lost trust in this tick
}

// sum makes Bad of its parts.
func (w *Trust) sum() {
	w.Bad = w.Jumped | w.Noisy | w.Stuck | w.Wet | w.Drifted | w.InAir | w.Twin
}

// reading gives a probe's reading as it may be used: what is discarded shows the last good value for a sample or two.
func (w *Trust) reading(in *Input, id hardware.ProbeID) hardware.Reading {
	r := in.Snapshot.Readings[id]
	if r.Quality != hardware.Valid {
		return r
	}
	t := &w.Probe[id]
	if w.Bad>>id&1 == 1 || t.Samples == 0 {
		r.Quality = hardware.Implausible
	}
	r.Value = t.Value
	return r
}

// step looks at every new sample, and once a minute at what needs time.
func (w *Trust) step(a *Air, in *Input) {
	before := w.Bad
	w.Valid = 0
	for i := range in.Layout.Probes {
		r, t := &in.Snapshot.Readings[i], &w.Probe[i]
		if r.Quality != hardware.Valid {
			if t.Samples > 0 {
				w.forget(hardware.ProbeID(i))
			}
			continue
		}
		w.Valid |= 1 << i
		t.Since += in.Elapsed
		fresh := r.Value != t.Last || r.Age < t.Age+in.Elapsed || t.Samples == 0
		t.Age = r.Age
		if fresh {
			w.sample(a, in, hardware.ProbeID(i), r.Value)
		}
	}
	w.Minute += in.Elapsed
	if w.Minute >= time.Minute {
		w.minute(a, in)
		w.Minute = 0
	}
	w.sum()
	w.Fresh = w.Bad &^ before
}

// forget starts afresh with a probe that was silent; what somebody must look at stays.
func (w *Trust) forget(id hardware.ProbeID) {
	w.Probe[id] = Track{}
	gone := ^(uint64(1) << id)
	w.Jumped &= gone
	w.Rough &= gone
	w.Noisy &= gone
	w.Stuck &= gone
	w.Wet &= gone
}

func set(mask *uint64, id hardware.ProbeID, on bool) {
	if on {
		*mask |= 1 << id
	} else {
		*mask &^= 1 << id
	}
}

func apart(a, b float64) float64 {
	if a > b {
		return a - b
	}
	return b - a
}

// median of three.
func median(a, b, c float64) float64 { return max(min(a, b), min(max(a, b), c)) }

// sample judges one new sample.
func (w *Trust) sample(a *Air, in *Input, id hardware.ProbeID, v float64) {
	t := &w.Probe[id]
	dt := max(t.Since, time.Second)
	t.Since = 0
	rough := roughKelvin
	switch in.Layout.Probes[id].Role {
	case hardware.RoleHumidity, hardware.RoleOutdoorHumidity:
		rough = roughHumid
	case hardware.RolePin:
		t.Value, t.Last, t.Samples = v, v, 1
		return
	case hardware.RoleLoadCell:
		w.slip(in, id, v)
		return
	default:
		if w.jump(in, id, v, dt) {
			return
		}
	}
	if in.Layout.Probes[id].Role == hardware.RoleCore && t.Samples > 0 {
		w.core(a, in, id, v, dt)
	}
	if v == t.Last && t.Samples > 0 {
		t.Still += dt
		t.Acted += acted(in, dt)
	} else {
		t.Still, t.Acted = 0, 0
		set(&w.Stuck, id, false)
	}
	one, two := v-t.Last, t.Last-t.Before
	hit := t.Samples > 1 && one*two < 0 && apart(v, t.Last) > rough && apart(t.Last, t.Before) > rough
	if hit || t.Rough > 0 {
		w.rough(id, hit, dt)
	}
	t.Value = v
	if hit || t.Rough > roughGone {
		t.Value = median(v, t.Last, t.Before)
	}
	t.Before, t.Last = t.Last, v
	t.Samples = min(t.Samples+1, 3)
}

// jump discards samples that nothing can explain. Three in a row, and the probe is not believed until three agree.
func (w *Trust) jump(in *Input, id hardware.ProbeID, v float64, dt time.Duration) bool {
	t := &w.Probe[id]
	start := apart(v, powerOn+in.Layout.Probes[id].Offset) < powerOnStep
	far := jumpRate * dt.Seconds()
	if !start && t.Bad == 0 && (t.Samples == 0 || apart(v, t.Last) <= far) {
		return false
	}
	if !start && t.Bad > 0 && apart(v, t.Last) <= far {
		t.Sound++
	} else {
		t.Sound = 0
	}
	if near := t.Samples > 0 && apart(v, t.Value) <= far; !start && (near || t.Sound >= soundAgain) {
		t.Bad, t.Sound = 0, 0
		set(&w.Jumped, id, false)
		t.Before, t.Last = v, v
		return false
	}
	t.Last = v
	t.Bad = min(t.Bad+1, badSamples)
	if t.Bad >= badSamples {
		set(&w.Jumped, id, true)
	}
	return true
}

// rough keeps the share of samples that go to and fro.
func (w *Trust) rough(id hardware.ProbeID, hit bool, dt time.Duration) {
	t := &w.Probe[id]
	share := min(float64(dt)/float64(roughMemory), 1)
	t.Rough -= t.Rough * share
	if hit {
		t.Rough += share
	}
	if t.Rough > roughShare {
		t.RoughFor += dt
	} else {
		t.RoughFor = 0
	}
	switch {
	case t.RoughFor > noisyTold:
		set(&w.Rough, id, true)
		set(&w.Noisy, id, w.Noisy>>id&1 == 1 || t.RoughFor > noisyFor)
	case t.Rough < roughGone:
		set(&w.Rough, id, false)
		set(&w.Noisy, id, false)
	}
	if t.Rough < 1e-6 {
		t.Rough = 0
	}
}

func acted(in *Input, dt time.Duration) time.Duration {
	const acts = hardware.AllHeat | 1<<hardware.Compressor | 1<<hardware.Vent
	if in.Snapshot.Previous.On&acts != 0 {
		return dt
	}
	return 0
}

// slip notices a load cell that jumps: wood does not.
func (w *Trust) slip(in *Input, id hardware.ProbeID, v float64) {
	t := &w.Probe[id]
	const least, share = 0.01, 0.003 // kg and of the mass
	if shut := in.Snapshot.Contacts.Clear(hardware.ContactDoor); shut && t.Samples > 0 && apart(v, t.Value) > max(least, share*t.Value) {
		set(&w.Slipped, id, true)
	}
	t.Value, t.Last, t.Samples = v, v, 1
}

// core looks at one sample of a core probe: a jump onto the air's temperature, and a twin.
func (w *Trust) core(a *Air, in *Input, id hardware.ProbeID, v float64, dt time.Duration) {
	t := &w.Probe[id]
	if a.DryBulbOK && a.Lost == 0 && apart(v, t.Last) > coreJump && apart(v, a.DryBulb) < coreNear && apart(t.Last, a.DryBulb) > coreJump {
		set(&w.InAir, id, true)
	}
	x := in.index
	if t.Twin > 0 {
		other := hardware.ProbeID(t.Twin - 1)
		if r := &in.Snapshot.Readings[other]; r.OK() && r.Value == v {
			t.TwinFor += dt
			if v != t.Last && t.Changes < twinChanges {
				t.Changes++
			}
			if t.TwinFor > twinFor && t.Changes >= twinChanges {
				set(&w.Twin, id, true)
				if in.Layout.Probes[other].Role == hardware.RoleCore {
					set(&w.Twin, other, true)
				}
			}
			return
		}
		t.Twin, t.TwinFor, t.Changes = 0, 0, 0
	}
	for _, other := range x.Cores[:x.CoreN] {
		if r := &in.Snapshot.Readings[other]; other != id && r.OK() && r.Value == v {
			t.Twin = int8(other) + 1
			return
		}
	}
	for _, other := range x.dryBulbs() {
		if r := &in.Snapshot.Readings[other]; r.OK() && r.Value == v {
			t.Twin = int8(other) + 1
			return
		}
	}
}

// minute looks at what takes minutes to show.
func (w *Trust) minute(a *Air, in *Input) {
	blows := in.Snapshot.Previous.On&hardware.AllFans != 0 && in.moving()
	x := in.index
	for _, id := range x.dryBulbs() {
		w.still(in, id, blows)
	}
	for _, id := range x.humid() {
		w.still(in, id, blows)
	}
	w.pair(in, blows)
	w.drift(a, in, blows)
	w.follow(a, in)
	for _, id := range x.humid() {
		if in.Layout.Probes[id].Role == hardware.RoleHumidity {
			w.wetted(a, in, id)
		}
	}
}

// still judges a probe of the air that does not change at all while the air does.
func (w *Trust) still(in *Input, id hardware.ProbeID, blows bool) {
	t := &w.Probe[id]
	if !in.Snapshot.Readings[id].OK() || !blows || t.Still < time.Minute || in.Layout.Probes[id].Role == hardware.RoleHumidity && t.Last > saturated {
		if t.Still > 0 && !blows {
			t.Still, t.Acted = 0, 0
		}
		t.Low, t.High = 0, 0
		return
	}
	if v, ok := w.reference(in, id); ok {
		if t.Low == 0 && t.High == 0 {
			t.Low, t.High = v, v
		}
		t.Low, t.High = min(t.Low, v), max(t.High, v)
	}
	if t.Still >= stuckFor && (t.High-t.Low >= stuckMove || t.Acted >= stuckActed) {
		set(&w.Stuck, id, true)
	}
}

// reference is another temperature of the air, one that moves.
func (w *Trust) reference(in *Input, id hardware.ProbeID) (float64, bool) {
	for i := range in.Layout.Probes {
		other := hardware.ProbeID(i)
		switch in.Layout.Probes[i].Role {
		case hardware.RoleDryBulb, hardware.RoleWetBulb, hardware.RoleLeavingAir:
			if t := &w.Probe[i]; other != id && in.Snapshot.Readings[i].OK() && t.Still < time.Minute && w.Bad>>i&1 == 0 {
				return t.Value, true
			}
		}
	}
	return 0, false
}

// pair compares the dry bulbs as calibrated, without the offsets that were learnt: a slow drift is learnt too.
func (w *Trust) pair(in *Input, blows bool) {
	low, high, n := 0.0, 0.0, 0
	var cold, warm hardware.ProbeID
	for _, id := range in.index.dryBulbs() {
		r := w.reading(in, id)
		if !usable(&r, coldest, hottest) {
			continue
		}
		if n == 0 || r.Value < low {
			low, cold = r.Value, id
		}
		if n == 0 || r.Value > high {
			high, warm = r.Value, id
		}
		n++
	}
	w.Apart = high - low
	switch {
	case n < 2:
		w.Apart, w.PairFor = 0, 0
	case w.Apart <= pairApart: // noise hides for moments that they are
		w.PairFor = max(w.PairFor-w.Minute, 0)
	case blows:
		w.PairFor += w.Minute
	}
	if w.PairFor < pairFor {
		return
	}
	w.PairFor = 0
	odd := hardware.NoProbe
	if n > 2 {
		odd = w.odd(in, cold, warm, low, high)
	}
	if odd == hardware.NoProbe {
		w.Pair, w.ApartBy = true, warm
		return
	}
	set(&w.Drifted, odd, true)
	w.ApartBy = odd
}

// odd finds the dry bulb that stands alone: the others agree with each other.
func (w *Trust) odd(in *Input, coldest, warmest hardware.ProbeID, low, high float64) hardware.ProbeID {
	nearLow, nearHigh := 0, 0
	for _, id := range in.index.dryBulbs() {
		r := w.reading(in, id)
		if id == coldest || id == warmest || !r.OK() {
			continue
		}
		if r.Value-low < pairApart/2 {
			nearLow++
		}
		if high-r.Value < pairApart/2 {
			nearHigh++
		}
	}
	switch {
	case nearLow > 0 && nearHigh == 0:
		return warmest
	case nearHigh > 0 && nearLow == 0:
		return coldest
	}
	return hardware.NoProbe
}

// drift follows what a wet bulb and a humidity probe differ by, in kelvin of wet bulb.
func (w *Trust) drift(a *Air, in *Input, blows bool) {
	if !blows || !a.DryBulbOK || a.Lost > 0 {
		return
	}
	wet, probe := hardware.NoProbe, hardware.NoProbe
	usableSources := ^(w.Bad | a.Distrust)
	for _, id := range in.index.humid() {
		if !in.Snapshot.Readings[id].OK() || usableSources>>id&1 == 0 {
			continue
		}
		if in.Layout.Probes[id].Role == hardware.RoleWetBulb {
			if wet == hardware.NoProbe {
				wet = id
			}
		} else if probe == hardware.NoProbe {
			probe = id
		}
	}
	if wet == hardware.NoProbe || probe == hardware.NoProbe || a.Humid[wet] < 0.02 || a.Humid[probe] > 0.98 {
		return
	}
	const step = 0.2 // K
	t := w.Probe[wet].Value
	slope := (a.fromWick(t+step, in) - a.fromWick(t-step, in)) / (2 * step)
	if !(slope > 0.005) {
		return
	}
	differ := (a.Humid[wet] - a.Humid[probe]) / slope
	if w.DriftFor == 0 {
		w.DriftNow = differ
	}
	w.DriftFor += w.Minute
	w.DriftNow += (differ - w.DriftNow) * min(float64(w.Minute)/float64(driftMemory), 1)
	if w.DriftFor <= driftSettle {
		w.DriftRef = w.DriftNow
	}
	w.Drift = w.DriftNow - w.DriftRef
	limit := func(was bool) float64 {
		if was {
			return driftBack
		}
		return driftKelvin
	}
	w.Dirty, w.Dry = w.Drift > limit(w.Dirty), w.Drift < -limit(w.Dry)
	if w.DriftBy = wet; w.Dry {
		w.DriftBy = probe
	}
}

// wetted judges a humidity probe at its end: it is not believed when a wick shows drier air, or when the coil finds no
// water, or far too little, in what should be wet air.
func (w *Trust) wetted(a *Air, in *Input, id hardware.ProbeID) {
	t := &w.Probe[id]
	if !in.Snapshot.Readings[id].OK() || t.Last < wetFrom {
		if t.Last < wetGone {
			t.Wet = 0
			set(&w.Wet, id, false)
		}
		return
	}
	t.Wet += w.Minute
	if t.Wet < wetFor {
		return
	}
	doubts := ^(w.Bad | a.Distrust)
	for _, other := range in.index.humid() {
		if other != id && in.Snapshot.Readings[other].OK() && doubts>>other&1 == 1 && a.Humid[other] >= 0 {
			if a.Humid[other] < wetOther {
				set(&w.Wet, id, true)
			}
			return
		}
	}
	if a.Yield.Poor || a.Yield.Since >= a.Yield.Lost/2 && a.Yield.Lost > 0 {
		set(&w.Wet, id, true)
	}
}

// follow compares how the cores move with how the air does, once a minute, steady rises and falls left out: those both follow
// in the end, but no wood follows the air to and fro.
func (w *Trust) follow(a *Air, in *Input) {
	if !a.DryBulbOK || a.Lost > 0 {
		w.Slow[0] = 0
		return
	}
	part := min(float64(w.Minute)/float64(coreMemory), 1)
	keep := 1 - min(float64(w.Minute)/float64(coreForget), 1)
	known := w.Slow[0] != 0
	air := swing(&w.Slow, a.DryBulb, part)
	x := in.index
	for _, id := range x.Cores[:x.CoreN] {
		t := &w.Probe[id]
		if !in.Snapshot.Readings[id].OK() || t.Samples == 0 {
			continue // forget has emptied it
		}
		if !known {
			t.Slow, t.Follows = [2]float64{}, [2]float64{}
		}
		core := swing(&t.Slow, t.Value, part)
		t.Follows[0] = t.Follows[0]*keep + core*air
		t.Follows[1] = t.Follows[1]*keep + air*air
		if t.Follows[1] > coreMoves && t.Follows[0] > coreFollows*t.Follows[1] && apart(t.Value, a.DryBulb) < 2*coreNear {
			set(&w.InAir, id, true)
		}
	}
}

// swing gives by how much v leaves its steady course; slow is 0 before the first.
func swing(slow *[2]float64, v, part float64) float64 {
	if slow[0] == 0 {
		*slow = [2]float64{v, 0}
	}
	off := v - slow[0]
	slow[0] += off * part
	out := off - slow[1]
	slow[1] += out * part
	return out
}
