package wood

import (
	"time"

	"drywarden/hardware/quantity"
)

// Exposure is a heat treatment: what the core has to stand, and for how long. What is recorded is an exposure, never a
// certificate: only the authority named in the local rules can give that.
type Exposure struct {
	Name     string
	Core     quantity.Celsius // least, throughout the wood
	DryBulb  bool             // Core is the least dry bulb of the air instead
	Time     time.Duration
	Unbroken bool // a dip starts the count again; else it pauses
	Official bool // of a public rule
	Source   string
	Caution  string
}

// Exposures gives the rules known here, each with its source.
func Exposures() []Exposure {
	return []Exposure{
		{Name: "ispm15", Core: 56, Time: 30 * time.Minute, Unbroken: true, Official: true,
			Source:  "FAO ISPM 15; Wood Handbook FPL-GTR-190 ch. 20 (confirmed)",
			Caution: "throughout the wood, core included; number and place of probes by the rules of the local authority"},
		{Name: "firewood", Core: 60, Time: time.Hour, Unbroken: true, Official: true,
			Source:  "USDA APHIS Treatment Manual, schedule T314-a (from memory)",
			Caution: "check the manual in force"},
		{Name: "insect", Core: 60, Time: 2 * time.Hour,
			Source:  "common practice, no source; 56 C for 30 min kills most (Wood Handbook FPL-GTR-190 ch. 14), powder-post beetles with exceptions",
			Caution: "a private plan; no published time and temperature covers every beetle"},
		{Name: "pitch", Core: 71.1, DryBulb: true, Time: 24 * time.Hour,
			Source:  "Simpson (ed.) 1991, Dry Kiln Operator's Manual, AH-188, ch. 7: 160 F for about 24 h in 4/4, longer when thicker (from memory)",
			Caution: "sets only up to the temperature reached: cooler is partial, and resin softens again above it"},
	}
}
