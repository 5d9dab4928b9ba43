package metrics

import (
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/schedule"
)

// Config is what cannot be read from a status.
type Config struct {
	Version string              // of the program
	Rules   []hardware.RuleText // each has its series, raised or not
	Status  func() *controller.Status
}

// NewRegistry gives a registry of its own with the kiln's collector and those of Go, the process and the build.
func NewRegistry(cfg Config) *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(NewCollector(cfg), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		collectors.NewBuildInfoCollector())
	return r
}

// Handler serves a registry to few clients at a time and gives up on a slow scrape.
func Handler(r *prometheus.Registry) http.Handler {
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{Registry: r, EnableOpenMetrics: true, MaxRequestsInFlight: 4, Timeout: 5 * time.Second})
}

// Collector renders the status of the moment of the scrape.
type Collector struct {
	cfg   Config
	descs []*prometheus.Desc
}

// NewCollector makes a collector; before the first status it gives drywarden_ready 0 and the build only.
func NewCollector(cfg Config) *Collector {
	c := &Collector{cfg: cfg}
	for _, f := range families {
		c.descs = append(c.descs, prometheus.NewDesc("drywarden_"+f.name, f.help, f.labels, nil))
	}
	return c
}

// Describe gives every family.
func (c *Collector) Describe(to chan<- *prometheus.Desc) {
	for _, d := range c.descs {
		to <- d
	}
}

// Collect gives the samples of one status.
func (c *Collector) Collect(to chan<- prometheus.Metric) {
	s := c.cfg.Status()
	for i, f := range families {
		if s == nil && !f.always {
			continue
		}
		kind := prometheus.GaugeValue
		if f.counter {
			kind = prometheus.CounterValue
		}
		f.each(&scrape{s, &c.cfg}, func(v float64, labels ...string) {
			to <- prometheus.MustNewConstMetric(c.descs[i], kind, v, labels...)
		})
	}
}

// scrape is what a family draws from.
type scrape struct {
	*controller.Status
	cfg *Config
}

type emit func(v float64, labels ...string)

// family is one name with its samples.
type family struct {
	name, help string
	labels     []string
	counter    bool
	always     bool // even before the first status
	each       func(s *scrape, emit emit)
}

const (
	day     = 86400.0
	percent = 100.0

	gramsInKilogram = 1000.0 // the base unit of mass is the gram here
)

func one(value func(s *scrape) float64) func(*scrape, emit) {
	return func(s *scrape, emit emit) { emit(value(s)) }
}

// maybe gives no sample for what is not known.
func maybe(value func(s *scrape) *float64, scale float64) func(*scrape, emit) {
	return func(s *scrape, emit emit) {
		if v := value(s); v != nil {
			emit(*v * scale)
		}
	}
}

func bit(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// states gives one sample for each name of a closed set.
func states(names []string, in func(s *scrape, name string) bool) func(*scrape, emit) {
	return func(s *scrape, emit emit) {
		for _, name := range names {
			emit(bit(in(s, name)), name)
		}
	}
}

func probes(unit string, scale float64) func(*scrape, emit) {
	return func(s *scrape, emit emit) {
		for i := range s.Probes {
			if p := &s.Probes[i]; p.Unit == unit && p.Value != nil {
				emit(*p.Value*scale, p.Name, p.Role)
			}
		}
	}
}

func outputs(value func(o *controller.OutputStatus) *float64) func(*scrape, emit) {
	return func(s *scrape, emit emit) {
		for i := range s.Outputs {
			if v := value(&s.Outputs[i]); v != nil {
				emit(*v, s.Outputs[i].Name)
			}
		}
	}
}

func charge(each func(c *controller.ChargeStatus, emit emit)) func(*scrape, emit) {
	return func(s *scrape, emit emit) {
		if s.Charge != nil {
			each(s.Charge, emit)
		}
	}
}

func lots(scale float64, value func(l *controller.LotStatus) *float64) func(*scrape, emit) {
	return charge(func(c *controller.ChargeStatus, emit emit) {
		for i := range c.Lots {
			if v := value(&c.Lots[i]); v != nil {
				emit(*v*scale, strconv.Itoa(i+1))
			}
		}
	})
}

func moistures(value func(b *controller.BeliefStatus) *float64) func(*scrape, emit) {
	return charge(func(c *controller.ChargeStatus, emit emit) {
		for i := range c.Lots {
			l := &c.Lots[i]
			for _, m := range []struct {
				name   string
				belief *controller.BeliefStatus
			}{{"control", &l.Control}, {"mean", &l.Mean}, {"driest", &l.Driest}, {"wettest", &l.Wettest}} {
				if v := value(m.belief); v != nil {
					emit(*v/percent, strconv.Itoa(i+1), m.name)
				}
			}
		}
	})
}

var (
	qualities = names(hardware.Absent, hardware.Stale)
	forced    = names(hardware.NotForced, hardware.ForcedOff)
	classes   = names(hardware.Housekeeping, hardware.Danger)
)

// names lists the names of an enum from the first to the last value.
func names[T interface {
	~uint8
	String() string
}](first, last T) []string {
	var all []string
	for v := first; v <= last; v++ {
		all = append(all, v.String())
	}
	return all
}

var families = []family{
	{name: "ready", help: "Whether the control loop has published a status.", always: true,
		each: one(func(s *scrape) float64 { return bit(s.Status != nil) })},
	{name: "build_info", help: "Version of the program.", labels: []string{"version"}, always: true,
		each: func(s *scrape, emit emit) { emit(1, s.cfg.Version) }},

	{name: "uptime_seconds", help: "Time since the control loop started, by the kiln's clock.", each: one(func(s *scrape) float64 { return s.UpSeconds })},
	{name: "tick_seconds", help: "Length of one tick.", each: one(func(s *scrape) float64 { return s.TickSeconds })},
	{name: "ticks_total", help: "Ticks since the start.", counter: true, each: one(func(s *scrape) float64 { return float64(s.Counts.Ticks) })},
	{name: "slow_ticks_total", help: "Ticks that came at least one tick late.", counter: true, each: one(func(s *scrape) float64 { return float64(s.Counts.Slow) })},
	{name: "commands_total", help: "Operator commands answered.", counter: true, each: one(func(s *scrape) float64 { return float64(s.Counts.Commands) })},
	{name: "commands_refused_total", help: "Operator commands refused.", counter: true, each: one(func(s *scrape) float64 { return float64(s.Counts.Refused) })},
	{name: "clock_trusted", help: "Whether the wall clock is synchronised. Nothing is controlled by it.", each: one(func(s *scrape) float64 { return bit(s.ClockTrusted) })},
	{name: "mode", help: "What the controller does as a whole.", labels: []string{"mode"},
		each: states(controller.ModeNames(), func(s *scrape, name string) bool { return s.Mode == name })},
	{name: "forced", help: "What the gate forces on all outputs.", labels: []string{"level"},
		each: states(forced, func(s *scrape, name string) bool { return s.Forced == name })},
	{name: "waiting_for_person", help: "Things that wait for a person.", each: one(func(s *scrape) float64 { return float64(len(s.Waits)) })},
	{name: "outage_seconds", help: "Time without control before this start; absent when not known.", each: maybe(func(s *scrape) *float64 { return s.Outage.Seconds }, 1)},
	{name: "state_restored", help: "Whether control state was read back at the start.", each: one(func(s *scrape) float64 { return bit(s.Outage.Restored) })},
	{name: "state_generation", help: "Generation of control state.", each: one(func(s *scrape) float64 { return float64(s.Storage.Generation) })},
	{name: "state_durable_generation", help: "Newest generation of control state that is safely on disk.", each: one(func(s *scrape) float64 { return float64(s.Storage.Durable) })},
	{name: "state_save_failed", help: "Whether the latest attempt to save control state failed.", each: one(func(s *scrape) float64 { return bit(s.Storage.Failure != "") })},

	{name: "probe_temperature_celsius", help: "Temperature that a probe reads.", labels: []string{"probe", "role"}, each: probes("celsius", 1)},
	{name: "probe_humidity_ratio", help: "Relative humidity that a probe reads.", labels: []string{"probe", "role"}, each: probes("ratio", 1)},
	{name: "probe_resistance_ohms", help: "Resistance between moisture pins.", labels: []string{"probe", "role"}, each: probes("ohms", 1)},
	{name: "probe_mass_grams", help: "Mass that a load cell reads.", labels: []string{"probe", "role"}, each: probes("kilograms", gramsInKilogram)},
	{name: "probe_quality", help: "Whether a probe's reading may be used, and if not, why.", labels: []string{"probe", "quality"},
		each: func(s *scrape, emit emit) {
			for i := range s.Probes {
				for _, q := range qualities {
					emit(bit(s.Probes[i].Quality == q), s.Probes[i].Name, q)
				}
			}
		}},
	{name: "probe_age_seconds", help: "Age of a valid reading.", labels: []string{"probe"},
		each: func(s *scrape, emit emit) {
			for i := range s.Probes {
				if p := &s.Probes[i]; p.Value != nil {
					emit(p.Age, p.Name)
				}
			}
		}},
	{name: "contact_active", help: "State of a contact; absent when it cannot be read.", labels: []string{"contact"},
		each: func(s *scrape, emit emit) {
			for _, c := range s.Contacts {
				if c.Active != nil {
					emit(bit(*c.Active), c.Name)
				}
			}
		}},

	{name: "air_dry_bulb_celsius", help: "Dry bulb of the air entering the load, as believed.", each: maybe(func(s *scrape) *float64 { return s.Air.DryBulb }, 1)},
	{name: "air_wet_bulb_celsius", help: "Thermodynamic wet bulb of that air.", each: maybe(func(s *scrape) *float64 { return s.Air.WetBulb }, 1)},
	{name: "air_relative_humidity_ratio", help: "Relative humidity of that air.", each: maybe(func(s *scrape) *float64 { return s.Air.RH }, 1)},
	{name: "air_emc_ratio", help: "Equilibrium moisture content of that air.", each: maybe(func(s *scrape) *float64 { return s.Air.EMC }, 1/percent)},
	{name: "air_held", help: "Whether these are last good values within the ride-through.", each: one(func(s *scrape) float64 { return bit(s.Air.Held) })},
	{name: "airflow_proven", help: "Whether air is proven to move through the load.", each: one(func(s *scrape) float64 { return bit(s.Air.Airflow) })},
	{name: "coil_celsius", help: "Evaporator surface.", each: maybe(func(s *scrape) *float64 { return s.Air.Coil }, 1)},
	{name: "outdoor_celsius", help: "Outdoor air.", each: maybe(func(s *scrape) *float64 { return s.Air.Outdoor }, 1)},
	{name: "core_coldest_celsius", help: "Coldest valid core probe.", each: maybe(func(s *scrape) *float64 { return s.Air.ColdestCore }, 1)},
	{name: "core_hottest_celsius", help: "Hottest valid core probe.", each: maybe(func(s *scrape) *float64 { return s.Air.HottestCore }, 1)},

	{name: "set_point_dry_bulb_celsius", help: "Dry bulb wanted now, after ramp, override and guard.", each: maybe(func(s *scrape) *float64 { return s.Set.DryBulb }, 1)},
	{name: "set_point_emc_ratio", help: "EMC wanted now, after ramp, override and guard.", each: maybe(func(s *scrape) *float64 { return s.Set.EMC }, 1/percent)},
	{name: "stage_dry_bulb_celsius", help: "Dry bulb of the stage.", each: maybe(func(s *scrape) *float64 { return s.Set.BaseDryBulb }, 1)},
	{name: "stage_emc_ratio", help: "EMC of the stage.", each: maybe(func(s *scrape) *float64 { return s.Set.BaseEMC }, 1/percent)},
	{name: "guard_bias_ratio", help: "EMC that the rate guard adds.", each: one(func(s *scrape) float64 { return s.Set.GuardBias / percent })},
	{name: "override_active", help: "Whether an operator's own set points are in force.", each: one(func(s *scrape) float64 { return bit(s.Set.Override) })},
	{name: "override_left_seconds", help: "Time until an operator's own set points expire.", each: one(func(s *scrape) float64 { return s.Set.OverrideLeft })},

	{name: "run_active", help: "Whether a charge is in the kiln.", each: one(func(s *scrape) float64 { return bit(s.Charge != nil) })},
	{name: "stage_info", help: "Run, stage counted from 1, and kind of the stage.", labels: []string{"run", "stage", "kind"},
		each: charge(func(c *controller.ChargeStatus, emit emit) {
			if c.Stage >= 0 && c.Stage < len(c.Stages) {
				emit(1, strconv.FormatUint(uint64(c.Run), 10), strconv.Itoa(c.Stage+1), c.Stages[c.Stage].Kind)
			}
		})},
	{name: "stage_kind", help: "Kind of the stage.", labels: []string{"kind"},
		each: charge(func(c *controller.ChargeStatus, emit emit) {
			for _, kind := range schedule.KindNames() {
				emit(bit(c.Stage >= 0 && c.Stage < len(c.Stages) && c.Stages[c.Stage].Kind == kind), kind)
			}
		})},
	{name: "stage_elapsed_seconds", help: "Time in the stage, hold not counted.", each: charge(func(c *controller.ChargeStatus, emit emit) { emit(c.InStage) })},
	{name: "stage_overdue", help: "Whether the stage takes longer than it should.", each: charge(func(c *controller.ChargeStatus, emit emit) { emit(bit(c.Overdue)) })},
	{name: "hold", help: "Reasons for which the stage is frozen.", labels: []string{"reason"},
		each: charge(func(c *controller.ChargeStatus, emit emit) {
			for _, reason := range schedule.HoldNames() {
				in := false
				for _, h := range c.Holds {
					in = in || h == reason
				}
				emit(bit(in), reason)
			}
		})},
	{name: "exposure_seconds", help: "Heat exposure recorded in this stage. It certifies nothing.", each: charge(func(c *controller.ChargeStatus, emit emit) { emit(c.Exposure) })},
	{name: "control_moisture_ratio", help: "Moisture content that drives the stage, as believed.",
		each: charge(func(c *controller.ChargeStatus, emit emit) {
			if v := c.Control.Value; v != nil {
				emit(*v / percent)
			}
		})},
	{name: "lot_moisture_ratio", help: "Moisture content of a lot, as believed.", labels: []string{"lot", "of"},
		each: moistures(func(b *controller.BeliefStatus) *float64 { return b.Value })},
	{name: "lot_moisture_sigma_ratio", help: "Standard deviation of that belief.", labels: []string{"lot", "of"},
		each: moistures(func(b *controller.BeliefStatus) *float64 { return b.Sigma })},
	{name: "lot_target_ratio", help: "Mean moisture content wanted.", labels: []string{"lot"}, each: lots(1/percent, func(l *controller.LotStatus) *float64 { return &l.Target })},
	{name: "lot_drying_rate_ratio_per_second", help: "Loss of moisture content.", labels: []string{"lot"}, each: lots(1/percent/day, func(l *controller.LotStatus) *float64 { return l.Rate })},
	{name: "lot_drying_rate_sigma_ratio_per_second", help: "Standard deviation of that belief.", labels: []string{"lot"}, each: lots(1/percent/day, func(l *controller.LotStatus) *float64 { return l.RateSigma })},
	{name: "lot_drying_rate_limit_ratio_per_second", help: "Published safe loss at and above 45 percent.", labels: []string{"lot"}, each: lots(1/percent/day, func(l *controller.LotStatus) *float64 { return l.RateLimit })},
	{name: "lot_evidence_age_seconds", help: "Time since anything was learnt of a lot.", labels: []string{"lot"}, each: lots(1, func(l *controller.LotStatus) *float64 { return &l.EvidenceAge })},

	{name: "output_requested", help: "Whether the controller asks for an output.", labels: []string{"output"},
		each: outputs(func(o *controller.OutputStatus) *float64 { v := bit(o.Requested); return &v })},
	{name: "output_applied", help: "Whether the gate has an output on.", labels: []string{"output"},
		each: outputs(func(o *controller.OutputStatus) *float64 { v := bit(o.Applied); return &v })},
	{name: "output_read_back", help: "Whether an output is seen to be on; absent when not wired.", labels: []string{"output"},
		each: outputs(func(o *controller.OutputStatus) *float64 {
			if o.ReadBack == nil {
				return nil
			}
			v := bit(*o.ReadBack)
			return &v
		})},
	{name: "output_current_amperes", help: "Current of an output, where measured.", labels: []string{"output"},
		each: outputs(func(o *controller.OutputStatus) *float64 { return o.Current })},
	{name: "output_speed_ratio", help: "Speed of a fan that has a drive.", labels: []string{"output"},
		each: outputs(func(o *controller.OutputStatus) *float64 { return o.Speed })},
	{name: "output_starts_total", help: "Times an output went on.", labels: []string{"output"}, counter: true,
		each: func(s *scrape, emit emit) {
			for _, o := range s.Counts.Outputs {
				emit(float64(o.Starts), o.Name)
			}
		}},
	{name: "output_vetoes_total", help: "Ticks in which the gate refused an output.", labels: []string{"output"}, counter: true,
		each: func(s *scrape, emit emit) {
			for _, o := range s.Counts.Outputs {
				emit(float64(o.Vetoes), o.Name)
			}
		}},

	{name: "alarm", help: "Whether an alarm stands, active or latched.", labels: []string{"rule", "class"},
		each: func(s *scrape, emit emit) {
			for _, r := range s.cfg.Rules {
				emit(bit(alarmed(s.Status, r.Name)), r.Name, r.Class.String())
			}
		}},
	{name: "alarms_unacknowledged", help: "Alarms that nobody has acknowledged.", labels: []string{"class"},
		each: func(s *scrape, emit emit) {
			for _, class := range classes {
				n := 0
				for i := range s.Alarms {
					if a := &s.Alarms[i]; !a.Acked && a.Class == class {
						n++
					}
				}
				emit(float64(n), class)
			}
		}},
	{name: "alarms_active", help: "Alarms whose cause is there now.", labels: []string{"class"},
		each: func(s *scrape, emit emit) {
			for _, class := range classes {
				n := 0
				for i := range s.Alarms {
					if a := &s.Alarms[i]; a.Active && a.Class == class {
						n++
					}
				}
				emit(float64(n), class)
			}
		}},
	{name: "alarms_undelivered", help: "Alarms that no recipient was told of and nobody has acknowledged; no sample where nobody is called.",
		each: func(s *scrape, emit emit) {
			if s.Delivery != nil {
				emit(float64(s.Delivery.Undelivered))
			}
		}},
	{name: "alarm_deliveries_total", help: "Attempts to tell a recipient, by how they ended.", labels: []string{"recipient", "outcome"}, counter: true,
		each: func(s *scrape, emit emit) {
			if s.Delivery == nil {
				return
			}
			for _, name := range [...]string{"first", "second", "alive"} {
				for i := range s.Delivery.Recipients {
					if r := &s.Delivery.Recipients[i]; r.Name == name {
						emit(float64(r.Delivered), name, "delivered")
						emit(float64(r.Failed), name, "failed")
					}
				}
			}
		}},
	{name: "trip", help: "Whether a latched safety rule is in force.", labels: []string{"rule"},
		each: func(s *scrape, emit emit) {
			for _, r := range s.cfg.Rules {
				if r.ID <= hardware.LastSafetyRule && r.Clears != hardware.ByItself {
					emit(bit(tripped(s.Status, r.Name)), r.Name)
				}
			}
		}},

	{name: "condensate_grams_total", help: "Water that left through the condensate meter.", counter: true, each: maybe(func(s *scrape) *float64 { return s.Meters.Condensate }, gramsInKilogram)},
	{name: "energy_joules_total", help: "Energy used by the whole kiln.", counter: true, each: maybe(func(s *scrape) *float64 { return s.Meters.Energy }, 1)},
}

func alarmed(s *controller.Status, rule string) bool {
	for i := range s.Alarms {
		if s.Alarms[i].Rule == rule {
			return true
		}
	}
	return tripped(s, rule)
}

func tripped(s *controller.Status, rule string) bool {
	for i := range s.Trips {
		if s.Trips[i].Rule == rule {
			return true
		}
	}
	return false
}
