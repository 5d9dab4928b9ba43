package courier

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
)

// script writes a program for a recipient to run.
func script(t *testing.T, text string) string {
	path := filepath.Join(t.TempDir(), "tell")
	require.NoError(t, os.WriteFile(path, []byte("#!/bin/sh\n"+text), 0o755))
	return path
}

func TestTheProgramGetsTextAndEnvironment(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	c := two()
	b := NewBook(c)
	wick := alarm("wick", hardware.WoodAtRisk)
	wick.Seen, wick.Clears, wick.Latched = "The wick is dry.", "operator", true
	s := status(wick, alarm("door", hardware.Machine))
	s.Headline = "run 4, stage 2"
	b.Look(0, s)
	p := Recipient{Run: []string{script(t, `{ echo "$1 $DRYWARDEN_KILN $DRYWARDEN_EVENT $DRYWARDEN_RULE $DRYWARDEN_SEVERITY [$NOTIFY_SOCKET]"; cat; } >"$2"`), "a b", out}, Within: time.Minute}
	t.Setenv("NOTIFY_SOCKET", "/nowhere")
	require.NoError(t, p.tell(context.Background(), "north", c.alarms(b.Owed(0, 0), s)))
	got, err := os.ReadFile(out)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(got), "a b north alarm wick wood_at_risk []\nSubject: kiln north: wood at risk: wick and 1 more\n\nkiln north, the clock is not set\nrun 4, stage 2\n"), "%s", got)
	require.Contains(t, string(got), "\nwood at risk: wick\n  seen: The wick is dry.\n")
	require.Contains(t, string(got), "reset: by operator\n\nmachine: door\n")
}

func TestHowAProgramFails(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"exit code", "echo 'no route' >&2; exit 3", `exit status 3; it says "no route"`},
		{"hangs, and its child", "sleep 1000 & sleep 1000", "not done within 200ms"},
		{"killed", "kill -9 $$", "killed"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := Recipient{Run: []string{script(t, c.text)}, Within: time.Minute}
			if strings.HasPrefix(c.name, "hangs") {
				p.Within = 200 * time.Millisecond
			}
			err := p.tell(context.Background(), "north", two().trial())
			require.ErrorContains(t, err, c.want)
		})
	}
	p := Recipient{Run: []string{"/nowhere/at-all"}, Within: time.Minute}
	require.ErrorContains(t, p.tell(context.Background(), "north", two().trial()), "no such file")
	chatty := Recipient{Run: []string{script(t, "yes | head -c 100000; exit 1")}, Within: time.Minute}
	err := chatty.tell(context.Background(), "north", two().trial())
	require.Less(t, len(err.Error()), 1000)
	leaves := Recipient{Run: []string{script(t, "sleep 5 & exit 0")}, Within: time.Minute}
	require.NoError(t, leaves.tell(context.Background(), "north", two().trial()), "what goes on in the background may send the mail")
}

func TestTheTailOfSpeechIsBounded(t *testing.T) {
	s := &tail{}
	for range 100 {
		n, err := s.Write(make([]byte, 70))
		require.NoError(t, err)
		require.Equal(t, 70, n)
	}
	require.Len(t, s.text, tailMost)
}

// A program that hangs holds up neither the other recipient nor the end of the program.
func TestAHangingRecipient(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	cfg := two()
	cfg.Recipients = []Recipient{{Run: []string{script(t, "sleep 1000")}, Within: time.Hour}, {Run: []string{script(t, `cat >"$1"`), out}, Within: time.Minute}}
	c := New(*cfg, slog.New(slog.DiscardHandler))
	require.False(t, c.Delivery().Failing)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	ended := make(chan error)
	s := status(alarm("smoke", hardware.Danger))
	go func() { ended <- c.Run(ctx, func() *controller.Status { return s }) }()
	require.Eventually(t, func() bool { return c.Delivery().Recipients[1].Delivered == 1 }, time.Minute, 10*time.Millisecond)
	require.Zero(t, c.Delivery().Undelivered, "somebody was told")
	stop()
	require.NoError(t, <-ended)
	text, err := os.ReadFile(out)
	require.NoError(t, err)
	require.Contains(t, string(text), "danger: smoke")
}

func TestTry(t *testing.T) {
	cfg := two()
	cfg.Recipients = []Recipient{{Run: []string{script(t, `grep -q 'Nothing is wrong'`)}, Within: time.Minute}, {Run: []string{script(t, "exit 1")}, Within: time.Minute}}
	cfg.Alive = Recipient{Run: []string{script(t, `test "$DRYWARDEN_EVENT" = trial`)}, Within: time.Minute}
	got := map[string]bool{}
	Try(context.Background(), cfg, func(name string, err error) { got[name] = err == nil })
	require.Equal(t, map[string]bool{"first": true, "second": false, "alive": true}, got)
}
