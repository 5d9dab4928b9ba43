package main

import (
	"bytes"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// patience is how long a script waits for something that a loaded machine may take its time for.
const patience = 60 * time.Second

// repository is found before scripts change folders.
var repository, _ = filepath.Abs("../..")

// TestOperator runs the program, and live kilns, as an operator would, written down in testdata/operator. Beside the
// commands of testscript there are:
//
//	exits CODE COMMAND...     runs COMMAND and wants its exit code
//	until PATTERN COMMAND...  repeats COMMAND until its standard output matches PATTERN
//	narrow FILE               wants no line of FILE longer than 80 characters
//	silence PATH              makes a socket that takes connections and never answers, until the script ends
//	setup DIR                 writes the demonstration's kiln (the person absent) and charge, and the real example, to DIR
//	appendkey FILE            turns the simulated panel's key to service, in the kiln file FILE
//	appendfile TO FROM        puts what FROM holds at the end of TO
//	metrics FILE              asks the metrics address in the daemon's log FILE; promtool, where it is, must be silent
func TestOperator(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/operator",
		Setup: func(env *testscript.Env) error {
			env.Setenv("DRYWARDEN_SOCKET", filepath.Join("state", "drywarden.sock"))
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exitsWith, "until": until, "narrow": narrow, "silence": silence, "setup": setup, "appendkey": appendKey, "appendfile": appendFile, "metrics": scrape,
		},
	})
}

func exitsWith(ts *testscript.TestScript, _ bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	var exit *exec.ExitError
	if err := ts.Exec(args[1], args[2:]...); errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("exit code %d, expected %d", got, want)
	}
}

func until(ts *testscript.TestScript, _ bool, args []string) {
	pattern, err := regexp.Compile("(?m)" + args[0])
	ts.Check(err)
	for end := time.Now().Add(patience); ; {
		err := ts.Exec(args[1], args[2:]...)
		if err == nil && pattern.MatchString(ts.ReadFile("stdout")) {
			return
		}
		if time.Now().After(end) {
			ts.Fatalf("waited %v for %q", patience, args[0])
		}
		time.Sleep(100 * time.Millisecond) // what is waited for happens in another process
	}
}

func narrow(ts *testscript.TestScript, _ bool, args []string) {
	for line := range strings.Lines(ts.ReadFile(args[0])) {
		if n := len([]rune(strings.TrimRight(line, "\n"))); n > columns {
			ts.Fatalf("%d characters: %s", n, line)
		}
	}
}

func silence(ts *testscript.TestScript, _ bool, args []string) {
	path := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(filepath.Dir(path), 0o750))
	listener, err := net.Listen("unix", path)
	ts.Check(err)
	ts.Defer(func() { _ = listener.Close() })
}

func setup(ts *testscript.TestScript, _ bool, args []string) {
	dir := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(dir, 0o750))
	board, err := os.ReadFile(filepath.Join(repository, "deploy", "kiln.toml"))
	ts.Check(err)
	kiln := bytes.Replace(demoKilnText, []byte(`metrics = "off"`), []byte(`metrics = "127.0.0.1:0"`), 1)
	kiln = append(kiln, "\n[simulated.person]\nabsent = true\n"...)
	ts.Check(os.WriteFile(filepath.Join(dir, "kiln.toml"), kiln, 0o600))
	ts.Check(os.WriteFile(filepath.Join(dir, "charge.toml"), demoChargeText, 0o600))
	// No computer has these buses and lines: a test must not drive a kiln that this one may be wired to.
	board = []byte(strings.NewReplacer(`"i2c-1"`, `"i2c-987"`, `"spi0.`, `"spi987.`, `"/dev/ttyAMA0"`, `"/dev/ttyAMA987"`, `"w1-1"`, `"w1-987"`, `"w1-2"`, `"w1-988"`, `"gpiochip0/`, `"gpiochip987/`,
		`"/var/lib/drywarden/north"`, `"board-state"`, `"/run/drywarden/north.sock"`, `"board.sock"`).Replace(string(board)))
	ts.Check(os.WriteFile(filepath.Join(dir, "board.toml"), board, 0o600))
}

// appendKey turns the simulated panel's key to its service position.
func appendKey(ts *testscript.TestScript, _ bool, args []string) {
	f, err := os.OpenFile(ts.MkAbs(args[0]), os.O_APPEND|os.O_WRONLY, 0)
	ts.Check(err)
	_, err = f.WriteString("key_in_service = true\n") // the file ends with the person's table
	ts.Check(errors.Join(err, f.Close()))
}

func appendFile(ts *testscript.TestScript, _ bool, args []string) {
	f, err := os.OpenFile(ts.MkAbs(args[0]), os.O_APPEND|os.O_WRONLY, 0)
	ts.Check(err)
	_, err = f.WriteString(ts.ReadFile(args[1]))
	ts.Check(errors.Join(err, f.Close()))
}

var metricsAddress = regexp.MustCompile(`msg=metrics .*address=(\S+)`)

func scrape(ts *testscript.TestScript, _ bool, args []string) {
	m := metricsAddress.FindStringSubmatch(ts.ReadFile(args[0]))
	if m == nil {
		ts.Fatalf("no metrics address in the log")
	}
	client := &http.Client{Timeout: 10 * time.Second}
	answer, err := client.Get("http://" + m[1] + "/metrics")
	ts.Check(err)
	defer func() { _ = answer.Body.Close() }()
	text, err := io.ReadAll(answer.Body)
	ts.Check(err)
	if !bytes.Contains(text, []byte("drywarden_")) {
		ts.Fatalf("no metric of the program in the answer")
	}
	tool, err := exec.LookPath("promtool")
	if err != nil {
		ts.Logf("promtool is not there: the scrape was not checked with it")
		return
	}
	cmd := exec.Command(tool, "check", "metrics")
	cmd.Stdin = bytes.NewReader(text)
	if told, err := cmd.CombinedOutput(); err != nil || len(told) > 0 {
		ts.Fatalf("promtool: %v\n%s", err, told)
	}
}
