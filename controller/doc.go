// Package controller decides: one pure Step from a snapshot to requested outputs, in the order in which the air meets
// it: estimate, schedule, demand, sequence.
//
// Everything between Snapshot and requested Outputs is deterministic in (State, Snapshot, commands): no clock, I/O,
// goroutine, log or allocation. Time enters as durations; State holds none but durations already earned, so that it can
// be stored and means the same after a restart.
//
// It never imports safety, a driver, the simulated kiln, os, net or log; the gate stands behind it and may say no.
package controller
