package safety

import (
	"errors"
	"fmt"
	"time"

	"drywarden/hardware/quantity"
)

// Limits is what the rules are judged against. Zero is no default: start from DefaultLimits.
type Limits struct {
	// DryBulbMax forces SAFE when any air or wood probe passes it. At least HighestSetPoint + 3 K and at most
	// HardLimit - 3 K, so that neither good control nor the hard-wired limit meets it first.
	DryBulbMax      quantity.Celsius `toml:"dry_bulb_max"`
	HighestSetPoint quantity.Celsius `toml:"highest_set_point"` // highest dry bulb that any schedule may ask for
	HardLimit       quantity.Celsius `toml:"hard_limit"`        // where the hard-wired limit trips

	CompressorMinOff     quantity.Duration `toml:"compressor_min_off"`         // 3 to 60 min; 5 min is usual (common practice)
	CompressorStarts     int               `toml:"compressor_starts_per_hour"` // 1 to 6
	CompressorAmbientMin quantity.Celsius  `toml:"compressor_ambient_min"`     // 0 to 30 C
	// CompressorAmbientMax has no default: it stands on the unit's data plate. Zero means not given, which Compile refuses
	// where a compressor is fitted.
	CompressorAmbientMax quantity.Celsius `toml:"compressor_ambient_max"`

	FanCoast          quantity.Duration `toml:"fan_coast"`          // both directions off before the other starts; at least 60 s
	FanProof          quantity.Duration `toml:"fan_proof"`          // from the start of fans until airflow must be proven; 1 to 60 s
	AirflowHeat       quantity.Duration `toml:"airflow_heat"`       // heat stays on this long without airflow proof; up to 10 s
	AirflowCompressor quantity.Duration `toml:"airflow_compressor"` // compressor likewise; up to 30 s
	BlowerProof       quantity.Duration `toml:"blower_proof"`       // from the blower's start until its airflow must be proven, and then without proof; up to 30 s

	StaleAir      quantity.Duration `toml:"stale_air"`      // a dry bulb or humidity older than this is no reading; 5 to 60 s
	StaleSnapshot quantity.Duration `toml:"stale_snapshot"` // age of the snapshot itself, by the gate's clock; 1 to 5 s
	HumidityLost  quantity.Duration `toml:"humidity_lost"`  // without humidity the compressor may run this long; up to 60 s

	VentInterval      quantity.Duration `toml:"vent_interval"`      // least time from off to on; 1 to 600 s
	SprayInterval     quantity.Duration `toml:"spray_interval"`     // likewise
	ContactorInterval quantity.Duration `toml:"contactor_interval"` // likewise: fans, blower, crankcase, heat, compressor

	StartDelay  quantity.Duration `toml:"start_delay"`  // nothing but the sounder moves before; at least 30 s
	DoorWarning quantity.Duration `toml:"door_warning"` // of sounder with the door shut before anything moves again; at least 10 s

	Silent    quantity.Duration `toml:"silent"`     // without a call for this long: SAFE; 2 to 5 s
	SilentOff quantity.Duration `toml:"silent_off"` // and this much later: OFF; up to 30 s

	BulbsAgree quantity.CelsiusDelta `toml:"bulbs_agree"` // two dry bulbs closer than this confirm each other; up to 3 K
	HeatDuty   quantity.Ratio        `toml:"heat_duty"`   // of heat in any hour while no second dry bulb confirms the first; up to 30 %
	VentDuty   quantity.Ratio        `toml:"vent_duty"`   // of vents open with heat on in any hour; up to 30 %

	UnreadableLatch quantity.Duration `toml:"unreadable_latch"` // an input unreadable for this long latches its rule; up to 60 s
	CurrentOn       quantity.Ampere   `toml:"current_on"`       // a measured current above this means energised; 0.05 to 5 A
}

// nearLimit is how far below DryBulbMax heat is refused already.
const nearLimit quantity.CelsiusDelta = 1

// ventRelief is how far below DryBulbMax a tripped kiln counts as too hot still.
const ventRelief quantity.CelsiusDelta = 5

// MaxCredit is the most time that one tick may add to a timer that works towards a permission.
const MaxCredit = 2 * time.Second

// DefaultLimits gives every limit that has a default. The caller sets CompressorAmbientMax.
func DefaultLimits() Limits {
	const second = quantity.Duration(time.Second)
	return Limits{
		DryBulbMax: 70, HighestSetPoint: 65, HardLimit: 75,
		CompressorMinOff: 300 * second, CompressorStarts: 6, CompressorAmbientMin: 18,
		FanCoast: 60 * second, FanProof: 10 * second, AirflowHeat: 10 * second, AirflowCompressor: 30 * second,
		BlowerProof: 10 * second,
		StaleAir:    30 * second, StaleSnapshot: 5 * second, HumidityLost: 60 * second,
		VentInterval: 60 * second, SprayInterval: 5 * second, ContactorInterval: 10 * second,
		StartDelay: 30 * second, DoorWarning: 10 * second,
		Silent: 5 * second, SilentOff: 30 * second,
		BulbsAgree: 3, HeatDuty: 0.3, VentDuty: 0.3,
		UnreadableLatch: 10 * second, CurrentOn: 0.5,
	}
}

// Validate reports every limit out of its range, joined; it changes nothing.
func (l *Limits) Validate() error {
	var faults []error
	say := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	celsius := func(key string, v, least, most quantity.Celsius) {
		if !(v >= least && v <= most) { // written so that NaN is refused
			say("limit %s: found %v, expected %v to %v", key, v, least, most)
		}
	}
	celsius("highest_set_point", l.HighestSetPoint, 10, 100)
	celsius("dry_bulb_max", l.DryBulbMax, 13, 110)
	celsius("hard_limit", l.HardLimit, 16, 120)
	if least := l.HighestSetPoint.Add(3); l.DryBulbMax < least {
		say("limit dry_bulb_max: found %v, expected at least %v, which is 3 K over the highest set point", l.DryBulbMax, least)
	}
	if most := l.HardLimit.Add(-3); l.DryBulbMax > most {
		say("limit dry_bulb_max: found %v, expected at most %v, which is 3 K under the hard-wired limit", l.DryBulbMax, most)
	}
	celsius("compressor_ambient_min", l.CompressorAmbientMin, 0, 30)
	if l.CompressorAmbientMax != 0 {
		celsius("compressor_ambient_max", l.CompressorAmbientMax, l.CompressorAmbientMin.Add(5), 90)
	}
	if l.CompressorStarts < 1 || l.CompressorStarts > maxStarts {
		say("limit compressor_starts_per_hour: found %d, expected 1 to %d", l.CompressorStarts, maxStarts)
	}
	for _, d := range []struct {
		key                string
		value, least, most quantity.Duration // seconds
	}{
		{"compressor_min_off", l.CompressorMinOff, 180, 3600},
		{"fan_coast", l.FanCoast, 60, 600},
		{"fan_proof", l.FanProof, 1, 60},
		{"airflow_heat", l.AirflowHeat, 1, 10},
		{"airflow_compressor", l.AirflowCompressor, 1, 30},
		{"blower_proof", l.BlowerProof, 1, 30},
		{"stale_air", l.StaleAir, 5, 60},
		{"stale_snapshot", l.StaleSnapshot, 1, 5},
		{"humidity_lost", l.HumidityLost, 1, 60},
		{"vent_interval", l.VentInterval, 1, 600},
		{"spray_interval", l.SprayInterval, 1, 600},
		{"contactor_interval", l.ContactorInterval, 1, 600},
		{"start_delay", l.StartDelay, 30, 600},
		{"door_warning", l.DoorWarning, 10, 60},
		{"silent", l.Silent, 2, 5},
		{"silent_off", l.SilentOff, 1, 30},
		{"unreadable_latch", l.UnreadableLatch, 1, 60},
	} {
		least, most := d.least*quantity.Duration(time.Second), d.most*quantity.Duration(time.Second)
		if d.value < least || d.value > most {
			say("limit %s: found %v, expected %v to %v", d.key, d.value, least, most)
		}
	}
	if !(l.BulbsAgree > 0 && l.BulbsAgree <= 3) {
		say("limit bulbs_agree: found %v, expected more than 0 K, at most 3 K", l.BulbsAgree)
	}
	for _, r := range []struct {
		key   string
		value quantity.Ratio
	}{{"heat_duty", l.HeatDuty}, {"vent_duty", l.VentDuty}} {
		if !(r.value >= 0.05 && r.value <= 0.3) {
			say("limit %s: found %v, expected 5 %% to 30 %%", r.key, r.value)
		}
	}
	if !(l.CurrentOn >= 0.05 && l.CurrentOn <= 5) {
		say("limit current_on: found %v, expected 0.05 A to 5 A", l.CurrentOn)
	}
	return errors.Join(faults...)
}
