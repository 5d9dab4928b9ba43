package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"drywarden/hardware/trace"
	"drywarden/safety/audit"
)

func (a *app) auditCommand() *cobra.Command {
	var all bool
	cmd := &cobra.Command{
		Use:   "audit FILE",
		Short: "Judge a trace against the invariants, independently",
		Long: `audit reads the trace that simulate --out or the daemon wrote and judges every
tick of it against the invariants, with code that shares nothing with the code
that ran the kiln. It lists what it found broken, what it could judge, and what
no trace can show. The exit code is 1 when anything is broken.`,
		Args: cobra.ExactArgs(1),
		RunE: act(func(_ *cobra.Command, args []string) error { return a.audit(args[0], all) }),
	}
	cmd.Flags().BoolVar(&all, "all", false, "list every invariant, judged or not")
	return cmd
}

func (a *app) audit(path string, all bool) error {
	file, err := os.Open(path)
	if err != nil {
		return failf(exitUse, "audit: %w", err)
	}
	defer func() { _ = file.Close() }()
	report, err := judge(bufio.NewReaderSize(file, 1<<20))
	if err != nil {
		return failf(exitUse, "audit %s: %w", path, err)
	}
	if a.json {
		err = a.print(report)
	} else {
		err = a.printAudit(report, all)
	}
	if err == nil && (report.Total > 0 || report.Damage != "") {
		return silent(exitFailed)
	}
	return err
}

// judge reads a whole trace. A torn or damaged tail is in the report; a file that is no trace is an error.
func judge(from io.Reader) (*audit.Report, error) {
	reader, err := trace.NewReader(from)
	if err != nil {
		return nil, err
	}
	var checker *audit.Checker
	damage := ""
	for {
		record, header, err := reader.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			damage = err.Error()
			break
		}
		switch {
		case header != nil && checker == nil:
			checker = audit.New(*header)
		case header != nil:
			checker.Restart(*header)
		}
		if record != nil && checker != nil {
			checker.Check(record)
		}
	}
	if checker == nil {
		return nil, fmt.Errorf("no header in the trace%s", damage)
	}
	report := checker.Finish()
	report.Damage = damage
	return &report, nil
}

func (a *app) printAudit(r *audit.Report, all bool) error {
	fmt.Fprintf(a.out, "kiln %s: %d ticks of %s, %s\n", r.Kiln, r.Records, count(int(r.Boots), "boot"), days(r.Time))
	for _, v := range r.Violations {
		fmt.Fprint(a.out, wrap("violation: ", fmt.Sprintf("%s, boot %d, tick %d: %s, expected %s", v.Name, v.Boot, v.Tick, v.Seen, v.Expected), "  "))
	}
	if r.Damage != "" {
		fmt.Fprint(a.out, wrap("damage: ", r.Damage+"; judged up to there", "  "))
	}
	if all {
		w := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "invariant\ttested\tbroken")
		for _, c := range r.Counts {
			fmt.Fprintf(w, "%s\t%d\t%d\n", c.Name, c.Tested, c.Violated)
		}
		_ = w.Flush()
	}
	for _, m := range r.NotJudged {
		if all {
			fmt.Fprint(a.out, wrap("not judged: ", m.Name+": "+m.Reason, "  "))
		}
	}
	_, err := fmt.Fprintf(a.out, "%s; %s judged, %d not (--all lists them)\n", count(int(r.Total), "violation"), count(len(r.Judged), "invariant"), len(r.NotJudged))
	return err
}
