// Package estimate turns readings into what is believed of air and wood, with its uncertainty.
package estimate

// Config says how to read this kiln's probes.
type Config struct{}

// State is what the estimator remembers.
type State struct{}
