package main

import (
	"context"
	"log/slog"
	"time"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/controller/store"
	"drywarden/hardware/board"
	"drywarden/hardware/mono"
	"drywarden/schedule"
)

// openBoard opens the buses and lines of a real kiln. From then on everything is off until the gate says otherwise.
func openBoard(file *kilnfile.File, log *slog.Logger, tools *daemonTools) (*driven, error) {
	host := board.NewLinux()
	logWatchdogs(watchdogs, log)
	if _, err := store.SinceBoot(); err != nil {
		return nil, err
	}
	pace := mono.NewRealBy(tick, func() time.Duration {
		now, _ := store.SinceBoot() // it could be read above, and does not change its mind
		return now
	})
	kiln, err := board.Open(file.Wiring(pace), host)
	if err != nil {
		return nil, failf(exitFailed, "kiln %q: %w", file.Name, file.Locate(err))
	}
	tools.add(kiln.Close)
	return &driven{kiln: kiln, layout: file.Layout(), pace: pace,
		prepare: func(files controller.ChargeFiles, k schedule.Kiln) (*schedule.Plan, error) { return resolve(files, k) },
		admit:   func(plan *schedule.Plan) error { return admitReal(file, plan, log) },
		stamp:   stampNow(store.Now, log),
		side:    func(ctx context.Context) error { logFaults(ctx, kiln, file, log); return nil },
	}, nil
}

// admitReal refuses a heat treatment by probes whose calibration holds no longer.
func admitReal(file *kilnfile.File, plan *schedule.Plan, log *slog.Logger) error {
	now := wall()
	if !now.Trusted {
		log.Warn("whether the probes' calibrations still hold cannot be told: the clock is not set", "charge", plan.Charge)
		return nil
	}
	return file.CheckCalibration(plan, time.Unix(now.Unix, 0))
}

// stampNow tells the computer's own time. Without the kernel's time since boot it is wall time alone, when that is trusted:
// an outage's length then hangs on the network's clock.
func stampNow(read func() (store.Stamp, error), log *slog.Logger) func() store.Stamp {
	failed := false
	return func() store.Stamp {
		s, err := read()
		if err != nil && !failed {
			failed = true
			log.Error("the length of an outage can be told only while the network sets the clock", "err", err)
		}
		return s
	}
}

// faultsEvery is how often the log is told what does not work.
const faultsEvery = 5 * time.Second

// logFaults logs each fault of the hardware when it begins, when it changes, and when it is gone: the evidence that a
// reading's quality alone does not carry.
func logFaults(ctx context.Context, kiln *board.Board, file *kilnfile.File, log *slog.Logger) {
	ticker := time.NewTicker(faultsEvery)
	defer ticker.Stop()
	known := map[string]string{}
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		now := map[string]string{}
		for _, f := range kiln.Faults() {
			now[f.What] = f.Sign
			if known[f.What] != f.Sign {
				log.Warn("hardware fault", "what", f.What, "sign", f.Sign, "quality", f.Quality.String(), "err", file.Locate(f.Err))
			}
		}
		for what := range known {
			if now[what] == "" {
				log.Info("hardware fault is gone", "what", what)
			}
		}
		known = now
	}
}
