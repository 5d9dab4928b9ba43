package main

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
	"drywarden/hardware"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/schedule"
)

var (
	cutsWanted = flag.Int("cuts", 2000, "power cuts of TestCutsAtEveryCall, in all")
	cutsFirst  = flag.Uint64("cuts-first", 1, "seed of its first charge; each further charge takes the next")
)

// cutsEach is how many power cuts a charge goes through in TestCutsAtEveryCall.
const cutsEach = 1000

// TestCutsAtEveryCall cuts the power of a whole kiln before, in and after every call by which the daemon's goroutines
// change the disk: count of starts, kept copies, control state, record of trips. Saver, gate and loop are the daemon's own,
// and run as there, each on its goroutine; the disk takes one call when it is told to, so that a cut falls between any two
// of them and ticks go by in between. In seeds that are even, names reach the disk in any order.
func TestCutsAtEveryCall(t *testing.T) {
	charges := max(1, (*cutsWanted+cutsEach-1)/cutsEach)
	each := min(*cutsWanted, cutsEach)
	if testing.Short() {
		charges, each = 1, 60
	}
	var mu sync.Mutex
	total, sum := map[string]int{}, cutSum{}
	t.Run("charges", func(t *testing.T) {
		for seed := *cutsFirst; seed < *cutsFirst+uint64(charges); seed++ {
			t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
				t.Parallel()
				synctest.Test(t, func(t *testing.T) {
					c := manyCuts(t, seed, each)
					mu.Lock()
					defer mu.Unlock()
					for boundary, n := range c.turns.hit {
						total[boundary] += n
					}
					sum.add(&c.cutSum)
				})
			})
		}
	})
	for _, boundary := range slices.Sorted(maps.Keys(total)) {
		t.Logf("%7d %s", total[boundary], boundary)
	}
	t.Logf("%+v", sum)
	if t.Failed() {
		return
	}
	require.GreaterOrEqual(t, sum.Cuts, charges*each)
	for _, who := range []string{"boots", "copies", "control", "trips"} {
		for _, call := range []string{"create", "write", "sync", "rename", "sync_dir"} {
			if sum.Cuts >= 50*cutsEach { // a short run does not meet them all
				require.NotZero(t, total["in "+who+" "+call], "cuts in %s of %s", call, who)
				require.True(t, who == "boots" || total["before "+who+" "+call] > 0, "cuts before %s of %s", call, who)
			}
		}
	}
}

// cutSum counts what a campaign has seen.
type cutSum struct {
	Cuts, DiedStarting, Answered, Undecided, Trips, Resets, Starts, Ends int
	HeatCuts                                                             int // with an exposure on the clock
	Spoiled                                                              int // starts that found one slot spoiled
}

func (s *cutSum) add(o *cutSum) {
	s.Cuts += o.Cuts
	s.DiedStarting += o.DiedStarting
	s.Answered += o.Answered
	s.Undecided += o.Undecided
	s.Trips += o.Trips
	s.Resets += o.Resets
	s.Starts += o.Starts
	s.Ends += o.Ends
	s.HeatCuts += o.HeatCuts
	s.Spoiled += o.Spoiled
}

// turns lets the daemon's goroutines have the disk one call at a time, when told to.
type turns struct {
	mu    sync.Mutex
	free  bool // nobody waits: the process is starting, or dead
	waits map[string]waiter
	hit   map[string]int
}

type waiter struct {
	call string
	turn chan struct{}
}

func (s *turns) take(who, call string) {
	s.mu.Lock()
	if s.free {
		s.mu.Unlock()
		return
	}
	w := waiter{call, make(chan struct{})}
	s.waits[who] = w
	s.mu.Unlock()
	<-w.turn
}

// give lets one of those who wait, and are among those named if any are, do their call, and waits until it is done.
// False: nobody waits.
func (s *turns) give(draw func(int) int, among ...string) bool {
	s.mu.Lock()
	names := slices.Sorted(maps.Keys(s.waits))
	if len(among) > 0 {
		names = slices.DeleteFunc(names, func(who string) bool { return !slices.Contains(among, who) })
	}
	if len(names) == 0 {
		s.mu.Unlock()
		return false
	}
	who := names[draw(len(names))]
	w := s.waits[who]
	delete(s.waits, who)
	s.mu.Unlock()
	close(w.turn)
	synctest.Wait()
	return true
}

// open lets nobody wait from now on, or everybody. Those who wait go on waiting.
func (s *turns) open(free bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.free = free
}

// release lets everybody go on.
func (s *turns) release() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.free = true
	for who, w := range s.waits {
		close(w.turn)
		delete(s.waits, who)
	}
}

func (s *turns) waiting(who ...string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(who) == 0 {
		return len(s.waits) > 0
	}
	_, is := s.waits[who[0]]
	return is
}

// before counts a cut that falls before the calls that wait.
func (s *turns) before() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for who, w := range s.waits {
		s.hit["before "+who+" "+w.call]++
	}
	if len(s.waits) == 0 {
		s.hit["idle"]++
	}
}

// turnFS is a disk as one part of the daemon has it.
type turnFS struct {
	*storetest.Disk
	who   string
	turns *turns
}

// do counts the cut that falls into this call.
func (f turnFS) do(call string, does func() error) error {
	f.turns.take(f.who, call)
	was := f.Off()
	err := does()
	if !was && f.Off() {
		f.turns.mu.Lock()
		f.turns.hit["in "+f.who+" "+call]++
		f.turns.mu.Unlock()
	}
	return err
}

func (f turnFS) Create(name string) (file store.File, err error) {
	err = f.do("create", func() error {
		file, err = f.Disk.Create(name)
		return err
	})
	return turnFile{file, f}, err
}

func (f turnFS) Rename(from, to string) error {
	return f.do("rename", func() error { return f.Disk.Rename(from, to) })
}

func (f turnFS) SyncDir() error { return f.do("sync_dir", f.Disk.SyncDir) }

type turnFile struct {
	store.File
	fs turnFS
}

func (f turnFile) Write(p []byte) (n int, err error) {
	err = f.fs.do("write", func() error {
		n, err = f.File.Write(p)
		return err
	})
	return n, err
}

func (f turnFile) Sync() error { return f.fs.do("sync", f.File.Sync) }

// cutCampaign is a charge with a great many cuts.
type cutCampaign struct {
	*powerCuts
	cutSum
	turns  *turns
	charge controller.ChargeFiles
	stop   func()          // of this boot's goroutines
	living context.Context // done when this boot dies
	hangs  bool            // the disk takes nothing
	fresh  int             // ticks for which the disk is quick: something has just tripped
	pace   int             // calls that the disk takes in a tick; 0: all that are wanted, n: up to n-1

	press   hardware.ContactSet // contacts that are active, whatever the kiln says
	quiet   int                 // ticks since the record of trips was written
	resets  map[hardware.RuleID]<-chan controller.Reply
	cleared hardware.RuleSet // resets that were answered with done, and not tripped again
	run     uint32           // that earned is of
	stage   int8             // the same
	earned  time.Duration    // for so long the true cores were hot enough in this stage
}

// newCutCampaign is a charge that was started, through some cuts. The caller lets it die.
func newCutCampaign(t *testing.T, seed uint64) *cutCampaign {
	count := "unbroken"
	if seed%4 < 2 {
		count = "cumulative"
	}
	file, files := shortFiles(t, seed, count)
	p, err := newPlant(file, files)
	require.NoError(t, err)
	k := &cutKiln{t: t, random: rand.New(rand.NewPCG(seed, 0xc075)), file: file, plant: p, live: &live{plant: p}, seen: &observer{}, computer: "first", trusted: true}
	k.disk = storetest.NewDisk(func(n int) int { return k.random.IntN(n) })
	k.disk.Reordered = seed%2 == 0
	c := &cutCampaign{powerCuts: &powerCuts{cutKiln: k, drops: map[string]int{}, moveTo: -1, late: 5 * time.Minute}, charge: files, stage: -1,
		turns: &turns{waits: map[string]waiter{}, hit: map[string]int{}}, resets: map[hardware.RuleID]<-chan controller.Reply{}}
	k.reach = func(who string) store.FS { return turnFS{k.disk, who, c.turns} }
	k.saves = func(slots *store.Slots, durable uint64) loop.Saver { return loop.NewDiskSaver(slots, durable, nil) }
	k.meddle = func(s *hardware.Snapshot) {
		s.Contacts.Active, s.Contacts.Valid = s.Contacts.Active|c.press, s.Contacts.Valid|c.press
	}
	k.told = c.heed
	c.class, c.ran, c.confirmed = controller.OutageShort, true, -1

	c.up(0)
	c.first()
	for c.state().Run.Phase == schedule.Idle {
		c.startCharge(files)
	}
	return c
}

func manyCuts(t *testing.T, seed uint64, cuts int) *cutCampaign {
	c := newCutCampaign(t, seed)
	defer func() { c.die() }() // a bubble wants no goroutine left
	stages := len(c.plan().Schedule.Stages)
	for last := cuts * stages / (stages + 1); c.at() < stages; {
		stage := c.at()
		// As many cuts in this stage as its share; what it does not get because it ends, the next one does.
		for left := (last - c.Cuts) / (stages - stage); left > 0 && c.at() == stage; left-- {
			if c.plan().Schedule.Stages[stage].Kind == schedule.Heat && c.random.IntN(4) > 0 {
				c.warm()
			}
			c.calm(int(math.Exp(c.random.Float64()*math.Log(200))), c.random.IntN(5))
			c.strike()
		}
		for c.at() == stage {
			c.mend()
			s := c.state()
			c.order(controller.Command{Verb: controller.VerbAdvance, Run: s.Run.ID, Stage: s.Run.Stage})
			if c.at() == stage { // refused: it must end by itself
				c.calm(600, 0)
			}
			require.Less(t, c.seen.last.Uptime, 30*24*time.Hour, "the run does not get on: %s", c.loop.Publish().Headline)
		}
	}
	for c.Cuts < cuts {
		c.endCharge()
		c.startCharge(c.charge)
	}
	c.calm(400, 0)
	c.disk.Cut()
	report := c.seen.checker.Finish()
	for _, v := range report.Violations {
		t.Errorf("audit: %s, boot %d, tick %d: %s, expected %s", v.Name, v.Boot, v.Tick, v.Seen, v.Expected)
	}
	t.Logf("%+v, stages %v", c.cutSum, c.drops)
	return c
}

// up starts a process, and starts it again when the power goes in the middle of that. It gives the time without a process.
func (c *cutCampaign) up(outage time.Duration) time.Duration {
	for died := 0; ; died++ {
		c.turns.open(true)
		if died < 3 && c.random.IntN(6) == 0 {
			c.disk.CutAfter(c.random.IntN(5)) // counting a start takes five calls
		}
		if c.boot(outage) == nil {
			break
		}
		c.Cuts++
		c.DiedStarting++
		c.disk = c.disk.Restart()
		more := time.Duration(1+c.random.IntN(20)) * tick
		c.darken(more)
		outage += more
	}
	ctx, cancel := context.WithCancel(context.Background())
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		c.gate.Watch(ctx)
	}()
	synctest.Wait()
	c.turns.open(false)
	saver := c.saver.Saver.(*loop.DiskSaver)
	c.living, c.stop = ctx, func() {
		c.turns.release()
		cancel()
		<-watched                  // it saves the record of trips once more, or cannot
		_ = saver.Close(time.Hour) // of a dead disk
		synctest.Wait()
	}
	return outage
}

// die ends what is left of a process whose disk is gone.
func (c *cutCampaign) die() {
	c.stop()
	c.asked = nil
	clear(c.resets)
}

// blow cuts the power: between two calls of the disk, or in one.
func (c *cutCampaign) blow() {
	c.Cuts++
	if c.turns.waiting() && c.random.IntN(2) == 0 {
		c.disk.CutAfter(0)
		c.turns.give(c.random.IntN)
		return
	}
	c.turns.before()
	c.disk.Cut()
}

func (c *cutCampaign) step() {
	c.tick()
	c.age += tick
	c.disks()
	c.hear()
}

// hear takes the answers to what was asked.
func (c *cutCampaign) hear() {
	waited := len(c.asked)
	c.answers()
	c.Answered += waited - len(c.asked)
	for rule, reply := range c.resets {
		select {
		case r := <-reply:
			delete(c.resets, rule)
			if r.Refusal == controller.Accepted {
				c.cleared = c.cleared.With(rule, true)
				c.Resets++
			}
		default:
		}
	}
}

// disks gives those who wait for the disk what it manages in a tick.
func (c *cutCampaign) disks() {
	synctest.Wait()
	if c.hangs {
		return
	}
	// The record of trips is on the disk within five seconds, for which the audit forgives a crash that forgets a trip.
	for n := 0; n < 2 && c.turns.give(c.random.IntN, "trips"); n++ {
	}
	if c.fresh > 0 { // nor does it forget a stop whose state was saved as late
		c.fresh--
		for n := 0; n < 3 && c.turns.give(c.random.IntN, "control"); n++ {
		}
	}
	for n := c.random.IntN(max(1, c.pace)); c.pace == 0 || n > 0; n-- {
		if !c.turns.give(c.random.IntN) {
			break
		}
	}
	if c.quiet++; c.turns.waiting("trips") {
		c.quiet = 0
	}
	if trips := hardware.RuleSet(c.seen.last.Trips); c.quiet > 2 && trips != c.trips.kept {
		// A reset is told in the tick after the record was saved without the trip.
		require.Equal(c.t, trips&^c.gate.State().Clearing, c.trips.kept, "boot %d, tick %d: the record of trips", c.seen.last.Boot, c.seen.last.Tick)
	}
}

func (c *cutCampaign) calm(ticks, pace int) {
	c.pace = pace
	for range ticks {
		c.step()
	}
}

// strike cuts the power, often just as a command is on its way or was acknowledged, or a trip came up, and starts again.
func (c *cutCampaign) strike() {
	c.pace = c.random.IntN(5)
	switch c.random.IntN(6) {
	case 0: // as it is
	case 1:
		c.trip()
	case 2:
		c.reset()
	default:
		if c.state().Run.Phase != schedule.Idle {
			c.ask()
		}
	}
	for range c.random.IntN(12) {
		c.step()
	}
	c.brink()
	last, run, waits := c.seen.last, c.state().Run, c.state().Restart
	c.drops["done"]++
	if run.Phase == schedule.Running {
		kind := c.plan().Schedule.Stages[run.Stage].Kind.String()
		c.drops["done"]--
		c.drops[kind]++
	}
	if run.Exposure > 0 {
		c.HeatCuts++
	}
	open := map[controller.Verb]bool{}
	outage, fell := c.fall(open)
	now := c.stamp()
	c.restart(last, run, waits, outage, now, open)
	if s := &c.state().Run; s.ID == run.ID && s.Stage == run.Stage {
		require.LessOrEqual(c.t, s.Exposure, run.Exposure, "%v: the exposure recovered", fell)
		require.LessOrEqual(c.t, s.Exposure, c.earned, "%v: the exposure recovered", fell)
	}
	c.disks()
}

// brink goes on until the disk is wanted, mostly, and lets it do a part of that.
func (c *cutCampaign) brink() {
	for n := c.random.IntN(3) * 65; ; n-- {
		c.tick()
		c.age += tick
		synctest.Wait()
		if n <= 0 || c.turns.waiting() {
			break
		}
		c.hear()
	}
	for n := c.random.IntN(5); n > 0 && c.turns.give(c.random.IntN); n-- {
	}
	c.hear()
}

// fall is a cut and the start after it, up to the first tick, and what must be true of the trips then.
func (c *cutCampaign) fall(open map[controller.Verb]bool) (outage time.Duration, at string) {
	at = fmt.Sprintf("cut %d, boot %d, tick %d", c.Cuts, c.seen.last.Boot, c.seen.last.Tick)
	trips := c.trips
	c.blow()
	for _, a := range c.asked { // not acknowledged: done or not done, both are right
		open[a.command.Verb] = true
		c.Undecided++
	}
	c.die()
	c.press = 0
	c.disk = c.disk.Restart()
	outage = time.Duration(5+c.random.IntN(60)) * tick
	switch c.random.IntN(100) {
	case 0:
		outage = c.outage()
	case 1, 2, 3, 4, 5:
		outage = time.Duration(c.random.IntN(3600)) * tick
	}
	c.darken(outage)
	if c.random.IntN(5) < 2 {
		c.computer, c.trusted = fmt.Sprint(at, c.random.Uint64()), c.random.IntN(2) == 0
	}
	outage = c.up(outage)
	found := c.gate.State().Latched
	if found.Has(safety.TripRecordUnreadable) && !trips.kept.Has(safety.TripRecordUnreadable) {
		require.True(c.t, c.disk.Reordered, "%s: the record of trips cannot be read", at)
		c.Spoiled++
		c.cleared = 0
		return outage, at
	}
	require.Contains(c.t, []hardware.RuleSet{trips.kept, trips.trying}, found, "%s: trips on the disk, or being written", at)
	require.Zero(c.t, found&c.cleared, "%s: trips back that were reset", at)
	return outage, at
}

// first is the first tick of a process whose run may be any.
func (c *cutCampaign) first() {
	c.still, c.ran, c.confirmed, c.moveTo = 0, false, -1, -1
	c.before.on, c.before.started = 0, false
	c.class = controller.OutageLong
	c.tick()
	c.class = c.state().Restart.Class
	c.held, c.override = c.state().Run.Hold&schedule.HoldOperator != 0, overrideOf(&c.state().Run)
	c.remember()
	c.disks()
}

// trip presses a button that latches a trip.
func (c *cutCampaign) trip() {
	buttons := []hardware.ContactID{hardware.ContactEStop, hardware.ContactSmoke, hardware.ContactInsideButton, hardware.ContactFloat, hardware.ContactHighLimit}
	c.press, c.fresh = 1<<buttons[c.random.IntN(len(buttons))], 6
	c.step()
	require.NotZero(c.t, c.seen.last.Trips, "contact %b", c.press)
	if c.random.IntN(3) > 0 {
		c.press = 0
	}
	c.Trips++
}

// reset acknowledges and resets what has tripped, with the panel's button.
func (c *cutCampaign) reset() {
	c.press = 1 << hardware.ContactPanelReset
	c.step()
	c.press = 0
	for rule := range hardware.LastSafetyRule + 1 {
		if hardware.RuleSet(c.seen.last.Trips).Has(rule) && c.resets[rule] == nil {
			c.loop.Submit(controller.Command{Verb: controller.VerbAck, Rule: rule})
			c.resets[rule] = c.loop.SubmitOrder(controller.Order{Command: controller.Command{Verb: controller.VerbReset, Rule: rule}, Reason: "looked at"})
		}
	}
}

// warm waits until the exposure counts, for some hours at most.
func (c *cutCampaign) warm() {
	for n := 0; n < 4*3600 && c.state().Run.Phase == schedule.Running && !c.seen.last.ExposureCount; n++ {
		if n%600 == 0 {
			c.mend()
		}
		c.step()
	}
}

// mend clears what keeps the kiln from working: trips, a wait for a person, a hold.
func (c *cutCampaign) mend() {
	c.pace = 0
	for range 20 {
		s := c.state()
		verb, matters := controller.VerbNone, s.Waiting()
		switch {
		case c.seen.last.Trips != 0:
			c.press = 0
			c.calm(1, 0)
			c.reset()
			c.calm(10, 0)
			continue
		case matters != 0:
			verb = controller.VerbConfirm
		case c.held:
			verb = controller.VerbResume
		default:
			return
		}
		c.order(controller.Command{Verb: verb, Run: s.Run.ID, Stage: s.Run.Stage, Matters: matters})
	}
}

// order asks, and gives the disk time to answer.
func (c *cutCampaign) order(command controller.Command) {
	c.asked = append(c.asked, asked{command, c.loop.Submit(command)})
	c.calm(10, 0)
}

// startCharge asks for a charge to be started, cuts the power soon after, and looks whether it is as was answered.
func (c *cutCampaign) startCharge(charge controller.ChargeFiles) {
	if c.state().Run.Phase != schedule.Idle {
		return
	}
	c.mend()
	c.pace = c.random.IntN(5)
	type answer struct {
		controller.Answer
		err error
	}
	answers := make(chan answer, 1)
	control, living := c.loop, c.living
	charge.Charge.Text += fmt.Sprintf("# %d\n", c.random.Uint32()) // a copy of its own
	go func() {
		a, err := control.StartCharge(living, controller.Order{}, charge)
		answers <- answer{a, err}
	}()
	done := false
	for n := c.random.IntN(60); n > 0 && !done; n-- {
		c.step()
		select {
		case a := <-answers:
			require.NoError(c.t, a.err)
			require.Equal(c.t, controller.Accepted, a.Reply.Refusal, a.Text)
			done = true
			c.Starts++
		default:
		}
	}
	if !done {
		c.brink()
	}
	run := c.saver.live.LastRun
	_, at := c.fall(map[controller.Verb]bool{})
	c.first()
	if done {
		require.NotEqual(c.t, schedule.Idle, c.state().Run.Phase, "%s: the charge was started", at)
		require.Equal(c.t, run, c.state().Run.ID, at)
	}
}

// endCharge does the same with the end of a run.
func (c *cutCampaign) endCharge() {
	if c.state().Run.Phase == schedule.Idle {
		return
	}
	c.mend()
	c.pace = c.random.IntN(5)
	run := c.state().Run.ID
	reply := c.loop.Submit(controller.Command{Verb: controller.VerbEnd, Run: run})
	done := false
	for n := c.random.IntN(20); n > 0 && !done; n-- {
		c.step()
		select {
		case r := <-reply:
			require.Equal(c.t, controller.Accepted, r.Refusal)
			done = true
			c.Ends++
		default:
		}
	}
	if !done {
		c.brink()
	}
	_, at := c.fall(map[controller.Verb]bool{})
	c.first()
	if done {
		require.Equal(c.t, schedule.Idle, c.state().Run.Phase, "%s: the run was ended", at)
	} else if c.state().Run.Phase != schedule.Idle {
		require.Equal(c.t, run, c.state().Run.ID, at)
	}
}

// heed checks one tick.
func (c *cutCampaign) heed(r *trace.Record) {
	c.judge(r)
	c.cleared &^= hardware.RuleSet(r.Trips)
	if r.Stage != c.stage || r.RunID != c.run {
		c.stage, c.run, c.earned = r.Stage, r.RunID, 0
	}
	if r.Stage < 0 || int(r.Stage) >= len(c.plan().Schedule.Stages) {
		return
	}
	stage := &c.plan().Schedule.Stages[r.Stage]
	if stage.Kind != schedule.Heat {
		return
	}
	hot := true
	for _, lot := range c.plant.truth().Lots {
		hot = hot && lot.Core >= stage.Core
	}
	if hot {
		c.earned += tick
	}
	require.LessOrEqual(c.t, r.Exposure, c.earned, "boot %d, tick %d: exposure", r.Boot, r.Tick)
}
