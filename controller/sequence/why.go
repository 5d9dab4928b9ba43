package sequence

import "drywarden/controller/demand"

// Reasons of the sequencer; Value, Limit and Remaining as stated.
const (
	NotAllowedYet     demand.Reason = demand.FirstOfSequence + iota // start-up delay, door or stop
	WarningFirst                                                    // the sounder warns; remaining
	RunningDown                                                     // fans run down before the other direction; remaining
	AboutToReverse                                                  // heat off before reversal; remaining
	FansReverse                                                     // waits for the fans to change direction
	FansNotRunning                                                  // fans do not run yet
	MinimumRun                                                      // remaining
	MinimumRest                                                     // remaining
	CrankcaseWarming                                                // remaining
	BlowerFirst                                                     // waits for the blower's proof
	BlowerUnproven                                                  // the blower moves no air; remaining
	WaitsForSpray                                                   // spray is still on
	InputLost                                                       // an input was just lost: nothing rises
	Defrosting                                                      // coil, coil at which it ends
	WithCompressor                                                  // runs with the compressor
	CompressorRests                                                 // the compressor rests; remaining warming
	LessAirYieldsMore                                               // in dry air less air over the coil yields more water
	FullAir                                                         // full air over the coil
	LeastInterval                                                   // remaining
	Locked                                                          // it ran without effect, or iced twice: it rests, or waits for somebody to look

	FirstOfController demand.Reason = 128
)
