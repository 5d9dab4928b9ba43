// Package controller decides: one pure Step from a snapshot to requested outputs, in the order in which the air meets
// it: estimate, schedule, demand, sequence.
//
// Everything between Snapshot and requested Outputs is deterministic in (State, Snapshot, commands): no clock, I/O,
// goroutine, log or allocation. Time enters as durations; State holds none but durations already earned, so that it can
// be stored and means the same after a restart.
//
// A stage change or an accepted command first becomes pending under a new generation; Result.Save asks the shell to make
// the state durable, and it is done and answered when a later Snapshot says that the generation is. What is lost on the
// way to the disk was never answered.
//
// Losing an input never asks for more: for a few seconds after the loss of any probe nothing rises, over the ride-through
// of at most a minute the last good air stands in and nothing rises, and then heat, compressor, spray and vents rest
// while the fans go on.
//
// It never imports safety, a driver, the simulated kiln, os, net or log; the gate stands behind it and may say no.
package controller
