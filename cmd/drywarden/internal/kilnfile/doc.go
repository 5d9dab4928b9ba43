// Package kilnfile reads kiln.toml: the kiln as built, in the words of the trade.
//
// Read reports every fault of a file at once, with file, line, key, what was found and what was expected. What it gives is
// plain data; the methods map it to what the layers want: the layout, the safety limits, the schedule's kiln, the
// simulated kiln. It opens no file and no device. Units are written with every value; inside they are those of
// hardware/quantity.
package kilnfile
