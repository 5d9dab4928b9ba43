package chart

import (
	"bytes"
	"fmt"
	"html"
	"io"
	"math"
	"strconv"
	"strings"
)

// Legend names what the numbers of the ticks mean.
type Legend struct {
	Title      string // first line
	Subtitle   string // second line
	Fahrenheit bool   // temperature scale of the picture
	Lots       []LotLegend
	Outputs    []OutputLegend // rows of the actuator panel, from the top
}

// LotLegend names one lot. Its index is that in Tick.Lots.
type LotLegend struct {
	Name   string
	Target float64 // percent
}

// OutputLegend is one row: on when any output of Bits is on.
type OutputLegend struct {
	Name string
	Bit  uint8
}

const (
	pictureWidth = 1240.0
	left, right  = 104.0, 190.0
	plotWidth    = pictureWidth - left - right
	gap          = 34.0
)

// Okabe and Ito 2008, without yellow, which is too pale for a line on white.
var lotColours = [MaxLots]string{"#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00"}

const (
	ink, grey, pale     = "#222222", "#767676", "#e3e3e3"
	airColour, setTrack = "#0072b2", "#d55e00"
)

type drawing struct {
	bytes.Buffer
	r *Recorder
}

// number writes at most two decimals; adding 0 takes the sign off a negative zero.
func number(v float64) string { return strconv.FormatFloat(math.Round(v*100)/100+0, 'f', -1, 64) }

func (d *drawing) x(days float64) float64 {
	return left + plotWidth*days/math.Max(d.r.Days(), 1e-9)
}

func (d *drawing) text(x, y float64, anchor, colour string, size int, s string) {
	fmt.Fprintf(d, `<text x="%s" y="%s" text-anchor="%s" fill="%s" font-size="%d">%s</text>`+"\n",
		number(x), number(y), anchor, colour, size, html.EscapeString(s))
}

func (d *drawing) line(x1, y1, x2, y2 float64, style string) {
	fmt.Fprintf(d, `<line x1="%s" y1="%s" x2="%s" y2="%s" %s/>`+"\n", number(x1), number(y1), number(x2), number(y2), style)
}

// panel is one stretch of the picture with its own scale.
type panel struct {
	top, height float64
	min, max    float64
}

func (p panel) y(v float64) float64 {
	v = math.Min(math.Max(v, p.min), p.max)
	return p.top + p.height*(p.max-v)/(p.max-p.min)
}

// step gives a round distance between about n marks.
func step(width float64, n int) float64 {
	if width <= 0 {
		return 1
	}
	raw := width / float64(n)
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 5} {
		if raw <= m*power {
			return m * power
		}
	}
	return 10 * power
}

// frame draws a panel's scale, title and grid.
func (d *drawing) frame(p panel, title string) {
	d.text(left, p.top-8, "start", ink, 13, title)
	each := step(p.max-p.min, 5)
	for v := math.Ceil(p.min/each-1e-9) * each; v <= p.max+each*1e-9; v += each {
		d.line(left, p.y(v), left+plotWidth, p.y(v), `stroke="`+pale+`"`)
		d.text(left-8, p.y(v)+4, "end", grey, 12, number(v))
	}
	d.grid(p)
}

func (d *drawing) grid(p panel) {
	days := d.r.Days()
	each := step(days, 12)
	for v := 0.0; v <= days+1e-9; v += each {
		d.line(d.x(v), p.top, d.x(v), p.top+p.height, `stroke="`+pale+`"`)
	}
	fmt.Fprintf(d, `<rect x="%s" y="%s" width="%s" height="%s" fill="none" stroke="%s"/>`+"\n",
		number(left), number(p.top), number(plotWidth), number(p.height), grey)
}

// curve draws values over the bins, broken where there are none.
func (d *drawing) curve(p panel, colour, dash string, width float64, value func(*bin) (float64, bool)) {
	var path bytes.Buffer
	pen := "M"
	for i := range d.r.bins {
		v, ok := value(&d.r.bins[i])
		if !ok {
			pen = "M"
			continue
		}
		fmt.Fprintf(&path, "%s%s %s", pen, number(d.x(d.r.days(i))), number(p.y(v)))
		pen = "L"
	}
	if path.Len() > 0 {
		fmt.Fprintf(d, `<path d="%s" fill="none" stroke="%s" stroke-width="%s" stroke-linejoin="round"%s/>`+"\n", path.Bytes(), colour, number(width), dash)
	}
}

const dashed = ` stroke-dasharray="5 3"`

// key writes the legend to the right of a panel.
type key struct{ text, colour, dash string }

func (d *drawing) keys(p panel, keys ...key) {
	for i, k := range keys {
		y := p.top + 12 + float64(i)*19
		d.line(left+plotWidth+12, y, left+plotWidth+38, y, `stroke="`+k.colour+`" stroke-width="2.5"`+k.dash)
		d.text(left+plotWidth+44, y+4, "start", ink, 12, k.text)
	}
}

// span finds a scale that shows every value and some room, on round numbers.
func (d *drawing) scale(low, high float64, values ...func(*bin) (float64, bool)) (float64, float64) {
	lowest, highest := math.Inf(1), math.Inf(-1)
	for i := range d.r.bins {
		for _, value := range values {
			if v, ok := value(&d.r.bins[i]); ok {
				lowest, highest = math.Min(lowest, v), math.Max(highest, v)
			}
		}
	}
	if lowest > highest {
		return low, high
	}
	each := step(highest-lowest, 5)
	lowest, highest = math.Floor(lowest/each)*each, math.Ceil(highest/each)*each
	if highest <= lowest {
		highest = lowest + 1
	}
	return lowest, highest
}

// SVG writes the picture.
func (r *Recorder) SVG(w io.Writer, legend Legend) error {
	d := &drawing{r: r}
	temperature, degrees := func(c float64) float64 { return c }, "°C"
	if legend.Fahrenheit {
		temperature, degrees = func(c float64) float64 { return c*1.8 + 32 }, "°F"
	}
	const rowHeight = 26.0
	strip := panel{top: 84, height: 24}
	moisture := panel{top: strip.top + strip.height + gap, height: 250}
	air := panel{top: moisture.top + moisture.height + gap, height: 150}
	emc := panel{top: air.top + air.height + gap, height: 150}
	rate := panel{top: emc.top + emc.height + gap, height: 90}
	rows := panel{top: rate.top + rate.height + gap, height: rowHeight * float64(len(legend.Outputs)), max: 1}
	height := rows.top + rows.height + 54

	fmt.Fprintf(d, `<svg xmlns="http://www.w3.org/2000/svg" width="%s" height="%s" viewBox="0 0 %[1]s %[2]s" font-family="sans-serif">`+"\n", number(pictureWidth), number(height))
	fmt.Fprintf(d, "<title>%s</title>\n", html.EscapeString(legend.Title))
	fmt.Fprintf(d, `<rect width="100%%" height="100%%" fill="#ffffff"/>`+"\n")
	d.text(left, 28, "start", ink, 19, legend.Title)
	d.text(left, 50, "start", grey, 13, legend.Subtitle)

	d.stages(strip)

	var estimates []func(*bin) (float64, bool)
	for i := range legend.Lots {
		estimates = append(estimates, func(b *bin) (float64, bool) { return b.estimate[i].value() }, func(b *bin) (float64, bool) { return b.truth[i].value() })
	}
	_, moisture.max = d.scale(0, 100, estimates...)
	d.frame(moisture, "Moisture of each lot, mean, % of oven-dry mass")
	var keys []key
	for i, lot := range legend.Lots {
		d.line(left, moisture.y(lot.Target), left+plotWidth, moisture.y(lot.Target), `stroke="`+lotColours[i]+`" stroke-width="0.8" stroke-dasharray="1 3"`)
		d.curve(moisture, lotColours[i], "", 2.2, func(b *bin) (float64, bool) { return b.estimate[i].value() })
		d.curve(moisture, ink, ` stroke-dasharray="2 3"`, 1.2, func(b *bin) (float64, bool) { return b.truth[i].value() })
		keys = append(keys, key{lot.Name, lotColours[i], ""})
	}
	keys = append(keys, key{"truth (simulated)", ink, ` stroke-dasharray="2 3"`})
	if len(legend.Lots) > 0 {
		keys = append(keys, key{"target", grey, ` stroke-dasharray="1 3"`})
	}
	d.keys(moisture, keys...)

	dryBulb := func(b *bin) (float64, bool) { v, ok := b.dryBulb.value(); return temperature(v), ok }
	setDryBulb := func(b *bin) (float64, bool) { v, ok := b.setDryBulb.value(); return temperature(v), ok }
	air.min, air.max = d.scale(0, 60, dryBulb, setDryBulb)
	d.frame(air, "Dry bulb, "+degrees)
	d.curve(air, airColour, "", 1.6, dryBulb)
	d.curve(air, setTrack, dashed, 1.4, setDryBulb)
	d.keys(air, key{"dry bulb", airColour, ""}, key{"set point", setTrack, dashed})

	airEMC := func(b *bin) (float64, bool) { return b.emc.value() }
	setEMC := func(b *bin) (float64, bool) { return b.setEMC.value() }
	_, emc.max = d.scale(0, 20, airEMC, setEMC)
	d.frame(emc, "EMC of the air, %")
	d.curve(emc, airColour, "", 1.6, airEMC)
	d.curve(emc, setTrack, dashed, 1.4, setEMC)
	d.keys(emc, key{"EMC", airColour, ""}, key{"set point", setTrack, dashed})

	rate.max = 1.6
	d.frame(rate, "Drying rate of the fastest lot over its safe rate (1 is the limit)")
	d.line(left, rate.y(1), left+plotWidth, rate.y(1), `stroke="`+setTrack+`" stroke-width="1.2"`+dashed)
	d.curve(rate, airColour, "", 1.6, func(b *bin) (float64, bool) { return b.rated.value() })
	d.keys(rate, key{"rate / limit", airColour, ""}, key{"safe rate", setTrack, dashed})

	d.actuators(rows, rowHeight, legend.Outputs)
	d.axis(rows.top + rows.height)
	d.WriteString("</svg>\n")
	_, err := w.Write(d.Bytes())
	return err
}

// stages draws the strip of stages; a name that does not fit is left to the tool tip.
func (d *drawing) stages(p panel) {
	d.text(left, p.top-7, "start", ink, 13, "Stage")
	for i, s := range d.r.spans {
		from, to := d.x(s.from.Hours()/24), d.x(s.to.Hours()/24)
		fill := "#eef3f7"
		if i%2 == 1 {
			fill = "#d9e4ec"
		}
		fmt.Fprintf(d, `<rect x="%s" y="%s" width="%s" height="%s" fill="%s"><title>%s</title></rect>`+"\n",
			number(from), number(p.top), number(to-from), number(p.height), fill, html.EscapeString(s.name))
		fits := func(name string) bool { return to-from > 7*float64(len(name)) }
		name := s.name
		if _, short, ok := strings.Cut(name, " from "); ok && !fits(name) {
			name = short // "dry from 35 %" among its like is told by its figure
		}
		if fits(name) {
			d.text((from+to)/2, p.top+16, "middle", ink, 12, name)
		}
	}
	fmt.Fprintf(d, `<rect x="%s" y="%s" width="%s" height="%s" fill="none" stroke="%s"/>`+"\n",
		number(left), number(p.top), number(plotWidth), number(p.height), grey)
}

// actuators draws one bar a row and bin: its height is the share of the time that the output was on.
func (d *drawing) actuators(p panel, rowHeight float64, outputs []OutputLegend) {
	d.text(left, p.top-8, "start", ink, 13, "Actuators: height is the share of the time on")
	d.grid(p)
	for row, o := range outputs {
		base := p.top + rowHeight*float64(row+1)
		d.line(left, base, left+plotWidth, base, `stroke="`+pale+`"`)
		d.text(left-8, base-8, "end", ink, 12, o.Name)
		total := 0
		var path bytes.Buffer
		for i := range d.r.bins {
			b := &d.r.bins[i]
			total += b.on[o.Bit]
			if b.on[o.Bit] == 0 {
				continue
			}
			from := float64(i*d.r.width) * d.r.Interval.Hours() / 24
			to := from + float64(b.ticks)*d.r.Interval.Hours()/24
			share := float64(b.on[o.Bit]) / float64(b.ticks)
			fmt.Fprintf(&path, "M%s %sV%sH%sV%sZ", number(d.x(from)), number(base), number(base-share*(rowHeight-5)), number(d.x(to)), number(base))
		}
		if path.Len() > 0 {
			fmt.Fprintf(d, `<path d="%s" fill="#5a7a94"/>`+"\n", path.Bytes())
		}
		share := 0.0
		if d.r.ticks > 0 {
			share = 100 * float64(total) / float64(d.r.ticks)
		}
		d.text(left+plotWidth+12, base-8, "start", grey, 12, "on "+strconv.FormatFloat(share, 'f', 1, 64)+" % of the time")
	}
}

func (d *drawing) axis(y float64) {
	days := d.r.Days()
	each := step(days, 12)
	for v := 0.0; v <= days+1e-9; v += each {
		d.text(d.x(v), y+18, "middle", grey, 12, number(v))
	}
	d.text(left+plotWidth/2, y+40, "middle", ink, 13, "days since the start")
}
