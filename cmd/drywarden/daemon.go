package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"drywarden/cmd/drywarden/internal/courier"
	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/controller/loop"
	"drywarden/controller/metrics"
	"drywarden/controller/operator"
	"drywarden/controller/store"
	"drywarden/hardware"
	"drywarden/hardware/mono"
	"drywarden/hardware/trace"
	"drywarden/safety"
	"drywarden/schedule"
	"drywarden/schedule/sheet"
)

type runFlags struct {
	config, trace, group string
	speed                float64
}

func (a *app) runCommand() *cobra.Command {
	flags := runFlags{}
	cmd := &cobra.Command{
		Use:   "run --config FILE",
		Short: "Run one kiln: the daemon",
		Long: `run is the daemon of one kiln. It stays in the foreground, logs to standard
error, and switches everything off before it ends on SIGTERM or SIGINT.

With kind = "simulated" it runs the simulated kiln, with --speed faster than
real time. The simulated kiln keeps a file of its own in the state folder, which
the controller never reads: while the daemon is dead, the kiln goes on without
power.`,
		Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error { return a.daemon(cmd.Context(), &flags) }),
	}
	f := cmd.Flags()
	f.StringVar(&flags.config, "config", "", "kiln `file`")
	f.Float64Var(&flags.speed, "speed", 1, "times as fast as real time; only for a simulated kiln")
	f.StringVar(&flags.trace, "trace", "", "append every tick to this `file`, for audit (about 1 MB a day of kiln\n"+
		"time; default: trace in the state folder; off: none)")
	f.StringVar(&flags.group, "group", "", "`group` that may give commands (default: the process's)")
	_ = cmd.MarkFlagRequired("config")
	return cmd
}

// daemonTools are what a daemon opened, closed in the opposite order.
type daemonTools []func() error

func (d *daemonTools) add(closing func() error) { *d = append(*d, closing) }

func (d daemonTools) close() error {
	var faults []error
	for i := len(d) - 1; i >= 0; i-- {
		faults = append(faults, d[i]())
	}
	return errors.Join(faults...)
}

func (a *app) daemon(ctx context.Context, flags *runFlags) (err error) {
	text, err := os.ReadFile(flags.config)
	if err != nil {
		return failf(exitUse, "read kiln file: %w", err)
	}
	file, err := readKiln(flags.config, text)
	if err != nil {
		return err
	}
	switch {
	case file.Hardware.Kind == kilnfile.Board && flags.speed != 1:
		return failf(exitUse, "a real kiln runs in real time: --speed is only for kind = \"simulated\"")
	case !(flags.speed > 0 && flags.speed <= maxSpeed):
		return failf(exitUse, "--speed is %g, expected more than 0 and at most %d", flags.speed, maxSpeed)
	}
	log := slog.New(slog.NewTextHandler(a.err, nil)).With("kiln", file.Name)
	tools := daemonTools{}
	defer func() { err = errors.Join(err, tools.close()) }()

	folder := file.Path(file.State)
	lock, err := store.LockFolder(folder)
	if err != nil {
		return err
	}
	tools.add(lock.Close)
	fs, err := store.Folder(folder)
	if err != nil {
		return err
	}
	kiln, err := openKiln(file, folder, flags.speed, log, &tools)
	if err != nil {
		return err
	}
	return a.serve(ctx, file, flags, fs, kiln, log, &tools)
}

// driven is what a daemon runs: a simulated kiln or a board.
type driven struct {
	kiln interface {
		hardware.Inputs
		hardware.Actuators
	}
	layout  hardware.Layout
	pace    mono.Pacer
	seed    uint64
	prepare func(controller.ChargeFiles, schedule.Kiln) (*schedule.Plan, error)
	admit   func(*schedule.Plan) error // of a plan about to be started; may be nil
	stamp   func() store.Stamp
	begin   func(*loop.Loop, *recorder) // called once before the loop runs; may be nil
	side    func(context.Context) error // runs beside the loop; may be nil
}

func openKiln(file *kilnfile.File, folder string, speed float64, log *slog.Logger, tools *daemonTools) (*driven, error) {
	if file.Hardware.Kind == kilnfile.Board {
		return openBoard(file, log, tools)
	}
	live, err := openLive(file, folder, speed, log)
	if err != nil {
		return nil, err
	}
	tools.add(live.save)
	pace := &drive{Paced: mono.NewPaced(tick, speed), plant: live.plant}
	return &driven{kiln: live.plant, layout: live.plant.kiln.Layout(), pace: pace, seed: file.Simulated.Seed, prepare: live.prepare, stamp: live.stamp,
		begin: func(control *loop.Loop, record *recorder) {
			who := &person{plant: live.plant, loop: control, rules: ruleIDs(), where: record.where}
			pace.each = func() { who.act(); live.tick() }
		}}, nil
}

// maxSpeed bounds --speed: faster than this, simulate is what is wanted.
const maxSpeed = 100_000

// serve runs gate, loop, socket and metrics until ctx is done.
func (a *app) serve(ctx context.Context, file *kilnfile.File, flags *runFlags, fs store.FS, driven *driven, log *slog.Logger, tools *daemonTools) error {
	layout := driven.layout
	limits := file.SafetyLimits()
	config := controllerConfig(file, &layout)
	kiln := file.ForSchedule(&layout)

	listener, err := operator.Listen(file.Path(file.Socket), flags.group)
	if err != nil {
		return err
	}
	tools.add(func() error { return ignoreClosed(listener.Close()) })
	if _, err := safety.Compile(limits, &layout); err != nil {
		return failf(exitUse, "kiln %q: %w", file.Name, err)
	}
	gate, err := safety.NewGate(limits, &layout, driven.kiln, driven.pace, store.NewTrips(fs))
	if err != nil { // outputs that cannot be switched off
		return failf(exitFailed, "kiln %q: %w", file.Name, err)
	}
	slots := store.NewSlots(fs, "control")
	restored, problem := loop.Restore(slots)
	durable, last := uint64(0), uint32(0)
	if restored != nil {
		durable, last = restored.State.Generation, restored.Boot
	}
	boot, err := store.NextBoot(fs, last)
	if err != nil {
		log.Error("a start with this number may have been before", "boot", boot, "err", err)
	}
	saver := loop.NewDiskSaver(slots, durable, log)
	tools.add(func() error { return saver.Close(saverPatience) })

	record, err := openRecorder(tracePath(file, flags.trace), log)
	if err != nil {
		return err
	}
	tools.add(record.close)
	notify := &notifier{}
	deps := loop.Deps{
		Config: config, Inputs: driven.kiln, Gate: gate, Saver: saver, Pacer: driven.pace, Recorder: record,
		Header: trace.Header{Program: program(), Kiln: file.Name, KilnHash: hashOf(file.Text()), Seed: driven.seed,
			Limits: traceLimits(&config, &limits, file)},
		Rules: safety.Rules(), Units: file.Units.String(), Unjudged: unjudged(&layout),
		Prepare:  func(files controller.ChargeFiles) (*schedule.Plan, error) { return driven.prepare(files, kiln) },
		Admit:    driven.admit,
		Copies:   loop.KeepIn(fs),
		KilnFile: controller.File{Name: filepath.Base(flags.config), Text: string(file.Text())},
		Restored: restored, Problem: problem, Boot: boot, Stamp: driven.stamp, Breaks: true, Wall: wall, Log: log, Notify: notify,
		PublishEvery: max(1, int(flags.speed/20)),
	}
	var teller *courier.Courier
	if told, ok := file.Courier(); ok {
		teller = courier.New(told, log)
		deps.Courier = teller
	}
	control, err := loop.New(deps)
	if err != nil {
		return fmt.Errorf("run kiln %q: %w", file.Name, err)
	}
	if driven.begin != nil {
		driven.begin(control, record)
	}

	// Side servers may die without the kiln: they log and are gone. They end after the loop has switched everything off.
	side, stop := context.WithCancel(context.WithoutCancel(ctx))
	var running sync.WaitGroup
	spawn := func(name string, do func() error) {
		running.Go(func() {
			if err := do(); err != nil {
				log.Error(name+" ended", "err", err)
			}
		})
	}
	spawn("gate watch", func() error { gate.Watch(side); return nil })
	if driven.side != nil {
		spawn("hardware watch", func() error { return driven.side(side) })
	}
	if teller != nil {
		spawn("courier", func() error { return teller.Run(side, control.Status) })
	}
	server := operator.NewServer(operator.Config{Program: program(), Rules: allRules(), Faults: faultsOf, Log: log}, control)
	spawn("operator server", func() error { return server.Serve(side, listener) })
	if err := serveMetrics(side, file, control, log, spawn); err != nil {
		stop()
		running.Wait()
		return errors.Join(err, gate.Close())
	}
	log.Info("running", "speed", flags.speed, "socket", file.Path(file.Socket), "state_folder", file.Path(file.State))
	err = control.Run(ctx)
	stop()
	running.Wait()
	return err
}

func wall() hardware.WallTime {
	seconds, trusted := store.WallTime()
	return hardware.WallTime{Unix: seconds, Trusted: trusted}
}

const saverPatience = 5 * time.Second

func ignoreClosed(err error) error {
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}

func ruleIDs() map[string]hardware.RuleID {
	ids := map[string]hardware.RuleID{}
	for _, r := range allRules() {
		ids[r.Name] = r.ID
	}
	return ids
}

// faultsOf takes the faults of files apart for the socket.
func faultsOf(err error) []operator.Fault {
	var faults *sheet.Faults
	if !errors.As(err, &faults) {
		return nil
	}
	var list []operator.Fault
	for _, f := range faults.List {
		list = append(list, operator.Fault{File: f.File, Line: f.Line, Key: f.Key, Found: f.Found, Expected: f.Expected})
	}
	return list
}

func serveMetrics(ctx context.Context, file *kilnfile.File, control *loop.Loop, log *slog.Logger, spawn func(string, func() error)) error {
	if file.Metrics == "off" {
		return nil
	}
	listener, err := net.Listen("tcp", file.Metrics)
	if err != nil {
		return fmt.Errorf("serve metrics: %w", err)
	}
	log.Info("metrics", "address", listener.Addr().String())
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", metrics.Handler(metrics.NewRegistry(metrics.Config{Version: program(), Rules: allRules(), Status: control.Status})))
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, WriteTimeout: 30 * time.Second, MaxHeaderBytes: 16 << 10}
	spawn("metrics server", func() error {
		go func() { // the server's own end, which comes when ctx is done
			<-ctx.Done()
			_ = server.Close()
		}()
		if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	})
	return nil
}

// notifier tells the service manager; without one it does nothing.
type notifier struct {
	last time.Time
}

// aliveEvery bounds how often the watchdog is fed.
const aliveEvery = time.Second

func (n *notifier) Ready() { _, _ = systemd.SdNotify(false, systemd.SdNotifyReady) }
func (n *notifier) Alive() {
	if now := time.Now(); now.Sub(n.last) >= aliveEvery {
		n.last = now
		_, _ = systemd.SdNotify(false, systemd.SdNotifyWatchdog)
	}
}
func (n *notifier) Status(line string) { _, _ = systemd.SdNotify(false, "STATUS="+line) }
func (n *notifier) Stopping()          { _, _ = systemd.SdNotify(false, systemd.SdNotifyStopping) }

// simulatedState is the simulated kiln's own file in the state folder. The controller never reads it.
const simulatedState = "simulated-kiln"

func statePath(folder string) string { return filepath.Join(folder, simulatedState) }
