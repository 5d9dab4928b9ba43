// Package installed holds the test of the installation, which its run script runs: a fresh Debian with its service manager, in a
// virtual machine, on which somebody does what deploy/README.md says, and then the first start that README.md says. The
// commands are taken from there, so that neither can be wrong without this test knowing. A bus, lines and thermometers come
// from models behind the kernel's own drivers, as in vmtest.
//
// That the unit lets the daemon do what it must (read the boot's id, open buses and ports, make the thermometers of a bus
// measure together) and nothing else is seen from within it, and once more with a unit that is spoilt on purpose.
//
// Only a test lives here; without the environment that run makes it is skipped.
package installed
