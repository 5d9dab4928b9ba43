package contact

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/probe"
)

const ms = mono.Instant(time.Millisecond)

func TestSettles(t *testing.T) {
	i := New(Settings{})
	_, err := i.State(0)
	require.Equal(t, hardware.Absent, probe.QualityOf(err))
	i.Level(0, true)
	_, err = i.State(10 * ms)
	require.Equal(t, "not_settled", probe.SignOf(err))
	i.Level(20*ms, true)
	on, err := i.State(20 * ms)
	require.NoError(t, err)
	require.True(t, on)
	for at := 30 * ms; at < 40*ms; at += ms { // a bounce of 9 ms
		i.Level(at, at%(2*ms) == 0)
	}
	i.Level(41*ms, true)
	on, err = i.State(41 * ms)
	require.NoError(t, err)
	require.True(t, on, "a bounce is nothing")
	i.Level(50*ms, false)
	i.Level(70*ms, false)
	on, err = i.State(70 * ms)
	require.NoError(t, err)
	require.False(t, on)
}

func TestStale(t *testing.T) {
	i := New(Settings{})
	i.Level(0, true)
	i.Level(30*ms, true)
	_, err := i.State(3029 * ms)
	require.NoError(t, err)
	_, err = i.State(3030 * ms)
	require.Equal(t, hardware.Stale, probe.QualityOf(err))
}

func TestChatter(t *testing.T) {
	i := New(Settings{})
	i.Level(0, false)
	i.Level(30*ms, false)
	now := 30 * ms
	for now < 5000*ms {
		now += 5 * ms
		i.Level(now, now%(10*ms) == 0)
		on, err := i.State(now)
		require.False(t, on)
		if now < 2000*ms {
			require.NoError(t, err)
		} else if now > 2040*ms {
			require.Equal(t, "chatter", probe.SignOf(err))
		}
	}
	i.Level(now+ms, true)
	i.Level(now+25*ms, true)
	on, err := i.State(now + 25*ms)
	require.NoError(t, err)
	require.True(t, on)
}

// Whatever comes, a level that stands for the debounce time and is looked at is what State says, and a state without an
// error is one that once stood for so long.
func TestWhatStandsCounts(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		i := New(Settings{})
		now, stood := mono.Instant(0), map[bool]bool{}
		level, since := false, mono.Instant(0)
		for n := range rapid.IntRange(1, 60).Draw(rt, "n") {
			now += mono.Instant(rapid.Int64Range(0, int64(60*time.Millisecond)).Draw(rt, "dt"))
			next := rapid.Bool().Draw(rt, "level")
			if n == 0 || next != level {
				if n > 0 && now.Sub(since) >= DefaultDebounce {
					stood[level] = true
				}
				level, since = next, now
			}
			i.Level(now, next)
			on, err := i.State(now)
			if now.Sub(since) >= DefaultDebounce {
				stood[level] = true
				require.NoError(rt, err)
				require.Equal(rt, level, on)
			}
			if err == nil {
				require.True(rt, stood[on])
			}
		}
	})
}
