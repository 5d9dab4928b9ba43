// Package safety has the last word on every output. It owns the limits, the table of rules, the pure Step that judges raw
// readings and feedback, and the Gate, the sole holder of the raw actuators. It knows nothing of schedules or of the
// controller and must never import them: hardware, quantity, mono and the standard library only.
//
// It is a basic control function and no safety device. The hard-wired limit, airflow switch, pressure cut-outs and
// emergency stop stand under it and must work with the computer removed.
//
// # How a tick is judged
//
// Step moves its timers on what was applied in the tick before, looks at the raw snapshot, asks every rule of the table
// in order of severity, and then passes the requested outputs through them: the worst level wins, each refused output is
// listed once, under the gravest rule that refused it. The interlocks are the last function on the output vector. The
// gate only ever takes away, with one exception: in SAFE it opens the vents when the kiln is too hot. Switching off is
// never refused or delayed.
//
//	SAFE  heat, spray, compressor off; fans that run may keep running, none starts; vents shut unless too hot
//	OFF   everything de-energised, lamps and heartbeat too, so that the master contactor drops
//
// A contact that is fitted but cannot be read counts as its worst state at once. Emergency stop, hard-wired limit and smoke
// latch on that; others only when they stay unreadable (Limits.UnreadableLatch). Where a contactor is read back and its
// current is measured, either that says on counts against an output told off, and either that says off against one told on.
// A rule whose input is not fitted is listed by Unjudged. Delays fill while a cause is seen and drain at a quarter of that pace, so that a flapping fault still fires. A timer that works towards a refusal runs on all the
// time that passed; one that works towards a permission is credited at most MaxCredit a tick, so a stall earns nothing.
//
// The record that outlives the process holds the latched rules, the fans' directions, and how many pressure cut-outs there
// were in a day and silences of the controller in an hour; their ages begin anew with each process.
//
// # Staying inside
//
// A caller that keeps to these is never refused in a fault-free run. Times run from the process's first tick, on what was
// applied. Where the gate says 10 s, ask at 10 s of one's own count or later; on a real clock, one tick later.
//
//   - Nothing before StartDelay (30 s), but the sounder in the last 10 s of it.
//   - Fans, blower, heat, compressor, spray need DoorWarning (10 s) of applied sounder with the door shut, once after the
//     start of the process and again after everything was forced OFF, or after the trip of door, inhibit key or inside
//     button was reset: until then the sounder does not count.
//   - A fan group starts in its last direction when that is known; in the other direction, or when none is known (first
//     start ever, or stopped for longer than FanCoast/2 before the process ended), it must have been off for FanCoast
//     (60 s), counted from the first tick after a start.
//   - Contactors (fans, blower, crankcase, heat, compressor) switch on no sooner than ContactorInterval (10 s) after they
//     went off, spray 5 s, vents 60 s; all count as just switched off at the first tick.
//   - Compressor: off for CompressorMinOff (300 s); at most CompressorStarts (6) in any hour, of which all but four count as
//     used at the first tick, and one more that is asked for makes it wait for an hour; a fan group running that also ran in the tick before; airflow proven in the tick in which it
//     starts, and within AirflowCompressor (30 s) after; every dry bulb within the ambient limits; the blower on where it
//     is an output, its airflow proven where that is fitted, from BlowerProof (10 s) after it
//     started and within BlowerProof after.
//   - Heat: a running fan group as above; airflow proven in the tick in which a stage starts, and within
//     AirflowHeat (10 s) after; hottest dry bulb below DryBulbMax - 1 K; two dry bulbs within BulbsAgree, or else a duty of
//     HeatDuty in any hour. Stop heat and compressor before the fans, or in the same tick.
//   - Vents with heat on: at most VentDuty in any hour; on average no more than five sixths of it, no pulse longer than
//     a sixth of VentDuty x 1 h (180 s), and one second more between pulses than the share asks.
//   - Never spray with the compressor, never both directions of a group, nothing that is not fitted.
package safety
