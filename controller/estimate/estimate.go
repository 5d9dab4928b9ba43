package estimate

import (
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
)

// State is what the estimator remembers. The zero value knows nothing.
type State struct {
	Air   Air
	Trust Trust
	Index Index
	Run   uint32 // that Wood belongs to; 0: none
	Wood  Wood
}

// Index lists the probes by what they are for, so that a tick need not search. It is made afresh in the first tick of a
// process.
type Index struct {
	Ready                                bool
	DryBulbs, Humid, Coils, Cores, Pins  [hardware.MaxProbes]hardware.ProbeID
	DryBulbN, HumidN, CoilN, CoreN, PinN int8
	OutT, OutRH                          hardware.ProbeID
}

func (x *Index) dryBulbs() []hardware.ProbeID { return x.DryBulbs[:x.DryBulbN] }
func (x *Index) humid() []hardware.ProbeID    { return x.Humid[:x.HumidN] }

func (x *Index) build(layout *hardware.Layout) {
	*x = Index{Ready: true, OutT: hardware.NoProbe, OutRH: hardware.NoProbe}
	for i := range layout.Probes {
		id := hardware.ProbeID(i)
		switch layout.Probes[i].Role {
		case hardware.RoleDryBulb:
			put(&x.DryBulbs, &x.DryBulbN, id)
		case hardware.RoleWetBulb, hardware.RoleHumidity:
			put(&x.Humid, &x.HumidN, id)
		case hardware.RoleCoil:
			put(&x.Coils, &x.CoilN, id)
		case hardware.RoleCore:
			put(&x.Cores, &x.CoreN, id)
		case hardware.RolePin:
			put(&x.Pins, &x.PinN, id)
		case hardware.RoleOutdoorTemperature:
			if x.OutT == hardware.NoProbe {
				x.OutT = id
			}
		case hardware.RoleOutdoorHumidity:
			if x.OutRH == hardware.NoProbe {
				x.OutRH = id
			}
		}
	}
}

func put(list *[hardware.MaxProbes]hardware.ProbeID, n *int8, id hardware.ProbeID) {
	list[*n] = id
	*n++
}

// Input is what a Step gets.
type Input struct {
	Elapsed   time.Duration // capped by the caller
	Snapshot  *hardware.Snapshot
	Layout    *hardware.Layout
	Pressure  quantity.Pascal
	Volume    quantity.CubicMeter
	Plan      *schedule.Plan // nil: no charge
	Lively    bool           // set points have just changed: rates may change faster
	Wetting   bool           // equalizing, conditioning or spraying: wood may take up water
	Disturbed bool           // door open: the water balance does not hold

	index *Index
	trust *Trust
}

// first gives the value of a probe, if it is fitted and usable.
func (in *Input) first(id hardware.ProbeID, low, high float64) (float64, bool) {
	if id == hardware.NoProbe {
		return 0, false
	}
	r := in.trust.reading(in, id)
	return r.Value, usable(&r, low, high)
}

// gone is what passed since the last tick for whoever must not be believed longer than a time: late ticks count whole.
func (in *Input) gone() time.Duration { return max(in.Elapsed, in.Snapshot.Elapsed, 1) }

// moving tells that air is proven to move, or that nothing could prove it.
func (in *Input) moving() bool {
	return !in.Layout.Contacts.Has(hardware.ContactAirflow) || in.Snapshot.Contacts.Proven(hardware.ContactAirflow)
}

// Restart is called once when a process starts on a state that was loaded: probes may have been changed meanwhile, and
// what must have lasted without a break has not. outage is how long nobody looked, 0 when that is not known. What was learnt of the wood stays.
func Restart(s *State, outage time.Duration) {
	offsets := s.Air.Offset
	distrust := s.Air.Distrust
	yield := &s.Air.Yield
	s.Air = Air{Offset: offsets, Distrust: distrust, Yield: Yield{Scale: yield.Scale, Learned: yield.Learned, Share: yield.Share, Low: yield.Low, Shrunk: yield.Shrunk, Lost: yield.Lost,
		Pulse: yield.Pulse, Sum: yield.Sum}}
	t := &s.Trust
	s.Trust = Trust{Leak: t.Leak, Loose: t.Loose, Drifted: t.Drifted, InAir: t.InAir, Twin: t.Twin, Slipped: t.Slipped, Pair: t.Pair, ApartBy: t.ApartBy,
		Drift: t.Drift, DriftRef: t.DriftRef, DriftNow: t.DriftNow, DriftFor: t.DriftFor, Dirty: t.Dirty, Dry: t.Dry, DriftBy: t.DriftBy}
	s.Trust.sum()
	for i := range s.Wood.Pin {
		s.Wood.Pin[i].Day = 0
		s.Wood.Pin[i].Known = false
	}
	s.Index = Index{}
	s.Wood.interrupt(outage)
}

// Step works out what is believed. It changes s and out in place and allocates nothing.
func Step(cfg *Config, s *State, in *Input, out *schedule.Conditions) {
	if !s.Index.Ready {
		s.Index.build(in.Layout)
	}
	in.index, in.trust = &s.Index, &s.Trust
	s.Trust.step(&s.Air, in)
	s.Air.step(cfg, in, out)
	s.Air.barren(in)
	s.Air.Yield.step(&s.Air, in)
	surfaces(in, out)
	contacts := in.Snapshot.Contacts
	out.Airflow = contacts.Proven(hardware.ContactAirflow)
	out.DoorShut = contacts.Clear(hardware.ContactDoor)
	out.Governing = -1
	if in.Plan == nil {
		return
	}
	if s.Run != in.Plan.ID {
		s.Run = in.Plan.ID
		s.Wood.begin(cfg, in.Plan, false)
	}
	s.Wood.step(cfg, &s.Air, in)
	s.Wood.say(out)
}

// Begin starts a charge: its lots and sample boards are as the charge sheet says.
func Begin(cfg *Config, s *State, plan *schedule.Plan) {
	s.Run = plan.ID
	s.Wood.begin(cfg, plan, true)
	s.Trust.Drift, s.Trust.DriftFor, s.Trust.Dirty, s.Trust.Dry = 0, 0, false, false // a new wick
}

// End forgets the charge.
func End(s *State) { s.Run, s.Wood = 0, Wood{} }

// surfaces takes over coil and cores.
func surfaces(in *Input, out *schedule.Conditions) {
	x := in.index
	for _, id := range x.Coils[:x.CoilN] {
		if r := in.trust.reading(in, id); usable(&r, -60, 90) && (!out.CoilOK || r.Value < float64(out.Coil)) {
			out.Coil, out.CoilOK = quantity.Celsius(r.Value), true
		}
	}
	cold, any := 0.0, false
	for _, id := range x.Cores[:x.CoreN] {
		// The coldest is that of all readings, trusted or not, and not of the middle of three samples: no exposure is counted
		// against a reading.
		if raw := &in.Snapshot.Readings[id]; usable(raw, coldest, hottest) && (!any || raw.Value < cold) {
			cold, any = raw.Value, true
		}
		r := in.trust.reading(in, id)
		if !usable(&r, coldest, hottest) || in.trust.Probe[id].Bad > 0 {
			continue
		}
		t := quantity.Celsius(r.Value)
		out.Cores[id], out.CoreOK[id] = t, true
		if out.CoreCount == 0 || t < out.ColdestCore {
			out.ColdestCore = t
		}
		if out.CoreCount == 0 || t > out.HottestCore {
			out.HottestCore = t
		}
		out.CoreCount++
	}
	if any && out.CoreCount > 0 {
		out.ColdestCore = min(out.ColdestCore, quantity.Celsius(cold))
	}
}

// Looked takes a person's word that probes were looked at: those that were not believed until then are judged afresh.
func Looked(s *State, what Look) {
	t := &s.Trust
	switch what {
	case LookBulbs:
		t.Pair, t.Drifted, t.PairFor = false, 0, 0
	case LookCores:
		t.InAir, t.Twin = 0, 0
		for i := range t.Probe {
			p := &t.Probe[i]
			p.Follows, p.Twin, p.TwinFor, p.Changes = [2]float64{}, 0, 0, 0
		}
	case LookCells:
		t.Slipped = 0
	case LookWick:
		a := &s.Air
		a.Distrust, a.BarrenDamp, a.ApartRaw = 0, 0, 0
		a.Yield.Since, a.Yield.Shrunk, a.Yield.Poor = 0, false, false
		a.Yield.RecentGot, a.Yield.RecentWant = 0, 0
		t.Drift, t.DriftFor, t.Dirty, t.Dry = 0, 0, false, false
	}
	t.sum()
}

// Look says which probes a person looked at.
type Look uint8

// Looks.
const (
	LookBulbs Look = iota // dry bulbs
	LookCores
	LookCells // load cells
	LookWick  // wet bulbs
)

// Stir says that the set points have just changed: rates may now change faster.
func Stir(s *State) { s.Wood.Lively = livelyFor }
