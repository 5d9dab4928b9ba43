package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
	"drywarden/controller/operator"
	"drywarden/hardware/quantity"
)

// client finds the daemon: --socket, or $DRYWARDEN_SOCKET.
func (a *app) client() (*operator.Client, error) {
	if a.socket == "" {
		return nil, failf(exitUse, "which kiln? Name its daemon's socket with --socket or $DRYWARDEN_SOCKET")
	}
	return operator.NewClient(a.socket), nil
}

// with gives the daemon and what it is doing now to do.
func (a *app) with(ctx context.Context, do func(*operator.Client, *controller.Status) error) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	defer c.Close()
	status, err := c.Status(ctx)
	if err != nil {
		return err
	}
	return do(c, status)
}

// meant names the run and stage a change is for. Without them it is what runs now, as the caller has just seen it.
type meant struct {
	run   uint32
	stage int
}

func (m *meant) flags(cmd *cobra.Command, stage bool) {
	cmd.Flags().Uint32Var(&m.run, "run", 0, "`number` of the run this is meant for (default: the one that runs now)")
	if stage {
		cmd.Flags().IntVar(&m.stage, "stage", 0, "`number` of the stage this is meant for, counted from 1 (default: the present one)")
	}
}

func (m *meant) put(r *operator.Request, s *controller.Status, stage bool) error {
	if s.Charge == nil && m.run == 0 {
		return failf(exitRefused, "no charge is running")
	}
	run, at := m.run, m.stage-1
	if run == 0 {
		run = s.Charge.Run
	}
	r.Run = &run
	if stage {
		if m.stage == 0 && s.Charge != nil {
			at = s.Charge.Stage
		}
		r.Stage = &at
	}
	return nil
}

// doneJSON is what a change gives with --json.
func (a *app) done(d operator.Done, err error) error {
	if err != nil {
		return err
	}
	if a.json {
		return a.print(d)
	}
	_, err = fmt.Fprint(a.out, wrap("", d.Text, ""))
	return err
}

func reasonFlag(cmd *cobra.Command, reason *string) {
	cmd.Flags().StringVar(reason, "reason", "", "why, in `words`; kept with the record")
	_ = cmd.MarkFlagRequired("reason")
}

func group(use, short string, commands ...*cobra.Command) *cobra.Command {
	g := &cobra.Command{Use: use, Short: short, Args: noWord, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	g.AddCommand(commands...)
	return g
}

func (a *app) stageCommand() *cobra.Command {
	plain := func(verb, short string) *cobra.Command {
		var reason string
		var m meant
		cmd := &cobra.Command{Use: verb + " --reason WORDS", Short: short, Args: cobra.NoArgs,
			RunE: act(func(cmd *cobra.Command, _ []string) error {
				return a.with(cmd.Context(), func(c *operator.Client, s *controller.Status) error {
					r := operator.Request{Verb: verb, Reason: reason}
					if err := m.put(&r, s, true); err != nil {
						return err
					}
					return a.done(c.Do(cmd.Context(), r))
				})
			})}
		reasonFlag(cmd, &reason)
		m.flags(cmd, true)
		return cmd
	}
	show := &cobra.Command{Use: "show", Short: "List the stages and where the run is", Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error {
			return a.with(cmd.Context(), func(_ *operator.Client, s *controller.Status) error { return a.printStages(s) })
		})}
	return group("stage", "Show the stages; hold, resume, go on or back, set the air yourself", show,
		plain("hold", "Freeze the stage where it is"),
		plain("resume", "Lift your hold"),
		plain("advance", "Go to the next stage"),
		plain("back", "Go back to the stage before"),
		a.stageSetCommand(),
		plain("unset", "Go back to the stage's own set points"))
}

func (a *app) stageSetCommand() *cobra.Command {
	var reason string
	var m meant
	var dryBulb, emc, length string
	cmd := &cobra.Command{
		Use:   "set [--dry-bulb T] [--emc M] --for TIME --reason WORDS",
		Short: "Set dry bulb or EMC yourself, for a while",
		Long: `set puts your own dry bulb or EMC, or both, in the place of the stage's, until
it expires. It is refused where it would leave what wood, kiln or machine allow.`,
		Example: `  drywarden stage set --emc "12 %" --for "6 h" --reason "checks on top"`,
		Args:    cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error {
			r := operator.Request{Verb: controller.VerbSet.String(), Reason: reason}
			if err := setRequest(&r, dryBulb, emc, length); err != nil {
				return err
			}
			return a.with(cmd.Context(), func(c *operator.Client, s *controller.Status) error {
				if err := m.put(&r, s, true); err != nil {
					return err
				}
				return a.done(c.Do(cmd.Context(), r))
			})
		})}
	f := cmd.Flags()
	f.StringVar(&dryBulb, "dry-bulb", "", "`temperature` with its unit")
	f.StringVar(&emc, "emc", "", "equilibrium moisture `content`, like \"12 %\"")
	f.StringVar(&length, "for", "", "`time` after which it expires, like \"6 h\"")
	_ = cmd.MarkFlagRequired("for")
	reasonFlag(cmd, &reason)
	m.flags(cmd, true)
	return cmd
}

func setRequest(r *operator.Request, dryBulb, emc, length string) error {
	if dryBulb == "" && emc == "" {
		return failf(exitUse, "set what? Give --dry-bulb or --emc, or both")
	}
	if dryBulb != "" {
		var t quantity.Celsius
		if err := t.UnmarshalText([]byte(dryBulb)); err != nil {
			return failf(exitUse, "--dry-bulb %w", err)
		}
		v := float64(t)
		r.DryBulb = &v
	}
	if emc != "" {
		var m quantity.MoistureContent
		if err := m.UnmarshalText([]byte(emc)); err != nil {
			return failf(exitUse, "--emc %w", err)
		}
		v := float64(m)
		r.EMC = &v
	}
	var d quantity.Duration
	if err := d.UnmarshalText([]byte(length)); err != nil {
		return failf(exitUse, "--for %w", err)
	}
	v := d.Std().Seconds()
	r.For = &v
	return nil
}

func (a *app) chargeCommand() *cobra.Command {
	var startReason, endReason, confirmReason, warmReason string
	var checked bool
	var m meant
	start := &cobra.Command{Use: "start FILE", Short: "Start a charge by its charge sheet", Args: cobra.ExactArgs(1),
		Long: `start reads a charge sheet, and the schedule file it asks for beside it, and
hands them to the daemon. With a fault in them nothing is changed and every
fault is listed.`,
		RunE: act(func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			defer c.Close()
			files, err := readCharge(args[0])
			if err != nil {
				return err
			}
			return a.done(c.Start(cmd.Context(), operator.StartRequest{ChargeFiles: files, Reason: startReason}))
		})}
	start.Flags().StringVar(&startReason, "reason", "", "why, in `words`; kept with the record")
	end := &cobra.Command{Use: "end --reason WORDS", Short: "End the charge, done or not", Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error {
			return a.with(cmd.Context(), func(c *operator.Client, s *controller.Status) error {
				r := operator.Request{Verb: controller.VerbEnd.String(), Reason: endReason}
				if err := m.put(&r, s, false); err != nil {
					return err
				}
				return a.done(c.Do(cmd.Context(), r))
			})
		})}
	reasonFlag(end, &endReason)
	m.flags(end, false)
	weigh := &cobra.Command{Use: "weigh SAMPLE WEIGHT", Short: "Enter the weight of a sample board", Args: cobra.ExactArgs(2),
		Long: `weigh enters what a sample board weighs now, in the same condition as when
it was cut (end coat, hook). A weight that cannot well be is refused: weigh
again, and say --checked when it is right.`,
		Example: `  drywarden charge weigh oak-1 "1.92 kg"`,
		RunE: act(func(cmd *cobra.Command, args []string) error {
			var kg quantity.Kilogram
			if err := kg.UnmarshalText([]byte(args[1])); err != nil {
				return failf(exitUse, "weight %w", err)
			}
			return a.with(cmd.Context(), func(c *operator.Client, s *controller.Status) error {
				mass := float64(kg)
				r := operator.Request{Verb: controller.VerbWeigh.String(), Sample: args[0], Mass: &mass, Checked: checked}
				if err := (&meant{}).put(&r, s, false); err != nil {
					return err
				}
				return a.done(c.Do(cmd.Context(), r))
			})
		})}
	weigh.Flags().BoolVar(&checked, "checked", false, "the weight was checked, however unlikely")
	confirm := &cobra.Command{Use: "confirm WHAT...", Short: "Say that you have looked at what waits for your word: a stop, an outage, files, weights",
		ValidArgs: controller.MatterNames(),
		Long: `confirm lifts what waits for a person's word, by name; status says what waits.

  stop      the emergency stop was pressed: find out why, release it, reset its
            trip at the panel, see that nobody is in the machines. Say it at the
            kiln, not from afar: fans start after it
  outage    a long or unknown outage: look at the machines, and at the wood for
            mould and checks
  restarts  the program broke off again and again: look at its log and computer
  files     kiln, charge or schedule are not as they were: was that meant?
  weights   weights contradict the water: look at samples, weights and drain`,
		Example: `  drywarden charge confirm weights --reason "board 3 was weighed with its hook"`,
		RunE: act(func(cmd *cobra.Command, args []string) error {
			if _, err := controller.MattersNamed(args); err != nil {
				return failf(exitUse, "%w", err)
			}
			return a.with(cmd.Context(), func(c *operator.Client, s *controller.Status) error {
				for _, name := range args {
					if !slices.Contains(s.ToConfirm, name) {
						return failf(exitRefused, "%s does not wait to be confirmed; %s", name, toConfirm(s))
					}
				}
				if len(args) == 0 {
					return failf(exitUse, "name what you confirm; %s", toConfirm(s))
				}
				return a.done(c.Do(cmd.Context(), operator.Request{Verb: controller.VerbConfirm.String(), Matters: args, Reason: confirmReason}))
			})
		})}
	confirm.Flags().StringVar(&confirmReason, "reason", "", "what you found, in `words`; kept with the record")
	warm := &cobra.Command{Use: "warm --reason WORDS", Short: "Answer for a compressor start before its crankcase was warmed for long enough", Args: cobra.NoArgs,
		Long: `warm ends the waiting for the crankcase heater, which the daemon keeps after hours
without power, or when nobody knows for how long there was none. Oil that is cold
and full of refrigerant breaks a compressor at its start: say so only when the
machine was under power all along, or its shell is warm.`,
		Example: `  drywarden charge warm --reason "crankcase heater was under power all night"`,
		RunE: act(func(cmd *cobra.Command, _ []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			defer c.Close()
			return a.done(c.Do(cmd.Context(), operator.Request{Verb: controller.VerbWarm.String(), Reason: warmReason}))
		})}
	reasonFlag(warm, &warmReason)
	return group("charge", "Start or end a charge, weigh sample boards, confirm what waits", start, end, weigh, confirm, warm)
}

// toConfirm says what waits for a person's word.
func toConfirm(s *controller.Status) string {
	if len(s.ToConfirm) == 0 {
		return "nothing waits for it"
	}
	return "what waits: " + strings.Join(s.ToConfirm, ", ")
}

func (a *app) tripCommand() *cobra.Command {
	var reason string
	list := &cobra.Command{Use: "list", Short: "List latched trips and how to clear them", Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			defer c.Close()
			trips, unjudged, err := c.Trips(cmd.Context())
			if err != nil {
				return err
			}
			return a.printTrips(trips, unjudged)
		})}
	reset := &cobra.Command{Use: "reset RULE --reason WORDS", Short: "Clear a latched trip whose cause is gone", Args: cobra.ExactArgs(1),
		Long: `reset clears a latched trip once its cause is gone. What the panel must clear
needs the panel's reset pressed within the minute before; no command alone
clears it.`,
		RunE: act(func(cmd *cobra.Command, args []string) error {
			return a.about(cmd.Context(), controller.VerbReset, args[0], reason)
		})}
	reasonFlag(reset, &reason)
	return group("trip", "Latched trips: list, acknowledge, reset", list, a.ackCommand("trip"), reset)
}

func (a *app) alarmCommand() *cobra.Command {
	list := &cobra.Command{Use: "list", Short: "List what is told to you, the gravest first", Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			defer c.Close()
			alarms, err := c.Alarms(cmd.Context())
			if err != nil {
				return err
			}
			return a.printAlarms(alarms)
		})}
	return group("alarm", "Alarms: list, acknowledge, try whom they reach", list, a.ackCommand("alarm"), a.tryAlarmCommand())
}

func (a *app) ackCommand(what string) *cobra.Command {
	return &cobra.Command{Use: "ack RULE", Short: "Say that you have seen the " + what + "; it is no reset", Args: cobra.ExactArgs(1),
		RunE: act(func(cmd *cobra.Command, args []string) error {
			return a.about(cmd.Context(), controller.VerbAck, args[0], "")
		})}
}

func (a *app) about(ctx context.Context, verb controller.Verb, rule, reason string) error {
	c, err := a.client()
	if err != nil {
		return err
	}
	defer c.Close()
	return a.done(c.Do(ctx, operator.Request{Verb: verb.String(), Rule: rule, Reason: reason}))
}

func (a *app) statusCommand() *cobra.Command {
	return &cobra.Command{Use: "status", Short: "What is going on, and why every output is as it is", Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error {
			return a.with(cmd.Context(), func(_ *operator.Client, s *controller.Status) error {
				if a.json {
					return a.print(s)
				}
				return a.printStatus(s)
			})
		})}
}

func (a *app) watchCommand() *cobra.Command {
	var every string
	var times int
	cmd := &cobra.Command{Use: "watch", Short: "One line at each change, or one JSON object a line with --json", Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error {
			var d quantity.Duration
			if err := d.UnmarshalText([]byte(every)); err != nil {
				return failf(exitUse, "--every %w", err)
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			defer c.Close()
			ctx, stop := context.WithCancel(cmd.Context())
			defer stop()
			seen := 0
			err = c.Watch(ctx, d.Std(), func(s *controller.Status) error {
				if seen++; times > 0 && seen >= times {
					stop()
				}
				return a.printLine(s)
			})
			if ctx.Err() != nil {
				return nil
			}
			return err
		})}
	cmd.Flags().StringVar(&every, "every", "5 s", "least `time` between two lines")
	cmd.Flags().IntVar(&times, "times", 0, "`number` of lines after which to end (default: never)")
	return cmd
}

func unitsOf(s *controller.Status) kilnfile.Units {
	if s.Units == kilnfile.US.String() {
		return kilnfile.US
	}
	return kilnfile.SI
}

// clock tells wall time as a label, or nothing when it is not to be trusted.
func clock(s *controller.Status) string {
	if !s.ClockTrusted {
		return "clock not set"
	}
	return time.Unix(s.WallUnix, 0).Format("2006-01-02 15:04")
}
