package safety

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"drywarden/hardware"
	"drywarden/hardware/quantity"
)

// Plant is the limits and what is fitted, made ready for Step by Compile. It is read only.
type Plant struct {
	limits Limits
	fitted
	spare      spare
	fanCurrent quantity.Ampere // of a group at full speed, 0: not known
	probes     int
	dryBulbs   []hardware.ProbeID
	wetBulbs   []hardware.ProbeID
	bulbs      []hardware.ProbeID          // dry and wet
	humidity   []hardware.ProbeID          // wet bulbs and humidity probes
	air        []hardware.ProbeID          // dry bulbs and leaving air
	hot        []hardware.ProbeID          // whatever may not pass DryBulbMax
	powerOn    [hardware.MaxProbes]float64 // what each probe shows before it has measured; no number where that is not known
	heatPace   float64                     // credit of heat earned a second, see creditOf
	heatMost   time.Duration
	ventPace   float64
	ventMost   time.Duration
}

// fitted is which contacts and outputs there are.
type fitted struct {
	contacts hardware.ContactSet
	outputs  hardware.OutputSet
	readBack hardware.OutputSet
	current  hardware.OutputSet
	groups   int
}

// spare is the second copy of what a turned bit would make blind.
type spare struct {
	limits Limits
	fitted fitted
}

// Compile joins limits and layout. Its error lists every fault of both.
func Compile(limits Limits, layout *hardware.Layout) (*Plant, error) {
	faults := []error{limits.Validate()}
	for _, fault := range CheckLayout(layout) {
		faults = append(faults, errors.New(fault))
	}
	if layout.Outputs.Has(hardware.Compressor) && limits.CompressorAmbientMax == 0 {
		faults = append(faults, errors.New("limit compressor_ambient_max: not given; it stands on the unit's data plate and has no default"))
	}
	if err := errors.Join(faults...); err != nil {
		return nil, fmt.Errorf("prepare safety rules: %w", err)
	}
	p := &Plant{limits: limits, fanCurrent: layout.FanCurrent, probes: len(layout.Probes), fitted: fitted{contacts: layout.Contacts,
		outputs: layout.Outputs, readBack: layout.ReadBack & layout.Outputs, current: layout.Current & layout.Outputs, groups: layout.FanGroups}}
	p.spare = spare{p.limits, p.fitted}
	p.dryBulbs = layout.ByRole(hardware.RoleDryBulb)
	p.wetBulbs = layout.ByRole(hardware.RoleWetBulb)
	p.bulbs = slices.Concat(p.dryBulbs, p.wetBulbs)
	p.humidity = slices.Concat(p.wetBulbs, layout.ByRole(hardware.RoleHumidity))
	p.air = slices.Concat(p.dryBulbs, layout.ByRole(hardware.RoleLeavingAir))
	p.air = p.air[:min(len(p.air), maxAir)]
	for i, probe := range layout.Probes {
		switch probe.Role {
		case hardware.RoleHumidity, hardware.RoleOutdoorHumidity, hardware.RolePin, hardware.RoleLoadCell, hardware.RoleNone:
			p.powerOn[i] = math.NaN()
		default:
			p.powerOn[i] = powerOnValue + probe.Offset
		}
	}
	for _, role := range []hardware.Role{hardware.RoleDryBulb, hardware.RoleLeavingAir, hardware.RoleWetBulb, hardware.RoleCore} {
		p.hot = append(p.hot, layout.ByRole(role)...)
	}
	p.heatPace, p.heatMost = creditOf(limits.HeatDuty)
	p.ventPace, p.ventMost = creditOf(limits.VentDuty)
	return p, nil
}

// creditOf turns a duty in any hour into a pace at which credit is earned and the most that can be saved up: in an hour
// at most pace x 1 h + most = duty x 1 h are spent.
func creditOf(duty quantity.Ratio) (pace float64, most time.Duration) {
	return float64(duty) * 5 / 6, time.Duration(float64(duty) / 6 * float64(time.Hour))
}

// CheckLayout lists what a kiln must not be without, in words. Nil means that nothing is missing.
func CheckLayout(layout *hardware.Layout) []string {
	var faults []string
	need := func(ok bool, fault string) {
		if !ok {
			faults = append(faults, fault)
		}
	}
	contact := layout.Contacts.Has
	need(len(layout.Probes) <= hardware.MaxProbes, fmt.Sprintf("probes: found %d, expected at most %d", len(layout.Probes), hardware.MaxProbes))
	need(layout.FanGroups >= 0 && layout.FanGroups <= hardware.MaxFanGroups, fmt.Sprintf("fan groups: found %d, expected 0 to %d", layout.FanGroups, hardware.MaxFanGroups))
	for g := max(layout.FanGroups, 0); g < hardware.MaxFanGroups; g++ {
		need(!layout.Outputs.Has(hardware.FanForward(g)) && !layout.Outputs.Has(hardware.FanReverse(g)),
			fmt.Sprintf("fan group %d: outputs fitted, but only %d groups declared", g+1, layout.FanGroups))
	}
	need(len(layout.ByRole(hardware.RoleDryBulb)) > 0, "no dry-bulb probe fitted: every kiln needs one, one that heats needs two")
	need(len(layout.ByRole(hardware.RoleWetBulb))+len(layout.ByRole(hardware.RoleHumidity)) > 0, "no wet-bulb or humidity probe fitted")
	need(contact(hardware.ContactEStop), "no emergency-stop contact fitted")
	need(contact(hardware.ContactHighLimit), "no contact of the hard-wired temperature limit fitted")
	need(contact(hardware.ContactDoor), "no door contact fitted")
	need(contact(hardware.ContactPanelReset), "no panel reset contact fitted: nothing else can clear a latched trip")
	need(layout.Outputs&hardware.AllFans == 0 || layout.Outputs.Has(hardware.Sounder), "no sounder fitted, but fans are: nothing would warn before they start")
	if layout.Outputs&hardware.AllHeat != 0 || layout.Outputs.Has(hardware.Compressor) {
		need(contact(hardware.ContactAirflow), "no airflow proof fitted, but heat or a compressor is")
		need(layout.Outputs&hardware.AllFans != 0, "no fan fitted, but heat or a compressor is")
	}
	return faults
}

// Missing is a rule that cannot judge because what it looks at is not fitted.
type Missing struct {
	Rule  hardware.RuleID
	Name  string
	Needs string // in words
}

// Unjudged lists the rules whose input is not fitted though what they protect is, in order of severity.
func Unjudged(layout *hardware.Layout) []Missing {
	var missing []Missing
	for i := range table {
		row := &table[i]
		if row.needs != nil {
			if needs := row.needs(layout); needs != "" {
				missing = append(missing, Missing{row.id, row.name, needs})
			}
		}
	}
	return missing
}

func needsContact(c hardware.ContactID, words string) func(*hardware.Layout) string {
	return func(l *hardware.Layout) string {
		if l.Contacts.Has(c) {
			return ""
		}
		return words
	}
}

// needsContactFor is for a contact that matters only where one of the outputs is fitted.
func needsContactFor(outputs hardware.OutputSet, c hardware.ContactID, words string) func(*hardware.Layout) string {
	return func(l *hardware.Layout) string {
		if l.Contacts.Has(c) || l.Outputs&outputs == 0 {
			return ""
		}
		return words
	}
}

// needsTwoAir is for a rule that believes the air only where two probes see it.
func needsTwoAir(l *hardware.Layout) string {
	if len(l.ByRole(hardware.RoleDryBulb))+len(l.ByRole(hardware.RoleLeavingAir)) >= 2 {
		return ""
	}
	return "a second probe of the air"
}

func needsVentEnds(l *hardware.Layout) string {
	if !l.Outputs.Has(hardware.Vent) || l.Contacts.Has(hardware.ContactVentOpen) || l.Contacts.Has(hardware.ContactVentShut) {
		return ""
	}
	return "end switches of the vents"
}

// needsSense is for a rule that wants each of the outputs, where fitted, read back or its current measured.
func needsSense(outputs hardware.OutputSet) func(*hardware.Layout) string {
	return func(l *hardware.Layout) string {
		return listed("read-back or current of", l.Outputs&outputs&^(l.ReadBack|l.Current))
	}
}

// needsFanCurrent is for a rule that must know what a fan draws when all is well.
func needsFanCurrent(l *hardware.Layout) string {
	missing := l.Outputs & hardware.AllFans &^ l.Current
	if missing == 0 && l.Outputs&hardware.AllFans != 0 && l.FanCurrent == 0 {
		return "the current of a fan group at full speed"
	}
	return listed("current of", missing)
}

// needsReadBack is for a rule for which a current will not do.
func needsReadBack(outputs hardware.OutputSet) func(*hardware.Layout) string {
	return func(l *hardware.Layout) string { return listed("read-back of", l.Outputs&outputs&^l.ReadBack) }
}

func listed(words string, outputs hardware.OutputSet) string {
	if outputs == 0 {
		return ""
	}
	return words + " " + strings.Join(outputNames(outputs), ", ")
}
