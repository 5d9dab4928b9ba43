// Package trace is one tick of a kiln as flat data, and the file that holds many.
//
// It is what an independent judge reads: inputs, set points, stage, estimates, what was requested, what was applied,
// and events. Everything needed to judge a record (probe roles, fitted outputs, limits, stages, lots) stands in the
// Header by name, so that a reader needs no other package. Temperatures are Celsius, humidities ratios, moisture and EMC
// percent of oven-dry mass, masses kilogram, energies joule, times nanoseconds.
//
// # File
//
// A file is a magic line and then blocks, each with its length and a CRC-32C (Castagnoli), so that a tail torn by a
// crash is told from a clean end and everything before it is read. A header is a block of JSON; it starts the coding
// afresh. Records are coded against a forecast made from the records before: a mask says which fields differ from their
// forecast, and only those follow. Blocks of records are deflated. Every float64 comes back bit by bit.
//
// Writer and Reader belong to one goroutine each. The package is a leaf: standard library only.
package trace
