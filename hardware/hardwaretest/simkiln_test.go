package hardwaretest_test

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware"
	"drywarden/hardware/hardwaretest"
	"drywarden/hardware/mono"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
)

// locked is the simulated kiln as the daemon holds it: behind a lock.
type locked struct {
	mu   sync.Mutex
	kiln *simkiln.Kiln
}

func (l *locked) Read(now mono.Instant, to *hardware.Snapshot) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.kiln.Read(now, to)
}

func (l *locked) Apply(now mono.Instant, o hardware.Outputs) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.kiln.Apply(now, o)
}

func TestSimulatedKilnConforms(t *testing.T) {
	for _, c := range hardwaretest.Cases() {
		t.Run(c.Name, func(t *testing.T) {
			config := simkiln.DefaultConfig()
			config.Lots = []simkiln.LotConfig{{Name: "oak", Species: "oak, northern red", Thickness: 0.027, Volume: 5, Start: 60, Boards: 3}}
			config.Samples = []int8{0, 0}
			kiln, err := simkiln.New(config)
			require.NoError(t, err)
			l := &locked{kiln: kiln}
			layout := kiln.Layout()
			inject := func(f simkiln.Fault) {
				f.Duration = quantity.Duration(hardwaretest.Fault)
				require.NoError(t, kiln.Inject(f))
			}
			c.Run(t, &hardwaretest.Rig{
				Kiln: l, Layout: layout,
				Now: func() mono.Instant { return mono.Instant(kiln.Now()) },
				Pass: func(d time.Duration) {
					kiln.Advance(d)
				},
				Driven: func() hardware.OutputSet {
					var s hardware.Snapshot
					_ = l.Read(0, &s)
					return s.ReadBack
				},
				Unplug: func(id hardware.ProbeID) {
					require.NoError(t, kiln.Inject(simkiln.Fault{Kind: simkiln.ProbeNoAnswer, Probe: id, Duration: quantity.Duration(hardwaretest.Noticed + time.Second)}))
				},
				Plug: func(hardware.ProbeID) {}, // the fault ends by itself
				Jam: func() (probes []hardware.ProbeID, release func()) {
					for i, p := range layout.Probes {
						if p.Role != hardware.RolePin && p.Role != hardware.RoleLoadCell { // these have meters of their own
							probes = append(probes, hardware.ProbeID(i))
						}
					}
					inject(simkiln.Fault{Kind: simkiln.BusDown})
					return probes, func() {}
				},
				Hold: func(id hardware.OutputID, on bool) {
					kind := simkiln.ContactorStick
					if on {
						kind = simkiln.ContactorWeld
					}
					inject(simkiln.Fault{Kind: kind, Output: id})
				},
				LetGo:    func() {},
				BrownOut: func() { inject(simkiln.Fault{Kind: simkiln.RelayReset, Severity: 3}) },
				Told:     layout.ReadBack,
				Withheld: func(asked hardware.OutputSet) hardware.OutputSet {
					off := hardware.AllHeat | 1<<hardware.Compressor // airflow and pressure switches
					for g := range hardware.MaxFanGroups {           // reversing contactors are locked against each other
						if asked.Has(hardware.FanForward(g)) && asked.Has(hardware.FanReverse(g)) {
							off = off.With(hardware.FanForward(g), true).With(hardware.FanReverse(g), true)
						}
					}
					return off
				},
			})
		})
	}
}
