package courier

import (
	"fmt"
	"strings"
	"time"

	"drywarden/controller"
)

// letter is one message: standard input and environment of a recipient's program.
type letter struct {
	event, rule, severity string
	text                  string
}

// The text is a mail without addressees: a subject, an empty line, the body. A script may take it as it is.
func (c *Config) alarms(list []entry, s *controller.Status) letter {
	first := &list[0]
	l := letter{event: "alarm", rule: first.alarm.Rule, severity: first.alarm.Class}
	var b strings.Builder
	fmt.Fprintf(&b, "Subject: kiln %s: %s: %s", c.Kiln, words(first.alarm.Class), first.alarm.Rule)
	if n := len(list) - 1; n > 0 {
		fmt.Fprintf(&b, " and %d more", n)
	}
	b.WriteString("\n\n")
	c.head(&b, s)
	for i := range list {
		a := &list[i].alarm
		fmt.Fprintf(&b, "\n%s: %s", words(a.Class), a.Rule)
		if !list[i].stands {
			b.WriteString(" (over meanwhile)")
		}
		fmt.Fprintf(&b, "\n  seen: %s\n  done: %s\n  check first: %s\n  the wood can wait: %s\n", a.Seen, a.Done, a.CheckFirst, a.WoodWaits)
		if a.Latched {
			fmt.Fprintf(&b, "  it stays until it is reset: by %s\n", a.Clears)
		}
	}
	b.WriteString("\nEach alarm is told once. Say that you have seen it: drywarden alarm ack RULE.\n")
	l.text = b.String()
	return l
}

// alive says that the program runs and watches.
func (c *Config) alive(standing int, s *controller.Status) letter {
	l := letter{event: "alive"}
	var b strings.Builder
	if standing == 0 {
		fmt.Fprintf(&b, "Subject: kiln %s: all is well\n\n", c.Kiln)
	} else {
		fmt.Fprintf(&b, "Subject: kiln %s: it runs, alarms stand: %d\n\n", c.Kiln, standing)
	}
	c.head(&b, s)
	if c.Every > 0 {
		fmt.Fprintf(&b, "\nThe next such message comes in %s. When it does not, nobody watches the kiln: look.\n", controller.Span(c.Every))
	}
	l.text = b.String()
	return l
}

// Trial is a message that is no alarm.
func (c *Config) trial() letter {
	return letter{event: "trial", text: fmt.Sprintf("Subject: kiln %s: a trial\n\nThis is a trial of the way alarms take. Nothing is wrong.\n", c.Kiln)}
}

func (c *Config) head(b *strings.Builder, s *controller.Status) {
	when := "the clock is not set"
	if s.ClockTrusted {
		when = time.Unix(s.WallUnix, 0).Format("2006-01-02 15:04 MST")
	}
	fmt.Fprintf(b, "kiln %s, %s\n%s\n", c.Kiln, when, s.Headline)
}

func words(class string) string { return strings.ReplaceAll(class, "_", " ") }
