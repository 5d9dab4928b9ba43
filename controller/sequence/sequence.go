// Package sequence turns demand into requested outputs: minimum rests, starts an hour, fan reversal, defrost.
package sequence

// Config holds the machines' timings.
type Config struct{}

// State is what the sequencer remembers.
type State struct{}
