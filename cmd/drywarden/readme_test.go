package main

import (
	"bytes"
	"context"
	"flag"
	"os"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var updateReadme = flag.Bool("update-readme", false, "write the outputs shown in the README anew")

const readme = "../../README.md"

// TestREADMEShowsWhatIsSeen compares the outputs in the README with what the commands print. Same seed, same bytes holds
// per processor architecture, so another than the one they were made on is not compared.
func TestREADMEShowsWhatIsSeen(t *testing.T) {
	if testing.Short() || runtime.GOARCH != "amd64" {
		t.Skip("a whole charge, on amd64")
	}
	text, err := os.ReadFile(readme)
	require.NoError(t, err)
	require.Contains(t, string(text), "\n    go run ./cmd/drywarden simulate\n")
	require.Contains(t, string(text), "\n    go test ./...\n")
	want := string(text)
	for _, shown := range []struct {
		name string
		args []string
	}{
		{"simulate", []string{"simulate"}},
		{"wiring", []string{"wiring", "--config", "../../deploy/kiln.toml"}},
		{"check", []string{"check", "../../deploy/simulated.toml", "demo/charge.toml"}},
	} {
		var out, errs bytes.Buffer
		require.Zero(t, run(context.Background(), shown.args, nil, &out, &errs), "%s", errs.String())
		begin, end := "<!-- "+shown.name+": written by", "<!-- "+shown.name+": end -->"
		i, j := strings.Index(want, begin), strings.Index(want, end)
		require.True(t, i >= 0 && j > i, "the README has no place for the output of %s", shown.name)
		i += strings.Index(want[i:], "\n") + 1
		var block strings.Builder
		block.WriteString("\n")
		for line := range strings.Lines(out.String()) {
			if strings.TrimSpace(line) == "" {
				block.WriteString("\n")
				continue
			}
			block.WriteString("    " + strings.TrimRight(line, " \n") + "\n")
		}
		block.WriteString("\n")
		want = want[:i] + block.String() + want[j:]
	}
	if *updateReadme {
		require.NoError(t, os.WriteFile(readme, []byte(want), 0o644))
		return
	}
	require.Equal(t, want, string(text), "the README is out of date: go test ./cmd/drywarden -run README -update-readme")
}
