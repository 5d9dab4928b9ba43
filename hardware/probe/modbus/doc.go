// Package modbus is a Modbus RTU master for a humidity transmitter and an energy meter on RS-485.
//
// Functions 03 (read holding registers), 04 (read input registers) and 06 (write one register) of the Modbus application
// protocol; frames end with CRC-16, polynomial 0xA001 reflected, start 0xFFFF, low byte first (Modbus over serial line,
// specification and implementation guide V1.02, section 2.5.1.2). An exception answers with the function's top bit set and a
// code: 1 function, 2 address, 3 value, 4 device failure, 6 busy. 3.5 characters of silence part frames; above 19200 baud a
// fixed 1.75 ms (from memory).
//
// An answer counts only with the right address, function, length and checksum. It does not say for which register it is: an
// answer that comes after its time has the right checksum, and would be taken for that of the next question. So registers
// side by side are read in one request, and after a lost answer nothing is sent before the line was quiet for a second or
// longer. A device that takes longer than that is not told from one that answers the next question. Which registers hold what, in which format and scale, differs from maker to maker: it is
// configuration, and a maker's data sheet decides. A transmitter whose values do not move by a single digit for a long time
// hangs.
package modbus
