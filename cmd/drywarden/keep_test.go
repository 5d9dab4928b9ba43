package main

import (
	"bytes"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/trace"
)

// keepHours records some hours of a charge as boot number boot, and gives the recorder's log. The recorder's goroutine does
// not run, so that every record is written whatever the machine is doing.
func keepHours(t *testing.T, path string, most int64, boot uint32, hours int) string {
	var log bytes.Buffer
	r := newRecorder(path, slog.New(slog.NewTextHandler(&log, nil)))
	r.most = most
	k := newCutKiln(t, 1, "unbroken")
	header := k.seen.header
	header.Boot, header.OutageKnown, header.OutageNS = boot, boot > 1, int64(time.Hour)
	require.NoError(t, r.take(&recorded{header: &header}))
	k.told = func(record *trace.Record) {
		record.Boot = boot
		require.NoError(t, r.take(&recorded{record: *record}))
	}
	for n := range hours * 3600 {
		if k.tick(); n%600 == 0 {
			require.NoError(t, r.tend())
		}
	}
	require.NoError(t, r.writer.Close())
	require.NoError(t, r.file.Close())
	return log.String()
}

// TestTheTraceIsBounded: a daemon's trace turns over, and each file stands for itself before the audit.
func TestTheTraceIsBounded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "trace")
	const most = 100 << 10
	require.Empty(t, keepHours(t, path, most, 1, 12))
	for _, name := range []string{path, path + ".before"} {
		info, err := os.Stat(name)
		require.NoError(t, err)
		require.Less(t, info.Size(), int64(most+64<<10), name)
		file, err := os.Open(name)
		require.NoError(t, err)
		report, err := judge(file)
		require.NoError(t, err)
		require.NoError(t, file.Close())
		require.Empty(t, report.Damage)
		require.NotZero(t, report.Records)
		require.Zero(t, report.Total, "%+v", report.Violations)
	}
	entries, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, entries, 2, "older ones are gone")
}

// TestTheTraceGoesOnAfterACrash: a torn end is cut off; a file that is damaged in the middle is put aside, not lost.
func TestTheTraceGoesOnAfterACrash(t *testing.T) {
	path := filepath.Join(t.TempDir(), "trace")
	require.Empty(t, keepHours(t, path, traceMost, 1, 1))
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, text[:len(text)-100], 0o600))
	require.Contains(t, keepHours(t, path, traceMost, 2, 1), "torn end")
	file, err := os.Open(path)
	require.NoError(t, err)
	reader, err := trace.NewReader(file)
	require.NoError(t, err)
	var boots []uint32
	for {
		_, header, err := reader.Next()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		if header != nil {
			boots = append(boots, header.Boot)
		}
	}
	require.NoError(t, file.Close())
	require.Equal(t, []uint32{1, 2}, boots)

	text, err = os.ReadFile(path)
	require.NoError(t, err)
	text[len(text)/2] ^= 1
	require.NoError(t, os.WriteFile(path, text, 0o600))
	require.Contains(t, keepHours(t, path, traceMost, 3, 1), "put aside")
	aside, err := os.ReadFile(path + ".damaged")
	require.NoError(t, err)
	require.Equal(t, text, aside)
}
