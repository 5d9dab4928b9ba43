// Package vmtest holds the test of the whole program in a virtual machine, which hardware/vmtest/run runs: the daemon that is
// installed, on Debian's kernel as Debian ships it, with real buses of that kernel, in real time.
//
//	outside, the bench                     in the machine
//	simkiln, what is unplugged -- bridge -- guest bridge: models of chips behind a model of a CP2112, in /dev/uhid
//	                                          | hid-cp2112, ds2482, w1_therm: the kernel's drivers
//	                                        i2c-0, cp2112_gpio, w1_bus_master1
//	                                          | drywarden run, with the kiln file testdata/vm.toml
//	commands, the judge ------- control --- guest: process 1, service manager, hardware watchdog
//
// A CP2112 is a USB device, and Debian's kernels have its driver: so no kernel has to be built. The kiln stands outside, as it
// does in a yard: a power cut of the computer switches its machines off and leaves the wood as it is.
//
// # What is shown
//
// One machine runs a charge for more than ten minutes, begun so that two stages end meanwhile, their dwells made minutes long.
// Probes are unplugged, the I2C bus is stuck, the daemon is killed, stopped, the kernel panics, and at last the bridge is pulled
// off. Another machine
// loses its power twenty times, within a third of a second after a command was acknowledged; each time the next life must
// know of it. The traces of both are judged by "drywarden audit". The heartbeat's relay, which is the kiln's, lets go 3 s
// after the last beat.
//
// # What is not
//
// SPI and serial ports cannot be had in this way, nor pulses, which must be seen within milliseconds: their drivers are tested
// on models in one process. A power cut loses what the kernel had not written, not what a disk keeps in a cache of its own.
// A stage that ends by moisture needs that for six hours, so none does here. There is no systemd: guest does what the unit
// says, and the package installed tries the unit itself.
//
// The driver of the bridge gives up after 50 ms. Without KVM that is a time of the host's too: on a host that is busy with
// other things faults come that nobody made. Two processors that are free are enough.
//
// Only tests live here; without the environment that run makes they are skipped.
package vmtest
