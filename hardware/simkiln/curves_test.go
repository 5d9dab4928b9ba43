package simkiln

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drywarden/hardware/quantity"
)

// go test ./hardware/simkiln -run TestCurves -update draws testdata/curves.svg anew: simulated against published.
var update = flag.Bool("update", false, "draw testdata/curves.svg anew")

// curve is one line of a picture; dashed is the published one. marks are published points.
type curve struct {
	name   string
	x, y   []float64
	dashed bool
	color  string
}

type mark struct {
	x, y, low, high float64 // low to high is what passes; equal: a point
	name            string
}

type panel struct {
	title, below  string
	xName, yName  string
	xMax, yMax    float64
	xStep, yStep  float64
	curves        []curve
	marks         []mark
	bandLow, band float64 // a band of y that is published, 0: none
	keyLeft       bool
}

var ink = []string{"#1b6ca8", "#b3541e", "#2e7d4f", "#7a4fa3"}

// follow dries until the mean of all wood is at target and notes it every six hours.
func follow(d *driver, target float64, days int) (x, y []float64) {
	w := &d.k.wood
	mean := func() float64 {
		sum, mass := 0.0, 0.0
		for b := range w.Count {
			sum += w.mean(b) * w.Mass[b]
			mass += w.Mass[b]
		}
		return sum / mass
	}
	next := time.Duration(0)
	for d.k.Now() < time.Duration(days)*day {
		if d.k.Now() >= next || mean() <= target {
			x, y = append(x, d.k.Now().Hours()/24), append(y, mean())
			if y[len(y)-1] <= target {
				break
			}
			next = d.k.Now() + 6*time.Hour
		}
		for end := d.k.Now() + 3*time.Minute; d.k.Now() < end; {
			d.tick(3 * time.Second)
		}
	}
	return x, y
}

// TestCurves runs what has been published and draws it. Judged are the small kiln's days and the time constants of red
// oak; the page shows all.
func TestCurves(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("100 simulated days")
	}
	panels := publishedRuns(t)
	panels = append(panels, timeConstants(t), crankPanel(), extraction())
	var page bytes.Buffer
	drawPage(&page, panels)
	const path = "testdata/curves.svg"
	if *update {
		require.NoError(t, os.WriteFile(path, page.Bytes(), 0o644))
	}
	kept, err := os.ReadFile(path)
	require.NoError(t, err)
	if runtime.GOARCH != "amd64" {
		t.Skip("the page is drawn from amd64's last digits")
	}
	require.True(t, bytes.Equal(kept, page.Bytes()), "%s is not what the model gives now: go test ./hardware/simkiln -run TestCurves -update, then look at it", path)
}

// Bergman (2008), FPL-RN-0310: three charges of 600 to 700 board feet in a small kiln; only start, end and days are
// published. The machine and the room's cap of 41 C are assumed, the air-dried mix is a stand-in of equal thirds; capacity
// is the one number that was fitted, on the cherry run; the other two are predictions. One parameter set per species. All
// must lie within 25 %. That rests on cap and capacity belonging together: with a cap of 43 C and a capacity of 0.05 cherry is
// 4 % late, oak 1 % late and the mix, not warmed first, 13 % early; with 43 C and the capacity fitted at 41 C the mix is 27 % early.
func publishedRuns(t *testing.T) (panels []panel) {
	air := func(l LotConfig) LotConfig { l.AirDried = true; return l }
	for _, c := range []struct {
		name, note string
		lots       []LotConfig
		rows       [][3]float64
		start, to  float64
		days       float64
		max        float64
	}{
		{"Cherry 5/4", "capacity fitted on this run", []LotConfig{lot("cherry", 33, 1.53, 47.5, 8)}, maple44, 47.5, 6.8, 27, 40},
		{"Red oak 4/4, green", "prediction", []LotConfig{lot("red oak", 27, 1.53, 82.9, 8)}, oak44, 82.9, 6.1, 45, 60},
		{"Mixed, air-dried", "prediction; equal thirds of oak, maple, pine stand in", []LotConfig{air(lot("red oak", 27, 0.51, 18.4, 4)),
			air(lot("hard maple", 27, 0.51, 18.4, 4)), air(lot("pine", 27, 0.51, 18.4, 4))}, oak44, 18.4, 7.3, 15, 20},
	} {
		k := newKiln(t, SmallConfig(), c.lots...)
		d := driver{k: k, stages: stagesOf(c.rows), dryBulbMax: 41, vent: true}
		if c.lots[0].AirDried { // air-dried stock is warmed for most of a day at its shell's moisture: common practice, no source
			warm := driver{k: k, stages: []stage{{0, 41, 13}}}
			for k.Now() < 18*time.Hour {
				warm.tick(2 * time.Second)
			}
			d.on = warm.on
		}
		x, y := follow(&d, c.to, 90)
		if x[0] > 0 {
			x, y = append([]float64{0}, x...), append([]float64{c.start}, y...)
		}
		days := x[len(x)-1]
		truth := k.Truth()
		off := math.Round(100*(days/c.days-1)) + 0 // no minus nought
		t.Logf("%-20s %.1f d, published %.0f (%+.0f %%), %.0f kWh, check %.2f", c.name, days, c.days, off, truth.Energy/3.6e6, truth.Lots[0].Check)
		require.InEpsilon(t, c.days, days, 0.25, c.name)
		checkBooks(t, k)
		p := panel{title: fmt.Sprintf("%s: %.1f days, published %.0f (%+.0f %%)", c.name, days, c.days, off), below: "Bergman 2008, FPL-RN-0310; " + c.note,
			xName: "days", yName: "mean moisture, %", xMax: c.max, xStep: c.max / 4, yMax: math.Ceil((c.start+8)/20) * 20,
			curves: []curve{{name: "simulated", x: x, y: y, color: ink[0]}},
			marks:  []mark{{0, c.start, 0, 0, "published start"}, {c.days, c.to, 0.75 * c.days, 1.25 * c.days, "published end, ±25 %"}}}
		p.yStep = p.yMax / 4
		panels = append(panels, p)
	}
	return panels
}

// timeConstants draws what TestRedOakTimeConstants judges.
func timeConstants(t *testing.T) panel {
	p := panel{title: "Red oak in constant air, EMC 7.4 %, from 85 %", below: "dashed: regression of Tschernitz and Simpson 1979 (kiln, 110 and 120 F)",
		xName: "days", yName: "mean moisture, %", xMax: 60, xStep: 15, yMax: 100, yStep: 25}
	table := newIsotherms()
	for i, f := range []float64{110, 120} {
		for j, inch := range []float64{1, 2} {
			c := fahrenheit(f)
			thickness := inch * 0.0254
			w := board(t, "red oak", thickness*1000, 85, c)
			activity, _ := table.at(c).activity(7.4)
			a := air{temperature: c, vapour: activity * saturation(c), speed: 1}
			tau := math.Pow(inch, 1.52) / (0.0575 + 0.00142*saturation(c)/133.322)
			model := curve{name: fmt.Sprintf("%v in, %v F", inch, f), color: ink[2*i+j]}
			published := curve{dashed: true, color: ink[2*i+j]}
			for step := 0; step <= 60*288; step++ {
				if step%144 == 0 {
					days := float64(step) / 288
					model.x, model.y = append(model.x, days), append(model.y, w.mean(0))
					published.x, published.y = append(published.x, days), append(published.y, 7.4+77.6*math.Exp(-days/tau))
				}
				w.prepare(300, &a, table)
				w.settle(a.temperature, a.vapour)
				w.finish(300)
			}
			p.curves = append(p.curves, model, published)
		}
	}
	return p
}

// crankPanel draws what TestMoistureAgainstCrank judges.
func crankPanel() panel {
	p := panel{title: "Slab of constant diffusivity with surface resistance", below: "dashed: Crank (1975) equation 4.53; Bi = transfer x half thickness / D",
		xName: "Fourier number", yName: "moisture left, of the whole", xMax: 1, xStep: 0.25, yMax: 1, yStep: 0.25}
	for i, bi := range []float64{0.5, 3, 20} {
		model := curve{name: fmt.Sprintf("Bi %v", bi), color: ink[i]}
		exact := curve{dashed: true, color: ink[i]}
		roots := biotRoots(bi, 40)
		crank(bi, func(fourier, left float64) {
			want := 0.0
			for _, b := range roots {
				want += 2 * bi * bi / (b * b * (b*b + bi*bi + bi)) * math.Exp(-b*b*fourier)
			}
			model.x, model.y = append(model.x, fourier), append(model.y, left)
			exact.x, exact.y = append(exact.x, fourier), append(exact.y, want)
		})
		p.curves = append(p.curves, model, exact)
	}
	return p
}

// extraction draws what TestMachineExtraction judges.
func extraction() panel {
	p := panel{title: "Extraction of the heat pump with its blower", below: "band: survey of heat-pump dryers, 1 to 4 kg/kWh (Perera and Rahman 1997)",
		xName: "relative humidity, %", yName: "kg/kWh", xMax: 100, xStep: 25, yMax: 6, yStep: 1, bandLow: 1, band: 4, keyLeft: true}
	for i, c := range []float64{27, 43, 49} {
		line := curve{name: fmt.Sprintf("%v C", c), color: ink[i]}
		for rh := 20.0; rh <= 96; rh += 4 {
			smer, _ := extract(c, rh/100, nominalCoil)
			line.x, line.y = append(line.x, rh), append(line.y, smer)
		}
		p.curves = append(p.curves, line)
	}
	return p
}

// The published 6 m3 kiln (University of Ljubljana, thesis 700, abstract): 50 mm oak 4481 kWh/m3 in 2617 h, spruce 533
// kWh/m3 in 333 h. Nothing is known of its fans, room and thicknesses, so what the model gives over a range of assumptions
// is reported and not judged. What can be said of it: the draw of its spruce run over the hours of its oak run.
func TestEnergyOfThePublishedKilnIsReported(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("half a year of simulated days")
	}
	for _, fans := range []float64{1500, 4500} {
		for _, c := range []struct {
			name      string
			lot       LotConfig
			rows      [][3]float64
			to        float64
			published float64
			hours     float64
		}{
			{"oak 50 mm", lot("white oak", 50, 6, 65, 1), oak84, 10, 4481, 2617},
			{"spruce 27 mm", lot("spruce", 27, 6, 80, 1), pine44, 10, 533, 333},
		} {
			config := DefaultConfig()
			config.Fans.Power = quantity.Watt(fans)
			k := newKiln(t, config, c.lot)
			d := driver{k: k, stages: stagesOf(c.rows), vent: true}
			days := d.dry(c.to, 150)
			perVolume := float64(k.Truth().Energy) / 3.6e6 / 6
			t.Logf("%-13s fans %.2f kW/m3: %4.0f h (published %4.0f), %4.0f kWh/m3 (published %4.0f)", c.name, fans/6000, 24*days, c.hours, perVolume, c.published)
			require.Positive(t, perVolume)
			checkBooks(t, k)
		}
	}
	predicted := 533.0 / 333 * 2617
	t.Logf("at the constant draw of the spruce run the oak run takes %.0f kWh/m3, published 4481 (%+.1f %%)", predicted, 100*(predicted/4481-1))
}

func drawPage(to *bytes.Buffer, panels []panel) {
	const w, h, columns = 470, 330, 3
	rows := (len(panels) + columns - 1) / columns
	fmt.Fprintf(to, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" font-family="sans-serif" font-size="12" fill="#222">`+"\n", w*columns, rows*h+50)
	fmt.Fprintf(to, `<rect width="100%%" height="100%%" fill="#fff"/><text x="20" y="30" font-size="18">The simulated kiln against what has been published</text>`+"\n")
	for i := range panels {
		fmt.Fprintf(to, `<g transform="translate(%d %d)">`, i%columns*w, 50+i/columns*h)
		panels[i].draw(to, w, h)
		fmt.Fprint(to, "</g>\n")
	}
	fmt.Fprint(to, "</svg>\n")
}

func (p *panel) draw(to *bytes.Buffer, w, h float64) {
	left, right, top, bottom := 62.0, w-18, 42.0, h-62
	px := func(v float64) float64 { return left + (right-left)*v/p.xMax }
	py := func(v float64) float64 { return bottom - (bottom-top)*v/p.yMax }
	fmt.Fprintf(to, `<text x="%.0f" y="24" font-size="13" font-weight="bold">%s</text>`, left, p.title)
	fmt.Fprintf(to, `<text x="%.0f" y="%.0f" font-size="11" fill="#666">%s</text>`, left, h-12, p.below)
	if p.band > 0 {
		fmt.Fprintf(to, `<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="#e8efe4"/>`, left, py(p.band), right-left, py(p.bandLow)-py(p.band))
	}
	for v := 0.0; v <= p.xMax*1.001; v += p.xStep {
		fmt.Fprintf(to, `<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="#ddd"/><text x="%.1f" y="%.1f" text-anchor="middle">%v</text>`, px(v), px(v), top, bottom, px(v), bottom+16, v)
	}
	for v := 0.0; v <= p.yMax*1.001; v += p.yStep {
		fmt.Fprintf(to, `<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="#ddd"/><text x="%.1f" y="%.1f" text-anchor="end">%v</text>`, left, right, py(v), py(v), left-6, py(v)+4, v)
	}
	fmt.Fprintf(to, `<text x="%.1f" y="%.1f" text-anchor="middle">%s</text>`, (left+right)/2, bottom+32, p.xName)
	fmt.Fprintf(to, `<text transform="translate(16 %.1f) rotate(-90)" text-anchor="middle">%s</text>`, (top+bottom)/2, p.yName)
	line, key := 0, right-150
	if p.keyLeft {
		key = left + 12
	}
	for _, c := range p.curves {
		dash := ""
		if c.dashed {
			dash = ` stroke-dasharray="5 4" opacity="0.8"`
		}
		fmt.Fprintf(to, `<polyline fill="none" stroke="%s" stroke-width="1.8"%s points="`, c.color, dash)
		for i := range c.x {
			if c.x[i] <= p.xMax*1.0001 {
				fmt.Fprintf(to, "%.1f,%.1f ", px(c.x[i]), py(min(c.y[i], p.yMax)))
			}
		}
		fmt.Fprint(to, `"/>`)
		if c.name != "" {
			y := top + 14 + 15*float64(line)
			fmt.Fprintf(to, `<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="%s" stroke-width="2"/><text x="%.1f" y="%.1f">%s</text>`, key, key+18, y-4, y-4, c.color, key+24, y, c.name)
			line++
		}
	}
	for _, m := range p.marks {
		if m.high > m.low {
			fmt.Fprintf(to, `<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="#a02020" stroke-width="3" opacity="0.5"/>`, px(m.low), px(m.high), py(m.y), py(m.y))
		}
		fmt.Fprintf(to, `<circle cx="%.1f" cy="%.1f" r="4.5" fill="#a02020"/>`, px(m.x), py(m.y))
		y := top + 14 + 15*float64(line)
		fmt.Fprintf(to, `<circle cx="%.1f" cy="%.1f" r="4" fill="#a02020"/><text x="%.1f" y="%.1f">%s</text>`, key+9, y-4, key+24, y, m.name)
		line++
	}
}
