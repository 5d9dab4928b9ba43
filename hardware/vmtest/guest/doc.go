// Command guest is the first process of the virtual machine of hardware/vmtest, and the hardware on its bridge.
//
// As process 1 it mounts what a system mounts, loads the kernel's modules, sets the buses up, feeds the machine's hardware
// watchdog, and keeps the daemon as the service manager keeps it by deploy's unit: told by sd_notify, ended when the loop
// feeds no watchdog for 10 s, "drywarden outputs off" after each end, and started again 5 s later. On the port "control" it runs
// commands for the bench.
//
// As "guest bridge", a process of its own, it is a USB device in /dev/uhid: a CP2112 with models of chips behind it, which
// show what the bench says on the port "bridge".
package main
