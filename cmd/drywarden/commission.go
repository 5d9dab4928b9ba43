package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller/store"
	"drywarden/hardware/board"
	"drywarden/hardware/mono"
)

func (a *app) probeCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "probe", Short: "What hangs on the buses, with the daemon stopped", Args: noWord,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	cmd.AddCommand(a.probeListCommand(), a.probeWatchCommand())
	return cmd
}

func (a *app) probeWatchCommand() *cobra.Command {
	var config string
	var every time.Duration
	var times int
	watch := &cobra.Command{
		Use:   "watch --config FILE",
		Short: "Show all probes of a kiln, as measured and with their calibration",
		Long: `watch reads the probes of a kiln file and shows them again and again, in the
units that the file asks for: the value as measured, its offset, the value with
it, how old that is, and what is wrong now. A probe that has a fault shows what
it last measured well. Everything is switched off while it runs, and it refuses
to run beside the daemon. Warm a probe with your hand to see which one it is.`,
		Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error { return a.probeWatch(cmd.Context(), config, every, times) }),
	}
	watch.Flags().StringVar(&config, "config", "", "kiln `file`")
	watch.Flags().DurationVar(&every, "every", 2*time.Second, "between two looks")
	watch.Flags().IntVar(&times, "times", 0, "looks; 0: until interrupted")
	_ = watch.MarkFlagRequired("config")
	return watch
}

// boardFile reads the kiln file of a real kiln.
func boardFile(path string) (*kilnfile.File, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, failf(exitUse, "read kiln file: %w", err)
	}
	file, err := readKiln(path, text)
	if err == nil && file.Hardware.Kind != kilnfile.Board {
		return nil, failf(exitUse, "kiln %q is simulated: it has no buses and lines", file.Name)
	}
	return file, err
}

func (a *app) probeWatch(ctx context.Context, path string, every time.Duration, times int) (err error) {
	file, err := boardFile(path)
	if err != nil {
		return err
	}
	if every < 100*time.Millisecond || times < 0 {
		return failf(exitUse, "--every is %v, --times %d; expected at least 100 ms, and 0 or more", every, times)
	}
	lock, err := store.LockFolder(file.Path(file.State))
	if err != nil {
		return fail(exitRefused, err)
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	host, err := a.host()
	if err != nil {
		return err
	}
	clock := mono.NewReal(every)
	kiln, err := board.Open(file.Wiring(clock), host)
	if err != nil {
		return failf(exitFailed, "kiln %q: %w", file.Name, file.Locate(err))
	}
	defer func() { err = errors.Join(err, kiln.Close()) }()
	layout := file.Layout()
	for n := 0; times == 0 || n < times; n++ {
		if err := clock.Next(ctx); err != nil {
			return nil // interrupted: that is how it ends
		}
		if err := a.printProbes(file.Units, layout.Probes, kiln.Probes(clock.Now())); err != nil {
			return err
		}
	}
	return nil
}

func (a *app) outputOffCommand() *cobra.Command {
	var config string
	var force bool
	off := &cobra.Command{
		Use:   "off --config FILE",
		Short: "Switch every output of a real kiln off, after a crash",
		Long: `off switches every output of a kiln file off, whether its probes work or not.
Nothing may depend on it: the heartbeat's relay drops the master contactor when
the daemon is gone, and the emergency stop works with the computer removed.

Beside a daemon it refuses: stop that, and its outputs are off. A daemon that
hangs is killed first (systemctl kill -s KILL drywarden@NAME). With --force it
tries beside one nevertheless; the daemon keeps its lines, and if it lives it
switches on again what it wants on.`,
		Args: cobra.NoArgs,
		RunE: act(func(*cobra.Command, []string) error { return a.outputsOff(config, force) }),
	}
	off.Flags().StringVar(&config, "config", "", "kiln `file`")
	off.Flags().BoolVar(&force, "force", false, "beside a daemon, too")
	_ = off.MarkFlagRequired("config")
	return off
}

// offInSpite tells that outputs may go off although the state folder could not be locked: a daemon could not have locked it
// either, and a broken disk is no reason to leave anything on.
func offInSpite(err error) bool {
	_, held := errors.AsType[*store.LockedError](err)
	return !held && !errors.Is(err, fs.ErrPermission)
}

func (a *app) outputsOff(path string, force bool) (err error) {
	file, err := boardFile(path)
	if err != nil {
		return err
	}
	lock, err := store.LockFolder(file.Path(file.State))
	switch held, other := errors.AsType[*store.LockedError](err); {
	case err == nil:
		defer func() { err = errors.Join(err, lock.Close()) }()
	case other && !force:
		return failf(exitRefused, "%w; if process %s hangs, kill it first, or give --force", err, orElse(held.PID, "that"))
	case !offInSpite(err) && !force:
		return failf(exitRefused, "whether a daemon runs cannot be told: %w; do it as the daemon's user, or give --force", err)
	case !other:
		fmt.Fprintf(a.err, "drywarden: whether a daemon runs cannot be told: %v\n", err)
	}
	host, err := a.host()
	if err != nil {
		return err
	}
	kiln, err := board.Open(file.Wiring(mono.NewReal(tick)).OutputsOnly(), host)
	if err != nil {
		return failf(exitFailed, "kiln %q: %w", file.Name, file.Locate(err))
	}
	if err := kiln.Close(); err != nil { // it switches off and proves it
		return failf(exitFailed, "kiln %q: %w", file.Name, err)
	}
	if a.json {
		return a.print(struct {
			Kiln string `json:"kiln"`
			Off  int    `json:"outputs_off"`
		}{file.Name, len(file.Outputs)})
	}
	_, err = fmt.Fprintf(a.out, "%s of kiln %s off\n", count(len(file.Outputs), "output"), file.Name)
	return err
}
