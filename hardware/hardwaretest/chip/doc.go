// Package chip holds models of the chips that hang on a kiln's buses: what they answer to a transfer, how long a
// conversion takes, what they hold after power-up, and how they fail.
//
// A model knows what its datasheet says, not what a driver does; it is written from the register descriptions, so that a
// driver and its model cannot agree on a mistake by sharing code. Models keep their own arithmetic and their own checksums
// for the same reason. They are for tests in one process, and for a virtual machine that puts them behind a bus of the
// kernel's. Time is that of a clock that they are given. All models are safe for use by several goroutines.
//
// The package may import the standard library and hardware/mono only.
package chip
