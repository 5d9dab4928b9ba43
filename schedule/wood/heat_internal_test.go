package wood

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/quantity"
)

// slab gives the excess at the middle of a slab of half thickness l whose faces are held at 0 from an excess of 1, and
// rectangle that of a long prism: Carslaw and Jaeger 1959, Conduction of Heat in Solids, 2nd ed., sections 3.4 and 5.6.
func slab(diffusivity, l, at float64) float64 {
	sum := 0.0
	for k := range 200 {
		odd := float64(2*k + 1)
		sum += 4 / math.Pi * math.Pow(-1, float64(k)) / odd * math.Exp(-odd*odd*math.Pi*math.Pi*diffusivity*at/(4*l*l))
	}
	return sum
}

func rectangle(diffusivity, a, b, at float64) float64 {
	return slab(diffusivity, a, at) * slab(diffusivity, b, at)
}

// exactTime inverts the series by bisection.
func exactTime(excess func(at float64) float64, want float64) float64 {
	low, high := 1.0, 1e7
	for range 200 {
		if mid := (low + high) / 2; excess(mid) > want {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// Constant properties and faces held at 60 C, from 10 to 50 C in the middle.
func constantCase(thickness, width quantity.Meter, n int) float64 {
	s := Section{Thickness: thickness, Width: width, Gravity: 0.4, Moisture: 20, Initial: 10, DryBulb: 60, WetBulb: 60, Core: 50}
	h := heatProperties{capacity0: 2000, conductivity0: 0.15, density: 500}
	seconds, ok := s.solve(h, face{convection: 1e7}, n)
	if !ok {
		return math.NaN()
	}
	return seconds
}

func TestConductionAgainstExactSeries(t *testing.T) {
	const diffusivity = 0.15 / (2000.0 * 500)
	wide := exactTime(func(at float64) float64 { return slab(diffusivity, 0.0135, at) }, 0.2)
	require.InEpsilon(t, wide, constantCase(0.027, 0.9, heatNodes), 0.01, "a wide board is a slab")
	for _, size := range [][2]quantity.Meter{{0.09, 0.09}, {0.04, 0.09}, {0.14, 0.24}} {
		a, b := float64(size[0])/2, float64(size[1])/2
		want := exactTime(func(at float64) float64 { return rectangle(diffusivity, a, b, at) }, 0.2)
		require.InEpsilon(t, want, constantCase(size[0], size[1], heatNodes), 0.01, "%v", size)
	}
}

// convected gives the excess at the middle of a slab of half thickness l in air of excess 0 that takes up h W/m2K at its
// faces: Carslaw and Jaeger 1959, section 3.11, the roots of z tan z = Bi found by bisection.
func convected(h, conductivity, diffusivity, l, at float64) float64 {
	biot := h * l / conductivity
	sum := 0.0
	for n := range 60 {
		low, high := float64(n)*math.Pi, (float64(n)+0.5)*math.Pi-1e-12
		for range 100 {
			if mid := (low + high) / 2; mid*math.Tan(mid) < biot {
				low = mid
			} else {
				high = mid
			}
		}
		sum += 4 * math.Sin(low) / (2*low + math.Sin(2*low)) * math.Exp(-low*low*diffusivity*at/(l*l))
	}
	return sum
}

// Bone-dry wood in bone-dry air: nothing condenses, nothing evaporates, the face as the program has it takes up heat by
// convection alone. The product of two slabs is the rectangle with convection (section 5.6).
func TestConvectionAgainstExactSeries(t *testing.T) {
	const diffusivity = 0.15 / (2000.0 * 500)
	properties := heatProperties{capacity0: 2000, conductivity0: 0.15, density: 500}
	for _, size := range [][2]quantity.Meter{{0.027, 0.9}, {0.04, 0.09}, {0.09, 0.09}} {
		s := Section{Thickness: size[0], Width: size[1], Gravity: 0.4, Moisture: 0, Initial: 10, DryBulb: 60, WetBulb: 20, Core: 50}
		require.Zero(t, s.vapor(float64(s.DryBulb), float64(s.WetBulb)))
		got, ok := s.solve(properties, s.face(), heatNodes)
		require.True(t, ok)
		want := exactTime(func(at float64) float64 {
			return convected(15, 0.15, diffusivity, float64(size[0])/2, at) * convected(15, 0.15, diffusivity, float64(size[1])/2, at)
		}, 0.2)
		require.InEpsilon(t, want, got, 0.01, "%v", size)
	}
}

// The film coefficient against the correlation that it comes from: Dittus and Boelter 1930, Nu = 0.023 Re^0.8 Pr^0.4, air of
// 60 C (kinematic viscosity 1.9e-5 m2/s, conductivity 0.0285 W/m K, Pr 0.70; from memory) in the gap of 3/4 in stickers,
// hydraulic diameter twice the gap, at 2 to 3 m/s.
func TestConvectionAgainstDittusAndBoelter(t *testing.T) {
	film := func(speed float64) float64 {
		const diameter = 2 * 0.01905
		return 0.023 * math.Pow(speed*diameter/1.9e-5, 0.8) * math.Pow(0.70, 0.4) * 0.0285 / diameter
	}
	s := Section{Moisture: 40}
	require.Greater(t, s.face().convection, film(2))
	require.Less(t, s.face().convection, film(3))
}

// Every figure of a section is taken up to the ends of its range and refused beyond.
func TestSectionRanges(t *testing.T) {
	fine := Section{Thickness: 0.05, Width: 0.1, Gravity: 0.5, Moisture: 20, Initial: 20, DryBulb: 70, WetBulb: 60, Core: 50, Pressure: 100000}
	require.NoError(t, fine.Validate())
	for _, r := range []struct {
		name      string
		low, high float64
		set       func(*Section, float64)
	}{
		{"thickness", 0.005, 0.5, func(s *Section, v float64) { s.Thickness = quantity.Meter(v) }},
		{"width", 0.005, 1, func(s *Section, v float64) { s.Width = quantity.Meter(v) }},
		{"specific gravity", 0.2, 1.2, func(s *Section, v float64) { s.Gravity = v }},
		{"moisture", 0, 200, func(s *Section, v float64) { s.Moisture = quantity.MoistureContent(v) }},
		{"initial temperature", -40, 100, func(s *Section, v float64) { s.Initial = quantity.Celsius(v) }},
		{"dry bulb", 60, 110, func(s *Section, v float64) { s.DryBulb = quantity.Celsius(v) }},
		{"wet bulb", 0, 70, func(s *Section, v float64) { s.WetBulb = quantity.Celsius(v) }},
		{"core temperature", 0, 99, func(s *Section, v float64) { s.Core = quantity.Celsius(v) }},
		{"station pressure", 50000, 110000, func(s *Section, v float64) { s.Pressure = quantity.Pascal(v) }},
		{"come-up", 0, 7 * 24 * 3600e9, func(s *Section, v float64) { s.ComeUp = time.Duration(v) }},
	} {
		for _, v := range []float64{r.low, r.high} {
			s := fine
			r.set(&s, v)
			require.NoError(t, s.Validate(), "%s %v", r.name, v)
		}
		beyond := (r.high - r.low) / 1e6
		for _, v := range []float64{r.low - beyond, r.high + beyond} {
			s := fine
			r.set(&s, v)
			require.ErrorContains(t, s.Validate(), r.name, "%v", v)
		}
	}
}

// Halving the cells must shrink the error about fourfold.
func TestConductionConvergesWithTheGrid(t *testing.T) {
	const diffusivity = 0.15 / (2000.0 * 500)
	want := exactTime(func(at float64) float64 { return rectangle(diffusivity, 0.045, 0.045, at) }, 0.2)
	last := math.Inf(1)
	for _, n := range []int{4, 8, 16} {
		e := math.Abs(constantCase(0.09, 0.09, n)/want - 1)
		t.Logf("%2d cells of half a side: error %.3f %%", n, 100*e)
		require.Less(t, e, last/2.5)
		last = e
	}
	require.Less(t, last, 0.002)
}

// The middle warms by what the faces let in: energy is conserved cell by cell.
func TestHeatStepConservesEnergy(t *testing.T) {
	const n = 4
	h := heatProperties{capacity0: 2000, conductivity0: 0.15, conductivity1: 0.0004, density: 500}
	at, next := make([]float64, n*n), make([]float64, n*n)
	for i := range at {
		at[i] = 10 + float64(i)
	}
	xFace, yFace := []float64{50, 51, 52, 53}, []float64{60, 61, 62, 63}
	const dx, dy, dt = 0.01, 0.012, 1.0
	h.step(at, next, xFace, yFace, n, dx, dy, dt)
	stored, entered := 0.0, 0.0
	for i := range at {
		stored += (next[i] - at[i]) * 2000 * 500 * dx * dy
	}
	for i := range n {
		edge := at[(n-1)*n+i]
		entered += 2 * h.conductivity(edge) / dx * (xFace[i] - edge) * dy * dt
		edge = at[i*n+n-1]
		entered += 2 * h.conductivity(edge) / dy * (yFace[i] - edge) * dx * dt
	}
	require.InEpsilon(t, entered, stored, 1e-9)
}

// A wet face comes to rest at the wet bulb, a dry one between it and the dry bulb.
func TestFaceComesToRestWhereItShould(t *testing.T) {
	s := Section{Thickness: 0.05, Width: 0.1, Gravity: 0.4, Moisture: 60, Initial: 10, DryBulb: 71, WetBulb: 58, Core: 56}
	require.InDelta(t, 58, s.faceEnd(), 0.01)
	s.Moisture = 6
	require.Greater(t, s.faceEnd(), 65.0)
	require.LessOrEqual(t, s.faceEnd(), 71.01)
}

func BenchmarkHeatStep16Nodes(b *testing.B) {
	b.ReportAllocs()
	const n = 4
	s := Section{Thickness: 0.05, Width: 0.1, Gravity: 0.4, Moisture: 20, Initial: 10, DryBulb: 71, WetBulb: 65, Core: 56}
	h, f := heatOf(s.Moisture, s.Gravity), s.face()
	at, next := make([]float64, n*n), make([]float64, n*n)
	xFace, yFace := make([]float64, n), make([]float64, n)
	vapor := s.vapor(71, 65)
	for b.Loop() {
		for i := range n {
			xFace[i] = f.settle(xFace[i], at[(n-1)*n+i], 20, 71, vapor)
			yFace[i] = f.settle(yFace[i], at[i*n+n-1], 20, 71, vapor)
		}
		h.step(at, next, xFace, yFace, n, 0.006, 0.012, 10)
		at, next = next, at
	}
}

func BenchmarkCoreTime4x4(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		s := Section{Thickness: 0.0889, Width: 0.0889, Gravity: 0.38, Moisture: 25, Initial: 10, DryBulb: 71, WetBulb: 65, Core: 56, ComeUp: 40 * time.Minute}
		if _, err := CoreTime(s); err != nil {
			b.Fatal(err)
		}
	}
}
