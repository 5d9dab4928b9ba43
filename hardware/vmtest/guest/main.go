package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"drywarden/hardware/vmtest/wire"
)

const (
	kilnFile   = "/etc/drywarden/vm.toml"
	stateMount = "/var/lib/drywarden"
	program    = "/usr/bin/drywarden"

	// As in deploy's unit.
	watchdogAfter = 10 * time.Second
	restartAfter  = 5 * time.Second
	daemonNice    = -10

	machineWatchdog = 10 // seconds until the machine is reset
	feedEvery       = 2 * time.Second
	deviceWithin    = 30 * time.Second
)

func main() {
	var err error
	switch {
	case len(os.Args) == 3 && os.Args[1] == "bridge":
		err = bridge(os.Args[2])
	case len(os.Args) == 2 && os.Args[1] == "alone":
		err = alone()
	default:
		err = run()
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "guest:", err)
	}
	if os.Getpid() == 1 {
		_ = unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
	}
}

// machine is what process 1 knows.
type machine struct {
	control *os.File
	dog     *os.File

	mu     sync.Mutex // guards what follows
	daemon *os.Process
	ending bool // no new start
}

func run() error {
	if err := mounts(); err != nil {
		return err
	}
	if err := modules("/lib/modules"); err != nil {
		return err
	}
	bridgePath, err := findPort("bridge")
	if err != nil {
		return err
	}
	controlPath, err := findPort("control")
	if err != nil {
		return err
	}
	said("modules and ports")
	m := &machine{}
	if m.control, err = os.OpenFile(controlPath, os.O_RDWR, 0); err != nil {
		return err
	}
	if err := unix.Mount("/dev/vda", stateMount, "ext4", 0, ""); err != nil {
		return fmt.Errorf("mount the disk: %w", err)
	}
	reset, err := m.watchdog()
	if err != nil {
		return err
	}
	bridge := exec.Command("/init", "bridge", bridgePath)
	bridge.Stdout, bridge.Stderr = os.Stdout, os.Stderr
	if err := start(bridge, -20); err != nil { // it stands for hardware
		return fmt.Errorf("start the bridge: %w", err)
	}
	said("disk and watchdog")
	if err := buses(); err != nil {
		return err
	}
	said("buses")
	m.tell(wire.Control{Event: "up", Reset: reset})
	go m.keep()
	return m.serve()
}

// said tells the console how far the start has come.
func said(what string) {
	up, _ := os.ReadFile("/proc/uptime") // without it the line is shorter
	seconds, _, _ := strings.Cut(string(up), " ")
	fmt.Println("guest:", what, seconds)
}

func mounts() error {
	for _, x := range []struct{ kind, at string }{{"devtmpfs", "/dev"}, {"proc", "/proc"}, {"sysfs", "/sys"}, {"tmpfs", "/run"}, {"tmpfs", "/tmp"}} {
		if err := os.MkdirAll(x.at, 0o755); err != nil {
			return err
		}
		if err := unix.Mount(x.kind, x.at, x.kind, 0, ""); err != nil && !errors.Is(err, unix.EBUSY) {
			return fmt.Errorf("mount %s: %w", x.at, err)
		}
	}
	return os.MkdirAll(stateMount, 0o755)
}

// modules loads what the list in dir names, in its order.
func modules(dir string) error {
	list, err := os.ReadFile(filepath.Join(dir, "list"))
	if err != nil {
		return err
	}
	for _, name := range strings.Fields(string(list)) {
		file, err := os.Open(filepath.Join(dir, name))
		if err != nil {
			return err
		}
		err = unix.FinitModule(int(file.Fd()), "", 0)
		_ = file.Close()
		if err != nil && !errors.Is(err, unix.EEXIST) && !errors.Is(err, unix.ENODEV) { // not on this processor
			return fmt.Errorf("load %s: %w", name, err)
		}
	}
	return nil
}

// wait looks for something until it is there.
func wait(what string, look func() (string, bool)) (string, error) {
	for end := time.Now().Add(deviceWithin); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if found, ok := look(); ok {
			return found, nil
		}
	}
	return "", fmt.Errorf("wait for %s: not there after %v", what, deviceWithin)
}

// named finds the device of a class whose file says a name, and gives the path of its folder.
func named(pattern, name string) func() (string, bool) {
	return func() (string, bool) {
		files, _ := filepath.Glob(pattern) // the pattern is good
		for _, file := range files {
			if text, err := os.ReadFile(file); err == nil && strings.HasPrefix(strings.TrimSpace(string(text)), name) {
				return filepath.Dir(file), true
			}
		}
		return "", false
	}
}

func findPort(name string) (string, error) {
	dir, err := wait("port "+name, named("/sys/class/virtio-ports/*/name", name))
	return "/dev/" + filepath.Base(dir), err
}

// buses waits for the bridge's bus and puts the 1-wire bridge on it, as a line in a device tree would.
func buses() error {
	dir, err := wait("the bridge's bus", named("/sys/class/i2c-dev/*/name", "CP2112 SMBus Bridge"))
	if err != nil {
		return err
	}
	if filepath.Base(dir) != "i2c-0" {
		return fmt.Errorf("the bridge's bus is %s, the kiln file says i2c-0", filepath.Base(dir))
	}
	// A driver that got no answer in time has given up: on a slow host it is told again.
	const devices = "/sys/bus/i2c/devices/i2c-0/"
	for range 10 {
		if err := os.WriteFile(devices+"new_device", []byte("ds2482 0x18\n"), 0o200); err != nil {
			return fmt.Errorf("put the 1-wire bridge on its bus: %w", err)
		}
		if _, err := os.Stat("/sys/bus/w1/devices/w1_bus_master1"); err == nil {
			return nil
		}
		if err := os.WriteFile(devices+"delete_device", []byte("0x18\n"), 0o200); err != nil {
			return fmt.Errorf("take the 1-wire bridge off its bus: %w", err)
		}
	}
	return errors.New("the 1-wire bridge does not answer")
}

// watchdog opens the machine's watchdog, which arms it, and tells whether it made the last reset. From then on the machine
// is reset unless this process feeds it.
func (m *machine) watchdog() (reset bool, err error) {
	if m.dog, err = os.OpenFile("/dev/watchdog0", os.O_WRONLY, 0); err != nil {
		return false, err
	}
	fd := int(m.dog.Fd())
	status, err := unix.IoctlGetInt(fd, unix.WDIOC_GETBOOTSTATUS)
	if err != nil {
		return false, fmt.Errorf("ask the watchdog: %w", err)
	}
	if err := unix.IoctlSetPointerInt(fd, unix.WDIOC_SETTIMEOUT, machineWatchdog); err != nil {
		return false, fmt.Errorf("set the watchdog: %w", err)
	}
	go func() {
		for range time.Tick(feedEvery) {
			_, _ = m.dog.Write([]byte{0})
		}
	}()
	return status&unix.WDIOF_CARDRESET != 0, nil
}

func (m *machine) tell(t wire.Control) {
	line, err := json.Marshal(t)
	if err != nil {
		line = []byte(`{"event":"` + err.Error() + `"}`)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	_, _ = m.control.Write(append(line, '\n')) // nobody may be there
}

// keep is the service manager for one service.
func (m *machine) keep() {
	for {
		err := m.service()
		fmt.Println("guest: the daemon ended:", err)
		m.tell(wire.Control{Event: "ended", Err: fmt.Sprint(err)})
		m.mu.Lock()
		ending := m.ending
		m.mu.Unlock()
		if ending {
			return
		}
		made := output(program, "outputs", "off", "--config", kilnFile)
		made.Event, made.Answer = "made_off", false
		m.tell(made)
		time.Sleep(restartAfter)
	}
}

// service runs the daemon once. It ends it when its loop feeds no watchdog.
func (m *machine) service() error {
	const path = "/run/notify"
	_ = os.Remove(path)
	socket, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer func() { _ = unix.Close(socket) }()
	if err := unix.Bind(socket, &unix.SockaddrUnix{Name: path}); err != nil {
		return err
	}
	if err := unix.SetsockoptTimeval(socket, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &unix.Timeval{Sec: 1}); err != nil {
		return err
	}
	daemon := exec.Command(program, "run", "--config", kilnFile)
	daemon.Stdout, daemon.Stderr = os.Stdout, os.Stderr
	daemon.Env = append(os.Environ(), "NOTIFY_SOCKET="+path)
	if err := start(daemon, daemonNice); err != nil {
		return err
	}
	m.mu.Lock()
	m.daemon = daemon.Process
	m.mu.Unlock()
	m.tell(wire.Control{Event: "started"})
	ended := make(chan error, 1)
	go func() { ended <- daemon.Wait() }()
	buffer := make([]byte, 4096)
	ready, fed := false, time.Now()
	for {
		select {
		case err := <-ended:
			return err
		default:
		}
		n, _, err := unix.Recvfrom(socket, buffer, 0)
		switch {
		case err == nil && bytes.Contains(buffer[:n], []byte("READY=1")):
			ready = true
			m.tell(wire.Control{Event: "ready"})
			fallthrough
		case err == nil && bytes.Contains(buffer[:n], []byte("WATCHDOG=1")):
			fed = time.Now()
		case ready && time.Since(fed) > watchdogAfter:
			fmt.Println("guest: the daemon feeds no watchdog")
			_ = daemon.Process.Signal(syscall.SIGABRT)
			time.Sleep(time.Second)
			_ = daemon.Process.Kill() // a stopped process takes nothing else
			return <-ended
		}
	}
}

// start starts a process with a priority, which all its threads have from this one.
func start(cmd *exec.Cmd, nice int) error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if err := unix.Setpriority(unix.PRIO_PROCESS, 0, nice); err != nil {
		return err
	}
	return errors.Join(cmd.Start(), unix.Setpriority(unix.PRIO_PROCESS, 0, 0))
}

// output runs a command and gives what it wrote.
func output(name string, args ...string) wire.Control {
	var out, errs bytes.Buffer
	cmd := exec.Command(name, args...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	t := wire.Control{Answer: true, Code: cmd.ProcessState.ExitCode(), Out: out.String(), Err: errs.String()}
	if err != nil && t.Err == "" {
		t.Err = err.Error()
	}
	return t
}

// serve does what the bench asks for.
func (m *machine) serve() error {
	requests := json.NewDecoder(m.control)
	for {
		var r wire.Control
		if err := requests.Decode(&r); err != nil {
			return fmt.Errorf("listen to the bench: %w", err)
		}
		answer := wire.Control{Answer: true}
		if r.File != "" {
			if err := os.WriteFile(r.File, []byte(r.Text), 0o644); err != nil {
				answer = wire.Control{Answer: true, Code: -1, Err: err.Error()}
			}
		}
		m.mu.Lock()
		daemon := m.daemon
		m.ending = m.ending || r.Off
		m.mu.Unlock()
		switch {
		case len(r.Run) > 0:
			answer = output(r.Run[0], r.Run[1:]...)
		case r.Signal != 0 && daemon != nil:
			if err := daemon.Signal(syscall.Signal(r.Signal)); err != nil {
				answer = wire.Control{Answer: true, Code: -1, Err: err.Error()}
			}
		case r.Panic:
			_ = os.WriteFile("/proc/sysrq-trigger", []byte("c"), 0o200)
		case r.Off:
			return m.end(daemon)
		}
		m.tell(answer)
	}
}

// end ends the daemon in good order, disarms the watchdog and lets the disk go.
func (m *machine) end(daemon *os.Process) error {
	if daemon != nil {
		_ = daemon.Signal(syscall.SIGTERM)
		for range 200 { // until it is gone
			if daemon.Signal(syscall.Signal(0)) != nil {
				break
			}
			time.Sleep(100 * time.Millisecond)
		}
	}
	_, _ = m.dog.Write([]byte("V"))
	_ = m.dog.Close()
	unix.Sync()
	return unix.Unmount(stateMount, 0)
}
