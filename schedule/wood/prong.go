package wood

import (
	"fmt"
	"time"

	"drywarden/hardware/quantity"
)

// Bend is how the prongs of a stress section stand: a crosscut section cut away from the end, sawn into prongs through the
// thickness, the middle one removed.
type Bend uint8

// Bends.
const (
	Straight Bend = iota
	Inward        // the prongs touch or pinch
	Outward
	bendCount
)

var bendNames = [bendCount]string{"straight", "inward", "outward"}

// String gives the bend's name.
func (b Bend) String() string {
	if b < bendCount {
		return bendNames[b]
	}
	return fmt.Sprintf("unknown_%d", uint8(b))
}

// ParseBend reads the name that String gives.
func ParseBend(name string) (Bend, error) {
	for i, n := range bendNames {
		if n == name {
			return Bend(i), nil
		}
	}
	return 0, fmt.Errorf("prongs %q: expected straight, inward or outward", name)
}

// Stress is the verdict of a prong test.
type Stress uint8

// Verdicts.
const (
	StressFree Stress = iota
	Casehardened
	ReverseCasehardened
	GradientOnly // stress-free once the moisture in the section has evened out
	stressCount
)

var stressNames = [stressCount]string{"stress-free", "casehardened", "reverse casehardened", "moisture gradient only"}

// String gives the verdict in the trade's words.
func (s Stress) String() string {
	if s < stressCount {
		return stressNames[s]
	}
	return fmt.Sprintf("unknown_%d", uint8(s))
}

// JudgeProngs gives the verdict from the bend at once and after 12 to 24 h in the room (AH-188 ch. 6, from memory). The later
// look decides: until shell and core are within a point of moisture the prongs say little.
func JudgeProngs(atOnce, later Bend) (Stress, error) {
	if atOnce >= bendCount || later >= bendCount {
		return 0, fmt.Errorf("judge prongs: bends %v and %v, expected straight, inward or outward", atOnce, later)
	}
	switch {
	case later == Inward:
		return Casehardened, nil
	case later == Outward:
		return ReverseCasehardened, nil
	case atOnce != Straight:
		return GradientOnly, nil
	}
	return StressFree, nil
}

// Conditioning is advice, for a person to weigh: sections decide when it is done.
type Conditioning struct {
	Needed        bool
	EMC           quantity.MoistureContent // set point
	Shortest      time.Duration            // usual range of times
	Longest       time.Duration
	Advice        string
	SprayRequired bool // no kiln reaches this EMC in dry wood's own air without adding water
}

// ConditioningOffset gives how far above the target the EMC of conditioning lies: 4 points for hardwoods, 3 for softwoods
// (AH-188 ch. 7, from memory; an older printed table has one point less).
func ConditioningOffset(softwood bool) quantity.MoistureContent {
	if softwood {
		return 3
	}
	return 4
}

// AdviseConditioning turns a verdict into advice. Times: 4 to 8 h for easy 4/4, 16 to 24 h for other 4/4 hardwood, 24 to 48 h
// from 8/4 on, half of it for softwoods (AH-188 ch. 7 and common practice, from memory).
func AdviseConditioning(stress Stress, s *Species, thickness quantity.Meter, target quantity.MoistureContent) Conditioning {
	switch stress {
	case StressFree:
		return Conditioning{Advice: "no conditioning needed"}
	case GradientOnly:
		return Conditioning{Advice: "the moisture is uneven, the stress is gone: equalize, then cut another section"}
	case ReverseCasehardened:
		return Conditioning{Advice: "conditioned too long or too wet: it cannot be undone by more conditioning; re-dry gently and cut another section"}
	}
	c := Conditioning{Needed: true, EMC: target + ConditioningOffset(s.Softwood), SprayRequired: true}
	switch {
	case thickness > thick64:
		c.Shortest, c.Longest = 24*time.Hour, 48*time.Hour
	case s.Group == Easy:
		c.Shortest, c.Longest = 4*time.Hour, 8*time.Hour
	default:
		c.Shortest, c.Longest = 16*time.Hour, 24*time.Hour
	}
	if s.Softwood {
		c.Shortest, c.Longest = c.Shortest/2, c.Longest/2
	}
	c.Advice = fmt.Sprintf("equalize first, then hold an EMC of %v, as hot as the schedule allows, for %g to %g h; no spray on wood that has checked; cut sections before stopping",
		c.EMC, c.Shortest.Hours(), c.Longest.Hours())
	return c
}
