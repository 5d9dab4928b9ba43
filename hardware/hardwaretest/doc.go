// Package hardwaretest is the one list of what everything that calls itself the kiln's hardware must do: the simulated kiln
// and the real board both pass it. Models of chips are in package chip below it.
//
// It is for tests only. It may import hardware and its leaves, and knows neither kiln.
package hardwaretest
