// Package demand turns set points and conditions into what is wanted of the machines: dry, heat, vent, spray, air.
//
// It knows bands and priorities, no minimum rests: those are package sequence's. It wants never spray and the compressor
// together, and never heat and vent together but in the vent-dry mode, which has its own conditions. When an input is
// lost it wants less, never more: with conditions held over a short gap nothing rises, with none it wants fans only.
//
// Temperatures are in Celsius, EMC and moisture in percent of oven-dry mass. The bands are common practice, no source.
// The package may import schedule and hardware's leaves; never a driver, the gate or a clock.
package demand
