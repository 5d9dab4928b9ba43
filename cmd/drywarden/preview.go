package main

import (
	"math"
	"time"

	"drywarden/hardware/quantity"
	"drywarden/schedule"
	"drywarden/schedule/wood"
)

// previewStage is one stage of a run that was not run yet.
type previewStage struct {
	Name    string
	Kind    schedule.Kind
	DryBulb quantity.Celsius
	EMC     quantity.MoistureContent
	Until   quantity.MoistureContent // 0: none
	Time    time.Duration
}

// previewPlan foretells how long each stage takes: each lot dries at its safe rate or as fast as it can, whichever is
// slower. How fast it can is the red-oak time constant of Simpson and Tschernitz (a regression over thickness and
// temperature, as used in public teaching material, coefficients from memory), scaled to other species by their published
// 4/4 safe rates; that scaling is a rule of thumb of this program, without a source. It is a preview, not a forecast: it
// knows neither the machine nor the spread of the boards.
func previewPlan(p *schedule.Plan) []previewStage {
	moisture := make([]float64, len(p.Lots))
	for i, lot := range p.Lots {
		moisture[i] = float64(lot.Start)
	}
	stages := make([]previewStage, len(p.Schedule.Stages))
	for i, s := range p.Schedule.Stages {
		stages[i] = previewStage{Name: s.Name, Kind: s.Kind, DryBulb: s.DryBulb, EMC: s.EMC, Until: s.UntilMC}
		switch s.Kind {
		case schedule.Dry, schedule.Equalize:
			stages[i].Time = max(dryThrough(p, i, moisture), s.MinDwell)
		case schedule.Preheat, schedule.Condition:
			stages[i].Time = s.For + ramp(p, i)
		case schedule.Heat:
			stages[i].Time = s.Exposure + ramp(p, i)
		case schedule.Cool:
			stages[i].Time = ramp(p, i)
		}
	}
	return stages
}

// roomCold is where a preview's preheat starts and its cooling ends.
const roomCold quantity.Celsius = 20

func ramp(p *schedule.Plan, i int) time.Duration {
	stages := p.Schedule.Stages
	from, to := roomCold, stages[i].DryBulb
	if i > 0 {
		from = stages[i-1].DryBulb
	}
	if stages[i].Kind == schedule.Cool {
		to = roomCold + 10
	}
	if stages[i].RampDryBulb <= 0 {
		return 0
	}
	return time.Duration(math.Abs(float64(to-from)) / float64(stages[i].RampDryBulb) * float64(time.Hour))
}

// previewLongest bounds one stage of a preview.
const previewLongest = 200 * 24 * time.Hour

// dryThrough moves the lots through a drying or equalizing stage, hour by hour.
func dryThrough(p *schedule.Plan, i int, moisture []float64) time.Duration {
	const step = time.Hour
	s := p.Schedule.Stages[i]
	emc := float64(s.EMC)
	for spent := time.Duration(0); spent < previewLongest; spent += step {
		wettest, driestOver, wettestOver := 0.0, math.Inf(1), math.Inf(-1)
		for l, m := range moisture {
			wettest = max(wettest, m)
			driestOver = min(driestOver, m-float64(p.Lots[l].Target))
			wettestOver = max(wettestOver, m-float64(p.Lots[l].Target))
		}
		over := false
		switch {
		case s.Kind == schedule.Equalize:
			over = wettestOver <= float64(p.Equalizing.EndAbove)
		case s.UntilMC > 0:
			over = wettest <= float64(s.UntilMC)
		default:
			over = driestOver <= -float64(p.Equalizing.StartBelow)
		}
		if over {
			return spent
		}
		for l := range moisture {
			lot := &p.Lots[l]
			tau := timeConstant(lot, s.DryBulb)
			rate := (moisture[l] - emc) / tau
			if limit := float64(lot.RateLimit) * guardFactor(moisture[l]); limit > 0 && moisture[l] > 20 {
				rate = min(rate, limit)
			}
			moisture[l] -= max(rate, 0) * step.Hours() / 24
		}
	}
	return previewLongest
}

// timeConstant gives days.
func timeConstant(lot *schedule.Lot, dryBulb quantity.Celsius) float64 {
	const redOakRate = 3.8                                          // %/d, 4/4
	pressure := float64(wood.SaturationPressure(dryBulb)) / 133.322 // mmHg
	tau := math.Pow(float64(lot.Thickness)/0.0254, 1.52) / (0.0575 + 0.00142*pressure)
	if s, err := wood.LookupSpecies(lot.Species); err == nil && s.SafeRate > 0 {
		tau *= min(redOakRate/float64(s.SafeRate), 1.6)
	} else if oak, oakErr := wood.LookupSpecies("red oak"); err != nil && oakErr == nil && lot.RateLimit > 0 { // the operator's own
		rate, _ := wood.SafeRate(oak, lot.Thickness)
		tau *= min(float64(rate/lot.RateLimit), 1.6)
	}
	return tau
}

func previewLength(stages []previewStage) time.Duration {
	total := time.Duration(0)
	for _, s := range stages {
		total += s.Time
	}
	return total
}
