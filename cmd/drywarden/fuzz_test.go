package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/controller/operator"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/schedule"
	"drywarden/schedule/sheet"
)

// FuzzFaults reads any text as a file of faults. What is taken the simulated kiln takes too.
func FuzzFaults(f *testing.F) {
	for _, seed := range []string{"[[fault]]\nkind = \"wick_dry\"\nstart = \"3 d\"\n", "[[fault]]\nkind = \"probe_open\"\nstart = \"1 h\"\nprobe = \"dry_bulb_1\"\nseverity = 0.5\n",
		"[[fault]]\nkind = \"contactor_weld\"\nstart = \"1 h\"\nduration = \"6 h\"\noutput = \"heat_1\"\n", "fault = []\n", "[[fault]]\nkind = 3\nstart = \"-1 h\"\n"} {
		f.Add([]byte(seed))
	}
	file, files := shortFiles(f, 1, "unbroken")
	p, err := newPlant(file, files)
	require.NoError(f, err)
	layout := p.kiln.Layout()
	f.Fuzz(func(t *testing.T, text []byte) {
		faults, err := readFaults("f", text, &layout)
		if err != nil {
			require.IsType(t, &sheet.Faults{}, err)
			return
		}
		kiln := p.kiln.Clone()
		for _, fault := range faults {
			require.NoError(t, kiln.Inject(fault))
		}
		kiln.Advance(time.Minute)
	})
}

// ticking is a kiln for the operator's server whose loop moves only while an order waits for its answer.
type ticking struct {
	*cutKiln
	t testing.TB
}

func (k ticking) Status() *controller.Status { return k.loop.Publish() }

func (k ticking) Do(_ context.Context, o controller.Order) (controller.Answer, error) {
	reply := k.loop.Submit(o.Command)
	for range 120 {
		k.tick()
		select {
		case r := <-reply:
			return controller.Answer{Reply: r, Text: "as the reply says"}, nil
		default:
		}
	}
	require.Fail(k.t, "an order is not answered", "%+v", o)
	return controller.Answer{}, nil
}

func (k ticking) StartCharge(context.Context, controller.Order, controller.ChargeFiles) (controller.Answer, error) {
	return controller.Answer{Reply: controller.Reply{Refusal: controller.RefusedRunning}, Text: "a charge is running"}, nil
}

// FuzzOrders gives a whole kiln any sequence of operator's orders through the server's handlers. Each is answered, the
// audit finds nothing wrong with what comes of it, and the state stays one that can be saved, told and restored.
func FuzzOrders(f *testing.F) {
	f.Add([]byte{1, 0, 40, 2, 0, 40, 3, 0, 40, 4, 0, 40, 5, 0, 40}, uint64(1))
	f.Add([]byte{6, 9, 200, 7, 0, 10, 9, 77, 3, 10, 3, 1, 11, 3, 1, 0, 0, 255, 0, 0, 9}, uint64(2))
	f.Add([]byte{8, 0, 0, 8, 0, 0, 4, 255, 255, 4, 255, 255, 4, 255, 255, 4, 0, 255, 5, 128, 1}, uint64(3))
	f.Fuzz(func(t *testing.T, moves []byte, seed uint64) {
		moves = moves[:min(len(moves), 24)] // each three are an order
		k := ticking{newCutKiln(t, seed%64, "unbroken"), t}
		handler := operator.NewServer(operator.Config{Rules: allRules(), Faults: faultsOf}, k).Handler()
		verbs := []string{"end", "hold", "resume", "advance", "back", "set", "unset", "confirm", "weigh", "ack", "reset", "warm"}
		for ; len(moves) >= 3; moves = moves[3:] {
			verb, value, ticks := verbs[int(moves[0])%len(verbs)], int(moves[1]), int(moves[2])
			s := k.Status()
			r := operator.Request{Verb: verb, Reason: "fuzz"}
			if s.Charge != nil {
				run, stage := s.Charge.Run, s.Charge.Stage
				if value >= 250 {
					stage += value - 252 // meant for another one
				}
				r.Run, r.Stage = &run, &stage
			}
			number := float64(value) - 20
			switch verb {
			case "set":
				d := float64(ticks) * 60
				r.DryBulb, r.For = &number, &d
				if value%2 == 0 {
					r.EMC = &number
				}
			case "weigh":
				mass := float64(value) / 40
				r.Sample, r.Mass, r.Checked = []string{"a1", "a2", "p1", "p2", "x"}[ticks%5], &mass, value%2 == 0
			case "ack", "reset":
				r.Rule = allRules()[value%len(allRules())].Name
			case "confirm", "warm", "end":
				r.Stage = nil
			}
			if verb == "confirm" {
				r.Matters = []string{controller.MatterNames()[value%len(controller.MatterNames())]}
			}
			if verb == "confirm" || verb == "warm" {
				r.Run = nil
			}
			body, err := json.Marshal(r)
			require.NoError(t, err)
			w := httptest.NewRecorder()
			handler.ServeHTTP(w, httptest.NewRequest("POST", "/v1/command", bytes.NewReader(body)))
			require.True(t, json.Valid(w.Body.Bytes()), "%s", w.Body)
			require.Contains(t, []int{200, 400, 409}, w.Code, "%s: %s", body, w.Body)
			for range ticks % 64 {
				k.tick()
			}
			legal(t, k.cutKiln)
		}
		for range 40 {
			k.tick()
		}
		report := k.seen.checker.Finish()
		require.Empty(t, report.Violations)
	})
}

// legal says what must be true of any state.
func legal(t *testing.T, k *cutKiln) {
	s := k.state()
	run := &s.Run
	if run.Phase == schedule.Running {
		require.True(t, run.Stage >= 0 && int(run.Stage) < len(k.saver.live.Run.Plan.Schedule.Stages), "stage %d", run.Stage)
		require.True(t, !run.Started || run.EMC > 0 && run.EMC < 30 && run.DryBulb > -20 && run.DryBulb <= quantity.Celsius(k.config.DryBulbMax), "%+v", run)
	}
	require.LessOrEqual(t, int(s.AlarmCount), hardware.MaxAlarms)
	require.NotEqual(t, "unknown", s.Mode.String())
	require.False(t, math.IsNaN(float64(s.Gentle)))
	data, err := k.saver.live.Encode()
	require.NoError(t, err)
	require.NotEmpty(t, data)
	_, err = json.Marshal(k.loop.Publish())
	require.NoError(t, err)
}
