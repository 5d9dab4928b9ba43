package main

import (
	"bytes"
	"context"
	"net"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A command that a signal ends while a daemon keeps it waiting says so in one sentence of its own.
func TestStoppedBySignal(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	silent, err := net.Listen("unix", path)
	require.NoError(t, err)
	defer silent.Close()
	for _, args := range [][]string{{"status"}, {"stage", "hold", "--reason", "a test"}} {
		ctx, signal := context.WithCancel(context.Background())
		go func() {
			if c, err := silent.Accept(); err == nil {
				defer c.Close()
				_, _ = c.Read(make([]byte, 1))
				signal()
				_, _ = c.Read(make([]byte, 4096)) // until the client is gone
			}
		}()
		var out, told bytes.Buffer
		code := run(ctx, append([]string{"--socket", path}, args...), strings.NewReader(""), &out, &told)
		require.Equal(t, exitFailed, code)
		require.Empty(t, out.String())
		require.Equal(t, "drywarden: "+errStopped.Error()+"\n", told.String())
	}
}
