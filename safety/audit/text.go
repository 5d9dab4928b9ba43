package audit

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// WriteText writes the report for people, at most 80 columns wide. An error is that of the writer.
func (r *Report) WriteText(w io.Writer) error {
	var b strings.Builder
	kiln := ""
	if r.Kiln != "" {
		kiln = " of kiln " + r.Kiln
	}
	line(&b, "", fmt.Sprintf("Audit%s: %d records, %d boots, %s.", kiln, r.Records, r.Boots, days(r.Time)))
	if r.Damage != "" {
		line(&b, "", "Note: "+r.Damage+".")
	}
	fmt.Fprintf(&b, "\n%-54s %12s %12s\n", "invariant", "tested", "violated")
	for _, n := range r.Counts {
		if n.Tested > 0 {
			fmt.Fprintf(&b, "%-54s %12d %12d\n", n.Name, n.Tested, n.Violated)
		}
	}
	if len(r.Violations) > 0 {
		b.WriteString("\nviolations (the first of each)\n")
		for _, v := range r.Violations {
			line(&b, "", fmt.Sprintf("boot %d tick %d (%v): %s", v.Boot, v.Tick, v.Uptime.Round(time.Second), v.Name))
			line(&b, "    ", "seen: "+v.Seen)
			line(&b, "    ", "expected: "+v.Expected)
		}
	}
	b.WriteString("\nnot judged\n")
	for _, m := range r.NotJudged {
		line(&b, "  ", m.Name+": "+m.Reason)
	}
	b.WriteByte('\n')
	if r.Total == 0 {
		line(&b, "", fmt.Sprintf("No violation in %d invariants.", len(r.Judged)))
	} else {
		line(&b, "", fmt.Sprintf("%d violations.", r.Total))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func days(d time.Duration) string {
	if d >= 48*time.Hour {
		return fmt.Sprintf("%.1f days", d.Hours()/24)
	}
	return d.Round(time.Second).String()
}

// line wraps text at 80 columns; further lines are indented by two more.
func line(b *strings.Builder, indent, text string) {
	width := len([]rune(indent))
	b.WriteString(indent)
	for i, word := range strings.Fields(text) {
		n := len([]rune(word))
		if i > 0 && width+1+n > 80 {
			b.WriteString("\n" + indent + "  ")
			width = len([]rune(indent)) + 2
		} else if i > 0 {
			b.WriteByte(' ')
			width++
		}
		b.WriteString(word)
		width += n
	}
	b.WriteByte('\n')
}
