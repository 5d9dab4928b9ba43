// Package board is a real kiln: probes, contacts and meters on the buses and lines of a single-board computer, and outputs
// on its lines or on port expanders. It implements hardware.Inputs and hardware.Actuators.
//
// Each bus is polled by a goroutine of its own into a table of latest readings; each device with outputs has a goroutine of
// its own that writes what was last asked for and proves it by reading back. Read and Apply therefore wait for no bus: a bus
// that hangs makes its readings old and its outputs unwritten, which the rules see, and holds up nothing else.
//
// Outputs are active high, since a line is low when it is claimed and an undriven one is pulled low: low, which a power cut
// gives too, must be off. A relay board that is active low is refused. After a brown-out an expander is driven
// again only when everything on it was off once.
//
// Lines come from the kernel's character device, never from the registers of the processor: a line is then owned, and let go
// when the process ends. What its pin does then is the pin controller's business, so pull-downs are needed, and the master
// contactor falls by the heartbeat in any case. periph's package host itself must not be imported: it would put register access
// in place of the kernel's lines on some boards. A line that cannot be read is not valid, never low. Outputs are read back as
// their chip's driver reports them: some report the pin, some what was written. A chip that was unplugged is not claimed again:
// its outputs count as not written, and its contacts as unknown, until the program is started afresh.
package board
