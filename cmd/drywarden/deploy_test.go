package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const deployFolder = "../../deploy"

func deployed(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(deployFolder, name))
	require.NoError(t, err)
	return string(text)
}

// tool finds a program of the computer's, or skips.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skip(name + " is not there")
	}
	return path
}

// directives gives what a unit says, by key.
func directives(text string) map[string][]string {
	all := map[string][]string{}
	for line := range strings.Lines(text) {
		if key, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(key, "#") {
			all[key] = append(all[key], value)
		}
	}
	return all
}

// accountGroups gives the groups that the account is put into.
func accountGroups(t *testing.T) []string {
	var groups []string
	for _, m := range regexp.MustCompile(`(?m)^m drywarden (\S+)$`).FindAllStringSubmatch(deployed(t, "drywarden.sysusers"), -1) {
		groups = append(groups, m[1])
	}
	return groups
}

func TestDeployedUnit(t *testing.T) {
	unit := directives(deployed(t, "drywarden@.service"))
	for key, want := range map[string]string{"Type": "notify", "Restart": "always", "NoNewPrivileges": "yes", "ProtectSystem": "strict",
		"User": "drywarden", "StateDirectory": "drywarden/%i", "ProtectKernelTunables": "yes"} {
		require.Equal(t, []string{want}, unit[key], key)
	}
	require.NotEmpty(t, unit["WatchdogSec"])
	// With it /proc/sys/kernel/random/boot_id is not there, and the length of no outage can be told.
	require.NotContains(t, unit, "ProcSubset")
	require.Equal(t, []string{"/sys/devices"}, unit["ReadWritePaths"], "fan drives, and 1-wire thermometers that measure at once")

	allowed := unit["DeviceAllow"]
	for _, kind := range []string{"gpiochip", "i2c", "spi", "ttyUSB", "ttyACM", "ttyS", "ttyAMA", "ttySC"} {
		require.Contains(t, allowed, "char-"+kind+" rw")
	}
	for _, path := range allowed {
		require.NotRegexp(t, `mem\b`, path, "lines are the kernel's alone")
	}
	for _, module := range []string{"i2c_dev", "spidev", "usbserial", "cdc_acm"} {
		require.Contains(t, unit["Wants"][0], "modprobe@"+module+".service")
	}
	require.Equal(t, unit["Wants"][0], unit["After"][1], "loaded before the devices are looked up")
	require.Equal(t, strings.Fields(unit["SupplementaryGroups"][0]), accountGroups(t), "what a person does as the account is what the unit does")
}

// TestDeployedUnitIsUnderstood has the service manager's own tool read the unit, where it is there.
func TestDeployedUnitIsUnderstood(t *testing.T) {
	verify := tool(t, "systemd-analyze")
	here, err := os.Executable()
	require.NoError(t, err)
	// The program is not installed here: point the unit at one that is.
	text := strings.ReplaceAll(deployed(t, "drywarden@.service"), "/usr/bin/drywarden", here)
	dir := t.TempDir()
	try := func(text string) (string, error) {
		path := filepath.Join(dir, "drywarden@.service")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		cmd := exec.Command(verify, "verify", "--man=no", path)
		var errs bytes.Buffer
		cmd.Stderr = &errs
		err := cmd.Run()
		return about(errs.String(), "drywarden@"), err
	}
	told, err := try(text)
	require.NoError(t, err, told)
	require.Empty(t, told)
	told, _ = try(text + "\n[Service]\nNoSuchThing=yes\n")
	require.Contains(t, told, "NoSuchThing", "unknown keys are told on the error output only")
}

// about keeps the lines that name a unit: the tool may complain of others on this computer.
func about(text, unit string) string {
	var kept []string
	for line := range strings.Lines(text) {
		if strings.Contains(line, unit) {
			kept = append(kept, line)
		}
	}
	return strings.Join(kept, "")
}

// TestDeployedAccount makes account and folders in an empty root, as the installation does in the real one.
func TestDeployedAccount(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can make accounts")
	}
	users, files := tool(t, "systemd-sysusers"), tool(t, "systemd-tmpfiles")
	root := t.TempDir()
	for from, to := range map[string]string{"drywarden.sysusers": "sysusers.d", "drywarden.tmpfiles": "tmpfiles.d"} {
		dir := filepath.Join(root, "etc", to)
		require.NoError(t, os.MkdirAll(dir, 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(dir, "drywarden.conf"), []byte(deployed(t, from)), 0o600))
	}
	for _, cmd := range []*exec.Cmd{exec.Command(users, "--root="+root), exec.Command(files, "--create", "--root="+root)} {
		told, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s: %s", cmd, told)
	}
	group, err := os.ReadFile(filepath.Join(root, "etc/group"))
	require.NoError(t, err)
	for _, name := range append(accountGroups(t), "drywarden") {
		member := "drywarden"
		if name == member {
			member = ""
		}
		require.Regexp(t, `(?m)^`+name+`:x:\d+:`+member+`$`, string(group))
	}
	passwd, err := os.ReadFile(filepath.Join(root, "etc/passwd"))
	require.NoError(t, err)
	m := regexp.MustCompile(`(?m)^drywarden:x:(\d+):(\d+):`).FindSubmatch(passwd)
	require.NotNil(t, m)
	owner, err := exec.Command("stat", "-c", "%u %g %a", filepath.Join(root, "var/lib/drywarden"), filepath.Join(root, "etc/drywarden")).Output()
	require.NoError(t, err)
	require.Equal(t, string(m[1])+" "+string(m[2])+" 755\n0 0 755\n", string(owner))
}

// TestDeployedRules: udev would take a key that it does not know for a mistake and leave out the whole line, with a word in
// the journal that nobody reads.
func TestDeployedRules(t *testing.T) {
	clause := regexp.MustCompile(`^(SUBSYSTEM|KERNEL|ACTION|TEST|GROUP|MODE|RUN)(==|\+=|=)"[^"]+"$`)
	subsystems := map[string]bool{}
	for line := range strings.Lines(deployed(t, "60-drywarden.rules")) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "#") {
			continue
		}
		for _, c := range strings.Split(line, ", ") {
			require.Regexp(t, clause, c)
			if name, ok := strings.CutPrefix(c, "SUBSYSTEM=="); ok {
				subsystems[strings.Trim(name, `"`)] = true
			}
			if m := regexp.MustCompile(`^GROUP="(.+)"$|chgrp (?:-R )?(\S+) `).FindStringSubmatch(c); m != nil {
				require.Contains(t, accountGroups(t), m[1]+m[2])
			}
		}
	}
	require.Equal(t, map[string]bool{"gpio": true, "i2c-dev": true, "spidev": true, "pwm": true, "w1": true}, subsystems)
}

func TestDeployedScrapeExample(t *testing.T) {
	told, err := exec.Command(tool(t, "promtool"), "check", "config", filepath.Join(deployFolder, "prometheus.yml")).CombinedOutput()
	require.NoError(t, err, "%s", told)
}

// TestDeployReadme: each file has its row, and each row its file.
func TestDeployReadme(t *testing.T) {
	var rows, files []string
	for _, m := range regexp.MustCompile("(?m)^\\| `([^`]+)` \\|").FindAllStringSubmatch(deployed(t, "README.md"), -1) {
		rows = append(rows, m[1])
	}
	list, err := os.ReadDir(deployFolder)
	require.NoError(t, err)
	for _, f := range list {
		if f.Name() != "README.md" && !f.IsDir() {
			files = append(files, f.Name())
		}
	}
	slices.Sort(rows)
	require.Equal(t, files, rows)
}

// TestFirstStart: what opens buses or the state folder by itself runs as the daemon's account, and what asks the daemon names
// its socket, in the steps before the socket is in the profile.
func TestFirstStart(t *testing.T) {
	text, err := os.ReadFile(readme)
	require.NoError(t, err)
	_, steps, ok := strings.Cut(string(text), "### First start\n")
	require.True(t, ok)
	steps, _, ok = strings.Cut(steps, "\n### ")
	require.True(t, ok)
	spans := regexp.MustCompile("`[^`]*drywarden [^`]*`").FindAllString(strings.ReplaceAll(steps, "\n", " "), -1)
	require.Len(t, spans, 5)
	for _, span := range spans {
		switch {
		case strings.Contains(span, "systemctl"), strings.HasPrefix(span, "`drywarden check /"):
		case strings.Contains(span, " status"):
			require.Contains(t, span, "--socket /run/drywarden/north.sock")
			require.True(t, strings.HasPrefix(span, "`sudo -u drywarden drywarden "))
		default:
			require.True(t, strings.HasPrefix(span, "`sudo -u drywarden drywarden "), span)
		}
	}
}
