package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"drywarden/controller"
	"drywarden/controller/operator"
	"drywarden/hardware"
	"drywarden/hardware/trace"
)

// storageTold is within how long trouble with the disk must be told.
const storageTold = time.Minute

func hasAlarm(s *controller.Status, rule string) bool {
	for _, a := range s.Alarms {
		if a.Rule == rule && a.Active {
			return true
		}
	}
	return false
}

// TestHangingDisk: a disk that takes nothing for ten minutes. No tick waits, the kiln goes on and the emergency stop works;
// nothing is acknowledged; it is told; and once the disk takes calls again, what was asked is done and answered.
func TestHangingDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newCutCampaign(t, 7)
		defer func() { c.die() }()
		c.mend()
		c.calm(300, 0)
		require.NotZero(t, hardware.OutputSet(c.seen.last.Applied)&hardware.AllFans)
		c.hangs = true
		s := c.state()
		hold := c.loop.Submit(controller.Command{Verb: controller.VerbHold, Run: s.Run.ID, Stage: s.Run.Stage})
		told := time.Duration(-1)
		began := time.Now()
		for range 600 {
			time.Sleep(tick)
			c.step()
			if told < 0 && hasAlarm(c.loop.Publish(), "storage") {
				told = time.Since(began)
			}
		}
		require.Equal(t, 600*tick, time.Since(began), "no tick has waited")
		require.True(t, told >= 0 && told <= storageTold, "told after %v", told)
		t.Logf("told after %v", told)
		require.Empty(t, hold, "not on the disk, not acknowledged")
		require.NotZero(t, hardware.OutputSet(c.seen.last.Applied)&hardware.AllFans, "the kiln goes on")

		c.press = 1 << hardware.ContactEStop
		time.Sleep(tick)
		c.step()
		require.Zero(t, hardware.OutputSet(c.seen.last.Applied)&(hardware.AllFans|1<<hardware.Heat1|1<<hardware.Compressor), "a trip waits for no disk")
		c.press = 0
		for range 60 {
			time.Sleep(tick)
			c.step()
		}
		require.NotZero(t, c.seen.last.Trips)
		require.Zero(t, c.trips.kept, "and is not on it yet")

		c.hangs = false
		for range 20 {
			time.Sleep(tick)
			c.step()
		}
		require.Equal(t, controller.Accepted, (<-hold).Refusal)
		require.False(t, hasAlarm(c.loop.Publish(), "storage"))
		require.Equal(t, hardware.RuleSet(c.seen.last.Trips), c.trips.kept)
		require.Empty(t, c.seen.checker.Finish().Violations)
	})
}

// fussyFile is a file on a disk that may be in trouble.
type fussyFile struct {
	*os.File
	trouble *error
}

func (f fussyFile) Write(p []byte) (int, error) {
	if *f.trouble != nil {
		n, _ := f.File.Write(p[:len(p)/2]) // a full disk takes what it can
		return n, *f.trouble
	}
	return f.File.Write(p)
}

func (f fussyFile) Sync() error { return errors.Join(*f.trouble, f.File.Sync()) }

// TestTheTraceGoesOnAfterTrouble: a trace that cannot be written is told once and tried again until it can; no file has a
// gap, and none that was begun is lost.
func TestTheTraceGoesOnAfterTrouble(t *testing.T) {
	path := filepath.Join(t.TempDir(), "trace")
	var log bytes.Buffer
	var trouble error
	r := newRecorder(path, slog.New(slog.NewTextHandler(&log, nil)))
	r.open = func(path string) (traceFile, error) {
		file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
		return fussyFile{file, &trouble}, err
	}
	k := newCutKiln(t, 1, "unbroken")
	header := k.seen.header
	r.note(r.take(&recorded{header: &header}))
	k.told = func(record *trace.Record) { r.note(r.take(&recorded{record: *record})) }
	run := func(minutes int) {
		for n := range minutes * 60 {
			if k.tick(); n%10 == 0 {
				r.retry = time.Time{} // its time has come
				r.note(r.tend())
			}
		}
	}
	run(30)
	trouble = unix.ENOSPC
	run(30)
	require.ErrorIs(t, r.err, unix.ENOSPC)
	require.Greater(t, r.missed, 1000)
	trouble = nil
	run(30)
	require.NoError(t, r.err)
	r.note(r.take(&recorded{gap: 5})) // the queue was full for a while
	run(30)
	require.NoError(t, r.writer.Close())
	require.NoError(t, r.file.Close())
	require.Equal(t, 1, bytes.Count(log.Bytes(), []byte("cannot be kept")), "told once:\n%s", &log)
	require.Equal(t, 1, bytes.Count(log.Bytes(), []byte("kept again")))
	sum := uint64(0)
	for _, name := range []string{".broken", ".before", ""} {
		file, err := os.Open(path + name)
		require.NoError(t, err)
		report, err := judge(file)
		require.NoError(t, err)
		require.NoError(t, file.Close())
		require.NotZero(t, report.Records, name)
		require.Zero(t, report.Total, "%s: %+v", name, report.Violations)
		require.Equal(t, name == ".broken", report.Damage != "", "%s: %s", name, report.Damage)
		sum += report.Records
	}
	require.InDelta(t, 90*60, sum, 620, "what stood in the block being written is lost, and no more")
}

// TestFullDisk fills the real disk under the real program, which only root can: everything it keeps lies on a file system
// of its own. The kiln goes on; trouble is told within its time; an order is not acknowledged; when there is room again
// everything is kept again, the order is done and the audit finds nothing wrong.
func TestFullDisk(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("only root can mount a file system")
	}
	dir := t.TempDir()
	disk := filepath.Join(dir, "disk")
	require.NoError(t, os.Mkdir(disk, 0o700))
	if err := unix.Mount("drywarden", disk, "tmpfs", 0, "size=2m"); err != nil {
		t.Skip("no file system can be mounted here: ", err)
	}
	t.Cleanup(func() { require.NoError(t, unix.Unmount(disk, 0)) })
	t.Parallel()
	program, err := exec.LookPath("drywarden")
	require.NoError(t, err)
	kiln := append(bytes.Clone(demoKilnText), "\n[simulated.person]\nabsent = true\n"...)
	kiln = bytes.Replace(kiln, []byte("metrics ="), []byte("socket = \"../s\"\nmetrics ="), 1)
	require.NoError(t, os.WriteFile(filepath.Join(disk, "kiln.toml"), kiln, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(disk, "charge.toml"), demoChargeText, 0o600))
	client := operator.NewClient(filepath.Join(dir, "s"))
	defer client.Close()
	var log bytes.Buffer
	daemon := exec.Command(program, "run", "--config", filepath.Join(disk, "kiln.toml"), "--speed", "600", "--trace", filepath.Join(disk, "trace"))
	daemon.Stderr = &log
	require.NoError(t, daemon.Start())
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
	see("the first tick", func(s *controller.Status) bool { return s.Mode != "start" })
	_, err = client.Start(context.Background(), operator.StartRequest{
		ChargeFiles: controller.ChargeFiles{Charge: controller.File{Name: "charge.toml", Text: string(demoChargeText)}}})
	require.NoError(t, err)
	see("a run", func(s *controller.Status) bool { return s.Charge != nil && s.UpSeconds > 120 })

	ballast := filepath.Join(disk, "ballast")
	random := rand.New(rand.NewPCG(1, 1))
	fill := func() {
		file, err := os.OpenFile(ballast, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
		require.NoError(t, err)
		for size := 64 << 10; size > 0; {
			if _, err = file.Write(make([]byte, 1+random.IntN(size))); err != nil {
				size /= 2
			}
		}
		require.ErrorIs(t, err, unix.ENOSPC)
		require.NoError(t, file.Close())
	}
	fill()
	began := time.Now()
	full := see("trouble told", func(s *controller.Status) bool {
		fill() // nothing that the daemon let go of
		return s.Storage.Failure != "" && hasAlarm(s, "storage")
	})
	took := time.Since(began)
	require.Less(t, took, storageTold)
	t.Logf("told after %v: %s", took, full.Storage.Failure)
	impatient, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	_, err = client.Do(impatient, operator.Request{Verb: "hold", Run: &full.Charge.Run, Stage: &full.Charge.Stage, Reason: "a test"})
	cancel()
	require.Error(t, err, "what is not on the disk is not acknowledged")
	later := see("ticks", func(s *controller.Status) bool { return s.Tick > full.Tick+1800 })
	require.Equal(t, "none", later.Forced, "the kiln goes on")
	require.NotContains(t, later.Charge.Holds, "operator")

	require.NoError(t, os.Remove(ballast))
	see("everything well", func(s *controller.Status) bool {
		return s.Storage.Failure == "" && !hasAlarm(s, "storage") && fmt.Sprint(s.Charge.Holds) == "[operator]"
	})
	see("the trace going on", func(s *controller.Status) bool {
		info, err := os.Stat(filepath.Join(disk, "trace"))
		return err == nil && info.Size() > 0 && s.Tick > later.Tick+10_000
	})
	require.NoError(t, daemon.Process.Signal(os.Interrupt))
	require.NoError(t, daemon.Wait())
	for _, words := range []string{"control state cannot be saved", "control state is saved again", "the trace cannot be kept", "the trace is kept again"} {
		require.Contains(t, log.String(), words)
	}
	for _, name := range []string{"trace.broken", "trace"} {
		file, err := os.Open(filepath.Join(disk, name))
		require.NoError(t, err)
		report, err := judge(file)
		require.NoError(t, err)
		require.NoError(t, file.Close())
		require.NotZero(t, report.Records, name)
		require.Zero(t, report.Total, "%s: %+v", name, report.Violations)
	}
}
