package operator

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os/user"
	"strconv"
	"time"

	"golang.org/x/sys/unix"

	"drywarden/controller"
	"drywarden/hardware"
)

// Bounds of the server.
const (
	maxCommand  = 16 << 10 // bytes
	maxCharge   = 1 << 20  // bytes
	maxWatchers = 16       // streams at a time
	maxRequests = 32       // other requests at a time
	answerTime  = 25 * time.Second
	lineTime    = 10 * time.Second // for a watcher to take a line
	stopTime    = 3 * time.Second
	lookEvery   = 100 * time.Millisecond // for a new status, of a watcher
)

// Kiln is what the server serves; *loop.Loop is one.
type Kiln interface {
	Status() *controller.Status // nil before the first tick
	Do(ctx context.Context, order controller.Order) (controller.Answer, error)
	StartCharge(ctx context.Context, order controller.Order, files controller.ChargeFiles) (controller.Answer, error)
}

// Config is what a server needs beside its kiln.
type Config struct {
	Program string              // version, told to clients
	Rules   []hardware.RuleText // by whose names trips and alarms are acknowledged and reset
	Faults  func(error) []Fault // takes an error of StartCharge apart; nil for an error that is no list of faults
	Log     *slog.Logger        // optional
}

// Server answers on the socket.
type Server struct {
	cfg      Config
	kiln     Kiln
	log      *slog.Logger
	watchers chan struct{}
	requests chan struct{}
}

// NewServer makes a server; Serve starts it.
func NewServer(cfg Config, kiln Kiln) *Server {
	s := &Server{cfg: cfg, kiln: kiln, log: cfg.Log, watchers: make(chan struct{}, maxWatchers), requests: make(chan struct{}, maxRequests)}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	s.log = s.log.With("component", "operator")
	return s
}

// handler is one row of the table below. Its answer is sent as JSON; an error that is no *failure is one of the server's.
type handler func(s *Server, w http.ResponseWriter, r *http.Request) (any, error)

var handlers = []struct {
	pattern string
	handle  handler
}{
	{"GET /v1/status", (*Server).status},
	{"GET /v1/watch", (*Server).watch},
	{"GET /v1/trips", (*Server).trips},
	{"GET /v1/alarms", (*Server).alarms},
	{"POST /v1/command", (*Server).command},
	{"POST /v1/charge", (*Server).charge},
}

// Handler gives the server's handler, for tests and for Serve.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	for _, h := range handlers {
		mux.HandleFunc(h.pattern, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Drywarden-Program", s.cfg.Program)
			slots := s.requests
			if h.pattern == "GET /v1/watch" {
				slots = s.watchers
			}
			select {
			case slots <- struct{}{}:
				defer func() { <-slots }()
			default:
				s.fail(w, r, &failure{http.StatusServiceUnavailable, Error{Kind: KindNotReady, Text: "too many clients at once; try again"}})
				return
			}
			answer, err := h.handle(s, w, r)
			if err != nil {
				s.fail(w, r, err)
			} else if answer != nil {
				s.send(w, http.StatusOK, answer)
			}
		})
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, &failure{http.StatusNotFound, Error{Kind: KindRequest, Text: fmt.Sprintf("there is nothing at %s %s", r.Method, r.URL.Path)}})
	})
	return mux
}

// Serve answers until ctx is done, then ends streams, lets requests finish for a short while, and closes the socket.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	streams, end := context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	server := &http.Server{
		Handler: s.Handler(), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 15 * time.Second, IdleTimeout: 30 * time.Second,
		WriteTimeout: answerTime + 5*time.Second, MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
		BaseContext: func(net.Listener) context.Context { return streams },
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			return context.WithValue(ctx, peerKey{}, peer(c))
		},
	}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(l) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serve operators: %w", err)
	case <-ctx.Done():
	}
	end()
	patience, stop := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
	defer stop()
	err := server.Shutdown(patience)
	if err != nil {
		err = errors.Join(fmt.Errorf("stop serving operators: %w", err), server.Close())
	}
	<-failed
	return err
}

// failure is an Error with its HTTP status.
type failure struct {
	code int
	told Error
}

func (f *failure) Error() string { return f.told.Text }

func wrong(format string, args ...any) error {
	return &failure{http.StatusBadRequest, Error{Kind: KindRequest, Text: fmt.Sprintf(format, args...)}}
}

func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	f, ok := errors.AsType[*failure](err)
	if !ok {
		f = &failure{http.StatusInternalServerError, Error{Kind: KindFailed, Text: err.Error()}}
		s.log.Warn("request failed", "path", r.URL.Path, "err", err)
	}
	s.send(w, f.code, map[string]Error{"error": f.told})
}

func (s *Server) send(w http.ResponseWriter, code int, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		s.log.Error("an answer cannot be written", "err", err)
		code, data = http.StatusInternalServerError, []byte(`{"error":{"kind":"failed","text":"the answer cannot be written"}}`)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_, _ = w.Write(append(data, '\n')) // the client may have gone
}

func (s *Server) now() (*controller.Status, error) {
	if st := s.kiln.Status(); st != nil {
		return st, nil
	}
	return nil, &failure{http.StatusServiceUnavailable, Error{Kind: KindNotReady, Text: "the daemon has just started and has no status yet; try again"}}
}

func (s *Server) status(http.ResponseWriter, *http.Request) (any, error) {
	st, err := s.now()
	return st, err
}

func (s *Server) trips(http.ResponseWriter, *http.Request) (any, error) {
	st, err := s.now()
	if err != nil {
		return nil, err
	}
	return map[string]any{"trips": st.Trips, "unjudged": st.Unjudged}, nil
}

func (s *Server) alarms(http.ResponseWriter, *http.Request) (any, error) {
	st, err := s.now()
	if err != nil {
		return nil, err
	}
	return map[string]any{"alarms": st.Alarms}, nil
}

// watch sends a line for each new status until the client goes, the daemon stops, or a line is not taken in time.
func (s *Server) watch(w http.ResponseWriter, r *http.Request) (any, error) {
	every := time.Duration(0)
	if text := r.URL.Query().Get("every_seconds"); text != "" {
		seconds, err := strconv.ParseFloat(text, 64)
		if err != nil || !(seconds >= 0 && seconds <= 3600) {
			return nil, wrong("every_seconds=%q is no number of seconds between 0 and 3600", text)
		}
		every = time.Duration(seconds * float64(time.Second))
	}
	control := http.NewResponseController(w)
	w.Header().Set("Content-Type", "application/jsonl")
	look := time.NewTicker(max(every, lookEvery))
	defer look.Stop()
	var last *controller.Status
	for {
		if st := s.kiln.Status(); st != nil && st != last {
			last = st
			line, err := json.Marshal(st)
			if err != nil {
				return nil, err
			}
			_ = control.SetWriteDeadline(time.Now().Add(lineTime))
			if _, err := w.Write(append(line, '\n')); err != nil {
				return nil, nil // nobody is left to tell
			}
			if err := control.Flush(); err != nil {
				return nil, nil
			}
		}
		select {
		case <-r.Context().Done():
			return nil, nil
		case <-look.C:
		}
	}
}

func (s *Server) command(w http.ResponseWriter, r *http.Request) (any, error) {
	var request Request
	if err := read(w, r, maxCommand, &request); err != nil {
		return nil, err
	}
	st, err := s.now()
	if err != nil {
		return nil, err
	}
	o, err := order(request, st, s.cfg.Rules)
	if err != nil {
		return nil, wrong("%v", err)
	}
	o.Who = person(r.Context())
	ctx, cancel := context.WithTimeout(r.Context(), answerTime)
	defer cancel()
	answer, err := s.kiln.Do(ctx, o)
	return s.answer(request.Verb, answer, err)
}

func (s *Server) charge(w http.ResponseWriter, r *http.Request) (any, error) {
	var request StartRequest
	if err := read(w, r, maxCharge, &request); err != nil {
		return nil, err
	}
	if request.Charge.Name == "" || request.Charge.Text == "" {
		return nil, wrong("a charge sheet is wanted, with name and text")
	}
	if len(request.Reason) > maxReason {
		return nil, wrong("the reason is longer than %d bytes", maxReason)
	}
	ctx, cancel := context.WithTimeout(r.Context(), answerTime)
	defer cancel()
	o := controller.Order{Reason: request.Reason, Who: person(r.Context())}
	answer, err := s.kiln.StartCharge(ctx, o, request.ChargeFiles)
	if err != nil && s.cfg.Faults != nil {
		if faults := s.cfg.Faults(err); len(faults) > 0 {
			text := fmt.Sprintf("%s does not load: %d faults; nothing was changed", request.Charge.Name, len(faults))
			s.log.Info("charge refused", "charge", request.Charge.Name, "faults", len(faults), "uid", o.Who.UID)
			return nil, &failure{http.StatusUnprocessableEntity, Error{Kind: KindInvalid, Text: text, Faults: faults}}
		}
	}
	return s.answer(controller.VerbStart.String(), answer, err)
}

func (s *Server) answer(verb string, a controller.Answer, err error) (any, error) {
	switch {
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return nil, &failure{http.StatusGatewayTimeout, Error{Kind: KindNoAnswer,
			Text: "no answer yet: the command may still be done; look at the status"}}
	case err != nil:
		return nil, err
	case a.Reply.Refusal != controller.Accepted:
		return nil, &failure{http.StatusConflict, Error{Kind: KindRefused, Text: a.Text, Refusal: a.Reply.Refusal.String(),
			Value: a.Reply.Value, Limit: a.Reply.Limit}}
	}
	return Done{Verb: verb, Text: a.Text}, nil
}

// read takes one JSON value of bounded size, with no key that is not known and nothing after it.
func read(w http.ResponseWriter, r *http.Request, most int64, to any) error {
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, most))
	d.DisallowUnknownFields()
	err := d.Decode(to)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("something stands after the end")
		}
	}
	if large, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return &failure{http.StatusRequestEntityTooLarge, Error{Kind: KindRequest, Text: fmt.Sprintf("the request is longer than %d bytes", large.Limit)}}
	}
	if err != nil {
		return wrong("read the request: %v", err)
	}
	return nil
}

type peerKey struct{}

// peer asks the kernel who is at the other end; nil when it does not say.
func peer(c net.Conn) *unix.Ucred {
	u, ok := c.(*net.UnixConn)
	if !ok {
		return nil
	}
	raw, err := u.SyscallConn()
	if err != nil {
		return nil
	}
	var cred *unix.Ucred
	if err := raw.Control(func(fd uintptr) { cred, _ = unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED) }); err != nil {
		return nil
	}
	return cred
}

// nobody is the uid of a peer that the kernel did not name.
const nobody = 65534

func person(ctx context.Context) controller.Person {
	cred, _ := ctx.Value(peerKey{}).(*unix.Ucred)
	if cred == nil {
		return controller.Person{UID: nobody}
	}
	p := controller.Person{UID: cred.Uid, PID: cred.Pid}
	if u, err := user.LookupId(strconv.FormatUint(uint64(cred.Uid), 10)); err == nil {
		p.Name = u.Username
	}
	return p
}
