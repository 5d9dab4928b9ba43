// Package mcp23017 drives outputs and reads inputs through an MCP23017 port expander on I2C.
//
// From memory, to be checked against the datasheet: address 0x20 to 0x27; registers with BANK = 0: IODIR 00/01 (FF after
// power-up: inputs), IPOL 02/03, GPPU 0C/0D (pull-ups), GPIO 12/13, OLAT 14/15 (00 after power-up), the low port first; the
// address counts up, so that both ports are written in one transfer and change together.
//
// IOCON 0A, again at 0B, is all zero after power-up and stays so; its BANK bit gives the registers another order, with IOCON at
// 05 and 15. It is read back with the rest, and cleared before a chip is set up afresh.
//
// The latches are written before the directions: an output that becomes one is low from the start. Outputs are active high:
// after power-up all pins are inputs, which a pull-down makes low, which is off. The latch keeps its last state when the
// computer dies: the master contactor must fall by the heartbeat then.
package mcp23017
