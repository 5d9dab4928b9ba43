package store

import (
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Stamp says when something was saved, for the length of an outage. Boot time means something only together with the
// boot's id; wall time only when trusted.
type Stamp struct {
	BootID      string        `json:"boot_id"`
	BootTime    time.Duration `json:"boot_time_nanoseconds"` // CLOCK_BOOTTIME: counts through suspend
	WallUnix    int64         `json:"wall_unix_seconds"`
	WallTrusted bool          `json:"wall_trusted"`
}

// bootIDFile is where the kernel tells one boot from another.
const bootIDFile = "/proc/sys/kernel/random/boot_id"

// Now reads the stamp of this instant. With an error (not Linux, no /proc) the stamp still carries wall time, which is
// better than nothing: it is to be used.
func Now() (Stamp, error) { return now(bootIDFile) }

func now(idFile string) (Stamp, error) {
	var s Stamp
	s.WallUnix, s.WallTrusted = WallTime()
	id, err := os.ReadFile(idFile)
	if err != nil {
		return s, fmt.Errorf("read boot id: %w", err)
	}
	since, err := SinceBoot()
	if err != nil {
		return s, err
	}
	s.BootID, s.BootTime = strings.TrimSpace(string(id)), since
	return s, nil
}

// SinceBoot is the kernel's clock that never goes back and counts through a suspend.
func SinceBoot() (time.Duration, error) {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		return 0, fmt.Errorf("read time since boot: %w", err)
	}
	return time.Duration(t.Nano()), nil
}

// WallTime gives seconds since 1970 and whether the kernel says that its clock is synchronised.
func WallTime() (seconds int64, trusted bool) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return time.Now().Unix(), err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}

// Outage tells how long it was from a save until now. Within one boot the kernel's clock since boot is the measure;
// across boots estimate is (from cooling; 0 when there is none). Trusted wall time may lengthen either, never shorten it.
// Known is false when there is no measure at all.
func Outage(then, now Stamp, estimate time.Duration) (length time.Duration, known bool) {
	if then.BootID != "" && then.BootID == now.BootID && now.BootTime >= then.BootTime {
		length, known = now.BootTime-then.BootTime, true
	} else if estimate > 0 {
		length, known = estimate, true
	}
	if then.WallTrusted && now.WallTrusted && now.WallUnix >= then.WallUnix {
		const centuries = 100 * 365 * 24 * time.Hour // more does not fit a duration and changes nothing
		wall := centuries
		if seconds := now.WallUnix - then.WallUnix; seconds < int64(centuries/time.Second) {
			wall = time.Duration(seconds) * time.Second
		}
		return max(length, wall), true
	}
	return length, known
}
