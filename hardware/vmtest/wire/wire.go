// Package wire is what passes between the virtual machine and the bench outside it, a JSON object a line: what the kiln is
// like and what the outputs do on the port "bridge", commands and events on the port "control".
package wire

// Thermometers is how many hang on the 1-wire bus.
const Thermometers = 6

// World is what the kiln shows to the chips, and what is done to them.
type World struct {
	Celsius   [Thermometers]float64
	Unplugged [Thermometers]bool
	Air       [2]float64 // Celsius and percent
	Outdoor   [2]float64
	Pins      [2]float64 // volt
	Amps      [4]float64 // volt
	Lines     byte       // levels of the bridge's lines
	Inputs    uint16     // levels of the expander of inputs
	Stuck     bool       // something holds the I2C bus
	Pulled    bool       // the bridge is pulled off, once and for all
	Driven    Driven     // so far: a reset of the computer leaves the chips as they were, a power cut does not
}

// Driven is what is driven high: pins of the expander of relays, lines of the bridge.
type Driven struct {
	Relays uint16
	Lines  byte
}

// Control is one line on the port "control": a request, its answer, or an event.
type Control struct {
	File   string   `json:",omitempty"` // is written, with Text
	Text   string   `json:",omitempty"`
	Run    []string `json:",omitempty"` // a command and its arguments
	Signal int      `json:",omitempty"` // to the daemon
	Panic  bool     `json:",omitempty"` // of the kernel
	Off    bool     `json:",omitempty"` // end in good order

	Answer bool   // to a request: Code, Out, Err
	Code   int    // of the command; -1: it could not be done
	Out    string `json:",omitempty"`
	Err    string `json:",omitempty"`

	Event string `json:",omitempty"` // up, started, ready, ended, made_off
	Reset bool   `json:",omitempty"` // up: the last reset was the watchdog's
}
