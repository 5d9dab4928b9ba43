package mono

import (
	"context"
	"encoding/json"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

func TestInstantRefusesToBeStored(t *testing.T) {
	_, err := json.Marshal(struct{ At Instant }{5})
	require.ErrorContains(t, err, "cannot be stored")
	_, err = json.Marshal(map[Instant]int{5: 1})
	require.Error(t, err)
}

func TestManual(t *testing.T) {
	var m Manual
	m.Advance(3 * time.Second)
	require.Equal(t, 3*time.Second, m.Now().Sub(0))
}

func TestPacedMovesOneTickATick(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewPaced(time.Second, 10)
		start := time.Now()
		for i := 1; i <= 20; i++ {
			require.NoError(t, p.Next(t.Context()))
			require.Equal(t, time.Duration(i)*time.Second, p.Now().Sub(0))
		}
		require.Equal(t, 2*time.Second, time.Since(start), "twenty ticks at ten times real time")

		// A host that is busy for a while slows simulated time; nothing is skipped.
		time.Sleep(time.Minute)
		require.NoError(t, p.Next(t.Context()))
		require.Equal(t, 21*time.Second, p.Now().Sub(0))
	})
}

func TestRealKeepsItsBeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := NewReal(time.Second)
		require.NoError(t, r.Next(t.Context()))
		time.Sleep(400 * time.Millisecond) // work inside a tick does not shift the beat
		require.NoError(t, r.Next(t.Context()))
		require.Equal(t, 2*time.Second, r.Now().Sub(0))
		time.Sleep(5500 * time.Millisecond) // missed ticks are not made up for
		require.NoError(t, r.Next(t.Context()))
		require.NoError(t, r.Next(t.Context()))
		require.Equal(t, 8500*time.Millisecond, r.Now().Sub(0))
	})
}

// A clock that counts through a suspend shows it as one long tick, and none is made up for.
func TestSuspendIsOneLongTick(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		origin, slept := time.Now(), time.Duration(0)
		r := NewRealBy(time.Second, func() time.Duration { return 40*time.Hour + time.Since(origin) + slept })
		require.NoError(t, r.Next(t.Context()))
		require.Equal(t, time.Second, r.Now().Sub(0))
		slept = 3 * time.Hour
		require.NoError(t, r.Next(t.Context()))
		require.Equal(t, 3*time.Hour+time.Second, r.Now().Sub(0))
		require.NoError(t, r.Next(t.Context()))
		require.Equal(t, 3*time.Hour+2*time.Second, r.Now().Sub(0))
	})
}

func TestNextEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		require.ErrorIs(t, NewReal(time.Second).Next(ctx), context.DeadlineExceeded)
		p := NewPaced(time.Second, 0)
		require.ErrorIs(t, p.Next(ctx), context.DeadlineExceeded)
		require.Zero(t, p.Now(), "a tick that was not waited for did not happen")
	})
}
