package main

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A reset by the hardware watchdog is told at the next start; so is a computer that has none.
func TestLogWatchdogs(t *testing.T) {
	told := func(root string) string {
		var log bytes.Buffer
		logWatchdogs(root, slog.New(slog.NewTextHandler(&log, nil)))
		return log.String()
	}
	root := t.TempDir()
	require.Contains(t, told(root), "has no hardware watchdog")
	dir := filepath.Join(root, "watchdog0")
	require.NoError(t, os.Mkdir(dir, 0o755))
	put := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	put("identity", "i6300ESB timer\n")
	put("state", "active\n")
	put("bootstatus", "0\n")
	require.Contains(t, told(root), `level=INFO msg="hardware watchdog" watchdog=watchdog0 identity="i6300ESB timer" state=active`)
	put("bootstatus", "32\n")
	require.Contains(t, told(root), `level=ERROR msg="the hardware watchdog reset this computer: it hung"`)
}
