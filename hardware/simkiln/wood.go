package simkiln

import "math"

const (
	maxNodes   = 32
	heatNodes  = 6    // equal cells from surface to core of half a board
	nodeGrowth = 1.15 // each moisture cell is this much thicker than the one outside it; 1.25 dries 1.4 % late

	shapeB        = 5.0  // D rises with exp(shapeB*M/100)
	diffusionFS   = 28   // moisture above which D stays, times Mobility
	activation    = 5280 // K, below hotter
	activationHot = 3800 // K, above hotter: the published temperature dependence at 110 to 150 F is weaker
	hotter        = 328.15

	filmFull  = 15.0 // W/(m2 K), at full fan speed
	filmStill = 2.5  // W/(m2 K), no fans
	edgeFilm  = 0.15 // film coefficient at the edges of the load against the middle: air enters turbulent
)

// wood is every simulated board, as flat arrays: half a board from surface (node 0) to core, symmetric. Moisture is in
// percent, temperature in Celsius; fluxes are per m2 of face.
type wood struct {
	Count, Nodes int
	Share        []float64 // nodes: cell thickness over half thickness
	Between      []float64 // half thickness over the distance from a node's middle to the next one's
	Law          law

	// per board
	Lot       []int8
	Half      []float64 // m, half thickness
	Area      []float64 // m2, both faces of all boards it stands for
	Mass      []float64 // kg, oven-dry, of all boards it stands for
	Density   []float64 // kg/m3
	A         []float64 // m2/s, thickness included
	Mobility  []float64
	Position  []float64 // 0 to 1 across the load, in the direction of forward air
	FilmShare []float64 // film coefficient against that of a board in full air
	SurfaceM  []float64 // percent, at the very surface
	SurfaceT  []float64
	Flux      []float64 // kg/(m2 s), of the last step, drying positive
	Draw      []float64 // W/m2, from the air in the last step
	M         []float64 // Count*Nodes
	T         []float64 // Count*heatNodes
	Conduct   []float64 // W/(m K), over the green thickness
	Heat      []float64 // J/(m3 K)

	// Shrinkage and drying stress, see stress.go.
	Radial     []float64 // of the green thickness, to oven-dry
	Tangential []float64 // of the green width, to oven-dry
	Yield      []float64 // strain across the grain at failure
	Thin       []float64 // square of green over present thickness
	Set        []float64 // Count*(Nodes+1): strain that has relaxed, the surface first
	Check      []float64 // greatest strain of the surface so far, over Yield
	Honeycomb  []float64 // the same of the core

	// Of the step under way, per board: J = j0 + jt*T - jp*p and Q = q0 + qt*T + qp*p per m2, with T and p of the air
	// leaving the load; what finish needs to go back from surface to core.
	J0, JT, JP     []float64
	Offset         []float64 // K, local air against the air leaving
	Film, Sink     []float64
	Lambda, Rest   []float64
	Bound          []float64 // W/m2, into evaporation in the last step
	HalfCell       []float64 // potential lost over the outer half cell per flux
	MoistR, MoistD []float64 // outermost cell: delta = (MoistR - J)*MoistD
	MoistE, MoistM []float64 // delta[j] = MoistE[j] + MoistM[j]*delta[j-1]
	HeatR, HeatD   []float64 // outermost cell: T = (HeatR + q)*HeatD
	HeatE, HeatM   []float64
}

func newWood(count, nodes int) wood {
	w := wood{Count: count, Nodes: nodes, Share: make([]float64, nodes), Law: newLaw(shapeB)}
	total, cell := 0.0, 1.0
	for j := range nodes {
		w.Share[j] = cell
		total += cell
		cell *= nodeGrowth
	}
	for j := range w.Share {
		w.Share[j] /= total
	}
	w.Between = make([]float64, nodes)
	for j := range nodes - 1 {
		w.Between[j] = 2 / (w.Share[j] + w.Share[j+1])
	}
	w.Lot = make([]int8, count)
	for _, a := range w.perBoard() {
		*a = make([]float64, count)
	}
	w.M = make([]float64, count*nodes)
	w.MoistE = make([]float64, count*nodes)
	w.MoistM = make([]float64, count*nodes)
	w.Set = make([]float64, count*(nodes+1))
	w.T = make([]float64, count*heatNodes)
	w.HeatE = make([]float64, count*heatNodes)
	w.HeatM = make([]float64, count*heatNodes)
	return w
}

func (w *wood) perBoard() []*[]float64 {
	return []*[]float64{&w.Half, &w.Area, &w.Mass, &w.Density, &w.A, &w.Mobility, &w.Position, &w.SurfaceM,
		&w.SurfaceT, &w.Flux, &w.Conduct, &w.Heat, &w.J0, &w.JT, &w.JP, &w.Offset, &w.Film, &w.Sink, &w.Lambda, &w.HalfCell,
		&w.MoistR, &w.MoistD, &w.HeatR, &w.HeatD, &w.FilmShare, &w.Draw, &w.Rest, &w.Bound,
		&w.Radial, &w.Tangential, &w.Yield, &w.Thin, &w.Check, &w.Honeycomb}
}

// clone copies everything that is written to.
func (w *wood) clone() wood {
	c := *w
	for _, a := range append(c.perBoard(), &c.M, &c.T, &c.Set, &c.MoistE, &c.MoistM, &c.HeatE, &c.HeatM) {
		*a = append([]float64(nil), *a...)
	}
	return c
}

// mean gives the moisture of a board in percent.
func (w *wood) mean(board int) float64 {
	sum := 0.0
	for j, m := range w.M[board*w.Nodes : (board+1)*w.Nodes] {
		sum += m * w.Share[j]
	}
	return sum
}

// at gives the moisture at a depth, 0 at the surface to 1 at the core.
func (w *wood) at(board int, depth float64) float64 {
	m := w.M[board*w.Nodes : (board+1)*w.Nodes]
	before, edge := 0.0, 0.0
	for j, share := range w.Share {
		centre := edge + share/2
		if depth <= centre {
			if j == 0 {
				return m[0]
			}
			f := (depth - before) / (centre - before)
			return m[j-1] + f*(m[j]-m[j-1])
		}
		before, edge = centre, edge+share
	}
	return m[len(m)-1]
}

// coreTemperature gives the temperature at a distance from the core in m, through the parabola of the innermost cells.
func (w *wood) coreTemperature(board int, off float64) float64 {
	t := w.T[board*heatNodes : (board+1)*heatNodes]
	in, out := t[heatNodes-1], t[heatNodes-2] // centres at 1/2 and 3/2 cells from the core
	x := off / (w.Half[board] / heatNodes)
	c := (out - in) / 2 // T = a + c x^2
	return in - c/4 + c*min(x*x, 9)
}

// law is how D depends on moisture: D/D0 = exp(shape*M/100) up to diffusionFS, then constant times mobility.
type law struct {
	Shape  float64
	AtFS   float64 // D/D0 at diffusionFS
	PhiFS  float64 // its integral up to there
	Invert float64 // 100/Shape
	Grid   [lawSteps + 1]float64
}

// lawSteps is the number of entries of exp(Shape*M) a quarter point apart: between them a short series does.
const lawSteps = diffusionFS * 4

func newLaw(shape float64) law {
	at := math.Exp(shape / 100 * diffusionFS)
	l := law{Shape: shape / 100, AtFS: at, PhiFS: (at - 1) * 100 / shape, Invert: 100 / shape}
	for i := range l.Grid {
		l.Grid[i] = math.Exp(l.Shape * float64(i) / 4)
	}
	return l
}

// potential gives the integral of D/D0 over moisture, and D/D0.
func (l *law) potential(m, mobility float64) (phi, d float64) {
	if m < diffusionFS {
		i := 0
		if m > 0 {
			i = int(m * 4)
		}
		x := l.Shape * (m - float64(i)/4)
		e := l.Grid[i] * (1 + x*(1+x*(1.0/2+x*(1.0/6+x/24))))
		return (e - 1) * l.Invert, e
	}
	return l.PhiFS + l.AtFS*mobility*(m-diffusionFS), l.AtFS * mobility
}

// moisture is the inverse of potential.
func (l *law) moisture(phi, mobility float64) float64 {
	if phi > l.PhiFS {
		return diffusionFS + (phi-l.PhiFS)/(l.AtFS*mobility)
	}
	return math.Log(max(1+phi*l.Shape, 1e-3)) * l.Invert
}

// diffusivity gives D0 at a wood temperature for A.
func diffusivity(a, celsius float64) float64 {
	t := celsius + 273.15
	if t <= hotter {
		return a * math.Exp(-activation/t)
	}
	return a * math.Exp(-activation/hotter-activationHot/t+activationHot/hotter)
}

// heatProperties renews conductivity and heat capacity of a board: Wood Handbook FPL-GTR-190 equations 4-15 to 4-18,
// on the green volume.
func (w *wood) heatProperties(b int, moisture, celsius float64) {
	m := max(moisture, 0)
	bound := min(m, fiberSaturation)
	thin := 1 / (1 - w.Radial[b]*(1-bound/fiberSaturation))
	w.Thin[b] = thin * thin
	w.Conduct[b] = (w.Density[b]/1000*(0.1941+0.004064*m) + 0.01864) * thin
	kelvin := celsius + 273.15
	w.Heat[b] = w.Density[b] * (103.1 + 3.867*kelvin + liquid*m/100 + boundHeat(bound, kelvin))
}

// boundHeat is what bound water adds to the heat capacity, J/kgK of dry wood: GTR-190 equation 4-18.
func boundHeat(bound, kelvin float64) float64 {
	return 1000 * max(bound*(-0.06191+2.36e-4*kelvin-1.33e-4*bound), 0) * (1 + bound/100)
}

// boundEnthalpy is boundHeat from 0 C to t, J/kg of dry wood. Water that leaves wood colder or hotter than 0 C frees
// less or more by what this changes: without it the first law does not close.
func boundEnthalpy(bound, t float64) float64 {
	return boundHeat(bound, 273.15+t/2) * t // exact while nowhere 0: boundHeat is linear in temperature
}

// air is what the wood meets in a step.
type air struct {
	temperature, vapour float64 // of the air leaving the load: C, Pa
	risePressure        float64 // Pa, from entering to leaving
	riseTemperature     float64 // K, from entering to leaving
	speed               float64 // of full, 0 to 1
	reverse             bool
}

// prepare linearises every board for a step of dt seconds and gives the response of the whole load. The elimination
// runs from the core outwards, so that the response is that of whole boards, implicit over dt; finish needs no more
// than the air that they really met.
func (w *wood) prepare(dt float64, a *air, table *isotherms) (s response) {
	n := w.Nodes
	share, between := w.Share[:n:n], w.Between[:n:n]
	fullFilm := filmFull * math.Pow(a.speed, 0.6)
	moved, warm := 0.0, 0.0
	for b := range w.Count {
		place := w.Position[b]
		if a.reverse {
			place = 1 - place
		}
		off := (1 - place) * a.riseTemperature
		offP := (1 - place) * a.risePressure
		film := max(filmStill, fullFilm*w.FilmShare[b]*(1+edgeFilm*(1-2*place)))
		mass := film / (0.9 * 1.06 * 1020) / (waterGas * (a.temperature - off + 273.15)) // kg/(m2 s Pa); Le^(2/3) = 0.9

		// Heat, from core to surface.
		cell := w.Half[b] / heatNodes
		k := w.Conduct[b] / cell
		c := w.Heat[b] * cell / dt
		t := w.T[b*heatNodes : (b+1)*heatNodes : (b+1)*heatNodes]
		he := w.HeatE[b*heatNodes : (b+1)*heatNodes : (b+1)*heatNodes]
		hm := w.HeatM[b*heatNodes : (b+1)*heatNodes : (b+1)*heatNodes]
		sum := t[heatNodes-1]
		d, r := c+k, c*sum
		for j := heatNodes - 2; j >= 0; j-- {
			inv := 1 / d
			he[j+1], hm[j+1] = r*inv, k*inv
			sum += t[j]
			d, r = c+2*k-k*k*inv, c*t[j]+k*r*inv
		}
		gs := 2 * k // surface to the centre of the outermost cell
		inv := 1 / (d + k)
		w.HeatR[b], w.HeatD[b] = r, 1/(d-k)
		y, y0 := gs*(1-gs*inv), gs*r*inv // heat into the board: y*Ts - y0

		// Moisture, from core to surface.
		m := w.M[b*n : (b+1)*n : (b+1)*n]
		me := w.MoistE[b*n : (b+1)*n : (b+1)*n]
		mm := w.MoistM[b*n : (b+1)*n : (b+1)*n]
		mobility := w.Mobility[b]
		density := w.Density[b] / 100
		unit := density * w.Half[b] / dt
		link := density * diffusivity(w.A[b], sum/heatNodes) * w.Thin[b] / w.Half[b]
		phi, slope := w.Law.potential(m[n-1], mobility)
		diag, rhs := unit*share[n-1], 0.0
		for j := n - 2; j >= 0; j-- {
			outPhi, outSlope := w.Law.potential(m[j], mobility)
			g := link * between[j]
			q := g * (phi - outPhi) // towards the surface
			in := 1 / (diag + g*slope)
			e, f := (rhs-q)*in, g*outSlope*in
			me[j+1], mm[j+1] = e, f
			diag = unit*share[j] + g*outSlope - g*slope*f
			rhs = q + g*slope*e
			phi, slope = outPhi, outSlope
		}
		give := 1 / diag
		w.MoistR[b], w.MoistD[b] = rhs, give

		// Surface: moisture, temperature and flux together, linear about the last ones.
		ts, ms := w.SurfaceT[b], w.SurfaceM[b]
		_, slopeS := w.Law.potential(ms, mobility)
		halfCell := share[0] / (2 * link)
		w.HalfCell[b] = halfCell
		ps, psSlope := saturationSlope(ts)
		aw, awSlope := table.at(ts).activity(ms)
		lambda := latent(ts)
		sink := 1 / (film + y)
		perM := ps * awSlope / slopeS
		perT := aw * psSlope
		scale := mass / (1 + mass*(perM*(slope*give+halfCell)+perT*lambda*sink))
		jt := scale * perT * film * sink
		jp := scale
		j0 := scale*(aw*ps+perM*(slope*give*rhs+halfCell*w.Flux[b])+perT*(y0*sink-ts)) - jt*off + jp*offP
		w.J0[b], w.JT[b], w.JP[b] = j0, jt, jp
		w.Offset[b], w.Film[b], w.Sink[b], w.Lambda[b] = off, film, sink, lambda
		w.Rest[b] = y0 * sink

		// Ts = (film*(T-off) + y0 - lambda*J)*sink; Q = film*(T - off - Ts)
		area := w.Area[b]
		flow := area * max(w.Flux[b], 0)
		moved += flow
		warm += flow * ts
		s.A0 += area * j0
		s.At += area * jt
		s.Ap += area * jp
		s.H0 += area * film * (sink*(lambda*j0-y0) - off*(1-film*sink))
		s.Ht += area * film * (1 - sink*(film-lambda*jt))
		s.Hp -= area * film * sink * lambda * jp
	}
	s.Surface = a.temperature
	if moved > 0 {
		s.Surface = warm / moved
	}
	return s
}

// sorptionHeat gives the heat that binds water to wood at moisture m, J/kg, on top of the latent heat: 1.17e6
// exp(-0.14 m), a fit to calorimetry (from memory), read from a table. It is owed where moisture falls, not where it
// evaporates: water that comes from wet cells to a dry surface has given it off on the way.
func sorptionHeat(m float64) float64 {
	if m >= fiberSaturation {
		return 0
	}
	x := max(m, 0) * 2
	i := int(x)
	return sorptionTable[i] + (x-float64(i))*(sorptionTable[i+1]-sorptionTable[i])
}

var sorptionTable = func() (table [2*fiberSaturation + 2]float64) {
	for i := range table {
		table[i] = 1.17e6 * math.Exp(-0.07*float64(i))
	}
	return table
}()

// response is that of the whole load to the air leaving it: J = A0 + At*T - Ap*p in kg/s from the wood to the air,
// Q = H0 + Ht*T + Hp*p in W from the air to the wood.
// Surface is the temperature of the surfaces, each by its flux in the last step.
type response struct{ A0, At, Ap, H0, Ht, Hp, Surface float64 }

// settle fixes what each board gave and took: meanT and meanP are the means over the step of the air leaving the load.
func (w *wood) settle(meanT, meanP float64) {
	for b := range w.Count {
		flux := w.J0[b] + w.JT[b]*meanT - w.JP[b]*meanP
		// Ts = (film*Ta + y0 - lambda*J)*sink, with y0*sink kept in Rest
		ts := w.Rest[b] + (w.Film[b]*(meanT-w.Offset[b])-w.Lambda[b]*flux)*w.Sink[b]
		w.Flux[b] = flux
		w.Draw[b] = w.Film[b] * (meanT - w.Offset[b] - ts)
		w.Bound[b] = w.Lambda[b] * flux
	}
}

// finish ends a settled step: each board gives up exactly the water and takes exactly the heat that was settled, so that
// nothing is lost even when the last prepare was for another length or another air. It returns the kilograms that left
// the cells, the joules that entered them, the joules that went into evaporation and into freeing bound
// water, and the joules that the cells' changing heat capacity carried off.
func (w *wood) finish(dt float64) (water, heat, evaporation, sorption, carried float64) {
	n := w.Nodes
	share := w.Share[:n:n]
	for b := range w.Count {
		flux := w.Flux[b]
		m := w.M[b*n : (b+1)*n : (b+1)*n]
		me := w.MoistE[b*n : (b+1)*n : (b+1)*n]
		mm := w.MoistM[b*n : (b+1)*n : (b+1)*n]
		delta := (w.MoistR[b] - flux) * w.MoistD[b]
		lost := delta * share[0]
		freed := lost * sorptionHeat(m[0])
		m[0] += delta
		mean := m[0] * share[0]
		for j := 1; j < n; j++ {
			delta = me[j] + mm[j]*delta
			lost += delta * share[j]
			if m[j] < fiberSaturation {
				freed += delta * share[j] * sorptionHeat(m[j])
			}
			m[j] += delta
			mean += m[j] * share[j]
		}
		water -= lost / 100 * w.Mass[b]
		free := -freed / 100 * w.Density[b] * w.Half[b] / dt // W/m2, heat of sorption
		if before := mean - lost; mean < fiberSaturation || before < fiberSaturation {
			celsius := 0.0
			for _, v := range w.T[b*heatNodes : (b+1)*heatNodes] {
				celsius += v / heatNodes
			}
			change := boundEnthalpy(min(mean, fiberSaturation), celsius) - boundEnthalpy(min(before, fiberSaturation), celsius)
			free += change * w.Density[b] * w.Half[b] / dt
		}
		phi, _ := w.Law.potential(m[0], w.Mobility[b])
		w.SurfaceM[b] = w.Law.moisture(phi-flux*w.HalfCell[b], w.Mobility[b])

		t := w.T[b*heatNodes : (b+1)*heatNodes : (b+1)*heatNodes]
		he := w.HeatE[b*heatNodes : (b+1)*heatNodes : (b+1)*heatNodes]
		hm := w.HeatM[b*heatNodes : (b+1)*heatNodes : (b+1)*heatNodes]
		cell := w.Half[b] / heatNodes
		q := w.Draw[b] - w.Bound[b] - free
		v := (w.HeatR[b] + q) * w.HeatD[b]
		w.SurfaceT[b] = v + q*cell/(2*w.Conduct[b])
		gain, sum := v-t[0], v
		t[0] = v
		for j := 1; j < heatNodes; j++ {
			v = he[j] + hm[j]*v
			gain += v - t[j]
			sum += v
			t[j] = v
		}
		volume := w.Area[b] * cell
		heat += gain * w.Heat[b] * volume
		evaporation += w.Bound[b] * w.Area[b] * dt
		sorption += free * w.Area[b] * dt
		before := w.Heat[b]
		w.heatProperties(b, mean, sum/heatNodes)
		carried -= (w.Heat[b] - before) * volume * sum
	}
	return water, heat, evaporation, sorption, carried
}

// content gives the water in kg and the heat in J (above 0 C) of all boards.
func (w *wood) content() (water, heat float64) {
	for b := range w.Count {
		water += w.mean(b) / 100 * w.Mass[b]
		sum := 0.0
		for _, t := range w.T[b*heatNodes : (b+1)*heatNodes] {
			sum += t
		}
		heat += sum * w.Heat[b] * w.Area[b] * w.Half[b] / heatNodes
	}
	return water, heat
}
