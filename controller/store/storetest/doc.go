// Package storetest is a file system in memory that forgets what was not synced, for tests that cut the power.
//
// It is as unkind as a real disk may be: of a file written and not synced any sector may be old, new or zero, and the
// length may be either; a name changed and not synced may stand for the old or the new file. With Reordered set, names
// persist independently of each other, as no journalling file system does; without it in the order of the calls. It is
// driven by draws that the test hands in, so that a seed repeats everything. It is for one goroutine.
package storetest
