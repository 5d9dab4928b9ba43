package operator

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"golang.org/x/sys/unix"

	"drywarden/controller"
)

// AbsentError says that no daemon answers: nothing is there, or what holds the socket took the call and kept silent.
type AbsentError struct {
	Path string
	Err  error
}

// Error is one sentence for the operator.
func (e *AbsentError) Error() string {
	var silent net.Error
	if errors.As(e.Err, &silent) && silent.Timeout() {
		return fmt.Sprintf("what holds the socket %s does not answer: the daemon hangs, or it is another program's; "+
			"whether a command sent to it was done is not known", e.Path)
	}
	return fmt.Sprintf("no daemon answers on %s: is it running, and is this the socket of its kiln file?", e.Path)
}

// Unwrap gives what the system said.
func (e *AbsentError) Unwrap() error { return e.Err }

// DeniedError says that the socket's group is not one of the caller's.
type DeniedError struct{ Path string }

// Error is one sentence for the operator.
func (e *DeniedError) Error() string {
	return fmt.Sprintf("you may not talk to the daemon on %s: your account must be in the socket's group", e.Path)
}

// RefusedError says that the daemon would not, and why.
type RefusedError struct{ Told Error }

// Error is the daemon's sentence.
func (e *RefusedError) Error() string { return e.Told.Text }

// InvalidError says that files have faults; nothing was changed.
type InvalidError struct {
	Text   string
	Faults []Fault
}

// Error lists every fault, one a line.
func (e *InvalidError) Error() string {
	var b bytes.Buffer
	b.WriteString(e.Text)
	for _, f := range e.Faults {
		fmt.Fprintf(&b, "\n%s", f.File)
		if f.Line > 0 {
			fmt.Fprintf(&b, ":%d", f.Line)
		}
		fmt.Fprintf(&b, ": %s: found %s, expected %s", f.Key, f.Found, f.Expected)
	}
	return b.String()
}

// FailedError is any other answer of the daemon: a wrong request, not ready, or a fault of its own. See Kind.
type FailedError struct{ Told Error }

// Error is the daemon's sentence.
func (e *FailedError) Error() string { return e.Told.Text }

// maxLine bounds a status, in bytes.
const maxLine = 4 << 20

// askTime bounds the wait for an answer that needs no disk.
const askTime = 10 * time.Second

// Client talks to one daemon. It may be used by several goroutines; Close lets go of idle connections.
type Client struct {
	path              string
	questions, orders *http.Client
}

// NewClient makes a client for a socket; nothing is opened yet.
func NewClient(path string) *Client {
	return newClient(path, askTime, answerTime+10*time.Second)
}

// newClient waits so long for the answer to a question and to an order, which must be on the disk first.
func newClient(path string, question, order time.Duration) *Client {
	dialer := net.Dialer{Timeout: 5 * time.Second}
	patient := func(d time.Duration) *http.Client {
		return &http.Client{Transport: &http.Transport{
			DialContext:           func(ctx context.Context, _, _ string) (net.Conn, error) { return dialer.DialContext(ctx, "unix", path) },
			MaxIdleConns:          1,
			IdleConnTimeout:       10 * time.Second,
			ResponseHeaderTimeout: d,
		}}
	}
	return &Client{path: path, questions: patient(question), orders: patient(order)}
}

// Close lets go of idle connections.
func (c *Client) Close() {
	c.questions.CloseIdleConnections()
	c.orders.CloseIdleConnections()
}

// Status asks what is going on.
func (c *Client) Status(ctx context.Context) (*controller.Status, error) {
	var s controller.Status
	if err := c.call(ctx, http.MethodGet, "/v1/status", nil, &s); err != nil {
		return nil, err
	}
	return &s, nil
}

// Trips asks for the latched trips and the safety rules that are not judged.
func (c *Client) Trips(ctx context.Context) (trips []controller.TripStatus, unjudged []string, err error) {
	var answer struct {
		Trips    []controller.TripStatus `json:"trips"`
		Unjudged []string                `json:"unjudged"`
	}
	err = c.call(ctx, http.MethodGet, "/v1/trips", nil, &answer)
	return answer.Trips, answer.Unjudged, err
}

// Alarms asks for the alarms.
func (c *Client) Alarms(ctx context.Context) ([]controller.AlarmStatus, error) {
	var answer struct {
		Alarms []controller.AlarmStatus `json:"alarms"`
	}
	err := c.call(ctx, http.MethodGet, "/v1/alarms", nil, &answer)
	return answer.Alarms, err
}

// Do asks for one change and waits until it is done or refused.
func (c *Client) Do(ctx context.Context, r Request) (Done, error) {
	var done Done
	err := c.call(ctx, http.MethodPost, "/v1/command", r, &done)
	return done, err
}

// Start asks for a charge to be started.
func (c *Client) Start(ctx context.Context, r StartRequest) (Done, error) {
	var done Done
	err := c.call(ctx, http.MethodPost, "/v1/charge", r, &done)
	return done, err
}

// Watch calls see for each status, at most one every so often, until ctx is done, see fails or the daemon goes. It gives
// nil when the daemon ended the stream in an orderly way.
func (c *Client) Watch(ctx context.Context, every time.Duration, see func(*controller.Status) error) error {
	query := url.Values{"every_seconds": {strconv.FormatFloat(every.Seconds(), 'f', -1, 64)}}
	response, err := c.send(ctx, http.MethodGet, "/v1/watch?"+query.Encode(), nil)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	lines := bufio.NewScanner(response.Body)
	lines.Buffer(make([]byte, 0, 64<<10), maxLine)
	for lines.Scan() {
		var s controller.Status
		if err := json.Unmarshal(lines.Bytes(), &s); err != nil {
			return fmt.Errorf("watch: %w", err)
		}
		if err := see(&s); err != nil {
			return err
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("watch: %w", err)
	}
	return nil
}

func (c *Client) call(ctx context.Context, method, path string, request, answer any) error {
	response, err := c.send(ctx, method, path, request)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	if err := json.NewDecoder(io.LimitReader(response.Body, maxLine)).Decode(answer); err != nil {
		return fmt.Errorf("read the daemon's answer: %w", err)
	}
	return nil
}

// send gives the response of a request that went well; its body must be closed.
func (c *Client) send(ctx context.Context, method, path string, request any) (*http.Response, error) {
	var body io.Reader
	if request != nil {
		data, err := json.Marshal(request)
		if err != nil {
			return nil, fmt.Errorf("write the request: %w", err)
		}
		body = bytes.NewReader(data)
	}
	r, err := http.NewRequestWithContext(ctx, method, "http://daemon"+path, body)
	if err != nil {
		return nil, fmt.Errorf("write the request: %w", err)
	}
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	client := c.questions
	if method != http.MethodGet {
		client = c.orders
	}
	response, err := client.Do(r)
	if err != nil {
		return nil, c.absent(ctx, err)
	}
	if response.StatusCode == http.StatusOK {
		return response, nil
	}
	defer response.Body.Close()
	var told struct {
		Error Error `json:"error"`
	}
	if err := json.NewDecoder(io.LimitReader(response.Body, maxLine)).Decode(&told); err != nil || told.Error.Text == "" {
		return nil, fmt.Errorf("the daemon on %s answers %s, which is none of this program's answers", c.path, response.Status)
	}
	switch told.Error.Kind {
	case KindRefused:
		return nil, &RefusedError{told.Error}
	case KindInvalid:
		return nil, &InvalidError{told.Error.Text, told.Error.Faults}
	}
	return nil, &FailedError{told.Error}
}

// absent tells a daemon that is not there from one that may not be talked to.
func (c *Client) absent(ctx context.Context, err error) error {
	var op *net.OpError
	var silent net.Error
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return &DeniedError{c.path}
	case errors.As(err, &op) && op.Op == "dial":
		return &AbsentError{c.path, op.Err}
	case errors.As(err, &silent) && silent.Timeout():
		return &AbsentError{c.path, err}
	}
	return fmt.Errorf("talk to the daemon on %s: %w", c.path, err)
}
