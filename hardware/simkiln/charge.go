package simkiln

import (
	"math"
	"sort"
)

// Spread of boards within a lot: common figures for calibration, no source.
const (
	sigmaLogA      = 0.20
	sigmaGreen     = 8.0    // points
	sigmaAirDried  = 1.5    // points
	sigmaThickness = 0.0008 // m
	leakOneIn      = 12     // lots have a baffle leak
	leakSpeed      = 0.08   // of the air speed in such a lot: what is left when the air goes round it; a fifth slower or so
	mostSapwood    = 0.6    // share of a board, drawn between none and this
	sapMobility    = 3.0    // of free water in sapwood against heartwood
)

// loadBoards draws the boards of every lot and gives each its profile as delivered.
func (k *Kiln) loadBoards() {
	r := stream(k.cfg.Seed, 4)
	count := 0
	for _, l := range k.cfg.Lots {
		count += l.Boards
	}
	k.wood = newWood(count, k.cfg.Nodes)
	w := &k.wood
	b := 0
	for i, l := range k.cfg.Lots {
		p, _ := ParametersFor(l.Species)
		sigma := float64(l.Sigma)
		if sigma == 0 {
			sigma = sigmaGreen
			if l.AirDried {
				sigma = sigmaAirDried
			}
		}
		leak := 1.0
		if r.uniform() < 1.0/leakOneIn && !l.Uniform {
			leak = math.Pow(leakSpeed, 0.6)
		}
		// Sapwood differs by its free water: what of that is gone takes the difference with it.
		sap := stream(k.cfg.Seed, 20+uint64(i))
		sapwood := make([]float64, l.Boards)
		sapMore := float64(p.Sapwood) * min(max((float64(l.Start)-fiberSaturation)/40, 0), 1)
		start := make([]float64, l.Boards)
		mean := 0.0
		for j := range start {
			if !l.Uniform {
				sapwood[j] = mostSapwood * sap.uniform()
			}
			start[j] = float64(l.Start) + sigma*r.normal() + sapMore*sapwood[j]
			mean += start[j] / float64(l.Boards)
		}
		for j := range start { // the lot's true mean is as configured
			start[j] = max(4, start[j]-mean+float64(l.Start))
			if l.Uniform {
				start[j] = float64(l.Start)
			}
		}
		for j := range l.Boards {
			thickness, logA := r.normal()*sigmaThickness, r.normal()*sigmaLogA
			place := (float64(j) + 0.5) / float64(l.Boards)
			if l.Uniform {
				thickness, logA, place = 0, 0, 0.5
			}
			thickness = max(thickness+float64(l.Thickness), 0.7*float64(l.Thickness))
			volume := float64(l.Volume) / float64(l.Boards)
			w.Lot[b] = int8(i)
			w.Half[b] = thickness / 2
			w.Area[b] = 2 * volume / thickness
			w.Density[b] = float64(p.Density)
			w.Mass[b] = volume * w.Density[b]
			w.A[b] = p.A * math.Pow(thickness/0.027, 0.45) * math.Exp(logA)
			w.Mobility[b] = p.Mobility * (1 + (sapMobility-1)*sapwood[j])
			w.Radial[b], w.Tangential[b], w.Yield[b] = float64(p.Radial), float64(p.Tangential), float64(p.Yield)
			w.Position[b] = place
			w.FilmShare[b] = leak
			k.deliver(b, start[j], l.AirDried)
			b++
		}
	}
}

// deliver gives a board the profile of lumber that has lain: green boards have lost about 3 points from the shell,
// air-dried ones 2, in slow air at 20 C and 75 %; boards near equilibrium are flat.
func (k *Kiln) deliver(b int, mean float64, airDried bool) {
	w, n := &k.wood, k.wood.Nodes
	lost, rh := 3.0, 0.75
	if airDried {
		lost, rh = 2.0, 0.65
	}
	one := newWood(1, n)
	for i, a := range one.perBoard() {
		(*a)[0] = (*w.perBoard()[i])[b]
	}
	start := float64(k.cfg.Room.Start)
	one.Area[0] = 1
	set := func(v float64) {
		for j := range n {
			one.M[j] = v
		}
		for j := range heatNodes {
			one.T[j] = 20
		}
		one.SurfaceM[0], one.SurfaceT[0], one.Flux[0] = v, 20, 0
		one.heatProperties(0, v, 20)
	}
	if mean < k.table.at(20).moisture(rh)+lost {
		set(mean)
	} else {
		set(mean + lost)
		a := air{temperature: 20, vapour: rh * saturation(20), speed: 0.2}
		for range 60 * 24 * 4 {
			if one.mean(0) <= mean {
				break
			}
			one.prepare(900, &a, k.table)
			one.settle(a.temperature, a.vapour)
			one.finish(900)
		}
		off := mean - one.mean(0)
		for j := range n {
			one.M[j] += off
		}
	}
	copy(w.M[b*n:(b+1)*n], one.M)
	for j := range heatNodes {
		w.T[b*heatNodes+j] = start
	}
	w.SurfaceM[b], w.SurfaceT[b], w.Flux[b] = one.M[0], start, 0
	w.heatProperties(b, w.mean(b), start)
	w.relax(b)
}

// cutSamples picks the sample boards as a person would, by what was measured: of each lot the wettest, then the driest,
// then the next wettest and driest in turn.
func (k *Kiln) cutSamples() {
	r := stream(k.cfg.Seed, 5)
	for lot := range k.cfg.Lots {
		type board struct {
			index    int
			measured float64
		}
		var boards []board
		for b := range k.wood.Count {
			if int(k.wood.Lot[b]) == lot {
				boards = append(boards, board{b, k.wood.mean(b) * (1 + 0.02*r.normal())})
			}
		}
		sort.SliceStable(boards, func(i, j int) bool { return boards[i].measured > boards[j].measured })
		wet, dry, turn := 0, len(boards)-1, 0
		for i, of := range k.cfg.Samples {
			if int(of) != lot {
				continue
			}
			for len(k.s.Samples) <= i {
				k.s.Samples = append(k.s.Samples, sampleState{})
			}
			pick := wet
			if turn%2 == 1 {
				pick = dry
				dry--
			} else {
				wet++
			}
			if wet > dry+1 { // more samples than boards: the same again
				wet, dry = 0, len(boards)-1
			}
			turn++
			b := boards[min(max(pick, 0), len(boards)-1)].index
			moist := k.wood.mean(b)
			ovenDry := 2 / (1 + moist/100) * r.between(0.85, 1.15)
			wrong := 1.0
			if p := float64(k.cfg.Person.WrongDry); p > 0 && r.uniform() < p {
				wrong += r.between(-0.03, 0.03)
			}
			k.s.Samples[i] = sampleState{Lot: of, Board: b, OvenDry: ovenDry,
				Believed:  math.Round(ovenDry*wrong*(1+0.0075*r.normal())*1e4) / 1e4,
				StartMass: math.Round((ovenDry*(1+moist/100)+0.001*r.normal())*1e3) / 1e3}
		}
	}
}
