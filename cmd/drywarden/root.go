package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller/operator"
	"drywarden/schedule/sheet"
)

// Exit codes.
const (
	exitDone    = 0
	exitFailed  = 1
	exitUse     = 2 // wrong use or an invalid file
	exitRefused = 3 // by the daemon or a limit
	exitNoOne   = 4 // no daemon there
)

// coded is an error that knows its exit code. said tells that the command has told everything already.
type coded struct {
	code int
	err  error
	said bool
}

func (c *coded) Error() string { return c.err.Error() }
func (c *coded) Unwrap() error { return c.err }

func fail(code int, err error) error {
	if err == nil {
		return nil
	}
	return &coded{code: code, err: err}
}

func failf(code int, format string, args ...any) error {
	return fail(code, fmt.Errorf(format, args...))
}

// silent ends with a code and says nothing more.
func silent(code int) error { return &coded{code: code, err: errors.New("failed"), said: true} }

// app is what the commands share: the streams, and the flags that all have.
type app struct {
	out, err io.Writer
	in       io.Reader
	json     bool
	socket   string
	host     func() (host, error) // the computer that a real kiln is wired to
}

// run does one command line and gives its exit code. It is the whole program but for signals.
func run(ctx context.Context, args []string, in io.Reader, out, errs io.Writer) int {
	a := &app{in: in, out: out, err: errs, host: linuxHost}
	root := a.root()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errs)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	code, said := exitUse, false // what never reached a command is wrong use
	var known *coded
	var faults *sheet.Faults
	switch {
	case errors.As(err, &known):
		code, said = known.code, known.said
	case errors.As(err, &faults):
		code = exitUse
	}
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		err = errStopped
	}
	if !said {
		a.complain(err, errors.As(err, &faults), faults)
	}
	return code
}

// errStopped stands for whatever a library says when a signal ends a command.
var errStopped = errors.New("stopped by a signal before it was done; what was asked of a daemon may still be done: look at its status")

// faultJSON is one fault of a file as --json tells it.
type faultJSON struct {
	File     string `json:"file"`
	Line     int    `json:"line"`
	Key      string `json:"key"`
	Found    string `json:"found"`
	Expected string `json:"expected"`
}

func (a *app) complain(err error, areFaults bool, faults *sheet.Faults) {
	if a.json {
		told := struct {
			Error  string      `json:"error"`
			Faults []faultJSON `json:"faults,omitempty"`
		}{Error: err.Error()}
		if areFaults {
			for _, f := range faults.List {
				told.Faults = append(told.Faults, faultJSON(f))
			}
		}
		for _, f := range located(err) {
			told.Faults = append(told.Faults, faultJSON(f))
		}
		var invalid *operator.InvalidError
		if errors.As(err, &invalid) {
			told.Error = invalid.Text
			for _, f := range invalid.Faults {
				told.Faults = append(told.Faults, faultJSON(f))
			}
		}
		_ = a.print(told)
		return
	}
	if areFaults {
		fmt.Fprintln(a.err, err.Error())
		fmt.Fprintf(a.err, "%s; nothing was changed\n", count(len(faults.List), "fault"))
		return
	}
	fmt.Fprintln(a.err, "drywarden: "+err.Error())
}

// located gives the faults in err that were found when the hardware was opened.
func located(err error) []sheet.Fault {
	switch e := err.(type) {
	case *kilnfile.Located:
		return []sheet.Fault{e.Fault}
	case interface{ Unwrap() error }:
		return located(e.Unwrap())
	case interface{ Unwrap() []error }:
		var all []sheet.Fault
		for _, one := range e.Unwrap() {
			all = append(all, located(one)...)
		}
		return all
	}
	return nil
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// print writes a value as JSON, indented: people read it too.
func (a *app) print(v any) error {
	e := json.NewEncoder(a.out)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// act makes what a command returns count as its own error, not as wrong use.
func act(do func(cmd *cobra.Command, args []string) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) error {
		err := do(cmd, args)
		var known *coded
		var faults *sheet.Faults
		if err == nil || errors.As(err, &known) || errors.As(err, &faults) {
			return err
		}
		return fail(codeOf(err), err)
	}
}

// codeOf gives the exit code of what the daemon answered; anything else has failed.
func codeOf(err error) int {
	var (
		absent  *operator.AbsentError
		denied  *operator.DeniedError
		refused *operator.RefusedError
		invalid *operator.InvalidError
		failed  *operator.FailedError
	)
	switch {
	case errors.As(err, &absent):
		return exitNoOne
	case errors.As(err, &denied), errors.As(err, &refused):
		return exitRefused
	case errors.As(err, &invalid):
		return exitUse
	case errors.As(err, &failed) && failed.Told.Kind == operator.KindRequest:
		return exitUse
	}
	return exitFailed
}

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "drywarden",
		Short: "Controller for one dehumidification lumber kiln",
		Long: `drywarden dries lumber in one dehumidification kiln: it works through a drying
schedule by the moisture of the wood, keeps the drying rate safe, protects the
machines, and says why. It is no safety device and certifies nothing; see the
cautions in its README.

Exit codes: 0 done, 1 failed, 2 wrong use or invalid file, 3 refused,
4 no daemon there.`,
		SilenceErrors: true, SilenceUsage: true,
		Args: noWord,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	root.PersistentFlags().BoolVar(&a.json, "json", false, "answer in JSON, units in the key names")
	root.PersistentFlags().StringVar(&a.socket, "socket", os.Getenv("DRYWARDEN_SOCKET"),
		"`path` of the daemon's socket (default: $DRYWARDEN_SOCKET)")
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages", fmt.Sprintf(".FlagUsagesWrapped %d", columns)))
	root.PersistentFlags().Lookup("socket").DefValue = "" // help is the same wherever it is read
	root.AddGroup(
		&cobra.Group{ID: "try", Title: "Without a kiln:"},
		&cobra.Group{ID: "book", Title: "The handbook:"},
		&cobra.Group{ID: "kiln", Title: "The daemon:"},
		&cobra.Group{ID: "look", Title: "What is going on:"},
		&cobra.Group{ID: "hand", Title: "Your hand on it:"},
		&cobra.Group{ID: "wire", Title: "Wiring it up:"},
	)
	for _, c := range []struct {
		group string
		make  func() *cobra.Command
	}{
		{"try", a.simulateCommand}, {"try", a.checkCommand}, {"try", a.auditCommand},
		{"book", a.airCommand}, {"book", a.woodCommand}, {"book", a.heatTimeCommand}, {"book", a.scheduleCommand},
		{"kiln", a.runCommand},
		{"look", a.statusCommand}, {"look", a.watchCommand},
		{"hand", a.chargeCommand}, {"hand", a.stageCommand}, {"hand", a.tripCommand}, {"hand", a.alarmCommand},
		{"wire", a.wiringCommand}, {"wire", a.probeCommand}, {"wire", a.outputCommand},
	} {
		command := c.make()
		command.GroupID = c.group
		root.AddCommand(command)
	}
	root.AddCommand(&cobra.Command{Use: "version", Short: "Print the program's version", Args: cobra.NoArgs,
		RunE: act(func(*cobra.Command, []string) error {
			if a.json {
				return a.print(struct {
					Program string `json:"program"`
				}{program()})
			}
			_, err := fmt.Fprintln(a.out, program())
			return err
		})})
	return root
}

// noWord refuses a word that is no command, and names the nearest.
func noWord(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	near := ""
	if all := cmd.SuggestionsFor(args[0]); len(all) > 0 {
		near = ", did you mean " + strings.Join(all, " or ") + "?"
	}
	return fmt.Errorf("%q is no command%s (see %s --help)", args[0], near, cmd.CommandPath())
}

// program names this build, as traces and status carry it.
func program() string {
	version := "devel"
	if info, ok := debug.ReadBuildInfo(); ok {
		if v := info.Main.Version; v != "" && v != "(devel)" {
			version = strings.TrimPrefix(v, "v")
		}
	}
	return "drywarden " + version + " " + runtime.GOOS + "/" + runtime.GOARCH
}
