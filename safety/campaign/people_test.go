package campaign

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/controller"
	"drywarden/hardware"
	"drywarden/hardware/quantity"
	"drywarden/hardware/simkiln"
	"drywarden/schedule"
)

// green is a kiln of green wood that its charge sheet calls by another name, with a person who weighs.
func green(sheet, wood string) func(t *testing.T) *site {
	return func(t *testing.T) *site {
		c := siteKiln(1)
		c.Machine.Scale, c.Person.Absent = 1, false
		c.Lots[0].Species, c.Lots[0].Start = wood, 62
		s := newSite(t, c, strings.NewReplacer("maple, hard (sugar)", sheet, "34 %", "62 %").Replace(siteCharge), func(s *site) { s.deps.PublishEvery = 60 })
		s.begin(0)
		return s
	}
}

// until a rule is told; the time from now on.
func (s *site) waitFor(rule string, patience time.Duration) time.Duration {
	began := s.kiln.Now()
	require.True(s.t, s.until(patience, func() bool { _, told := s.since[rule]; return told }), "%s is not told; told were %v", rule, s.ever)
	return s.kiln.Now() - began
}

func fromMidDry(t *testing.T) *site {
	s := midDry().resume(t, nil)
	s.run(15 * time.Minute)
	return s
}

// peopleShows are the failures of people: what they write and what they leave.
var peopleShows = []ownShow{
	{row: 1, what: "one of two", limit: sameTick, kiln: fromMidDry, show: func(t *testing.T, s *site) time.Duration {
		s.injectAll(&cause{faults: []happening{{kind: simkiln.ProbeShort, role: hardware.RoleDryBulb}}})
		s.run(2 * time.Minute)
		oneBulb(t, s)
		require.Equal(t, noForce.String(), s.last.Forced.String())
		s.run(2 * time.Hour)
		oneBulb(t, s)
		return sameTick
	}},
	{row: 5, what: "wet bulb alone", limit: sameTick, kiln: fromMidDry, show: func(t *testing.T, s *site) time.Duration {
		s.injectAll(&cause{faults: []happening{{kind: simkiln.ProbeOpen, role: hardware.RoleWetBulb}}})
		s.run(2 * time.Hour)
		require.NotNil(t, s.status().Air.EMC, "the humidity probe is used")
		require.Empty(t, s.holds())
		return sameTick
	}},
	{row: 20, what: "half of the water", kiln: fromMidDry, show: func(t *testing.T, s *site) time.Duration {
		s.injectAll(&cause{faults: []happening{{kind: simkiln.CondensateMiss, severity: 2}}})
		return s.waitFor("water_yield_low", 48*time.Hour)
	}},
	{row: 20, what: "half of the water, from the start", limit: 96 * time.Hour, slow: true, kiln: func(t *testing.T) *site { return newSite(t, siteKiln(1), siteCharge, nil) }, show: func(t *testing.T, s *site) time.Duration {
		s.injectAll(&cause{faults: []happening{{kind: simkiln.CondensateMiss, severity: 2}}})
		s.begin(0)
		took := s.weighUntil(96*time.Hour, func() bool { _, told := s.since["water_recovery_low"]; return told })
		require.InDelta(t, 100*0.5*float64(s.kiln.Truth().Drained)/float64(s.kiln.Truth().Water), s.shown("water_recovery_low").Value, 20, "percent of the water")
		day := s.checkpoint().resume(t, nil) // and a day without a weighing: the balance alone
		day.run(24 * time.Hour)
		lost := float64(s.kiln.Truth().Lots[0].Mean - day.kiln.Truth().Lots[0].Mean)
		believed := day.live.State.Estimate.Wood.Lot[0].Loss - s.live.State.Estimate.Wood.Lot[0].Loss
		require.InDelta(t, lost, believed, 0.2*lost, "the balance is corrected")
		s.kiln.Mend()
		s.weighUntil(5*24*time.Hour, func() bool { _, told := s.since["water_recovery_low"]; return !told })
		return took
	}},
	{row: 24, what: "compressor", limit: 30 * second, kiln: fromMidDry, show: func(t *testing.T, s *site) time.Duration {
		compressorIs(true)(s)
		return s.stopsAfter(compressor)
	}},
	{row: 24, what: "heat", kiln: func(t *testing.T) *site { return heatingUp().resume(t, nil) }, show: func(t *testing.T, s *site) time.Duration {
		s.run(15 * time.Minute)
		require.True(t, s.until(time.Hour, func() bool { return s.last.On&hardware.AllHeat != 0 }))
		return s.stopsAfter(hardware.AllHeat)
	}},
	{row: 31, kiln: func(t *testing.T) *site { return coldKiln().resume(t, nil) }, show: func(t *testing.T, s *site) time.Duration {
		s.run(15 * time.Minute)
		s.happen(31)
		worst, thaws, frost, was := time.Duration(0), 0, time.Duration(0), false
		require.True(t, s.until(6*time.Hour, func() bool {
			on, blows := s.last.On.Has(hardware.Compressor), s.last.On.Has(hardware.Blower)
			switch {
			case was && !on && blows:
				worst, thaws = max(worst, frost), thaws+1
			case on && s.value(hardware.RoleCoil, 0) < -1:
				frost += time.Second
			default:
				frost = 0
			}
			was = on
			_, told := s.since["defrosted_twice"]
			return told
		}), "thawed %d times, told were %v", thaws, s.ever)
		require.GreaterOrEqual(t, thaws, 2)
		for range 3600 {
			s.run(time.Second)
			require.False(t, s.last.On.Has(hardware.Compressor), "locked")
		}
		s.kiln.Mend()
		s.cut(5 * time.Second)
		s.run(time.Hour)
		require.NotNil(t, s.shown("defrosted_twice"), "it outlives the process")
		require.False(t, s.last.On.Has(hardware.Compressor), "locked")
		require.Equal(t, controller.Accepted, s.ask(controller.Command{Verb: controller.VerbReset, Rule: s.idOf("defrosted_twice")}).Refusal)
		require.True(t, s.until(4*time.Hour, func() bool { return s.last.On.Has(hardware.Compressor) }), "and free again")
		return worst
	}},
	{row: 34, what: "the start waits", kiln: fromMidDry, show: func(t *testing.T, s *site) time.Duration {
		s.happen(29) // the compressor rests
		require.True(t, s.until(10*time.Minute, func() bool { return s.last.On.Has(hardware.Crankcase) }))
		s.happen(34)
		took := s.waitFor("crankcase_cold", 10*time.Minute)
		s.run(3 * time.Hour)
		s.kiln.Mend()
		s.run(time.Minute)
		s.press()
		require.Nil(t, s.shown("high_pressure"))
		for range 3*3600 - 180 {
			s.run(time.Second)
			require.False(t, s.last.On.Has(hardware.Compressor), "it must be warm again for as long as it was cold")
		}
		require.True(t, s.until(12*time.Hour, func() bool { return s.last.On.Has(hardware.Compressor) }))
		return took
	}},
	{row: 39, what: "for hours, and the crankcase", kiln: fromMidDry, show: func(t *testing.T, s *site) time.Duration {
		s.happen(39)
		took := s.waitFor("door_open", time.Minute) - time.Second
		s.run(3 * time.Hour)
		require.Zero(t, s.last.On&(fans|drying))
		s.kiln.Mend()
		s.run(time.Minute)
		require.Zero(t, s.last.On&(fans|drying|1<<hardware.Sounder), "nobody has said that all are out")
		s.press()
		s.run(time.Minute)
		require.NotZero(t, s.last.On&fans, "it goes on, warned")
		for range 3*3600 - 120 {
			s.run(time.Second)
			require.False(t, s.last.On.Has(hardware.Compressor), "the oil was cold for as long")
		}
		require.True(t, s.until(12*time.Hour, func() bool { return s.last.On.Has(hardware.Compressor) }))
		return took
	}},
	{row: 59, what: "dries faster than the wood on the sheet", kiln: green("oak, white", "yellow-poplar"), show: func(t *testing.T, s *site) time.Duration {
		return s.waitFor("rate_over_limit", 96*time.Hour)
	}},
	{row: 59, what: "moisture is not that of the sheet", kiln: func(t *testing.T) *site {
		return newSite(t, siteKiln(1), strings.Replace(siteCharge, "34 %", "62 %", 1), nil)
	}, show: func(t *testing.T, s *site) time.Duration {
		s.begin(0)
		require.Contains(t, s.since, "charge_out_of_family")
		require.Empty(t, s.holds(), "it only asks")
		return sameTick
	}},
	{row: 59, what: "dries slower than the wood on the sheet", limit: 96 * time.Hour, slow: true, kiln: green("yellow-poplar", "oak, white"), show: func(t *testing.T, s *site) time.Duration {
		return s.waitFor("drying_too_slow", 96*time.Hour)
	}},
	{row: 60, what: "one that no board can have", limit: second, kiln: fromMidDry, show: func(t *testing.T, s *site) time.Duration {
		before := *s.status().Charge.Control.Value
		for _, wrong := range []float64{0.08, -0.2} {
			require.Equal(t, controller.RefusedUnlikely, s.ask(controller.Command{Verb: controller.VerbWeigh, Mass: s.mass(0) * quantity.Kilogram(1+wrong)}).Refusal)
		}
		require.InDelta(t, before, *s.status().Charge.Control.Value, 0.1, "not believed")
		return sameTick
	}},
	{row: 60, what: "insisted on", kiln: fromMidDry, show: func(t *testing.T, s *site) time.Duration {
		began := s.kiln.Now()
		for n := 0; s.kiln.Now()-began < 48*time.Hour; n++ {
			if _, told := s.since["weights_contradict_water"]; told {
				break
			}
			s.weighAll([]float64{0.05, 0}[n%2])
			s.run(12 * time.Hour)
		}
		require.Contains(t, s.since, "weights_contradict_water")
		took := s.since["weights_contradict_water"] - began
		stage := s.status().Charge.Stage
		require.Contains(t, s.holds(), "suspicious")
		s.run(12 * time.Hour)
		require.Equal(t, stage, s.status().Charge.Stage, "no advance")
		s.cut(5 * time.Second)
		s.run(5 * time.Minute)
		require.Contains(t, s.holds(), "suspicious", "it outlives the process")
		s.confirm()
		require.NotContains(t, s.holds(), "suspicious")
		return took
	}},
	{row: 61, kiln: func(t *testing.T) *site {
		return midDry().resume(t, func(s *site) { s.deps.Courier = &errandBoy{} })
	}, show: func(t *testing.T, s *site) time.Duration {
		boy := s.deps.Courier.(*errandBoy)
		s.run(15 * time.Minute)
		const lamp, sounder = hardware.OutputSet(1) << hardware.AlarmLamp, hardware.OutputSet(1) << hardware.Sounder
		require.Zero(t, s.last.On&(lamp|sounder))
		boy.Failing, boy.Unheard, boy.Undelivered, boy.Patience = true, true, 1, 600
		s.run(2 * time.Second)
		require.NotNil(t, s.shown("alarm_not_delivered"))
		require.Equal(t, lamp|sounder, s.last.On&(lamp|sounder), "lamp and sounder here")
		require.NotZero(t, s.last.On&fans, "it forces nothing")
		require.Equal(t, noForce.String(), s.last.Forced.String())
		boy.Unheard = false
		s.run(2 * time.Second)
		require.Equal(t, lamp, s.last.On&(lamp|sounder), "the second contact was reached")
		boy.Failing = false
		s.run(2 * time.Second)
		require.Nil(t, s.shown("alarm_not_delivered"))
		require.Zero(t, s.last.On&(lamp|sounder))
		return second
	}},
	{row: 62, kiln: fromMidDry, show: func(t *testing.T, s *site) time.Duration {
		s.happen(62)
		s.waitFor("core_probe_lost", time.Hour)
		took := s.waitFor("nobody_answers", 30*time.Hour)
		st := s.status()
		kind := st.Charge.Stages[st.Charge.Stage].Kind
		s.run(4 * time.Hour)
		st = s.status()
		require.Equal(t, schedule.Dry.String(), kind)
		require.InDelta(t, *st.Set.BaseDryBulb-5, *st.Set.DryBulb, 0.1)
		require.GreaterOrEqual(t, *st.Set.EMC, *st.Set.BaseEMC+2)
		for _, a := range st.Alarms {
			s.ask(controller.Command{Verb: controller.VerbAck, Rule: s.idOf(a.Rule)})
		}
		s.run(time.Minute)
		require.NotContains(t, s.since, "nobody_answers", "somebody is there")
		s.run(4 * time.Hour)
		st = s.status()
		require.InDelta(t, *st.Set.BaseDryBulb, *st.Set.DryBulb, 0.1, "back again")
		return took
	}},
}

// weighUntil runs until something is so, with weighings twice a day, and gives how long that took.
func (s *site) weighUntil(patience time.Duration, so func() bool) time.Duration {
	began := s.kiln.Now()
	for s.kiln.Now() < began+patience {
		s.weighAll(0)
		if s.until(12*time.Hour, so) {
			return s.kiln.Now() - began
		}
	}
	require.Fail(s.t, "it never is", "told were %v", s.ever)
	return 0
}

// stopsAfter stops the fans, and gives how long after the airflow switch has opened an output that was on goes off.
func (s *site) stopsAfter(o hardware.OutputSet) time.Duration {
	require.NotZero(s.t, s.last.On&o)
	s.happen(24)
	require.True(s.t, s.until(2*time.Minute, func() bool { return !s.snap.Contacts.Active.Has(hardware.ContactAirflow) }), "the switch stays shut")
	at := s.kiln.Now()
	require.True(s.t, s.until(time.Minute, func() bool { return s.last.On&o == 0 }), "it stays on")
	return s.kiln.Now() - at
}

// errandBoy is a courier whose success the test decides.
type errandBoy struct{ controller.DeliveryStatus }

func (b *errandBoy) Delivery() *controller.DeliveryStatus { return &b.DeliveryStatus }

// mass is what a sample board weighs: its load cell says so.
func (s *site) mass(sample int) quantity.Kilogram {
	return quantity.Kilogram(s.value(hardware.RoleLoadCell, sample))
}
