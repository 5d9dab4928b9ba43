// Package trace is one tick of a kiln as flat data, and the file that holds many.
//
// It is what an independent judge reads: inputs, set points, stage, estimates, what was requested, what was applied,
// and events. Everything needed to judge a record (probe roles, fitted outputs, limits, stages, lots) stands in the
// Header by name, so that a reader needs no other package. Temperatures are Celsius, humidities ratios, moisture and EMC
// percent of oven-dry mass, masses kilogram, energies joule, times nanoseconds.
//
// The package is a leaf: standard library only.
package trace
