package schedule

import (
	"time"

	"drywarden/hardware/quantity"
)

// The rate guard slows drying down when a lot loses water faster than is safe for it: first the EMC, a point in three
// hours, then the duty of compressor and vents, at last it holds. It lets go slowly. Windows and steps are common
// practice, no source; the limits are the published rates of Lot.RateLimit.
const (
	guardEvery                            = 3 * time.Hour
	guardRelease                          = 6 * time.Hour
	guardUp      quantity.MoistureContent = 1
	guardDown    quantity.MoistureContent = 0.5
	guardMax     quantity.MoistureContent = 5
	guardMaxRH   quantity.Ratio           = 0.95
	guardDecay   quantity.MoisturePerHour = 1 // under 20 %: gone in five hours at most
	guardDuty    quantity.Ratio           = 0.25
	guardCalm                             = 0.9 // of the limit: below it the guard lets go

	// shellTime is how long the dry-off of the outer millimetres goes on, during which the windows are judged milder.
	shellTime  = 72 * time.Hour
	shellShare = 1.5

	share3h, share12h, share24h = 1.5, 1.2, 1.0
)

// rateLimit gives the greatest loss a lot may have at a moisture, points a day; 0: none. The published rate holds at
// and above 45 %; it rises to half as much again at 25 %; under 20 % new checks are not to be feared.
func rateLimit(lot *Lot, control Belief) float64 {
	limit := float64(lot.RateLimit)
	if !control.Valid || control.Value >= 45 {
		return limit
	}
	if control.Value < 20 {
		return 0
	}
	return limit * (1 + 0.5*min((45-control.Value)/20, 1))
}

// RateOver gives how fast the charge dries as a share of the limit, by the window that is worst, and the lot. 0 and -1
// when no lot has both a limit and a rate.
func RateOver(plan *Plan, run *Run, c *Conditions) (share float64, lot int8) {
	share, lot, _ = rateOver(plan, run, c)
	return share, lot
}

// rateOver tells too whether the rate of every lot that has a limit is known by any window.
func rateOver(plan *Plan, run *Run, c *Conditions) (share float64, lot int8, known bool) {
	lot, known = -1, true
	for i := range plan.Lots {
		limit := rateLimit(&plan.Lots[i], c.Lots[i].Control)
		if limit <= 0 {
			continue
		}
		l := &c.Lots[i]
		known = known && (l.Rate.Valid || l.Rate3h.Valid || l.Rate12h.Valid || l.Rate24h.Valid)
		s3, s12, s24 := share3h, share12h, share24h
		if run.Shell < shellTime {
			s3, s12, s24 = shellShare, shellShare, shellShare
		}
		worst := max(of(l.Rate3h, s3*limit), of(l.Rate12h, s12*limit))
		if l.Rate24h.Valid {
			worst = max(worst, of(l.Rate24h, s24*limit))
		} else {
			worst = max(worst, of(l.Rate, s24*limit))
		}
		if worst > share {
			share, lot = worst, int8(i)
		}
	}
	return share, lot, known
}

func of(rate Belief, limit float64) float64 {
	if !rate.Valid {
		return 0
	}
	return rate.Value / limit
}

// guard moves the guard on and tells whether a lot is over its limit. What it decides shows from the next tick on.
func (r *Run) guard(plan *Plan, stage *Stage, c *Conditions, elapsed time.Duration) (over bool) {
	r.GuardTime += elapsed
	share, _, known := rateOver(plan, r, c)
	if !guarded(plan, stage, c) {
		if r.Bias > 0 {
			r.Bias = max(0, r.Bias-quantity.MoistureContent(guardDecay)*quantity.MoistureContent(elapsed.Hours()))
		}
		r.DutyCap = 1
		r.Hold &^= HoldRate
		return false
	}
	switch {
	case share > 1:
		if r.GuardTime >= guardEvery {
			r.tighten(stage)
		}
	case known && share < guardCalm:
		r.relax()
	}
	return share > 1
}

// guarded tells whether the stage dries and any lot is still wet enough to be hurt. A lot whose moisture is not known is.
func guarded(plan *Plan, stage *Stage, c *Conditions) bool {
	if stage.Kind != Preheat && stage.Kind != Dry {
		return false
	}
	for i := range plan.Lots {
		if plan.Lots[i].RateLimit > 0 && rateLimit(&plan.Lots[i], c.Lots[i].Control) > 0 {
			return true
		}
	}
	return false
}

func (r *Run) tighten(stage *Stage) {
	r.GuardTime = 0
	// A bias that the set point cannot follow (95 % RH, the last stage's bound) helps nobody.
	reached := r.Bias == 0 || r.EMC >= stage.EMC+r.Bias-moistWithin
	switch {
	case r.Bias < guardMax && reached:
		r.Bias = min(r.Bias+guardUp, guardMax)
	case r.DutyCap > guardDuty:
		r.DutyCap -= guardDuty
	case r.Shell >= shellTime:
		r.Hold |= HoldRate
	}
}

func (r *Run) relax() {
	switch {
	case r.Hold&HoldRate != 0:
		if r.GuardTime >= time.Hour {
			r.Hold &^= HoldRate
			r.GuardTime = 0
		}
	case r.DutyCap < 1:
		if r.GuardTime >= guardEvery {
			r.DutyCap = min(r.DutyCap+guardDuty, 1)
			r.GuardTime = 0
		}
	case r.Bias > 0:
		if r.GuardTime >= guardRelease {
			r.Bias = max(r.Bias-guardDown, 0)
			r.GuardTime = 0
		}
	}
}
