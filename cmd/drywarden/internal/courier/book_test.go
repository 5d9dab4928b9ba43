package courier

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/controller"
	"drywarden/hardware"
)

func two() *Config {
	return &Config{Kiln: "north", Least: hardware.Machine, Patience: 10 * time.Minute, Recipients: make([]Recipient, 2)}
}

func status(alarms ...controller.AlarmStatus) *controller.Status {
	return &controller.Status{Alarms: alarms}
}

func alarm(rule string, class hardware.AlarmClass) controller.AlarmStatus {
	return controller.AlarmStatus{Rule: rule, Class: class.String(), Active: true}
}

func rulesOf(list []entry) []string {
	names := []string{}
	for _, e := range list {
		names = append(names, e.alarm.Rule)
	}
	return names
}

func TestEachAlarmIsToldOnce(t *testing.T) {
	b := NewBook(two())
	wick, door := alarm("wick", hardware.WoodAtRisk), alarm("door", hardware.Machine)
	daily := alarm("daily", hardware.Housekeeping)
	b.Look(0, status(door, wick, daily))
	list := b.Owed(0, 0)
	require.Equal(t, []string{"wick", "door"}, rulesOf(list), "the gravest first, and what is less grave than wanted not at all")
	require.Empty(t, b.Owed(0, 1))
	b.Told(0, list)
	for now := time.Second; now < time.Hour; now += time.Minute {
		b.Look(now, status(door, wick))
		require.Empty(t, b.Owed(now, 0))
		require.Empty(t, b.Owed(now, 1))
	}
	b.Look(time.Hour, status(door))
	b.Look(2*time.Hour, status(door, wick))
	require.Equal(t, []string{"wick"}, rulesOf(b.Owed(2*time.Hour, 0)), "it came back")
	b.Told(0, b.Owed(2*time.Hour, 0))
	door.Latched = true
	b.Look(3*time.Hour, status(door, wick))
	require.Equal(t, []string{"door"}, rulesOf(b.Owed(3*time.Hour, 0)), "it became worse")
}

func TestTheSecondRecipientAndTheSounder(t *testing.T) {
	b := NewBook(two())
	wick := alarm("wick", hardware.WoodAtRisk)
	now := time.Duration(0)
	b.Look(now, status(wick))
	for now < 10*time.Minute {
		b.Look(now, status(wick))
		if len(b.Owed(now, 0)) > 0 {
			b.Failed(now, 0)
		}
		require.Empty(t, b.Owed(now, 1))
		n, failing, unheard := b.State(now)
		require.Equal(t, 1, n)
		require.False(t, failing || unheard)
		now += time.Second
	}
	require.Greater(t, b.tries[0].failures, 5, "tried again and again")
	require.Equal(t, []string{"wick"}, rulesOf(b.Owed(now, 1)))
	n, failing, unheard := b.State(now)
	require.True(t, failing && unheard && n == 1)
	b.Told(1, b.Owed(now, 1))
	n, failing, unheard = b.State(now)
	require.True(t, failing && !unheard && n == 0, "the second was reached: it need not sound")
	now += retryMost
	require.Equal(t, []string{"wick"}, rulesOf(b.Owed(now, 0)), "the first is still owed")
	b.Told(0, b.Owed(now, 0))
	_, failing, _ = b.State(now)
	require.False(t, failing)
}

func TestWhoeverSeesItAtTheKilnNeedNotBeCalled(t *testing.T) {
	b := NewBook(two())
	wick := alarm("wick", hardware.WoodAtRisk)
	b.Look(0, status(wick))
	b.Failed(0, 0)
	wick.Acked = true
	b.Look(11*time.Minute, status(wick))
	require.Empty(t, b.Owed(11*time.Minute, 0))
	require.Empty(t, b.Owed(11*time.Minute, 1))
	n, failing, unheard := b.State(11 * time.Minute)
	require.True(t, n == 0 && !failing && !unheard)
	require.Equal(t, 1, b.Standing())
}

func TestDangerAndAbsenceGoToBothAtOnce(t *testing.T) {
	b := NewBook(two())
	b.Look(0, status(alarm("smoke", hardware.Danger), alarm(AbsentRule, hardware.WoodAtRisk), alarm("wick", hardware.WoodAtRisk), alarm(UndeliveredRule, hardware.WoodAtRisk)))
	require.Equal(t, []string{"smoke", AbsentRule, "wick"}, rulesOf(b.Owed(0, 0)))
	require.Equal(t, []string{"smoke", AbsentRule}, rulesOf(b.Owed(0, 1)))
}

func TestWhatIsOverIsStillTold(t *testing.T) {
	b := NewBook(two())
	b.Look(0, status(alarm("wick", hardware.WoodAtRisk)))
	b.Failed(0, 0)
	b.Look(time.Minute, status())
	_, _, unheard := b.State(time.Hour)
	require.False(t, unheard, "it no longer stands: no sounder")
	require.Equal(t, []string{"wick"}, rulesOf(b.Owed(time.Hour, 0)))
	b.Look(25*time.Hour, status())
	require.Empty(t, b.Owed(25*time.Hour, 0), "but not for days")
}

func TestAllIsWell(t *testing.T) {
	c := two()
	require.False(t, NewBook(c).AliveDue(1000*time.Hour), "not asked for")
	c.Every = 24 * time.Hour
	b := NewBook(c)
	require.False(t, b.AliveDue(24*time.Hour-1))
	require.True(t, b.AliveDue(24*time.Hour))
	b.AliveTold(24*time.Hour, false)
	require.False(t, b.AliveDue(24*time.Hour))
	require.True(t, b.AliveDue(24*time.Hour+retryFirst))
	_, failing, unheard := b.State(24*time.Hour + 10*time.Minute)
	require.True(t, failing && !unheard, "an alarm would not be delivered either")
	b.AliveTold(25*time.Hour, true)
	_, failing, _ = b.State(25 * time.Hour)
	require.False(t, failing)
	require.False(t, b.AliveDue(48*time.Hour))
	require.True(t, b.AliveDue(49*time.Hour))
}

// Whatever comes and goes: nobody is told of one occurrence twice, every one that stands until it could be told is, and the
// book does not grow.
func TestBookProperties(t *testing.T) {
	rules := []string{"a", "b", "c", "d"}
	rapid.Check(t, func(t *rapid.T) {
		b := NewBook(two())
		told := [2]map[uint64]bool{{}, {}}
		standing := map[string]bool{}
		for now := time.Duration(0); now < 2*time.Hour; now += time.Minute {
			rule := rapid.SampledFrom(rules).Draw(t, "rule")
			standing[rule] = rapid.Bool().Draw(t, "stands")
			var list []controller.AlarmStatus
			for _, r := range rules {
				if standing[r] {
					list = append(list, alarm(r, hardware.WoodAtRisk))
				}
			}
			b.Look(now, status(list...))
			require.LessOrEqual(t, len(b.entries), len(rules))
			for i := range 2 {
				owed := b.Owed(now, i)
				if len(owed) == 0 {
					continue
				}
				if rapid.Bool().Draw(t, "reached") {
					for _, e := range owed {
						require.False(t, told[i][e.number])
						told[i][e.number] = true
					}
					b.Told(i, owed)
					require.Empty(t, b.Owed(now, i))
				} else {
					b.Failed(now, i)
					require.Empty(t, b.Owed(now, i))
					require.LessOrEqual(t, b.tries[i].next, now+retryMost)
				}
			}
		}
	})
}
