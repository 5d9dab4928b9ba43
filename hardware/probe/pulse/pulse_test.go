package pulse

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

// The fastest train that an S0 output may send (IEC 62053-31: 30 ms on, 30 ms off) is counted in full.
func TestFastestTrain(t *testing.T) {
	c := New(Settings{})
	now := mono.Instant(0)
	c.Level(now, false)
	for range 1000 {
		now += 30 * ms
		c.Level(now, true)
		now += 30 * ms
		c.Level(now, false)
	}
	n, err := c.Count(now + 30*ms)
	require.NoError(t, err)
	require.Equal(t, uint64(1000), n)
}

func TestStartsWithoutAPulse(t *testing.T) {
	c := New(Settings{})
	_, err := c.Count(0)
	require.Equal(t, hardware.Absent, probe.QualityOf(err))
	c.Level(0, true)
	n, err := c.Count(50 * ms)
	require.NoError(t, err)
	require.Zero(t, n, "on at the start")
}

func TestStuck(t *testing.T) {
	c := New(Settings{})
	c.Level(0, false)
	c.Level(100*ms, true)
	n, err := c.Count(10_000 * ms)
	require.NoError(t, err)
	require.Equal(t, uint64(1), n)
	_, err = c.Count(10_100 * ms)
	require.Equal(t, "stuck_on", probe.SignOf(err))
	require.Equal(t, hardware.Implausible, probe.QualityOf(err))
	c.Level(11_000*ms, false)
	_, err = c.Count(11_020 * ms)
	require.NoError(t, err)
}

// Bounces shorter than the debounce time neither add nor lose a pulse, whatever they look like.
func TestBounces(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := New(Settings{Debounce: 12 * time.Millisecond})
		now, want := mono.Instant(0), uint64(0)
		c.Level(now, false)
		bounce := func(to bool) {
			for range rapid.IntRange(0, 6).Draw(rt, "bounces") {
				c.Level(now, to)
				now += mono.Instant(rapid.Int64Range(0, int64(11*time.Millisecond)).Draw(rt, "for"))
				c.Level(now, !to)
				now += mono.Instant(rapid.Int64Range(0, int64(11*time.Millisecond)).Draw(rt, "for"))
			}
			c.Level(now, to)
			now += mono.Instant(rapid.Int64Range(int64(12*time.Millisecond), int64(time.Second)).Draw(rt, "stands"))
		}
		for range rapid.IntRange(0, 20).Draw(rt, "pulses") {
			bounce(true)
			want++
			bounce(false)
		}
		n, err := c.Count(now)
		require.NoError(rt, err)
		require.Equal(rt, want, n)
	})
}

func TestSettings(t *testing.T) {
	require.NoError(t, Settings{}.Validate())
	require.Error(t, Settings{Debounce: -1}.Validate())
	require.Error(t, Settings{Debounce: time.Second}.Validate())
	require.Error(t, Settings{StuckOn: time.Millisecond}.Validate())
}
