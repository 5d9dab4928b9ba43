package simkiln

import (
	"math"
	"time"
)

// Drying stress, per board: how far the wood is stretched across the grain, from the moisture profile and never from the
// drying rate.
//
// Below fibre saturation each layer would shrink in proportion to the moisture that it has lost (FPL-GTR-190 Table 4-3,
// tangential, green to oven-dry); the board stays flat, so every layer is strained by the difference to the mean of all.
// Strain relaxes with time into set, which later reverses the stresses: the dry surface is stretched first and checks,
// the core is stretched last and opens as honeycomb. A layer fails at the strain that is its tension strength across the
// grain over its modulus there, both green: FPL-GTR-190 Tables 5-3 and 5-1 with 10 % added to the bending modulus for
// shear (section "Modulus of elasticity"); the figures from memory.
//
// Green wood gives way only well past that elastic limit, and hot wood sooner: ductility, relaxation and weakening are
// assumed, the same for all species, and fitted so that boards dried at the published safe rates stay under 1 and those
// dried faster than these rates allow at all are far over it. That is calibration, not validation. A score of 1 or more
// means that boards like this one are expected to check (or to open inside), one under 0.5 that they are not; between lies
// no probability.
//
// Limits of it: one dimension, flat-sawn boards, one modulus for all layers, moistures and temperatures, linear
// relaxation, no mechano-sorption. Collapse, ring failure, end checks, knots, reaction wood and bacterial wetwood, which open far
// sooner, are not in it.
const (
	relaxation     = 20 * time.Hour
	ductility      = 2.0
	weakening      = 0.02 // per K over 40 C: what hot wood bears less, down to a fifth
	honeycombAbove = 25.0 // percent: a drier core no longer opens, the rule of handbooks for raising the dry bulb (from memory)
	strainEvery    = 10 * time.Minute
	checkDepth     = 0.0005 // m: a check begins in the outer half millimetre
)

// relax takes all strain from a board: lumber that has lain has set as it lies.
func (w *wood) relax(b int) {
	n := w.Nodes
	set := w.Set[b*(n+1) : (b+1)*(n+1)]
	perPoint := w.Tangential[b] / fiberSaturation
	set[0] = perPoint * max(fiberSaturation-w.at(b, checkDepth/w.Half[b]), 0)
	for j, m := range w.M[b*n : (b+1)*n] {
		set[j+1] = perPoint * max(fiberSaturation-m, 0)
	}
}

// strain moves set and scores of all boards on by dt.
func (w *wood) strain(dt time.Duration) {
	n := w.Nodes
	relaxed := 1 - math.Exp(-dt.Hours()/relaxation.Hours())
	for b := range w.Count {
		m := w.M[b*n : (b+1)*n : (b+1)*n]
		set := w.Set[b*(n+1) : (b+1)*(n+1) : (b+1)*(n+1)]
		perPoint := w.Tangential[b] / fiberSaturation
		mean := 0.0
		for j, share := range w.Share {
			mean += share * (set[j+1] - perPoint*max(fiberSaturation-m[j], 0))
		}
		outer := mean - set[0] + perPoint*max(fiberSaturation-w.at(b, checkDepth/w.Half[b]), 0)
		set[0] += relaxed * outer
		elastic := 0.0
		for j := range m {
			elastic = mean - set[j+1] + perPoint*max(fiberSaturation-m[j], 0)
			set[j+1] += relaxed * elastic
		}
		bears := ductility * w.Yield[b]
		w.Check[b] = max(w.Check[b], outer/(bears*weak(w.SurfaceT[b])))
		if m[n-1] > honeycombAbove {
			w.Honeycomb[b] = max(w.Honeycomb[b], elastic/(bears*weak(w.T[(b+1)*heatNodes-1])))
		}
	}
}

// weak gives what wood bears at a temperature against cool wood.
func weak(celsius float64) float64 { return min(1, max(1-weakening*(celsius-40), 0.2)) }
