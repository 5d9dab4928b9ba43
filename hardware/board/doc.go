// Package board is a real kiln: probes, contacts and meters on the buses and lines of a single-board computer, and outputs
// on its lines or on port expanders. It implements hardware.Inputs and hardware.Actuators.
//
// Each bus is polled by a goroutine of its own into a table of latest readings; each device with outputs has a goroutine of
// its own that writes what was last asked for and proves it by reading back. Read and Apply therefore wait for no bus: a bus
// that hangs makes its readings old and its outputs unwritten, which the rules see, and holds up nothing else.
//
// Outputs are active high, since a line is low when the kernel is asked for it and an undriven one is pulled low: low, which
// a power cut gives too, must be off. A relay board that is active low is refused. After a brown-out an expander is driven
// again only when everything on it was off once.
//
// Lines come from the kernel's character device (gpioioctl), never from the registers of the processor: a line is then owned,
// and let go when the process ends. What its pin does then is the pin controller's business, so pull-downs are needed, and
// the master contactor falls by the heartbeat in any case. periph's package host itself must not be imported: it would put
// register access in place of the kernel's lines on some boards.
//
// A level is read back without turning the output round only for lines that have a name of their own on their chip.
package board
