// Package sheet reads TOML written by people, strictly: kiln files, charge sheets, schedule files.
//
// A file is read into a struct whose fields are quantity types, names and plain values. Every fault is found in one
// pass and reported with file, line, key, what was found and what was expected: syntax errors, keys defined twice,
// unknown keys (with the nearest known one), missing keys, wrong types, NaN and infinities, bare numbers where a unit
// belongs, values out of range. One bad value hides no other. Checks of meaning are added by the caller through Sheet.Fault,
// by the path of the key, and come out in the same list.
//
// A key's path is written as people count: "lot[2].target" is the target of the second [[lot]]. At builds such a path
// from an index.
//
// The package knows nothing of kilns. It may import the TOML library and nothing of the project.
package sheet
