package metrics

import (
	"flag"
	"net/http"
	"net/http/httptest"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
)

var update = flag.Bool("update", false, "write the golden file anew; commit it only when the difference can be explained")

const golden = "testdata/charge.txt"

func ref[T any](v T) *T { return &v }

// full is a kiln in the middle of a charge with one probe gone, a trip and an alarm.
func full() *controller.Status {
	return &controller.Status{
		Program: "drywarden 1.2", Kiln: "north", UpSeconds: 7200, TickSeconds: 1, ClockTrusted: true, Mode: "hold", Forced: "safe",
		Waits: []string{"a"}, Outage: controller.OutageStatus{Seconds: ref(90.0), Restored: true},
		Storage: controller.StorageStatus{Generation: 12, Durable: 11, Failure: "no space left"},
		Charge: &controller.ChargeStatus{
			Run: 4, Name: "a name that no label may carry", Stage: 1, InStage: 3600, Overdue: true, Exposure: 60, Holds: []string{"door", "trip"},
			Stages:  []controller.StageStatus{{Kind: "preheat"}, {Kind: "dry"}},
			Control: controller.BeliefStatus{Value: ref(32.5), Sigma: ref(0.5)},
			Lots: []controller.LotStatus{
				{Name: "Hollow Creek", Target: 7, Control: controller.BeliefStatus{Value: ref(32.5), Sigma: ref(0.5)},
					Mean: controller.BeliefStatus{Value: ref(30.0), Sigma: ref(0.25)}, Rate: ref(8.64), RateSigma: ref(0.864), RateLimit: ref(4.32), EvidenceAge: 30},
				{Name: "unknown as yet", Target: 8},
			},
		},
		Air: controller.AirStatus{DryBulb: ref(43.3), WetBulb: ref(38.0), RH: ref(0.7), EMC: ref(12.5), Coil: ref(4.0), Outdoor: ref(-5.0),
			ColdestCore: ref(40.0), HottestCore: ref(41.0), Airflow: true},
		Set: controller.SetStatus{Active: true, DryBulb: ref(44.0), EMC: ref(11.0), BaseDryBulb: ref(45.0), BaseEMC: ref(10.0), GuardBias: 1, Override: true, OverrideLeft: 600},
		Outputs: []controller.OutputStatus{
			{Name: "fan_forward_1", Requested: true, Applied: true, ReadBack: ref(true), Current: ref(3.5), Speed: ref(0.8)},
			{Name: "compressor", Requested: true, Applied: false},
		},
		Probes: []controller.ProbeStatus{
			{Name: "db-1", Role: "dry_bulb", Unit: "celsius", Value: ref(43.3), Quality: "valid", Age: 2},
			{Name: "rh-1", Role: "humidity", Unit: "ratio", Value: ref(0.7), Quality: "valid", Age: 3},
			{Name: "pin-1", Role: "pin", Unit: "ohms", Value: ref(4.6e6), Quality: "valid"},
			{Name: "cell-1", Role: "load_cell", Unit: "kilograms", Value: ref(2.5), Quality: "valid"},
			{Name: "core-1", Role: "core", Unit: "celsius", Quality: "stale", Age: 99},
		},
		Contacts: []controller.ContactStatus{{Name: "door", Active: ref(false)}, {Name: "airflow", Active: ref(true)}, {Name: "e_stop"}},
		Alarms:   []controller.AlarmStatus{{Rule: "wick", Class: "wood_at_risk", Active: true}, {Rule: "door_open", Class: "housekeeping", Acked: true}},
		Trips:    []controller.TripStatus{{Rule: "high_limit"}},
		Delivery: &controller.DeliveryStatus{Undelivered: 1, Recipients: []controller.DeliveryRecipient{{Name: "first", Delivered: 4, Failed: 2}}},
		Meters:   controller.MeterStatus{Condensate: ref(123.5), Energy: ref(3.6e6)},
		Counts: controller.CountStatus{Ticks: 7200, Slow: 2, Commands: 5, Refused: 1,
			Outputs: []controller.OutputCount{{Name: "fan_forward_1", Starts: 3}, {Name: "compressor", Starts: 2, Vetoes: 40}}},
	}
}

var rules = []hardware.RuleText{
	{ID: 3, Name: "high_limit", Class: hardware.Danger, Clears: hardware.AtPanel},
	{ID: 4, Name: "door_open", Class: hardware.Housekeeping},
	{ID: 70, Name: "wick", Class: hardware.WoodAtRisk, Clears: hardware.ByOperator},
}

func collector(s *controller.Status) *Collector {
	return NewCollector(Config{Version: "1.2", Rules: rules, Status: func() *controller.Status { return s }})
}

func TestExpositionIsAsWritten(t *testing.T) {
	c := collector(full())
	if *update {
		registry := prometheus.NewPedanticRegistry()
		registry.MustRegister(c)
		w := httptest.NewRecorder()
		Handler(registry).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		var own []string
		for _, line := range strings.SplitAfter(w.Body.String(), "\n") {
			if !strings.Contains(line, "promhttp_") {
				own = append(own, line)
			}
		}
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(golden, []byte(strings.Join(own, "")), 0o644))
	}
	want, err := os.Open(golden)
	require.NoError(t, err)
	defer want.Close()
	require.NoError(t, testutil.CollectAndCompare(c, want))
}

func TestLint(t *testing.T) {
	problems, err := testutil.CollectAndLint(collector(full()))
	require.NoError(t, err)
	require.Empty(t, problems)
}

// TestUnits: the linter of the client library lets these pass.
func TestUnits(t *testing.T) {
	unlucky := regexp.MustCompile(`_(percent|pct|points|minutes?|hours?|days?|ms|milliseconds|nanoseconds|temp|temperature|c|f|k|kelvin|fahrenheit|degrees|` +
		`kwh|wh|watt_?hours|kg|lbs?|pounds|gallons|liters|pa|hpa|ohm|second|joule|gram|ampere|kilograms?|amps)(_total)?$`)
	for _, f := range families {
		require.NotRegexp(t, unlucky, strings.TrimSuffix(f.name, "_per_second"))
		require.Equal(t, f.counter, strings.HasSuffix(f.name, "_total"), f.name)
		require.NotContains(t, f.help, "%", f.name)
		require.True(t, strings.HasSuffix(f.help, "."), f.name)
		require.False(t, strings.HasPrefix(f.name, "drywarden"), f.name)
	}
	for _, name := range []string{"air_emc_percent", "stage_hours", "probe_temp_c", "energy_kwh_total"} {
		require.Regexp(t, unlucky, name, "the check must be able to fail")
	}
}

// TestUnknownHasNoSample: a status in which nothing is known shows no number for it, and never 0.
func TestUnknownHasNoSample(t *testing.T) {
	empty := &controller.Status{Probes: []controller.ProbeStatus{{Name: "db-1", Role: "dry_bulb", Unit: "celsius", Quality: "absent"}},
		Outputs: []controller.OutputStatus{{Name: "compressor"}}, Contacts: []controller.ContactStatus{{Name: "door"}}}
	for _, name := range []string{"probe_temperature_celsius", "probe_age_seconds", "contact_active", "air_dry_bulb_celsius", "air_emc_ratio", "coil_celsius",
		"outdoor_celsius", "set_point_dry_bulb_celsius", "set_point_emc_ratio", "lot_moisture_ratio", "control_moisture_ratio", "output_read_back",
		"output_current_amperes", "output_speed_ratio", "condensate_grams_total", "energy_joules_total", "outage_seconds", "stage_info"} {
		require.Zero(t, testutil.CollectAndCount(collector(empty), "drywarden_"+name), name)
	}
	require.Equal(t, 7, testutil.CollectAndCount(collector(empty), "drywarden_probe_quality"))
	// One lot of the full status is not known yet: it has a target and an age, and no moisture.
	require.Equal(t, 2, testutil.CollectAndCount(collector(full()), "drywarden_lot_moisture_ratio"))
	require.Equal(t, 1, testutil.CollectAndCount(collector(full()), "drywarden_lot_drying_rate_ratio_per_second"))
	require.Equal(t, 2, testutil.CollectAndCount(collector(full()), "drywarden_lot_target_ratio"))
}

func TestBeforeTheFirstStatus(t *testing.T) {
	require.NoError(t, testutil.CollectAndCompare(collector(nil), strings.NewReader(`
# HELP drywarden_build_info Version of the program.
# TYPE drywarden_build_info gauge
drywarden_build_info{version="1.2"} 1
# HELP drywarden_ready Whether the control loop has published a status.
# TYPE drywarden_ready gauge
drywarden_ready 0
`)))
}

// TestStatesAreOneSeriesEach: of each closed set one is 1 and the others are 0.
func TestStatesAreOneSeriesEach(t *testing.T) {
	registry := prometheus.NewPedanticRegistry()
	registry.MustRegister(collector(full()))
	families, err := registry.Gather()
	require.NoError(t, err)
	sum, count := map[string]float64{}, map[string]int{}
	for _, f := range families {
		for _, m := range f.Metric {
			sum[f.GetName()] += m.GetGauge().GetValue()
			count[f.GetName()]++
		}
	}
	for name, n := range map[string]int{"drywarden_mode": len(controller.ModeNames()), "drywarden_forced": 3, "drywarden_stage_kind": 6} {
		require.Equal(t, n, count[name], name)
		require.Equal(t, 1.0, sum[name], name)
	}
	require.Equal(t, 2.0, sum["drywarden_hold"])
	require.Equal(t, 1.0, sum["drywarden_trip"])
	require.Equal(t, 5.0, sum["drywarden_probe_quality"], "one for each probe")
}

// TestNoFreeTextInLabels: what people wrote into the status does not get out.
func TestNoFreeTextInLabels(t *testing.T) {
	s := full()
	var mark func(v reflect.Value)
	keep := map[string]bool{"Rule": true, "Class": true, "Role": true, "Unit": true, "Quality": true, "Mode": true, "Forced": true, "Kind": true}
	mark = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer:
			if !v.IsNil() {
				mark(v.Elem())
			}
		case reflect.Slice:
			for i := range v.Len() {
				mark(v.Index(i))
			}
		case reflect.Struct:
			for i := range v.NumField() {
				named := v.Type().Name() == "ProbeStatus" || v.Type().Name() == "OutputStatus" || v.Type().Name() == "OutputCount" || v.Type().Name() == "ContactStatus"
				if f := v.Field(i); f.Kind() == reflect.String && !keep[v.Type().Field(i).Name] && !(named && v.Type().Field(i).Name == "Name") {
					f.SetString("free text")
				} else {
					mark(f)
				}
			}
		}
	}
	mark(reflect.ValueOf(s))
	registry := prometheus.NewPedanticRegistry()
	registry.MustRegister(collector(s))
	w := httptest.NewRecorder()
	Handler(registry).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	require.Equal(t, http.StatusOK, w.Code)
	require.NotContains(t, w.Body.String(), "free text")
}

func TestHandlerSpeaksOpenMetricsToo(t *testing.T) {
	registry := NewRegistry(Config{Version: "1.2", Rules: rules, Status: full})
	r := httptest.NewRequest("GET", "/metrics", nil)
	r.Header.Set("Accept", "application/openmetrics-text; version=1.0.0")
	w := httptest.NewRecorder()
	Handler(registry).ServeHTTP(w, r)
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Header().Get("Content-Type"), "application/openmetrics-text")
	require.True(t, strings.HasSuffix(w.Body.String(), "# EOF\n"))
	for _, name := range []string{"go_goroutines", "process_start_time_seconds", "go_build_info", "drywarden_ready 1"} {
		require.Contains(t, w.Body.String(), name)
	}
}

func BenchmarkScrape(b *testing.B) {
	registry := prometheus.NewRegistry()
	registry.MustRegister(collector(full()))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := registry.Gather(); err != nil {
			b.Fatal(err)
		}
	}
}
