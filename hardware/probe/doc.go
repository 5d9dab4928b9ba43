// Package probe holds what all drivers of probes share: how a failed measurement is told, and a checksum that two chips
// have in common. Each chip has a package of its own below this one.
//
// A driver talks to one chip over a bus that it was given, waits through a Sleep that it was given, and knows no
// goroutine, no configuration file and no calibration: whoever polls it adds those. It gives values in the types of
// hardware/quantity or an error with a *Fault in it, which says the quality of the reading and the failure signature seen.
// It returns within the chip's own conversion time plus what the kernel takes for a transfer; a kernel that hangs in a
// transfer is for the poller to see, since no driver can take a transfer back.
//
// Facts about chips are cited in each package: "datasheet" means that the page was read, "from memory" that it must be
// checked against the datasheet before a release.
package probe
