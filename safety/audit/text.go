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
	line(&b, "", fmt.Sprintf("Audit%s: %s, %s, %s.", kiln, count(r.Records, "record"), count(r.Boots, "boot"), days(r.Time)))
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
		b.WriteString("\nfirst violation of each\n")
	}
	told := map[string]bool{}
	for _, v := range r.Violations {
		if told[v.Name] {
			continue
		}
		told[v.Name] = true
		line(&b, "", fmt.Sprintf("%s: boot %d, tick %d, %v after its start", v.Name, v.Boot, v.Tick, v.Uptime.Round(time.Second)))
		line(&b, "    ", "seen: "+v.Seen)
		line(&b, "    ", "expected: "+v.Expected)
	}
	var idle []string
	b.WriteString("\nnot judged\n")
	for _, m := range r.NotJudged {
		if m.Reason == noOccasion {
			idle = append(idle, m.Name)
		} else {
			line(&b, "  ", m.Name+": "+m.Reason)
		}
	}
	if len(idle) > 0 {
		line(&b, "  ", noOccasion+" for: "+strings.Join(idle, "; "))
	}
	b.WriteByte('\n')
	if r.Total == 0 {
		line(&b, "", fmt.Sprintf("No violation in %d invariants.", len(r.Judged)))
	} else {
		line(&b, "", count(r.Total, "violation")+".")
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

func count(n uint64, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
