// Package loop is the shell around controller.Step: it reads the inputs, lets Step decide and the gate apply, and hands
// what came of it to saver, recorder and publisher. It decides nothing.
//
// One goroutine owns the loop: whoever calls Tick, Run and Publish. Everybody else reads Status, which is immutable, and
// puts orders into a bounded queue with Submit, Do and StartCharge; an order is answered after the tick that did or
// refused it, and when it changes what must survive a power cut, only after that is safely on disk. The tick waits for no
// disk, no bus and no reader.
//
// It may import everything under controller, schedule, and hardware's nouns; never safety, a driver or the simulated
// kiln: the gate, the inputs and the file system are handed in.
package loop
