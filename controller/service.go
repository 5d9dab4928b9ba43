package controller

import (
	"time"

	"drywarden/controller/demand"
	"drywarden/controller/sequence"
	"drywarden/hardware"
	"drywarden/schedule"
)

// Test is an output that a person tries, with the kiln idle: service mode. The zero value is none.
//
//	asked --warned, air proven, rested--> on --its time, or a person's word--> over
//	   \---waited too long, key turned back, a trip, a stop, a charge---------->/
type Test struct {
	On     bool
	Output hardware.OutputID
	For    time.Duration // of being on
	Ran    time.Duration // on
	Warned time.Duration // of the sounder
	Waited time.Duration // for what it needs
	Ended  bool          // a person's word: over as soon as the machine allows
	Air    time.Duration // left of the fans' running on after heat; Output is not asked for any more
}

// TestMost is the longest that an output may be tried for.
const TestMost = 14 * time.Minute

// testPatience is how long a test may wait for what it needs: the compressor's rest, fans that run down, a door.
const testPatience = 20 * time.Minute

const (
	oneCompressor = hardware.OutputSet(1) << hardware.Compressor
	// signals move nothing and warn of nothing: they are tried without the sounder.
	signals = hardware.OutputSet(1)<<hardware.Sounder | 1<<hardware.Beacon | 1<<hardware.AlarmLamp | 1<<hardware.DoorLamp | 1<<hardware.Crankcase
	// airy outputs are refused by the gate without proven air: the fans come first.
	airy = hardware.AllHeat | oneCompressor
)

// test takes up a test; with really false it only judges.
func (t *tick) test(c *Command, run *schedule.Run, really bool) Reply {
	s, layout := t.s, &t.cfg.Layout
	refuse := func(r Refusal) Reply { return Reply{ID: c.ID, Refusal: r} }
	length := c.For
	if c.Output == hardware.Compressor {
		length = max(length, t.cfg.Sequence.MinOn) // a compressor that has started runs its least time
	}
	switch {
	case run.Phase != schedule.Idle:
		return refuse(RefusedRunning)
	case c.Output >= hardware.OutputCount || !layout.Outputs.Has(c.Output) || c.Output == hardware.Heartbeat:
		return refuse(RefusedNothing)
	case t.forced() || s.Stopped || s.Unreadable || s.Often:
		return refuse(RefusedForced)
	case !t.keyed():
		return refuse(RefusedKey)
	case s.Test.On:
		return refuse(RefusedBusy)
	case c.Output == hardware.Compressor && s.Restart.Warm > 0:
		return Reply{ID: c.ID, Refusal: RefusedCold, Value: s.Restart.Warm.Hours()}
	case c.For <= 0 || length > TestMost:
		return Reply{ID: c.ID, Refusal: RefusedLimit, Value: length.Seconds(), Limit: TestMost.Seconds()}
	}
	if really {
		s.Test = Test{On: true, Output: c.Output, For: length}
	}
	return Reply{ID: c.ID}
}

func (t *tick) testEnd(c *Command, really bool) Reply {
	if !t.s.Test.On {
		return Reply{ID: c.ID, Refusal: RefusedNothing}
	}
	if really {
		t.s.Test.Ended = true
	}
	return Reply{ID: c.ID}
}

// looked keeps what a person saw an output do.
func (t *tick) looked(c *Command, really bool) Reply {
	if c.Output >= hardware.OutputCount || !t.cfg.Layout.Outputs.Has(c.Output) {
		return Reply{ID: c.ID, Refusal: RefusedNothing}
	}
	if really {
		t.s.Proved = t.s.Proved.With(c.Output, c.AsWanted)
		t.s.Doubted = t.s.Doubted.With(c.Output, !c.AsWanted)
	}
	return Reply{ID: c.ID}
}

// keyed tells that the panel's key, where there is one, stands in its service position.
func (t *tick) keyed() bool {
	return !t.cfg.Layout.Contacts.Has(hardware.ContactPanelKey) || t.in.Snapshot.Contacts.Proven(hardware.ContactPanelKey)
}

// service puts the test's request in the place of the sequencer's.
func (t *tick) service() {
	s, x, prev := t.s, &t.s.Test, &t.in.Snapshot.Previous
	if !x.On {
		return
	}
	on := prev.On.Has(x.Output)
	switch {
	case on:
		x.Ran += t.elapsed
	case x.Ran == 0 && x.Air == 0:
		x.Waited += t.elapsed
	}
	if prev.On.Has(hardware.Sounder) || !t.cfg.Layout.Outputs.Has(hardware.Sounder) {
		x.Warned += t.elapsed
	}
	must := t.forced() || s.Stopped || s.Run.Phase != schedule.Idle
	over := x.Ended || !t.keyed() || x.Ran >= x.For || x.Waited > testPatience || x.Ran > 0 && !on && x.Air == 0
	if on && x.Output == hardware.Compressor && x.Ran < t.cfg.Sequence.MinOn {
		over = false
	}
	if x.Air > 0 {
		x.Air -= t.elapsed
		over = x.Air <= 0
	} else if over && !must && on && hardware.AllHeat.Has(x.Output) {
		x.Air, over = t.cfg.Sequence.RunOn, false // hot elements want air
	}
	if must || over {
		*x = Test{}
		return
	}
	t.out.Requested = t.tested()
}

// tested is what the test asks for now: the sounder first, then air where the output needs it, then the output.
func (t *tick) tested() hardware.Outputs {
	x, q, cfg, layout := &t.s.Test, &t.s.Sequence, &t.cfg.Sequence, &t.cfg.Layout
	var req hardware.Outputs
	ask := func(o hardware.OutputID) { req.On = req.On.With(o, layout.Outputs.Has(o)) }
	why := func(code demand.Reason, left time.Duration) {
		t.out.TestWhy = demand.Why{Code: code, Remaining: max(left, 0)}
	}
	// rested tells that an output may be asked for without the gate refusing it for the time since it was switched.
	rested := func(o hardware.OutputID, least time.Duration) bool {
		if t.in.Snapshot.Previous.On.Has(o) || q.Change[o] > least {
			return true
		}
		why(sequence.LeastInterval, least-q.Change[o])
		return false
	}
	blow := func(o hardware.OutputID) {
		switch reverse := hardware.AllReverse.Has(o); {
		case (!q.Known || q.Reverse != reverse) && q.FansOff < cfg.Coast:
			why(sequence.RunningDown, cfg.Coast-q.FansOff)
		case rested(o, cfg.ContactorIv):
			ask(o)
			req.FanSpeed[fanGroup(o)] = 1
		}
	}
	switch {
	case signals.Has(x.Output) && t.mayShow():
		ask(x.Output)
		return req
	case !t.mayWarn:
		why(sequence.NotAllowedYet, 0)
		return req
	case !t.mayMove || x.Warned <= cfg.WarnTime:
		why(sequence.WarningFirst, cfg.WarnTime-x.Warned)
		ask(hardware.Sounder)
		return req
	}
	if x.Output == hardware.Compressor {
		if t.out.TestWhy = t.compressorWaits(); t.out.TestWhy.Code != demand.None {
			return req
		}
	}
	if airy&(1<<x.Output) != 0 {
		for g := range min(layout.FanGroups, hardware.MaxFanGroups) {
			blow(hardware.FanForward(g))
		}
		if x.Output == hardware.Compressor && rested(hardware.Blower, cfg.ContactorIv) {
			ask(hardware.Blower)
		}
		if x.Air > 0 {
			return req
		}
		if q.AirFor < cfg.AirProven || t.in.Snapshot.Previous.On&hardware.AllFans == 0 { // coasting fans prove air too
			why(sequence.FansNotRunning, 0)
			return req
		}
	}
	switch {
	case hardware.AllFans.Has(x.Output):
		blow(x.Output)
	case x.Output == hardware.Vent && rested(x.Output, cfg.VentIv),
		x.Output == hardware.Spray && rested(x.Output, cfg.SprayIv):
		ask(x.Output)
	case x.Output == hardware.Compressor:
		if layout.Outputs.Has(hardware.Blower) && q.BlowerOn < cfg.BlowerLead && !t.in.Snapshot.Previous.On.Has(x.Output) {
			why(sequence.BlowerFirst, 0)
			break
		}
		ask(x.Output)
	case !(x.Output == hardware.Vent || x.Output == hardware.Spray) && rested(x.Output, cfg.ContactorIv):
		ask(x.Output)
	}
	return req
}

// compressorWaits tells why a compressor under test does not start yet.
func (t *tick) compressorWaits() demand.Why {
	q, cfg := &t.s.Sequence, &t.cfg.Sequence
	switch {
	case t.in.Snapshot.Previous.On.Has(hardware.Compressor):
	case q.CompressorOff < cfg.MinOff:
		return demand.Why{Code: sequence.MinimumRest, Remaining: cfg.MinOff - q.CompressorOff}
	case q.SinceStart < cfg.StartGap:
		return demand.Why{Code: sequence.MinimumRest, Remaining: cfg.StartGap - q.SinceStart}
	}
	return demand.Why{}
}

func fanGroup(o hardware.OutputID) int {
	if o >= hardware.FanReverse1 {
		return int(o - hardware.FanReverse1)
	}
	return int(o - hardware.FanForward1)
}

// testWhy says of an output why it is as it is while one is being tried.
func (t *tick) testWhy(o hardware.OutputID) Why {
	x, on := &t.s.Test, t.out.Requested.On.Has(o)
	switch {
	case o == x.Output && on:
		return wait(WhyTested, x.For-x.Ran)
	case o == hardware.Heartbeat:
		return plain(WhyByGate)
	case o == hardware.Sounder && on:
		return plain(WhyWarnsBeforeStart)
	case on:
		return plain(WhyTestNeeds)
	case o != x.Output:
		return plain(WhyOtherTested)
	case x.Air > 0 || t.out.TestWhy.Code == demand.None:
		return plain(WhyTestOver)
	}
	return whyOf(t.out.TestWhy)
}
