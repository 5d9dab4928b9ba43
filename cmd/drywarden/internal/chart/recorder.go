package chart

import "time"

// Bounds of a chart.
const (
	MaxLots    = 6
	MaxOutputs = 32
	// MaxBins is about one bin for each pixel of the time axis.
	MaxBins = 1000
)

// Tick is one moment as the chart wants it. A value whose OK is false leaves a gap.
type Tick struct {
	DryBulb, SetDryBulb     float64 // Celsius
	EMC, SetEMC             float64 // percent
	DryBulbOK, EMCOK, SetOK bool
	Lots                    [MaxLots]Lot
	On                      uint32  // outputs that are on, by bit
	Rate                    float64 // of the governing lot over its limit
	RateOK                  bool
}

// Lot is one lot's moisture in percent.
type Lot struct {
	Estimate, Truth     float64
	EstimateOK, TruthOK bool
}

// mean gathers values; none gathered leaves a gap.
type mean struct {
	sum   float64
	count int
}

func (m *mean) add(v float64, ok bool) {
	if ok {
		m.sum += v
		m.count++
	}
}

func (m mean) value() (float64, bool) {
	if m.count == 0 {
		return 0, false
	}
	return m.sum / float64(m.count), true
}

func (m mean) plus(o mean) mean { return mean{m.sum + o.sum, m.count + o.count} }

type bin struct {
	ticks                                   int
	dryBulb, setDryBulb, emc, setEMC, rated mean
	estimate, truth                         [MaxLots]mean
	on                                      [MaxOutputs]int // ticks
}

func (b bin) plus(o bin) bin {
	b.ticks += o.ticks
	b.dryBulb, b.setDryBulb = b.dryBulb.plus(o.dryBulb), b.setDryBulb.plus(o.setDryBulb)
	b.emc, b.setEMC, b.rated = b.emc.plus(o.emc), b.setEMC.plus(o.setEMC), b.rated.plus(o.rated)
	for i := range b.estimate {
		b.estimate[i], b.truth[i] = b.estimate[i].plus(o.estimate[i]), b.truth[i].plus(o.truth[i])
	}
	for i := range b.on {
		b.on[i] += o.on[i]
	}
	return b
}

// span is a stretch of one stage.
type span struct {
	name     string
	from, to time.Duration
}

// Recorder gathers ticks of one length. The zero value is ready once Interval is set.
type Recorder struct {
	Interval time.Duration // between ticks
	width    int           // ticks in a bin
	bins     []bin
	ticks    int
	spans    []span
}

// Add takes the next tick and the name of the stage it belongs to.
func (r *Recorder) Add(stage string, t *Tick) {
	if r.width == 0 {
		r.width = 1
	}
	if r.ticks%r.width == 0 {
		if len(r.bins) == 2*MaxBins {
			for i := range MaxBins {
				r.bins[i] = r.bins[2*i].plus(r.bins[2*i+1])
			}
			r.bins = r.bins[:MaxBins]
			r.width *= 2
		}
		r.bins = append(r.bins, bin{})
	}
	b := &r.bins[len(r.bins)-1]
	b.ticks++
	b.dryBulb.add(t.DryBulb, t.DryBulbOK)
	b.emc.add(t.EMC, t.EMCOK)
	b.setDryBulb.add(t.SetDryBulb, t.SetOK)
	b.setEMC.add(t.SetEMC, t.SetOK)
	b.rated.add(t.Rate, t.RateOK)
	for i := range t.Lots {
		b.estimate[i].add(t.Lots[i].Estimate, t.Lots[i].EstimateOK)
		b.truth[i].add(t.Lots[i].Truth, t.Lots[i].TruthOK)
	}
	for i := range b.on {
		b.on[i] += int(t.On >> i & 1)
	}
	now := time.Duration(r.ticks) * r.Interval
	r.ticks++
	if n := len(r.spans); n > 0 && r.spans[n-1].name == stage {
		r.spans[n-1].to = now + r.Interval
		return
	}
	r.spans = append(r.spans, span{stage, now, now + r.Interval})
}

// days gives the middle of bin i.
func (r *Recorder) days(i int) float64 {
	return (float64(i*r.width) + float64(r.bins[i].ticks)/2) * r.Interval.Hours() / 24
}

// Days gives the length of what was recorded.
func (r *Recorder) Days() float64 { return float64(r.ticks) * r.Interval.Hours() / 24 }
