package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

func (a *app) heatTimeCommand() *cobra.Command {
	var (
		h     heating
		where station
		file  string
	)
	cmd := &cobra.Command{
		Use:   "heat-time",
		Short: "Calculate how long heat takes to reach the core of a board",
		Long: `heat-time gives the time until the middle of a board or timber has a
temperature. Sizes are the actual ones. The wet bulb must be above the core
temperature that is wanted: wood that can still give off water comes to rest at
the wet bulb.

Ponderosa pine squares of 4 to 10 in nominal (dressed: half an inch less), from
40 to 60 F to 133 F in a kiln at 160 F and a depression of 2 to 12 Fd,
stickered: the published regression (Wood Handbook FPL-GTR-190 table 20-8).
Anything else: transient conduction in two dimensions, within 25 % of that
table when the wood is taken to be at 25 % moisture. From 3 in on it counts the
slow coming up of the kiln as the table's timbers show it; thinner boards meet
hot air at once unless --come-up says otherwise.

The exposure begins when the core is there. It is measured, never calculated,
and nothing here certifies a treatment.

JSON: minutes, method, source, bound_99_minutes (of the published method),
conduction_minutes, come_up_minutes, notes.`,
		Example: `  drywarden heat-time --species "pine, ponderosa" --thickness 3.5in \
    --width 3.5in --mc 40% --initial 50F --dry-bulb 160F --wet-bulb 150F \
    --core 133F`,
		Args: cobra.NoArgs,
	}
	in := &inputs{cmd: cmd}
	f := cmd.Flags()
	f.StringVar(&h.name, "species", "", "`name` of the species, see wood species")
	in.add(&h.thickness, "thickness", "actual thickness, a `length` like 3.5in, 52mm or a nominal 8/4 as sawn")
	in.add(&h.width, "width", "actual width, a `length`")
	in.add(&h.moisture, "mc", "moisture `content`, like \"40 %\"")
	in.add(&h.initial, "initial", "`temperature` of the wood at the start")
	in.add(&h.dryBulb, "dry-bulb", "dry-bulb `temperature` of the kiln")
	in.add(&h.wetBulb, "wet-bulb", "wet-bulb `temperature` of the kiln")
	in.add(&h.core, "core", "`temperature` wanted in the middle")
	in.add(&h.comeUp, "come-up", "time `constant` with which the kiln comes up, like \"40 min\"")
	where.flags(in)
	speciesFileFlag(cmd, &file)
	cmd.RunE = act(func(*cobra.Command, []string) error {
		if err := in.read("species", "thickness", "width", "mc", "initial", "dry-bulb", "wet-bulb", "core"); err != nil {
			return err
		}
		table, err := speciesTable(file)
		if err != nil {
			return err
		}
		if h.species, err = table.Lookup(h.name); err != nil {
			return wrong(err)
		}
		if h.pressure, err = where.at(in, wood.StandardPressure); err != nil {
			return err
		}
		h.comeUpGiven = in.given("come-up")
		told, err := h.solve()
		if err != nil {
			return wrong(err)
		}
		return a.printHeating(&h, told)
	})
	return cmd
}

// heating is a question to heat-time.
type heating struct {
	name                            string
	species                         *wood.Species
	thickness, width                quantity.Meter
	moisture                        quantity.MoistureContent
	initial, dryBulb, wetBulb, core quantity.Celsius
	comeUp                          quantity.Duration
	comeUpGiven                     bool
	pressure                        quantity.Pascal
}

// heatJSON is what heat-time --json gives.
type heatJSON struct {
	Minutes    float64  `json:"minutes"`
	Method     string   `json:"method"`
	Source     string   `json:"source"`
	Bound99    *float64 `json:"bound_99_minutes"`
	Conduction float64  `json:"conduction_minutes"`
	ComeUp     float64  `json:"come_up_minutes"`
	Notes      []string `json:"notes"`
}

const (
	methodPublished  = "published regression"
	methodConduction = "conduction"

	timber quantity.Meter = 3 * 0.0254 // from here on timbers, which go into the kiln before it is hot

	dressing quantity.Meter = 0.5 * 0.0254 // nominal less dressed size of squares (American Softwood Lumber Standard PS 20, from memory)
)

func (h *heating) solve() (heatJSON, error) {
	if err := h.species.CheckMoisture(h.moisture); err != nil {
		return heatJSON{}, err
	}
	if h.wetBulb > h.dryBulb {
		return heatJSON{}, fmt.Errorf("wet bulb %s is above the dry bulb %s: no such air; are the two changed round?", bothTemperatures(h.wetBulb), bothTemperatures(h.dryBulb))
	}
	if rh := wood.RHFromWetBulb(h.dryBulb, h.wetBulb, h.pressure); !(rh >= 0) {
		return heatJSON{}, fmt.Errorf("wet bulb %s with a dry bulb of %s: no such air at %.0f hPa", bothTemperatures(h.wetBulb), bothTemperatures(h.dryBulb), float64(h.pressure)/100)
	}
	comeUp := h.comeUp.Std()
	if !h.comeUpGiven && min(h.thickness, h.width) >= timber {
		comeUp = wood.TimberComeUp(h.dryBulb.Sub(h.wetBulb))
	}
	conduction, err := wood.CoreTime(wood.Section{Thickness: h.thickness, Width: h.width, Gravity: h.species.GravityAt(h.moisture), Moisture: h.moisture,
		Initial: h.initial, DryBulb: h.dryBulb, WetBulb: h.wetBulb, Core: h.core, ComeUp: comeUp, Pressure: h.pressure})
	if err != nil {
		return heatJSON{}, err
	}
	t := heatJSON{Minutes: conduction.Minutes(), Method: methodConduction, Conduction: conduction.Minutes(), ComeUp: math.Round(comeUp.Seconds()) / 60,
		Source: "transient conduction, properties of the Wood Handbook FPL-GTR-190 ch. 4; an estimate, within 25 % of its table 20-8 at 25 % moisture", Notes: []string{}}
	if published, ok := h.published(&t); ok {
		t.Minutes, t.Method = published.Minutes(), methodPublished
		t.Source = "Wood Handbook FPL-GTR-190 table 20-8 (Simpson, Wang and Verrill 2003, FPL-RP-607)"
		bound := wood.PublishedBound99 * t.Minutes
		t.Bound99 = &bound
		t.note("the square is taken as %s in nominal, half an inch over the actual size; the table gives no moisture", plain(float64(h.thickness+dressing)/0.0254, 2))
	}
	h.advise(&t)
	return t, nil
}

// published gives the published time where the table holds; for a ponderosa pine square outside its range a note says why
// it does not.
func (h *heating) published(t *heatJSON) (time.Duration, bool) {
	const millimeter, degree = 0.001, 0.5 / 1.8
	square := math.Abs(float64(h.thickness-h.width)) < millimeter
	if h.species.Name != "pine, ponderosa" || !square || h.comeUpGiven {
		return 0, false
	}
	if math.Abs(float64(h.dryBulb-quantity.FromFahrenheit(160))) > degree || math.Abs(float64(h.core-quantity.FromFahrenheit(133))) > degree {
		t.note("not the published table: it holds for 133 F (56.1 C) in the core and a kiln at 160 F (71.1 C)")
		return 0, false
	}
	published, err := wood.PublishedCoreTime(h.thickness+dressing, h.dryBulb.Sub(h.wetBulb), h.initial)
	if err != nil {
		t.note("not the published table: %s", strings.TrimPrefix(oneLine(err), "published heating time: "))
		return 0, false
	}
	return published, true
}

func (h *heating) advise(t *heatJSON) {
	if h.initial >= h.core {
		t.note("the wood is at the core temperature already")
	}
	if h.wetBulb <= h.core {
		t.note("the wet bulb %s is not above the core temperature %s: any wood that still gives off water will take far longer than this, or never get there", bothTemperatures(h.wetBulb), bothTemperatures(h.core))
	}
	if h.initial < 0 && h.moisture > wood.FiberSaturation {
		t.note("the wood is frozen: the heat that melts its water is not counted, so it takes longer than this, green wood much longer")
	}
	if t.Method == methodConduction && t.ComeUp > 0 {
		t.note("the kiln is taken to come up with a time constant of %s min (--come-up)", plain(t.ComeUp, 0))
	}
	if h.moisture > 25 && t.Method == methodConduction {
		t.note("the conductivity of wood above 25 %% moisture is an extrapolation")
	}
	t.note("to reach the temperature only; the exposure begins there and is measured with probes in the largest pieces")
}

func (t *heatJSON) note(format string, args ...any) {
	t.Notes = append(t.Notes, fmt.Sprintf(format, args...))
}

func (a *app) printHeating(h *heating, t heatJSON) error {
	if a.json {
		return a.print(t)
	}
	w := a.columnsOf()
	fmt.Fprintf(w, "wood\t%s, %s x %s\n", h.species.Name, bothLengths(h.thickness), bothLengths(h.width))
	fmt.Fprintf(w, "at\t%s %% moisture, from %s to %s in the core\n", plain(float64(h.moisture), 1), bothTemperatures(h.initial), bothTemperatures(h.core))
	fmt.Fprintf(w, "air\tdry bulb %s, wet bulb %s\n", bothTemperatures(h.dryBulb), bothTemperatures(h.wetBulb))
	fmt.Fprintf(w, "time\t%s (%s min)\n", hoursAndMinutes(t.Minutes), plain(t.Minutes, 0))
	fmt.Fprintf(w, "by\t%s\n", t.Method)
	if t.Bound99 != nil {
		fmt.Fprintf(w, "99 %% of timbers\tby %s (%s min)\n", hoursAndMinutes(*t.Bound99), plain(*t.Bound99, 0))
		fmt.Fprintf(w, "conduction says\t%s (%s min)\n", hoursAndMinutes(t.Conduction), plain(t.Conduction, 0))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if _, err := fmt.Fprint(a.out, wrap("source: ", t.Source, "  ")); err != nil {
		return err
	}
	return a.notes(t.Notes)
}

func hoursAndMinutes(minutes float64) string {
	n := int(math.Round(minutes))
	switch {
	case n < 60:
		return fmt.Sprintf("%d min", n)
	case n%60 == 0:
		return fmt.Sprintf("%d h", n/60)
	}
	return fmt.Sprintf("%d h %d min", n/60, n%60)
}
