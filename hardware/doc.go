// Package hardware names what hangs on the kiln: probes, contacts, outputs, what was read, what was asked and what was
// applied. It holds nouns and two interfaces, no behaviour and no I/O.
//
// Every value is in the units of package quantity. Tables have fixed bounds and ids are indexes into them, so that a
// Snapshot is a plain value: copying it is a checkpoint. The zero value of each type is the safe one: a zero Quality is
// Absent, a zero Outputs is everything de-energised, which the wiring must make acceptable because a power cut gives it.
//
// The package may import quantity and mono, nothing else of the project.
package hardware
