// Package demand turns set points and conditions into what is wanted of the machines: dry, heat, vent, spray, air.
package demand

// Config holds bands and limits.
type Config struct{}

// State is what demand remembers.
type State struct{}

// Demand is what is wanted now.
type Demand struct{}
