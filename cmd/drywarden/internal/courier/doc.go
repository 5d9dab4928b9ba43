// Package courier tells people of alarms: it runs a program for each recipient, hands it the text, and remembers who was told
// what.
//
// Book is the pure part: what is owed to whom, and when to try again. Courier runs the programs, off the tick and one at a
// time for each recipient. Times are durations since the courier began, by the steady clock; nothing here is kept over a
// restart: what then stands and nobody has acknowledged is told once more.
//
// A recipient was told when its program ended with 0 within its time. Whether a person then read it, only an acknowledgement
// shows; the rule nobody_answers waits for that.
package courier
