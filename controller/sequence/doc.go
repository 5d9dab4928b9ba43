// Package sequence turns demand into requested outputs: minimum rests, starts an hour, warning before fans start, fan
// reversal, proof of airflow, defrost.
//
// Its timers run on what was applied, not on what was asked, and start at their worst when a process starts. They keep a
// margin to what the gate enforces, so that in a run without faults nothing is ever refused. A safety switch-off is never
// delayed by a minimum time.
//
// Fans:
//
//	stopped --wanted--> warning (sounder) --> starting (group by group) --> running
//	running --due, compressor resting--> settling (no heat) --> coasting (all off) --> starting, the other way
//	any --not allowed, or switched off by the gate--> stopped
//
// The figures are common practice for small refrigeration machines and kiln fans, no source.
// The package may import demand and hardware; never a driver, the gate or a clock.
package sequence
