package installed

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const repository = "../../.."

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(text)
}

// section gives what a text has between two lines.
func section(t *testing.T, text, from, to string) string {
	t.Helper()
	_, text, ok := strings.Cut(text, from)
	require.True(t, ok, from)
	text, _, ok = strings.Cut(text, to)
	require.True(t, ok, to)
	return text
}

// installation gives the commands of deploy/README.md, with the kiln file of the bench in place of the example's.
func installation(t *testing.T) string {
	text := section(t, read(t, filepath.Join(repository, "deploy/README.md")), "as root:\n", "\n`daemon-reexec`")
	var commands []string
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line != "" {
			commands = append(commands, line+" || echo FAILED")
		}
	}
	require.Greater(t, len(commands), 10)
	return strings.Join(commands, "\n")
}

// firstStart gives the commands of README.md's steps 2 to 6, each as a step of its own.
func firstStart(t *testing.T) string {
	text := section(t, read(t, filepath.Join(repository, "README.md")), "### First start\n", "\n### ")
	var b strings.Builder
	for _, m := range regexp.MustCompile("`((?:sudo |drywarden )[^`]+)`").FindAllStringSubmatch(strings.ReplaceAll(text, "\n", " "), -1) {
		command := regexp.MustCompile(`\s+`).ReplaceAllString(m[1], " ")
		word := command[strings.LastIndex(command, "drywarden ")+len("drywarden "):]
		switch {
		case strings.HasPrefix(word, "probe watch"):
			command += " --times 8" // where a person presses Ctrl-C
		case strings.HasPrefix(word, "check --hardware"):
			command = "yes s | " + command // nobody has warm hands here
		case strings.HasSuffix(command, " status"):
			command = "for wait in $(seq 60); do [ -S /run/drywarden/north.sock ] && break; sleep 1; done\n" + command
		}
		fmt.Fprintf(&b, "step %q\n%s\n", m[1], command)
	}
	return b.String()
}

// TestInstalled does it all in one machine.
func TestInstalled(t *testing.T) {
	with := os.Getenv("INSTALLED")
	if with == "" {
		t.Skip("run makes the machine")
	}
	root := filepath.Join(with, "root")
	kiln := strings.NewReplacer(`name = "vm"`, `name = "north"`, "/var/lib/drywarden/vm", "/var/lib/drywarden/north",
		"/run/drywarden.sock", "/run/drywarden/north.sock").Replace(read(t, "../testdata/vm.toml"))
	walk := "export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin\ncd /root/drywarden\nstep() { echo \"=== step $*\"; }\n" +
		"step install\n" + installation(t) + "\nid drywarden\n" + `
step chips
systemctl start kiln
bus=/sys/bus/i2c/devices/i2c-0
until [ -e /dev/i2c-0 ]; do sleep 0.2; done
# As a line in a device tree would; a slow machine's chip may have to be asked again.
for try in 1 2 3 4 5 6; do
	echo ds2482 0x18 >$bus/new_device
	sleep 1
	[ -e /sys/bus/w1/devices/w1_bus_master1 ] && break
	echo 0x18 >$bus/delete_device
done
for wait in $(seq 60); do
	[ "$(ls -d /sys/bus/w1/devices/28-* | wc -l)" -eq 6 ] && break
	sleep 1
done
udevadm settle
` + firstStart(t) + read(t, "testdata/later")
	for path, text := range map[string]string{
		"root/walk":                          walk,
		"root/drywarden/deploy/kiln.toml":    kiln,
		"etc/systemd/system/kiln.service":    read(t, "testdata/kiln.service"),
		"etc/systemd/system/walk.service":    read(t, "testdata/walk.service"),
		"etc/fstab":                          "/dev/vda / ext4 rw 0 0\n",
		"etc/hostname":                       "kiln\n",
		"etc/hosts":                          "127.0.0.1 localhost kiln\n",
		"usr/local/bin/sandbox":              read(t, "testdata/sandbox"),
		"etc/systemd/journald.conf.d/f.conf": "[Journal]\nForwardToConsole=no\n",
	} {
		path = filepath.Join(root, path)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o755))
	}
	wants := filepath.Join(root, "etc/systemd/system/multi-user.target.wants")
	require.NoError(t, os.MkdirAll(wants, 0o755))
	require.NoError(t, os.Symlink("../walk.service", filepath.Join(wants, "walk.service")))
	require.NoError(t, os.Symlink("/dev/null", filepath.Join(root, "etc/systemd/system/serial-getty@ttyS0.service")))

	steps := power(t, with)
	judge(t, steps)
}

// power switches the machine on and gives what was said in each step.
func power(t *testing.T, with string) map[string]string {
	disk := filepath.Join(with, "disk")
	for _, args := range [][]string{{"truncate", "-s", "800M", disk}, {"mkfs.ext4", "-q", "-d", filepath.Join(with, "root"), disk}} {
		out, err := exec.Command(args[0], args[1:]...).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Minute)
	defer cancel()
	qemu := exec.CommandContext(ctx, "qemu-system-x86_64", "-accel", "tcg,thread=multi", "-smp", "2", "-m", "768", "-display", "none", "-nodefaults",
		"-no-user-config", "-no-reboot", "-serial", "stdio", "-device", "i6300esb", "-kernel", filepath.Join(with, "vmlinuz"),
		"-initrd", filepath.Join(with, "initrd.gz"), "-append", "console=ttyS0 loglevel=1 panic=-1 no_timer_check systemd.show_status=false",
		"-drive", "file="+disk+",format=raw,if=virtio,cache=unsafe")
	var console bytes.Buffer
	qemu.Stdout, qemu.Stderr = &console, &console
	err := qemu.Run()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("console:\n%s", console.String())
		}
	})
	require.NoError(t, err)
	steps := map[string]string{}
	for _, part := range strings.Split(strings.ReplaceAll(console.String(), "\r", ""), "=== step ")[1:] {
		name, said, _ := strings.Cut(part, "\n")
		steps[name] = said
	}
	require.Contains(t, steps, "end", "the machine stopped before")
	return steps
}

func judge(t *testing.T, steps map[string]string) {
	install := steps["install"]
	for _, bad := range []string{"FAILED", "Conflict", "Unknown", "nvalid", "ailed"} {
		require.NotContains(t, install, bad)
	}
	require.Regexp(t, `uid=\d+\(drywarden\) .*\(dialout\).*\(gpio\).*\(i2c\).*\(spi\)`, install)

	const as = "sudo -u drywarden drywarden "
	found := steps[as+"probe list"]
	for _, says := range []string{`driver = "sht4x"`, "28-000000000006", "gpiochip0/7", "MCP23017"} {
		require.Contains(t, found, says)
	}
	require.Contains(t, steps["drywarden check /etc/drywarden/north.toml"], "kiln north (board): no fault")
	// Faults may come of a slow host; that it looked at everything is what counts.
	require.Contains(t, steps[as+"check --hardware --warm-hand /etc/drywarden/north.toml"], "kiln north: 11 probes, 14 contacts, 13 outputs")
	require.Regexp(t, `(?m)^db-1 .* 40\.00 C`, steps[as+"probe watch --config /etc/drywarden/north.toml"])
	for _, step := range []string{as + "--socket /run/drywarden/north.sock status", "operator"} {
		require.Contains(t, steps[step], "kiln north: no charge", step)
	}
	require.Contains(t, steps, "sudo systemctl enable --now drywarden@north")

	require.Contains(t, steps["crash"], "active")
	journal := steps["journal"]
	require.Regexp(t, `13 outputs of kiln north off|drywarden: kiln "north": .*timed out`, journal, "the unit did it; a slow host's bus may not have")
	require.Regexp(t, `msg=started .*restored=true .*outage_known=true`, journal)
	require.NotContains(t, journal, "cannot be told")
	require.NotContains(t, steps["stop"], "ailed")

	require.Regexp(t, `drywarden:drywarden /var/lib/drywarden/north/lock`, steps["root"])
	require.NotContains(t, steps["root"], "root:", "nothing is left that the daemon may not write")

	inside, outside, _ := strings.Cut(steps["sandbox"], "outside ")
	require.Contains(t, inside, "boot "+strings.TrimSpace(outside))
	for _, says := range []string{"manager seen: no", "together: 1", "opens /dev/ttyS0", "opens /dev/i2c-0", "opens /dev/gpiochip0",
		"swappiness: Read-only file system", "/etc/drywarden/x: "} {
		require.Contains(t, inside, says)
	}
	control := steps["control"]
	require.Contains(t, control, "boot_id: No such file")
	require.Contains(t, control, "therm_bulk_read: Read-only file system")
	require.NotContains(t, control, "opens /dev/ttyS0")
	require.Contains(t, control, "opens /dev/i2c-0")

	require.Contains(t, steps["watchdog"], "RuntimeWatchdogUSec=15s")
}
