package vmtest

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware/vmtest/wire"
	"drywarden/safety/audit"
)

// machine is the virtual machine: a computer with a disk, a watchdog, and a bridge that hangs on the bench.
type machine struct {
	t         *testing.T
	bench     *bench
	dir       string // of the test's files
	with      string // folder that run has filled: kernel, initial file system, programs
	qemu      *exec.Cmd
	gone      chan struct{} // closed when qemu has ended
	unplugged chan struct{} // closed when the bench has seen that
	control   net.Conn
	told      chan told

	mu     sync.Mutex
	events []told
}

// told is what came from the machine, and when.
type told struct {
	wire.Control
	at time.Time
}

func newMachine(t *testing.T, b *bench) *machine {
	m := &machine{t: t, bench: b, with: os.Getenv("VMTEST"), dir: t.TempDir()}
	m.sh("truncate", "-s", "64M", m.path("disk"))
	m.sh("mkfs.ext4", "-q", m.path("disk"))
	t.Cleanup(func() {
		m.cut()
		if t.Failed() {
			text, _ := os.ReadFile(m.path("console"))
			t.Logf("console:\n%s", text[max(0, len(text)-20000):])
		}
	})
	return m
}

func (m *machine) path(name string) string { return filepath.Join(m.dir, name) }

func (m *machine) sh(name string, args ...string) string {
	m.t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	require.NoError(m.t, err, "%s: %s", name, out)
	return string(out)
}

// listen gives a port of the machine's a place to be plugged in.
func (m *machine) listen(name string) net.Listener {
	_ = os.Remove(m.path(name))
	l, err := net.Listen("unix", m.path(name))
	require.NoError(m.t, err)
	return l
}

// power switches the machine on.
func (m *machine) power() {
	t := m.t
	bridge, control := m.listen("bridge"), m.listen("control")
	defer bridge.Close()
	defer control.Close()
	log, err := os.OpenFile(m.path("console"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	require.NoError(t, err)
	defer log.Close()
	port := func(name string) []string {
		return []string{"-chardev", "socket,id=" + name + ",path=" + m.path(name), "-device", "virtserialport,chardev=" + name + ",name=" + name}
	}
	args := []string{"-accel", os.Getenv("VMTEST_ACCEL"), "-m", "192", "-display", "none", "-nodefaults", "-no-user-config", "-serial", "stdio",
		"-kernel", filepath.Join(m.with, "vmlinuz"), "-initrd", filepath.Join(m.with, "initrd.gz"),
		"-append", "console=ttyS0 loglevel=5 panic=0 no_timer_check", "-device", "i6300esb", "-device", "virtio-serial-pci",
		"-drive", "file=" + m.path("disk") + ",format=raw,if=virtio"}
	args = append(append(args, port("bridge")...), port("control")...)
	m.qemu = exec.Command("qemu-system-x86_64", args...)
	m.qemu.Stdout, m.qemu.Stderr = log, log
	require.NoError(t, m.qemu.Start())
	qemu, gone := m.qemu, make(chan struct{})
	m.gone = gone
	go func() {
		_ = qemu.Wait()
		close(gone)
	}()
	accept := func(l net.Listener) net.Conn {
		_ = l.(*net.UnixListener).SetDeadline(time.Now().Add(20 * time.Second))
		conn, err := l.Accept()
		require.NoError(t, err, "the machine does not start")
		return conn
	}
	plug := accept(bridge)
	m.control = accept(control)
	m.told = make(chan told, 100)
	unplugged := make(chan struct{})
	m.unplugged = unplugged
	go func() {
		defer close(unplugged)
		m.bench.plug(plug)
	}()
	go m.listenTo(m.control, m.told)
}

func (m *machine) listenTo(conn net.Conn, answers chan<- told) {
	lines := json.NewDecoder(conn)
	for {
		x := told{}
		if err := lines.Decode(&x.Control); err != nil {
			return
		}
		if x.at = time.Now(); x.Answer {
			answers <- x
			continue
		}
		m.mu.Lock()
		m.events = append(m.events, x)
		m.mu.Unlock()
	}
}

// cut takes the power away.
func (m *machine) cut() {
	if m.qemu == nil {
		return
	}
	_ = m.qemu.Process.Kill()
	<-m.gone
	_ = m.control.Close()
	m.qemu = nil
	<-m.unplugged
}

// event waits for the next event of a name after a time.
func (m *machine) event(name string, after time.Time, within time.Duration) told {
	m.t.Helper()
	for end := time.Now().Add(within); ; time.Sleep(20 * time.Millisecond) {
		m.mu.Lock()
		for _, e := range m.events {
			if e.Event == name && e.at.After(after) {
				m.mu.Unlock()
				return e
			}
		}
		m.mu.Unlock()
		require.True(m.t, time.Now().Before(end), "the machine did not tell %q within %v", name, within)
	}
}

func (m *machine) send(r wire.Control) {
	line, err := json.Marshal(r)
	require.NoError(m.t, err)
	_, err = m.control.Write(append(line, '\n'))
	require.NoError(m.t, err)
}

func (m *machine) ask(r wire.Control) told {
	m.t.Helper()
	m.send(r)
	select {
	case a := <-m.told:
		return a
	case <-time.After(60 * time.Second):
		require.Fail(m.t, "the machine does not answer", "%+v", r)
		return told{}
	}
}

// cli runs the command line in the machine.
func (m *machine) cli(args ...string) told {
	m.t.Helper()
	return m.ask(wire.Control{Run: append([]string{"/usr/bin/drywarden", "--socket", "/run/drywarden.sock"}, args...)})
}

// do runs a command that must be acknowledged. A stage that is just changing refuses; then it is asked again.
func (m *machine) do(args ...string) {
	m.t.Helper()
	for end := time.Now().Add(60 * time.Second); ; {
		a := m.cli(args...)
		if a.Code == 0 {
			return
		}
		require.True(m.t, time.Now().Before(end), "%s: %s%s", strings.Join(args, " "), a.Out, a.Err)
		time.Sleep(500 * time.Millisecond)
	}
}

func (m *machine) status() *controller.Status {
	a := m.cli("status", "--json")
	s := &controller.Status{}
	if a.Code != 0 || json.Unmarshal([]byte(a.Out), s) != nil {
		return nil
	}
	return s
}

// see waits until the status is as wanted.
func (m *machine) see(what string, within time.Duration, ok func(*controller.Status) bool) *controller.Status {
	m.t.Helper()
	for end := time.Now().Add(within); ; time.Sleep(time.Second) {
		s := m.status()
		if s != nil && ok(s) {
			return s
		}
		if !time.Now().Before(end) {
			text, _ := json.MarshalIndent(s, "", " ")
			require.Fail(m.t, fmt.Sprintf("waited %v for %s", within, what), "%s", text)
		}
	}
}

// kill kills the daemon, at some time between those that it gives.
func (m *machine) kill(signal syscall.Signal) (asked, told time.Time) {
	m.t.Helper()
	asked = time.Now()
	answer := m.ask(wire.Control{Signal: int(signal)})
	require.Zero(m.t, answer.Code, answer.Err)
	return asked, answer.at
}

// off ends the machine in good order.
func (m *machine) off() {
	m.send(wire.Control{Off: true})
	select {
	case <-m.gone:
	case <-time.After(60 * time.Second):
		require.Fail(m.t, "the machine does not switch itself off")
	}
	m.cut()
}

// tickKeepsTime is the one invariant that is the host's to keep: what a processor is late for that others use is told, and
// not judged.
const tickKeepsTime = "tick keeps time"

// audit takes the trace from the disk and lets the program's own judge read it, which must have seen all boots.
func (m *machine) audit(boots int) {
	m.t.Helper()
	m.sh("debugfs", "-R", "dump /vm/trace "+m.path("trace"), m.path("disk"))
	out, err := exec.Command(filepath.Join(m.with, "drywarden"), "audit", "--json", m.path("trace")).Output()
	var report audit.Report
	require.NoError(m.t, json.Unmarshal(out, &report), "%s%v", out, err)
	require.Empty(m.t, report.Damage)
	require.EqualValues(m.t, boots, report.Boots, "boots in the trace")
	late := uint64(0)
	for _, c := range report.Counts {
		if c.Name == tickKeepsTime {
			late = c.Violated
		}
	}
	require.Equal(m.t, late, report.Total, "%s", out)
	m.t.Logf("audit: %d ticks of %d boots, %d invariants put to the test, none broken; %d ticks late, as the host let them be",
		report.Records, report.Boots, len(report.Judged), late)
}
