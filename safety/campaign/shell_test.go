package campaign

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/simkiln"
	"drywarden/schedule"
)

// ownShow is a row that is shown in its own way: of process, disk, clock and files. It gives the detection time.
type ownShow struct {
	row   int
	what  string
	limit time.Duration            // 0: that of the row
	kiln  func(t *testing.T) *site // nil: daemonSite
	slow  bool                     // left out with -short
	show  func(t *testing.T, s *site) time.Duration
}

func (o *ownShow) name() string { return showName(o.row, o.what) }

// daemonSite is a kiln whose program keeps everything on a disk that forgets, and whose charge was started from files.
// It must run in a bubble of synctest: a tick takes a second of its time.
func daemonSite(t *testing.T) *site {
	c := siteKiln(1)
	c.Room.Start = 25
	s := newSite(t, c, siteCharge, func(s *site) {
		s.real, s.deps.PublishEvery = true, 1
		s.deps.Prepare = func(f controller.ChargeFiles) (*schedule.Plan, error) {
			_, err := resolve(&c, f.Charge.Text)
			return s.plan, err
		}
		_, _ = s.useDisk(newDisk(7)) // there is nothing on it
	})
	s.run(40 * time.Second)
	answer, err := s.order(func(ctx context.Context) (controller.Answer, error) {
		return s.loop.StartCharge(ctx, controller.Order{}, controller.ChargeFiles{Charge: controller.File{Name: "charge.toml", Text: siteCharge}})
	})
	require.NoError(t, err)
	require.Equal(t, controller.Accepted, answer.Reply.Refusal)
	require.Equal(t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbWarm}).Refusal)
	s.run(20 * time.Minute)
	require.NotZero(t, s.last.On&fans)
	require.True(t, s.until(time.Hour, func() bool { return s.last.On&hardware.AllHeat != 0 }), "it is being warmed up")
	s.run(5 * time.Second)
	require.Empty(t, s.since)
	return s
}

// order does something that waits for its answer, while the loop goes on.
func (s *site) order(do func(context.Context) (controller.Answer, error)) (answer controller.Answer, err error) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	done := false
	go func() { answer, err = do(ctx); done = true }()
	for range 40 {
		synctest.Wait()
		if done {
			return answer, err
		}
		s.run(time.Second)
	}
	require.Fail(s.t, "not answered")
	return answer, err
}

// silence runs while nothing calls the gate, until the kiln's heat and compressor are without current, and gives how long
// that took.
func (s *site) silence(watched bool) time.Duration {
	for took := time.Duration(0); took < 2*time.Minute; took += time.Second {
		s.move(time.Second)
		if watched {
			s.gate.CheckDeadline()
		}
		if s.kilnOn()&drying == 0 {
			return took + time.Second
		}
	}
	require.Fail(s.t, "heat or compressor stays on")
	return 0
}

// nothingFor requires that nothing but the sounder has current for so long.
func (s *site) nothingFor(d time.Duration) {
	for range int(d / time.Second) {
		s.run(time.Second)
		require.Zero(s.t, s.snap.ReadBack)
		require.Zero(s.t, s.last.On&^(1<<hardware.Sounder))
	}
}

func (s *site) holds() []string {
	if c := s.status().Charge; c != nil {
		return c.Holds
	}
	return nil
}

// told runs until a rule is told by anybody, the shell's own too, and gives how long that took; 0 is the first tick.
func (s *site) toldAfter(rule string, limit time.Duration) time.Duration {
	for took := time.Duration(0); took <= limit; took += time.Second {
		s.run(time.Second)
		if s.shown(rule) != nil {
			return took
		}
	}
	require.Fail(s.t, "not told", rule)
	return 0
}

func (s *site) confirm() {
	require.Equal(s.t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbConfirm, Matters: mattersOf(s.status())}).Refusal)
	s.run(2 * time.Second)
}

var ownShows = []ownShow{
	{row: 49, limit: 7 * second, show: func(t *testing.T, s *site) time.Duration {
		s.pardon = []string{"tick keeps time", "heartbeat toggles"}
		took := s.silence(true)
		require.NotZero(t, s.kilnOn()&fans, "fans run on")
		s.hang(40)
		require.Zero(t, s.kilnOn(), "and then nothing")
		for range 2 { // its watchdog kills it; a new one hangs again
			s.cut(5 * time.Second)
			s.run(12 * time.Minute)
			s.hang(6)
			s.run(time.Second)
		}
		s.run(time.Minute)
		a := s.shown("controller_silent_often")
		require.NotNil(t, a)
		require.True(t, a.Latched)
		require.Equal(t, "operator", a.Clears)
		require.Equal(t, safeNow.String(), s.last.Forced.String())
		require.Equal(t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbReset, Rule: s.idOf("controller_silent_often")}).Refusal)
		return took
	}},
	{row: 50, what: "panic", show: func(t *testing.T, s *site) time.Duration {
		s.spoil(2*time.Second, func(*hardware.Snapshot) { panic("a driver broke") })
		require.ErrorContains(t, s.loop.Run(t.Context()), "a driver broke")
		s.kiln.Advance(time.Second)
		require.Zero(t, s.kilnOn())
		stage := s.status().Charge.Stage
		s.cut(5 * time.Second)
		s.nothingFor(30 * time.Second)
		s.run(2 * time.Minute)
		require.NotZero(t, s.last.On&fans, "it goes on by itself")
		require.Equal(t, stage, s.status().Charge.Stage)
		require.Empty(t, s.holds())
		return sameTick
	}},
	{row: 50, what: "killed without a word", limit: 5 * time.Second, show: func(t *testing.T, s *site) time.Duration {
		took := s.silence(false) // the heartbeat's relay alone
		for n := range 3 {
			require.Empty(t, s.holds(), "boot %d", n)
			s.cut(5 * time.Second)
			s.nothingFor(30 * time.Second)
			s.run(5 * time.Minute)
		}
		s.run(5 * time.Minute)
		require.NotNil(t, s.shown("restarted_often"), "three times within an hour")
		require.NotZero(t, s.last.On&fans)
		require.Zero(t, s.last.On&drying)
		require.Contains(t, s.holds(), "outage")
		s.run(2 * time.Hour)
		s.cut(5 * time.Second)
		s.run(10 * time.Minute)
		require.NotNil(t, s.shown("restarted_often"), "it outlives the process")
		require.Zero(t, s.last.On&drying)
		s.confirm()
		require.Nil(t, s.shown("restarted_often"))
		require.Empty(t, s.holds())
		return took
	}},
	{row: 51, show: func(t *testing.T, s *site) time.Duration {
		require.NoError(t, s.kiln.Inject(simkiln.Fault{Kind: simkiln.RelayGlitch, Duration: 10e9}))
		s.cut(5 * time.Second)
		s.nothingFor(30 * time.Second)
		return sameTick
	}},
	{row: 53, show: func(t *testing.T, s *site) time.Duration {
		s.fill()
		took := s.toldAfter("storage", time.Hour)
		s.run(10 * time.Minute)
		require.NotZero(t, s.last.On&fans, "control goes on")
		require.Equal(t, noForce.String(), s.last.Forced.String())
		hold := s.loop.Submit(controller.Command{Verb: controller.VerbHold})
		s.run(time.Minute)
		require.Empty(t, hold, "nothing is answered that is not safe")
		require.Empty(t, s.holds())
		require.NoError(t, s.kiln.Inject(simkiln.Fault{Kind: simkiln.RefrigerantGas}))
		require.Zero(t, s.toldAfter("gas_leak", 0), "a trip acts whether it can be saved or not")
		require.LessOrEqual(t, s.toldAfter("trip_record_not_saved", time.Minute), time.Minute)
		s.disk.Fail = nil
		s.run(2 * time.Minute)
		require.Nil(t, s.shown("storage"))
		require.Nil(t, s.shown("trip_record_not_saved"))
		require.Equal(t, controller.Accepted, (<-hold).Refusal, "and done once it is")
		return took
	}},
	{row: 54, what: "one of two copies", show: func(t *testing.T, s *site) time.Duration {
		s.spoilFile("state.0")
		s.cut(5 * time.Second)
		s.run(2 * time.Minute)
		st := s.status()
		require.True(t, st.Outage.Restored)
		require.NotNil(t, st.Charge, "the other copy is used")
		require.Empty(t, st.Charge.Holds)
		return sameTick
	}},
	{row: 54, what: "both copies", show: func(t *testing.T, s *site) time.Duration {
		s.spoilFile("state.0")
		s.spoilFile("state.1")
		s.cut(5 * time.Second)
		took := s.toldAfter("outage", time.Minute)
		require.Contains(t, s.status().Outage.Problem, "no slot can be used")
		s.run(time.Hour)
		require.NotZero(t, s.last.On&fans, "fans alone")
		require.Zero(t, s.last.On&drying)
		s.cut(5 * time.Second)
		s.run(10 * time.Minute)
		require.NotNil(t, s.shown("outage"), "it outlives the process")
		require.Zero(t, s.last.On&drying)
		s.confirm()
		require.Nil(t, s.shown("outage"))
		return took
	}},
	{row: 55, show: func(t *testing.T, s *site) time.Duration {
		worst := time.Duration(0)
		for _, by := range []int64{-40 * 365 * 86400, 10 * 365 * 86400, -3} {
			stage := s.status().Charge.InStage
			began := s.kiln.Now()
			s.offset += by
			worst = max(worst, s.toldAfter("wall_clock_suspect", time.Minute))
			require.False(t, s.status().ClockTrusted, "times are marked")
			s.run(2 * time.Hour)
			require.InDelta(t, (s.kiln.Now() - began).Seconds(), s.status().Charge.InStage-stage, 1, "durations do not change")
			require.Nil(t, s.shown("wall_clock_suspect"), "it is believed again after an hour")
			require.Empty(t, s.ever)
		}
		return worst
	}},
	{row: 56, what: "late", show: func(t *testing.T, s *site) time.Duration {
		s.pardon = []string{"tick keeps time"}
		s.late = time.Second
		took := s.toldAfter("slow_tick", 0)
		require.Equal(t, noForce.String(), s.last.Forced.String())
		require.NotZero(t, s.last.On&hardware.AllHeat)
		s.run(2 * time.Minute)
		require.Nil(t, s.shown("slow_tick"))
		return took + 2*time.Second
	}},
	{row: 56, what: "over 5 s late", limit: 7 * second, show: func(t *testing.T, s *site) time.Duration {
		s.pardon = []string{"tick keeps time", "heartbeat toggles"}
		took := s.silence(true)
		s.run(time.Second)
		require.NotNil(t, s.shown("slow_tick"))
		s.run(5 * time.Minute)
		require.NotZero(t, s.last.On&hardware.AllHeat, "it goes on by itself")
		return took
	}},
	{row: 57, what: "configuration", limit: time.Minute, show: func(t *testing.T, s *site) time.Duration {
		s.flipBit()
		took := s.toldAfter("configuration_damaged", 2*time.Minute)
		require.Equal(t, noForce.String(), s.last.Forced.String(), "it was taken from its second copy")
		return took
	}},
	{row: 57, what: "plan of the charge", limit: time.Minute, show: func(t *testing.T, s *site) time.Duration {
		s.run(2 * time.Minute)
		s.plan.Lots[0].RateLimit += 1
		for took := time.Duration(0); took < 2*time.Minute; took += time.Second {
			if err := s.tick(); err != nil {
				require.ErrorContains(t, err, "it is damaged")
				require.NoError(t, s.gate.Close(), "as Run does with every error")
				s.kiln.Advance(time.Second)
				require.Zero(t, s.kilnOn())
				return took
			}
		}
		require.Fail(t, "not found")
		return 0
	}},
	{row: 58, what: "bad charge sheet, bad order", show: func(t *testing.T, s *site) time.Duration {
		before := s.status().Charge
		_, err := s.order(func(ctx context.Context) (controller.Answer, error) {
			return s.loop.StartCharge(ctx, controller.Order{}, controller.ChargeFiles{Charge: controller.File{Name: "charge.toml", Text: siteCharge + "\n[[lot]]\nstart = \"900 %\"\n"}})
		})
		require.ErrorContains(t, err, "charge.toml")
		for _, hot := range []controller.Command{
			{Verb: controller.VerbSet, HasDryBulb: true, DryBulb: 90, For: time.Hour, Stage: int8(before.Stage)},
			{Verb: controller.VerbSet, HasEMC: true, EMC: 0.5, For: time.Hour, Stage: int8(before.Stage)},
		} {
			require.Equal(t, controller.RefusedLimit, s.ask(hot).Refusal)
		}
		after := s.status().Charge
		require.Equal(t, before.Name, after.Name)
		require.Equal(t, before.Stage, after.Stage)
		return sameTick
	}},
	{row: 58, what: "kiln file changed while a charge runs", show: func(t *testing.T, s *site) time.Duration {
		s.deps.Header.KilnHash = "another"
		s.cut(5 * time.Second)
		took := s.toldAfter("files_changed", time.Minute)
		s.run(10 * time.Minute)
		require.Contains(t, s.holds(), "files")
		s.confirm()
		require.Empty(t, s.holds())
		return took
	}},
}

// kilnOn is what has current in the kiln, whatever the program believes.
func (s *site) kilnOn() hardware.OutputSet {
	var now hardware.Snapshot
	require.NoError(s.t, s.kiln.Read(0, &now))
	return now.ReadBack
}

// fill leaves no room on the disk.
func (s *site) fill() { s.disk.Fail = func(string, string) error { return errDisk } }
