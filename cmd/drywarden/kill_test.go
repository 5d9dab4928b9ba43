package main

import (
	"bytes"
	"context"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/operator"
)

// TestKilled kills a live daemon twenty times, at least thirty simulated minutes apart, without a warning. The simulated kiln
// stands without power in between. No acknowledged command is lost, and the audit finds nothing wrong over all lives
// together: start-up delay, the compressor's rest, what an outage permits.
func TestKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("twenty starts")
	}
	t.Parallel()
	program, err := exec.LookPath("drywarden")
	require.NoError(t, err)
	const kills, apart = 20, 30 * time.Minute
	dir := t.TempDir()
	socket := filepath.Join(dir, "s")
	kiln := append(bytes.Clone(demoKilnText), "\n[simulated.person]\nabsent = true\n"...)
	kiln = bytes.Replace(kiln, []byte("metrics ="), []byte("socket = \"s\"\nmetrics ="), 1)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "kiln.toml"), kiln, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "charge.toml"), demoChargeText, 0o600))
	client := operator.NewClient(socket)
	defer client.Close()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))

	var daemon *exec.Cmd
	var log bytes.Buffer
	start := func() {
		daemon = exec.Command(program, "run", "--config", filepath.Join(dir, "kiln.toml"), "--speed", "2000", "--trace", filepath.Join(dir, "trace"))
		daemon.Stderr = &log
		require.NoError(t, daemon.Start())
	}
	defer func() {
		if daemon.ProcessState == nil {
			_ = daemon.Process.Kill()
			_ = daemon.Wait()
		}
		if t.Failed() {
			t.Log(log.String())
		}
	}()
	see := func(what string, ok func(*controller.Status) bool) *controller.Status {
		t.Helper()
		for end := time.Now().Add(patience); ; {
			status, err := client.Status(context.Background())
			if err == nil && ok(status) {
				return status
			}
			require.True(t, time.Now().Before(end), "waited for %s: %v", what, err)
			time.Sleep(10 * time.Millisecond) // another process
		}
	}
	// do repeats a command that came while another was being made durable or the stage was just changing.
	held := false
	do := func(verb string) {
		t.Helper()
		for end := time.Now().Add(patience); ; {
			status := see("a run", func(s *controller.Status) bool { return s.Charge != nil })
			_, err := client.Do(context.Background(), operator.Request{Verb: verb, Run: &status.Charge.Run, Stage: &status.Charge.Stage, Reason: "a test"})
			if err == nil {
				return
			}
			require.True(t, time.Now().Before(end), "%s: %v", verb, err)
		}
	}

	start()
	see("the first tick", func(s *controller.Status) bool { return s.Mode != "start" })
	_, err = client.Start(context.Background(), operator.StartRequest{
		ChargeFiles: controller.ChargeFiles{Charge: controller.File{Name: "charge.toml", Text: string(demoChargeText)}}})
	require.NoError(t, err)
	for n := range kills {
		see("thirty minutes", func(s *controller.Status) bool { return s.UpSeconds >= apart.Seconds() })
		if held {
			do("resume")
		} else {
			do("hold")
		}
		held = !held
		time.Sleep(time.Duration(random.IntN(50)) * time.Millisecond) // the moment of the kill is what varies
		require.NoError(t, daemon.Process.Kill())
		require.Error(t, daemon.Wait())
		start()
		status := see("the next life", func(s *controller.Status) bool { return int(s.Boot) == n+2 && s.Charge != nil })
		require.True(t, status.Outage.Restored, "%s", status.Outage.Problem)
		operatorHolds := false
		for _, h := range status.Charge.Holds {
			operatorHolds = operatorHolds || h == "operator"
		}
		require.Equal(t, held, operatorHolds, "kill %d: an acknowledged command was lost", n+1)
	}
	see("thirty minutes", func(s *controller.Status) bool { return s.UpSeconds >= apart.Seconds() })
	require.NoError(t, daemon.Process.Signal(os.Interrupt))
	require.NoError(t, daemon.Wait())

	file, err := os.Open(filepath.Join(dir, "trace"))
	require.NoError(t, err)
	defer func() { _ = file.Close() }()
	report, err := judge(file)
	require.NoError(t, err)
	require.Empty(t, report.Damage)
	require.EqualValues(t, kills+1, report.Boots)
	require.Zero(t, report.Total, "%+v", report.Violations)
}
