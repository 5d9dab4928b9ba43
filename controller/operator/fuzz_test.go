package operator

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
)

// FuzzCharge throws bytes at the place that takes charge files; whatever comes is answered with JSON.
func FuzzCharge(f *testing.F) {
	f.Add([]byte(`{"charge":{"name":"c","text":"id = 1"},"reason":"x"}`))
	f.Add([]byte(`{"charge":{"name":"c","text":"x"},"schedules":[{"name":"s","text":""},{}]}`))
	f.Add([]byte(`{"charge":{"name":null,"text":"\ud800"}}`))
	f.Add([]byte(`[{}]`))
	f.Fuzz(func(t *testing.T, body []byte) {
		k := &kiln{status: running()}
		w := httptest.NewRecorder()
		NewServer(Config{Rules: testRules}, k).Handler().ServeHTTP(w, httptest.NewRequest("POST", "/v1/charge", bytes.NewReader(body)))
		require.True(t, json.Valid(w.Body.Bytes()))
		require.Equal(t, w.Code == http.StatusOK, len(k.files) == 1)
		if len(k.files) == 1 {
			require.NotEmpty(t, k.files[0].Charge.Name)
			require.NotEmpty(t, k.files[0].Charge.Text)
			require.LessOrEqual(t, len(k.orders[0].Reason), maxReason)
		}
	})
}

// FuzzSocket writes any bytes to the real socket, in two pieces, and ends. The server answers with HTTP or closes, and
// serves the next client.
func FuzzSocket(f *testing.F) {
	for _, seed := range []string{"", "GET /v1/status HTTP/1.1\r\nHost: x\r\n\r\n", "GET /v1/watch HTTP/1.1\r\nHost: x\r\n\r\nGET /v1/trips HTTP/1.0\r\n\r\n",
		"POST /v1/command HTTP/1.1\r\nHost: x\r\nContent-Length: 19\r\n\r\n{\"verb\":\"confirm\"}\n", "POST /v1/command HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\nffffffffffffffff\r\n",
		"POST /v1/charge HTTP/1.1\r\nHost: x\r\nContent-Length: 99999999999\r\n\r\n{", "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", "\x16\x03\x01\x02\x00", "GET http://[::1 HTTP/1.1\r\n\r\n",
		"GET /v1/watch?every_seconds=1e-300 HTTP/1.1\r\nHost: x\r\nConnection: upgrade\r\n\r\n", "OPTIONS * HTTP/1.1\r\nHost:\r\n\r\n"} {
		f.Add([]byte(seed), uint16(len(seed)/2))
	}
	k := &kiln{status: running()}
	path := filepath.Join(f.TempDir(), "s")
	l, err := Listen(path, "")
	require.NoError(f, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- NewServer(Config{Program: "test 1", Rules: testRules}, k).Serve(ctx, l) }()
	client := NewClient(path)
	f.Cleanup(func() {
		client.Close()
		cancel()
		<-ended
	})
	f.Fuzz(func(t *testing.T, data []byte, at uint16) {
		c, err := net.Dial("unix", path)
		require.NoError(t, err)
		defer c.Close()
		require.NoError(t, c.SetDeadline(time.Now().Add(10*time.Second)))
		go func() { // the server may answer before it has read everything, or close
			cut := min(int(at), len(data))
			_, _ = c.Write(data[:cut])
			_, _ = c.Write(data[cut:])
			_ = c.(*net.UnixConn).CloseWrite()
		}()
		got, err := io.ReadAll(c)
		var late net.Error
		require.False(t, errors.As(err, &late) && late.Timeout(), "neither answered nor closed: %q", got)
		if len(got) > 0 {
			from := bufio.NewReader(bytes.NewReader(got))
			response, err := http.ReadResponse(from, nil)
			require.NoError(t, err, "%q", got)
			require.True(t, response.StatusCode >= 200 && response.StatusCode < 600)
		}
		status, err := client.Status(context.Background())
		require.NoError(t, err, "the next one is served")
		require.Equal(t, "north", status.Kiln)
	})
}

// FuzzAnswer lets the client read any bytes as the daemon's answer: it ends, with an answer or an error that says something.
func FuzzAnswer(f *testing.F) {
	for _, seed := range []string{"", "HTTP/1.1 200 OK\r\n\r\n{\"kiln\":\"north\"}", "HTTP/1.1 409 x\r\n\r\n{\"error\":{\"kind\":\"refused\",\"text\":\"no\"}}",
		"HTTP/1.1 422 x\r\n\r\n{\"error\":{\"kind\":\"invalid\",\"text\":\"no\",\"faults\":[{\"line\":-1}]}}", "HTTP/1.1 200 OK\r\nContent-Length: -1\r\n\r\n",
		"HTTP/1.1 301 x\r\nLocation: /v1/status\r\n\r\n", "HTTP/1.1 100 x\r\n\r\n", "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n2\r\n{}\r\n0\r\n\r\n"} {
		f.Add([]byte(seed))
	}
	path := filepath.Join(f.TempDir(), "s")
	l, err := Listen(path, "")
	require.NoError(f, err)
	f.Cleanup(func() { _ = l.Close() })
	f.Fuzz(func(t *testing.T, data []byte) {
		served := make(chan struct{})
		stop := make(chan struct{})
		go func() {
			defer close(served)
			for { // a redirect or a retry calls again
				_ = l.SetDeadline(time.Now().Add(50 * time.Millisecond))
				c, err := l.Accept()
				if err != nil {
					select {
					case <-stop:
						return
					default:
						continue
					}
				}
				_, _ = c.Read(make([]byte, 4096))
				_, _ = c.Write(data)
				_ = c.Close()
			}
		}()
		c := newClient(path, time.Second, time.Second)
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		_, err := c.Status(ctx)
		if err != nil {
			require.NotEmpty(t, err.Error())
		}
		_, err = c.Do(ctx, Request{Verb: "confirm", Matters: []string{"stop"}})
		if err != nil {
			require.NotEmpty(t, err.Error())
		}
		if err = c.Watch(ctx, time.Second, func(*controller.Status) error { return nil }); err != nil {
			require.NotEmpty(t, err.Error())
		}
		require.NoError(t, ctx.Err(), "it ends by itself")
		c.Close()
		close(stop)
		<-served
	})
}
