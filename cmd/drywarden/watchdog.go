package main

import (
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// watchdogs is where the kernel shows hardware watchdogs. The program feeds none itself: the service manager does, as long
// as the control loop feeds it.
const watchdogs = "/sys/class/watchdog"

// cardReset is the kernel's flag for a machine that its watchdog has just reset (WDIOF_CARDRESET in linux/watchdog.h).
const cardReset = 0x20

// logWatchdogs says which hardware watchdogs are there, and whether one of them reset this computer last.
func logWatchdogs(root string, log *slog.Logger) {
	found, _ := filepath.Glob(filepath.Join(root, "watchdog*")) // the pattern is good
	if len(found) == 0 {
		log.Warn("this computer has no hardware watchdog: when it hangs, only the heartbeat's relay acts")
	}
	for _, dir := range found {
		read := func(name string) string {
			text, err := os.ReadFile(filepath.Join(dir, name))
			if err != nil {
				return ""
			}
			return strings.TrimSpace(string(text))
		}
		status, _ := strconv.ParseUint(read("bootstatus"), 0, 32)
		if status&cardReset != 0 {
			log.Error("the hardware watchdog reset this computer: it hung", "watchdog", filepath.Base(dir), "identity", read("identity"))
			continue
		}
		log.Info("hardware watchdog", "watchdog", filepath.Base(dir), "identity", read("identity"), "state", read("state"))
	}
}
