package library

import (
	"fmt"

	"drywarden/hardware/quantity"
	"drywarden/schedule/wood"
)

// Setting is one state of the air, in every way in which a kiln may be set to it.
type Setting struct {
	DryBulb    quantity.Celsius
	EMC        quantity.MoistureContent
	RH         quantity.Ratio
	Depression quantity.CelsiusDelta
}

// SettingFor gives the air of an EMC at a dry bulb and station pressure. The error says when no such air exists or the
// sorption equation does not hold there.
func SettingFor(db quantity.Celsius, emc quantity.MoistureContent, p quantity.Pascal) (Setting, error) {
	rh := wood.RHForEMC(db, emc)
	if err := wood.CheckEMC(db, rh); err != nil {
		return Setting{}, fmt.Errorf("set an EMC of %v: %w", emc, err)
	}
	wb := wood.WetBulb(db, rh, p)
	if !quantity.Finite(float64(wb)) {
		return Setting{}, fmt.Errorf("set an EMC of %v at %v: no such air at %v", emc, db, p)
	}
	return Setting{DryBulb: db, EMC: emc, RH: rh, Depression: db.Sub(wb)}, nil
}

// EqualizeRule is the handbook's rule of equalizing, in moistures: begin when the driest sample is at StartDriest, hold EMC,
// end when the wettest is at EndWettest.
type EqualizeRule struct {
	StartDriest, EMC, EndWettest quantity.MoistureContent
}

// LiteralEqualize gives the handbook's rule for a target: 2 points under it for hardwoods, 3 for softwoods and low grades
// (AH-188 ch. 7; confirmed in Wengert's text on equalizing oak). Its target is the wettest board: the mean ends 1 to 1.5
// points below.
func LiteralEqualize(target quantity.MoistureContent, softwood bool) EqualizeRule {
	under := quantity.MoistureContent(2)
	if softwood {
		under = 3
	}
	return EqualizeRule{StartDriest: target - under, EMC: target - under, EndWettest: target}
}

// ConditionEMC gives the EMC of conditioning: 4 points over the target for hardwoods, 3 for softwoods (AH-188 ch. 7, from
// memory).
func ConditionEMC(target quantity.MoistureContent, softwood bool) quantity.MoistureContent {
	return target + wood.ConditioningOffset(softwood)
}

// MaxGrades is how far Variant goes to either side.
const MaxGrades = 3

// Variant gives the code that is so many grades hotter (positive) or milder (negative): a grade is one number of the
// depression table and two of the temperature table, whose odd and even numbers differ in the last step only (common
// practice, no source). note says where a table ended before the
// grades did. The error says what is wrong with the code or the grades.
func Variant(code string, grades int) (variant, note string, err error) {
	published, err := Literal(code)
	if err != nil {
		return "", "", err
	}
	if grades < -MaxGrades || grades > MaxGrades {
		return "", "", fmt.Errorf("variant of %s: %+d grades, expected %d to %+d", published.Code, grades, -MaxGrades, MaxGrades)
	}
	var t, d int
	var class byte
	if _, err := fmt.Sscanf(published.Code, "T%d-%c%d", &t, &class, &d); err != nil {
		return "", "", fmt.Errorf("read schedule code %s: %w", published.Code, err)
	}
	wantT, wantD := t+2*grades, d+grades
	t, d = min(max(wantT, 1), 14), min(max(wantD, 1), 8)
	if t != wantT || d != wantD {
		note = fmt.Sprintf("the tables end at T%d and depression %d: less than %+d grades from %s", t, d, grades, published.Code)
	}
	return fmt.Sprintf("T%d-%c%d", t, class, d), note, nil
}
