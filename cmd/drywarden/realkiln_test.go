package main

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/controller/store"
)

// Half a stamp is still one: an outage can be told from wall time alone.
func TestStampKeepsWhatIsKnown(t *testing.T) {
	var out bytes.Buffer
	half := store.Stamp{WallUnix: 1_790_000_000, WallTrusted: true}
	stamp := stampNow(func() (store.Stamp, error) { return half, errors.New("read boot id: hidden") }, slog.New(slog.NewTextHandler(&out, nil)))
	require.Equal(t, half, stamp())
	require.Equal(t, half, stamp())
	require.Equal(t, 1, strings.Count(out.String(), "hidden"), "told once")

	later := half
	later.WallUnix += 1800
	length, known := store.Outage(half, later, 0)
	require.True(t, known)
	require.InDelta(t, 1800, length.Seconds(), 0)
}
