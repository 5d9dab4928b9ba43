package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"drywarden/controller"
	"drywarden/controller/operator"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// effects says what somebody who watches should see when an output is energised.
var effects = [hardware.OutputCount]string{
	hardware.FanForward1: "fan group 1 blows forward", hardware.FanForward2: "fan group 2 blows forward",
	hardware.FanForward3: "fan group 3 blows forward", hardware.FanForward4: "fan group 4 blows forward",
	hardware.FanReverse1: "fan group 1 blows in reverse", hardware.FanReverse2: "fan group 2 blows in reverse",
	hardware.FanReverse3: "fan group 3 blows in reverse", hardware.FanReverse4: "fan group 4 blows in reverse",
	hardware.Compressor: "the compressor runs and its suction line gets cold", hardware.Blower: "the evaporator's blower runs",
	hardware.BlowerLow: "the blower runs slow, or its damper opens",
	hardware.Crankcase: "the crankcase heater draws current and gets warm",
	hardware.Heat1:     "heat stage 1 draws current and its air gets warm", hardware.Heat2: "heat stage 2 draws current and its air gets warm",
	hardware.Heat3: "heat stage 3 draws current and its air gets warm", hardware.Vent: "the vents drive open",
	hardware.Spray: "water sprays", hardware.Sounder: "the sounder sounds", hardware.Beacon: "the beacon shines",
	hardware.AlarmLamp: "the alarm lamp shines", hardware.DoorLamp: "the door lamp shines",
	hardware.Heartbeat: "the master contactor drops when the daemon dies",
}

func (a *app) outputCommand() *cobra.Command {
	var length, seen, otherwise string
	test := &cobra.Command{
		Use:   "test OUTPUT",
		Short: "Switch one output on for a short time, and keep what you saw it do",
		Long: `test asks the daemon to switch one output on, with no charge running, so that
somebody who watches can say whether the right thing happens. The sounder warns
first; heat and compressor get the air that they need; the gate's rules hold as
always, and the panel's key, where there is one, must be turned to service. The
output goes off by itself, or at once with Ctrl-C; a compressor runs its least
time. Then it asks what you saw. The answer is kept with the record, and shown
by "output list".

The heartbeat is not switched: it beats by itself as long as the daemon lives.
Kill the daemon (systemctl kill -s KILL drywarden@NAME), watch the master
contactor, and when the daemon is back say here what you saw.

Nobody may be in the kiln. Open panels and mains are a licensed electrician's.`,
		Example: `  drywarden output test fan_forward_1
  drywarden output test vent --for "90 s" --seen "both flaps open fully"
  drywarden output test heat_2 --otherwise "no current on L2"`,
		Args: cobra.ExactArgs(1),
		RunE: act(func(cmd *cobra.Command, args []string) error {
			if cmd.Flags().Changed("for") && args[0] == hardware.Heartbeat.String() {
				return failf(exitUse, "the heartbeat is not switched on for a time: it beats by itself; leave --for out")
			}
			return a.trial(cmd.Context(), args[0], length, seen, otherwise)
		}),
	}
	test.Flags().StringVar(&length, "for", "20 s", "`time` that it stays on, at most 14 min")
	test.Flags().StringVar(&seen, "seen", "", "it will do what it should: `words` to keep, instead of being asked")
	test.Flags().StringVar(&otherwise, "otherwise", "", "it will not: `words` to keep, instead of being asked")
	test.MarkFlagsMutuallyExclusive("seen", "otherwise")
	list := &cobra.Command{Use: "list", Short: "List the outputs, what each should do, and whether somebody saw it", Args: cobra.NoArgs,
		RunE: act(func(cmd *cobra.Command, _ []string) error {
			return a.with(cmd.Context(), func(_ *operator.Client, s *controller.Status) error { return a.printTried(s) })
		})}
	all := group("output", "Try one output at a time; switch all off after a crash", list, test, a.outputOffCommand())
	all.Aliases = []string{"outputs"} // off is for all of them
	return all
}

func (a *app) printTried(s *controller.Status) error {
	if a.json {
		return a.print(s.Outputs)
	}
	w := a.columnsOf()
	for _, o := range s.Outputs {
		var id hardware.OutputID
		effect := ""
		if id.UnmarshalText([]byte(o.Name)) == nil {
			effect = effects[id]
		}
		tried := map[string]string{"": "not tried", "as_wanted": "seen", "otherwise": "NOT as wanted"}[o.Tried]
		fmt.Fprintf(w, "%s\t%s\t%s\n", o.Name, tried, effect)
	}
	return w.Flush()
}

// trialLook is how often the trial's state is looked at; the daemon's kiln may run many times faster than the clock.
const trialLook = 100 * time.Millisecond

func (a *app) trial(ctx context.Context, name, length, seen, otherwise string) error {
	var output hardware.OutputID
	if err := output.UnmarshalText([]byte(name)); err != nil {
		return failf(exitUse, "%w; \"drywarden output list\" names those of the kiln", err)
	}
	var d quantity.Duration
	if err := d.UnmarshalText([]byte(length)); err != nil {
		return failf(exitUse, "--for %w", err)
	}
	client, err := a.client()
	if err != nil {
		return err
	}
	defer client.Close()
	current := ""
	if output == hardware.Heartbeat {
		if _, err := client.Status(ctx); err != nil {
			return err
		}
		a.say("%s: wanted: %s\n", name, effects[output])
	} else if current, err = a.switchOn(ctx, client, name, effects[output], d); err != nil {
		return err
	}
	r := operator.Request{Verb: controller.VerbSeen.String(), Output: name}
	yes := seen != ""
	switch {
	case yes:
		r.Reason = seen
	case otherwise != "":
		r.Reason = otherwise
	default:
		if yes, r.Reason, err = a.whatWasSeen(); err != nil {
			return err
		}
	}
	r.As = &yes
	if current != "" {
		r.Reason += " (" + current + ")"
	}
	_, err = client.Do(ctx, r)
	if err == nil {
		a.say("kept: %s %s: %s\n", name, map[bool]string{true: "as wanted", false: "NOT as wanted"}[yes], r.Reason)
	}
	return err
}

// switchOn has an output switched on and waits until it is off again; it gives the largest current, when that is measured.
func (a *app) switchOn(ctx context.Context, client *operator.Client, name, effect string, d quantity.Duration) (current string, err error) {
	seconds := d.Std().Seconds()
	if _, err := client.Do(ctx, operator.Request{Verb: controller.VerbTest.String(), Output: name, For: &seconds}); err != nil {
		return "", err
	}
	a.say("%s: wanted: %s\n", name, effect)
	on, current, err := a.follow(ctx, client, name)
	switch {
	case err != nil && ctx.Err() != nil: // Ctrl-C
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		if _, endErr := client.Do(end, operator.Request{Verb: controller.VerbTestEnd.String()}); endErr != nil {
			return "", failf(exitFailed, "ended; whether %s is off cannot be told: %w", name, endErr)
		}
		return "", failf(exitFailed, "ended: %s goes off", name)
	case err != nil:
		return "", err
	case !on:
		return "", failf(exitRefused, "%s did not go on", name)
	}
	return current, nil
}

func (a *app) say(format string, args ...any) {
	if !a.json {
		fmt.Fprintf(a.out, format, args...)
	}
}

// follow tells how the trial goes until it is over: whether the output was on, and its largest current.
func (a *app) follow(ctx context.Context, client *operator.Client, name string) (on bool, current string, err error) {
	told, most := "", 0.0
	look := time.NewTicker(trialLook)
	defer look.Stop()
	for begun := false; ; {
		s, err := client.Status(ctx)
		if err != nil {
			return on, current, err
		}
		service := s.Mode == controller.ModeService.String() || s.Mode == controller.ModeStart.String()
		if begun && !service {
			return on, current, nil
		}
		begun = begun || service
		for i := range s.Outputs {
			o := &s.Outputs[i]
			if o.Name != name {
				continue
			}
			on = on || o.Applied && service
			if o.Current != nil && *o.Current > most {
				most = *o.Current
				current = fmt.Sprintf("%.1f A", most)
			}
			// The time that is left changes with each look; the reason is told once.
			if reason, _, _ := strings.Cut(o.Why, ", "); reason != told && service {
				told = reason
				a.say("%s\n", o.Why)
			}
		}
		select {
		case <-ctx.Done():
			return on, current, ctx.Err()
		case <-look.C:
		}
	}
}

// whatWasSeen asks whoever watched.
func (a *app) whatWasSeen() (yes bool, words string, err error) {
	lines := bufio.NewReader(a.in)
	for {
		a.say("Did it do that, and nothing else? yes, or no and what it did: ")
		line, err := lines.ReadString('\n')
		first, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		switch strings.ToLower(strings.TrimRight(first, ",:.")) {
		case "yes", "y":
			return true, orElse(rest, "seen"), nil
		case "no", "n":
			return false, orElse(rest, "not seen"), nil
		}
		if errors.Is(err, io.EOF) {
			return false, "", failf(exitFailed, "nobody said what it did; nothing was kept")
		}
		if err != nil {
			return false, "", err
		}
	}
}

func orElse(text, other string) string {
	if text = strings.TrimSpace(text); text == "" {
		return other
	}
	return text
}
