package operator

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"drywarden/controller"
	"drywarden/hardware"
)

func TestMain(m *testing.M) {
	if path := os.Getenv("OPERATOR_TEST_LISTEN"); path != "" { // a daemon to be killed
		l, err := Listen(path, "")
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println("listening")
		_, _ = l.Accept()
		_, _ = io.Copy(io.Discard, os.Stdin)
		return
	}
	goleak.VerifyTestMain(m)
}

// kiln answers as it is told.
type kiln struct {
	mu     sync.Mutex
	status *controller.Status
	orders []controller.Order
	files  []controller.ChargeFiles
	answer controller.Answer
	err    error
	hangs  chan struct{} // closed when an order hangs
}

func (k *kiln) Status() *controller.Status {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.status
}

func (k *kiln) set(s *controller.Status) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.status = s
}

func (k *kiln) Do(ctx context.Context, o controller.Order) (controller.Answer, error) {
	k.mu.Lock()
	k.orders = append(k.orders, o)
	hangs, answer, err := k.hangs, k.answer, k.err
	k.mu.Unlock()
	if hangs != nil {
		close(hangs)
		<-ctx.Done()
		return controller.Answer{}, ctx.Err()
	}
	return answer, err
}

func (k *kiln) StartCharge(ctx context.Context, o controller.Order, files controller.ChargeFiles) (controller.Answer, error) {
	k.mu.Lock()
	k.files = append(k.files, files)
	k.mu.Unlock()
	return k.Do(ctx, o)
}

var testRules = []hardware.RuleText{{ID: 3, Name: "high_limit", Clears: hardware.AtPanel}, {ID: 70, Name: "wick"}}

func running() *controller.Status {
	return &controller.Status{Kiln: "north", Tick: 5, Trips: []controller.TripStatus{{Rule: "high_limit"}}, Unjudged: []string{"smoke"},
		Alarms: []controller.AlarmStatus{{Rule: "wick"}},
		Charge: &controller.ChargeStatus{Run: 4, Stage: 2, Samples: []controller.SampleStatus{{Name: "A1"}, {Name: "A2"}}}}
}

// serve starts a real server on a real socket and stops it with the test.
func serve(t *testing.T, k *kiln, faults func(error) []Fault) (*Client, string) {
	path := filepath.Join(t.TempDir(), "s")
	l, err := Listen(path, "")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- NewServer(Config{Program: "test 1", Rules: testRules, Faults: faults}, k).Serve(ctx, l)
	}()
	c := NewClient(path)
	t.Cleanup(func() {
		c.Close()
		cancel()
		require.NoError(t, <-ended)
		_, err := os.Lstat(path)
		require.ErrorIs(t, err, os.ErrNotExist, "the socket goes with the server")
	})
	return c, path
}

func ref[T any](v T) *T { return &v }

func TestReads(t *testing.T) {
	k := &kiln{}
	c, path := serve(t, k, nil)
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.EqualValues(t, socketMode, info.Mode().Perm())

	_, err = c.Status(t.Context())
	var failed *FailedError
	require.ErrorAs(t, err, &failed)
	require.Equal(t, KindNotReady, failed.Told.Kind)

	k.set(running())
	s, err := c.Status(t.Context())
	require.NoError(t, err)
	require.Equal(t, running(), s)
	trips, unjudged, err := c.Trips(t.Context())
	require.NoError(t, err)
	require.Equal(t, "high_limit", trips[0].Rule)
	require.Equal(t, []string{"smoke"}, unjudged)
	alarms, err := c.Alarms(t.Context())
	require.NoError(t, err)
	require.Equal(t, "wick", alarms[0].Rule)
}

func TestOrdersCarryWhoAndWhatTheyWereMeantFor(t *testing.T) {
	k := &kiln{status: running(), answer: controller.Answer{Text: "done"}}
	c, _ := serve(t, k, nil)
	done, err := c.Do(t.Context(), Request{Verb: "set", Run: ref(uint32(4)), Stage: ref(2), Reason: " warm spell ", DryBulb: ref(43.3), EMC: ref(9.5), For: ref(3600.0)})
	require.NoError(t, err)
	require.Equal(t, Done{Verb: "set", Text: "done"}, done)
	o := k.orders[0]
	require.Equal(t, controller.VerbSet, o.Verb)
	require.EqualValues(t, 4, o.Run)
	require.EqualValues(t, 2, o.Stage)
	require.Equal(t, "warm spell", o.Reason)
	require.InDelta(t, 43.3, float64(o.DryBulb), 1e-12)
	require.InDelta(t, 9.5, float64(o.EMC), 1e-12)
	require.True(t, o.HasDryBulb && o.HasEMC)
	require.Equal(t, time.Hour, o.For)
	require.EqualValues(t, os.Getuid(), o.Who.UID, "the kernel says who the peer is")
	require.EqualValues(t, os.Getpid(), o.Who.PID)

	_, err = c.Do(t.Context(), Request{Verb: "weigh", Run: ref(uint32(4)), Sample: "A2", Mass: ref(2.5), Checked: true})
	require.NoError(t, err)
	require.EqualValues(t, 1, k.orders[1].Sample)
	require.InDelta(t, 2.5, float64(k.orders[1].Mass), 1e-12)
	require.True(t, k.orders[1].Recheck)
	_, err = c.Do(t.Context(), Request{Verb: "ack", Rule: "wick"})
	require.NoError(t, err)
	require.EqualValues(t, 70, k.orders[2].Rule)
	require.EqualValues(t, 4, k.orders[2].Run, "what was not named is meant for what runs now")
}

func TestRefusalIsGivenBackWithItsFigures(t *testing.T) {
	k := &kiln{status: running(), answer: controller.Answer{Text: "refused: beyond a limit",
		Reply: controller.Reply{Refusal: controller.RefusedLimit, Value: 70, Limit: 60}}}
	c, _ := serve(t, k, nil)
	_, err := c.Do(t.Context(), Request{Verb: "hold", Run: ref(uint32(4)), Stage: ref(2), Reason: "x"})
	var refused *RefusedError
	require.ErrorAs(t, err, &refused)
	require.Equal(t, Error{Kind: KindRefused, Text: "refused: beyond a limit", Refusal: "limit", Value: 70, Limit: 60}, refused.Told)
	require.Equal(t, "refused: beyond a limit", err.Error())
}

func TestWrongRequestsNeverReachTheKiln(t *testing.T) {
	k := &kiln{status: running()}
	c, _ := serve(t, k, nil)
	run, stage := ref(uint32(4)), ref(2)
	for _, r := range []struct {
		request Request
		want    []string
	}{
		{Request{Verb: "explode"}, []string{`unknown command "explode"`}},
		{Request{Verb: "start"}, []string{`unknown command "start"`}},
		{Request{Verb: "none"}, []string{"unknown command"}},
		{Request{Verb: "hold"}, []string{"needs a reason", "needs the run", "needs the stage"}},
		{Request{Verb: "hold", Run: run, Stage: stage, Reason: "  "}, []string{"needs a reason"}},
		{Request{Verb: "advance", Run: run, Stage: ref(200), Reason: "x"}, []string{"no stage 200"}},
		{Request{Verb: "set", Run: run, Stage: stage, Reason: "x"}, []string{"a dry bulb or an EMC", "needs an expiry"}},
		{Request{Verb: "set", Run: run, Stage: stage, Reason: "x", DryBulb: ref(900.0), For: ref(1.0)}, []string{"none of a kiln"}},
		{Request{Verb: "set", Run: run, Stage: stage, Reason: "x", EMC: ref(-1.0), For: ref(-1.0)}, []string{"none of air", "not between"}},
		{Request{Verb: "weigh", Run: run, Sample: "Z9", Mass: ref(0.0)}, []string{`no sample board "Z9"`, "needs a mass"}},
		{Request{Verb: "weigh", Run: run, Sample: "A1", Mass: ref(2.0), Rule: "wick"}, []string{"takes no rule"}},
		{Request{Verb: "ack", Rule: "nonsense"}, []string{`no rule "nonsense"`}},
		{Request{Verb: "reset", Rule: "high_limit"}, []string{"needs a reason"}},
		{Request{Verb: "confirm", Mass: ref(1.0), For: ref(1.0), DryBulb: ref(1.0), EMC: ref(1.0), Sample: "A1"},
			[]string{"takes no mass", "takes no expiry", "takes no dry bulb", "takes no EMC", "takes no sample board", "needs what it confirms, of stop, outage, restarts, files, weights"}},
		{Request{Verb: "confirm", Matters: []string{"stop", "everything"}}, []string{`unknown matter "everything"`}},
		{Request{Verb: "ack", Rule: "high_limit", Matters: []string{"stop"}}, []string{"takes no matters"}},
		{Request{Verb: "end", Run: run, Reason: strings.Repeat("x", maxReason+1)}, []string{"longer than"}},
	} {
		_, err := c.Do(t.Context(), r.request)
		var failed *FailedError
		require.ErrorAs(t, err, &failed, "%+v", r.request)
		require.Equal(t, KindRequest, failed.Told.Kind)
		for _, want := range r.want {
			require.ErrorContains(t, err, want)
		}
	}
	require.Empty(t, k.orders)
}

// TestEveryVerbIsOffered: a verb that the controller knows can be asked for, but for none and start, which has its own way.
func TestEveryVerbIsOffered(t *testing.T) {
	for v := controller.VerbEnd; v.String() != "unknown"; v++ {
		found := false
		for _, need := range verbs {
			found = found || need.verb == v
		}
		require.True(t, found, "%s cannot be asked for", v)
	}
}

func TestRawRequests(t *testing.T) {
	k := &kiln{status: running()}
	_, path := serve(t, k, nil)
	raw := &http.Client{Transport: &http.Transport{DisableKeepAlives: true,
		DialContext: func(context.Context, string, string) (net.Conn, error) { return net.Dial("unix", path) }}}
	for _, c := range []struct {
		method, path, body string
		code               int
		want               string
	}{
		{"POST", "/v1/command", "{", 400, "read the request"},
		{"POST", "/v1/command", `{"verb":"hold","surprise":1}`, 400, "surprise"},
		{"POST", "/v1/command", `{"verb":"confirm"} {}`, 400, "after the end"},
		{"POST", "/v1/command", `{"verb":"set","emc_percent":1e999}`, 400, "read the request"},
		{"POST", "/v1/command", `{"reason":"` + strings.Repeat("x", maxCommand) + `"}`, 413, "longer than"},
		{"POST", "/v1/charge", `{"charge":{"name":"c","text":""}}`, 400, "a charge sheet is wanted"},
		{"POST", "/v1/status", "", 404, "nothing at POST"},
		{"GET", "/v1/command", "", 404, "nothing at GET"},
		{"GET", "/", "", 404, "nothing at GET"},
		{"GET", "/v1/watch?every_seconds=NaN", "", 400, "no number of seconds"},
		{"GET", "/v1/watch?every_seconds=-1", "", 400, "no number of seconds"},
	} {
		r, err := http.NewRequest(c.method, "http://x"+c.path, strings.NewReader(c.body))
		require.NoError(t, err)
		response, err := raw.Do(r)
		require.NoError(t, err)
		body, err := io.ReadAll(response.Body)
		require.NoError(t, err)
		response.Body.Close()
		require.Equal(t, c.code, response.StatusCode, "%s %s", c.method, c.path)
		var told struct {
			Error Error `json:"error"`
		}
		require.NoError(t, json.Unmarshal(body, &told), "%s", body)
		require.Contains(t, told.Error.Text, c.want)
		if c.path != "/" && c.code != 404 {
			require.Equal(t, "test 1", response.Header.Get("Drywarden-Program"))
		}
	}
	require.Empty(t, k.orders)
}

func TestChargeFilesAndTheirFaults(t *testing.T) {
	k := &kiln{status: running(), answer: controller.Answer{Text: "done"}}
	bad := errors.New("two faults")
	found := []Fault{{File: "c.toml", Line: 3, Key: "lot.species", Found: "mapel", Expected: "one of maple"}, {File: "c.toml", Key: "lot", Found: "none", Expected: "at least one"}}
	c, _ := serve(t, k, func(err error) []Fault {
		if errors.Is(err, bad) {
			return found
		}
		return nil
	})
	files := controller.ChargeFiles{Charge: controller.File{Name: "c.toml", Text: "x = 1"}, Schedules: []controller.File{{Name: "s.toml", Text: "y = 2"}}}
	_, err := c.Start(t.Context(), StartRequest{ChargeFiles: files, Reason: "new load"})
	require.NoError(t, err)
	require.Equal(t, files, k.files[0])
	require.Equal(t, "new load", k.orders[0].Reason)

	k.err = bad
	_, err = c.Start(t.Context(), StartRequest{ChargeFiles: files})
	var invalid *InvalidError
	require.ErrorAs(t, err, &invalid)
	require.Equal(t, found, invalid.Faults)
	require.ErrorContains(t, err, "2 faults; nothing was changed")
	require.ErrorContains(t, err, "c.toml:3: lot.species: found mapel, expected one of maple")
	require.ErrorContains(t, err, "c.toml: lot: found none")

	k.err = errors.New("disk is full")
	_, err = c.Start(t.Context(), StartRequest{ChargeFiles: files})
	var failed *FailedError
	require.ErrorAs(t, err, &failed)
	require.Equal(t, "disk is full", err.Error())
	k.err, k.answer.Reply.Refusal, k.answer.Text = nil, controller.RefusedRunning, "refused: a charge is running"
	_, err = c.Start(t.Context(), StartRequest{ChargeFiles: files})
	var refused *RefusedError
	require.ErrorAs(t, err, &refused)
}

func TestWatchSendsEachChangeUntilTheServerEnds(t *testing.T) {
	k := &kiln{status: running()}
	path := filepath.Join(t.TempDir(), "s")
	l, err := Listen(path, "")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- NewServer(Config{}, k).Serve(ctx, l) }()
	c := NewClient(path)
	defer c.Close()
	var ticks []uint64
	err = c.Watch(t.Context(), 0, func(s *controller.Status) error {
		ticks = append(ticks, s.Tick)
		if s.Tick == 8 {
			cancel() // the daemon stops: the stream ends in order, and Serve does not hang on it
			return nil
		}
		next := running()
		next.Tick = s.Tick + 1
		k.set(next)
		return nil
	})
	require.NoError(t, err)
	require.Equal(t, []uint64{5, 6, 7, 8}, ticks)
	require.NoError(t, <-ended)
}

func TestWatchEndsWithItsReader(t *testing.T) {
	c, _ := serve(t, &kiln{status: running()}, nil)
	enough := errors.New("enough")
	require.ErrorIs(t, c.Watch(t.Context(), time.Minute, func(*controller.Status) error { return enough }), enough)
	ctx, cancel := context.WithCancel(t.Context())
	require.ErrorIs(t, c.Watch(ctx, time.Minute, func(*controller.Status) error { cancel(); return nil }), context.Canceled)
}

func TestTooManyWatchersAreSentAway(t *testing.T) {
	k := &kiln{status: running()}
	s := NewServer(Config{}, k)
	for range maxWatchers {
		s.watchers <- struct{}{}
	}
	for range maxRequests {
		s.requests <- struct{}{}
	}
	for _, path := range []string{"/v1/watch", "/v1/status"} {
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, httptest.NewRequest("GET", path, nil))
		require.Equal(t, http.StatusServiceUnavailable, w.Code)
		require.Contains(t, w.Body.String(), "too many clients")
	}
}

// TestServerStopsThoughAnOrderHangs: shutting down is bounded, and the one who waits is told to look.
func TestServerStopsThoughAnOrderHangs(t *testing.T) {
	k := &kiln{status: running(), hangs: make(chan struct{})}
	path := filepath.Join(t.TempDir(), "s")
	l, err := Listen(path, "")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- NewServer(Config{}, k).Serve(ctx, l) }()
	c := NewClient(path)
	defer c.Close()
	told := make(chan error, 1)
	go func() {
		_, err := c.Do(t.Context(), Request{Verb: "confirm", Matters: []string{"outage"}})
		told <- err
	}()
	<-k.hangs
	cancel()
	require.NoError(t, <-ended)
	var failed *FailedError
	require.ErrorAs(t, <-told, &failed)
	require.Equal(t, KindNoAnswer, failed.Told.Kind)
}

func TestSocketThatAnswersIsLeftAlone(t *testing.T) {
	_, path := serve(t, &kiln{status: running()}, nil)
	_, err := Listen(path, "")
	var answers *AnswersError
	require.ErrorAs(t, err, &answers)
	require.Contains(t, err.Error(), "another daemon answers on the socket "+path)
}

// TestStaleSocketIsReplaced: a process that was killed leaves its socket, and nobody answers on it.
func TestStaleSocketIsReplaced(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), "OPERATOR_TEST_LISTEN="+path)
	stdin, err := child.StdinPipe()
	require.NoError(t, err)
	defer stdin.Close()
	out, err := child.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, child.Start())
	line := make([]byte, 32)
	n, err := out.Read(line)
	require.NoError(t, err)
	require.Equal(t, "listening\n", string(line[:n]))
	require.NoError(t, child.Process.Kill())
	_ = child.Wait()
	_, err = os.Lstat(path)
	require.NoError(t, err, "it is still there")

	_, err = NewClient(path).Status(t.Context())
	var absent *AbsentError
	require.ErrorAs(t, err, &absent)
	require.Contains(t, err.Error(), "no daemon answers on "+path)
	require.ErrorIs(t, err, syscall.ECONNREFUSED)

	l, err := Listen(path, "")
	require.NoError(t, err)
	require.NoError(t, l.Close())
}

func TestPathThatIsNoSocketIsLeftAlone(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "precious")
	require.NoError(t, os.WriteFile(file, []byte("x"), 0o600))
	link := filepath.Join(dir, "link")
	require.NoError(t, os.Symlink(file, link))
	for _, path := range []string{file, dir, link} {
		_, err := Listen(path, "")
		require.ErrorContains(t, err, "something that is no socket is there")
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "x", string(text))
	_, err = Listen(filepath.Join(dir, "no", "such"), "")
	require.ErrorContains(t, err, "no such file")
	_, err = Listen(filepath.Join(dir, "s"), "no-such-group-here")
	require.ErrorContains(t, err, "no-such-group-here")
}

func TestGroupMayConnect(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	l, err := Listen(path, fmt.Sprint(os.Getgid()))
	require.NoError(t, err)
	defer l.Close()
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.EqualValues(t, os.Getgid(), info.Sys().(*syscall.Stat_t).Gid)
	require.EqualValues(t, 0o660, info.Mode().Perm())
}

func TestClientTellsAbsentFromDenied(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	_, err := NewClient(path).Status(t.Context())
	var absent *AbsentError
	require.ErrorAs(t, err, &absent)
	require.ErrorIs(t, err, os.ErrNotExist)
	c := NewClient(path)
	require.IsType(t, &DeniedError{}, c.absent(t.Context(), &net.OpError{Op: "dial", Err: os.NewSyscallError("connect", syscall.EACCES)}))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = c.Status(ctx)
	require.ErrorIs(t, err, context.Canceled)
}

func TestClientKnowsAForeignServer(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	l, err := net.Listen("unix", path)
	require.NoError(t, err)
	server := &http.Server{Handler: http.NotFoundHandler()}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(l) }()
	c := NewClient(path)
	_, err = c.Status(t.Context())
	require.ErrorContains(t, err, "none of this program's answers")
	c.Close()
	require.NoError(t, server.Close())
	<-ended
}

// FuzzCommand throws bytes at the one place that takes orders; whatever comes is answered with JSON.
func FuzzCommand(f *testing.F) {
	f.Add([]byte(`{"verb":"hold","run":4,"stage":2,"reason":"x"}`))
	f.Add([]byte(`{"verb":"set","run":4,"stage":2,"reason":"x","emc_percent":9,"for_seconds":60}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		k := &kiln{status: running()}
		w := httptest.NewRecorder()
		NewServer(Config{Rules: testRules}, k).Handler().ServeHTTP(w, httptest.NewRequest("POST", "/v1/command", strings.NewReader(string(body))))
		require.True(t, json.Valid(w.Body.Bytes()))
		if w.Code == http.StatusOK {
			require.Len(t, k.orders, 1)
			o := k.orders[0]
			require.True(t, o.EMC >= 0 && o.EMC <= 40 && o.Mass >= 0 && o.Mass <= maxMass && o.For >= 0 && o.For <= maxOverride, "%+v", o)
		}
	})
}

// A socket that is held and silent ends in one sentence, not in a wait without end or in the library's words.
func TestSilentSocket(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	l, err := net.Listen("unix", path)
	require.NoError(t, err)
	defer l.Close()
	client := newClient(path, 20*time.Millisecond, 20*time.Millisecond)
	defer client.Close()
	_, err = client.Status(t.Context())
	var absent *AbsentError
	require.ErrorAs(t, err, &absent)
	require.Contains(t, err.Error(), path+" does not answer")
	require.NotContains(t, err.Error(), "http")
	_, err = client.Do(t.Context(), Request{})
	require.ErrorAs(t, err, &absent)
}
