package estimate

import (
	"math"

	"drywarden/hardware"
)

// Layout of the filter's state: for each lot its mean moisture (percent), its rate of loss (points an hour) and the bias
// of its pins (points); last, for all, the share of the water that reaches the condensate meter.
const (
	perLot   = 3
	moisture = 0
	rate     = 1
	pinBias  = 2
	recovery = perLot * hardware.MaxLots
	states   = recovery + 1
)

// Bounds of the state. No wood is drier or wetter, and no kiln recovers less or more.
const (
	moistureMin, moistureMax = 2, 250
	rateMin, rateMax         = -0.3, 3
	biasMax                  = 5
	recoveryMin, recoveryMax = 0.5, 1.1
)

// gate is how many standard deviations an observation may be off before it is not believed.
const gate = 4

// Filter is a Kalman filter over all lots of a charge. They share the recovery, so that water which one lot gave is not
// counted for another. P is symmetric.
type Filter struct {
	X [states]float64
	P [states][states]float64
}

func at(lot, what int) int { return perLot*lot + what }

// observation is a linear measurement: what it should read is expected, what it reads differs by residual.
type observation struct {
	n        int
	index    [hardware.MaxLots + 1]int
	slope    [hardware.MaxLots + 1]float64
	residual float64
	variance float64
}

func (o *observation) depends(index int, slope float64) {
	o.index[o.n], o.slope[o.n] = index, slope
	o.n++
}

// set gives a state a prior, independent of all others.
func (f *Filter) set(i int, value, sigma float64) {
	f.X[i] = value
	for j := range f.P {
		f.P[i][j], f.P[j][i] = 0, 0
	}
	f.P[i][i] = sigma * sigma
}

func (f *Filter) sigma(i int) float64 { return math.Sqrt(max(f.P[i][i], 0)) }

// dynamics are one lot's over a short time.
type dynamics struct {
	hours              float64
	keep               float64 // share of the rate that is kept
	walkMoisture       float64 // variances that the time adds
	walkRate, walkBias float64
}

// predict moves one lot on: the moisture falls by the rate, the rate by what the dynamics say.
func (f *Filter) predict(lot int, d *dynamics) {
	m, r, b := at(lot, moisture), at(lot, rate), at(lot, pinBias)
	f.X[m] -= f.X[r] * d.hours
	f.X[r] *= d.keep
	for j := range f.P {
		f.P[m][j] -= d.hours * f.P[r][j]
		f.P[r][j] *= d.keep
	}
	for j := range f.P {
		f.P[j][m] -= d.hours * f.P[j][r]
		f.P[j][r] *= d.keep
	}
	f.P[m][m] += d.walkMoisture
	f.P[r][r] += d.walkRate
	f.P[b][b] += d.walkBias
	f.clamp()
}

// update takes an observation in, unless it is too far off to be believed. The covariance is updated in Joseph's form
// (Bucy and Joseph 1968, Filtering for Stochastic Processes with Applications to Guidance, ch. 16; from memory), which
// keeps it symmetric and positive whatever rounding does.
func (f *Filter) update(o *observation) bool {
	var ph, k [states]float64
	for j := range states {
		for i := range o.n {
			ph[j] += f.P[j][o.index[i]] * o.slope[i]
		}
	}
	s := o.variance
	for i := range o.n {
		s += o.slope[i] * ph[o.index[i]]
	}
	if !(s > 0) || o.residual*o.residual > gate*gate*s {
		return false
	}
	for j := range states {
		k[j] = ph[j] / s
		f.X[j] += k[j] * o.residual
	}
	for i := range states {
		for j := i; j < states; j++ {
			p := f.P[i][j] - k[i]*ph[j] - ph[i]*k[j] + k[i]*s*k[j]
			f.P[i][j], f.P[j][i] = p, p
		}
		f.P[i][i] = max(f.P[i][i], 0)
	}
	f.clamp()
	return true
}

func (f *Filter) clamp() {
	for lot := range hardware.MaxLots {
		if f.P[at(lot, moisture)][at(lot, moisture)] == 0 {
			continue // no such lot
		}
		bound(&f.X[at(lot, moisture)], moistureMin, moistureMax)
		bound(&f.X[at(lot, rate)], rateMin, rateMax)
		bound(&f.X[at(lot, pinBias)], -biasMax, biasMax)
	}
	bound(&f.X[recovery], recoveryMin, recoveryMax)
}

func bound(x *float64, low, high float64) { *x = min(max(*x, low), high) }
