package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"drywarden/cmd/drywarden/internal/courier"
	"drywarden/controller"
)

func (a *app) tryAlarmCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "try FILE",
		Short: "Send a trial message to everybody whom a kiln file names",
		Long: `try runs the program of each recipient in the [alarm] table of a kiln file once,
with a message that says it is a trial, and tells how it went. It needs no
daemon. Run it as the daemon's account, or it proves little; and the service
manager's limits for the daemon (network, folders) do not hold for it.`,
		Example: "  sudo -u drywarden drywarden alarm try /etc/drywarden/north.toml",
		Args:    cobra.ExactArgs(1),
		RunE: act(func(cmd *cobra.Command, args []string) error {
			text, err := os.ReadFile(args[0])
			if err != nil {
				return failf(exitUse, "read kiln file: %w", err)
			}
			file, err := readKiln(args[0], text)
			if err != nil {
				return err
			}
			told, ok := file.Courier()
			if !ok {
				return failf(exitFailed, "%s names nobody: it has no [alarm]", args[0])
			}
			failed := false
			courier.Try(cmd.Context(), &told, func(name string, err error) {
				if err != nil {
					failed = true
					fmt.Fprint(a.out, wrap(name+": ", "not reached: "+err.Error(), "  "))
					return
				}
				fmt.Fprintf(a.out, "%s: the program ended well; whether a person got it, ask them\n", name)
			})
			if failed {
				return silent(exitFailed)
			}
			return nil
		}),
	}
}

// toldOf says in sentences whom alarms reach.
func toldOf(c courier.Config, ok bool) []string {
	if !ok {
		return []string{"at the kiln, in log, status and metrics only: no [alarm], nobody is called"}
	}
	var list []string
	for i, r := range c.Recipients {
		line := "by " + strings.Join(r.Run, " ")
		if i > 0 {
			line += fmt.Sprintf(" (in danger at once, else when the first is not reached for %s)", controller.Span(c.Patience))
		} else {
			line += fmt.Sprintf(" (%s and graver)", strings.ReplaceAll(c.Least.String(), "_", " "))
		}
		list = append(list, line)
	}
	if c.Every > 0 {
		run := c.Alive.Run
		if len(run) == 0 {
			run = c.Recipients[0].Run
		}
		list = append(list, fmt.Sprintf("by %s (every %s, that all is well)", strings.Join(run, " "), controller.Span(c.Every)))
	}
	for _, r := range append(c.Recipients[:len(c.Recipients):len(c.Recipients)], c.Alive) {
		if len(r.Run) == 0 {
			continue
		}
		if info, err := os.Stat(r.Run[0]); err != nil || info.IsDir() || info.Mode()&0o111 == 0 {
			list = append(list, fmt.Sprintf("by nobody yet: %s is no program that can be run from here", r.Run[0]))
		}
	}
	return list
}
