// Package audit judges a trace against the kiln's invariants, and nothing else: it reads records, has an opinion on each,
// and reports. It runs in every simulation and over the file of every real charge.
//
// It is a second opinion on purpose. It shares no code with the controller, the schedule or the safety gate and may
// import nothing of the project but hardware/trace and hardware/quantity; what a bit or a number means it takes from the
// name tables in the trace's header. Limits that a header does not give are constants here, each with its reason.
//
// An invariant is a named function with a small state of its own (see the table in invariants.go). Where an invariant
// names seconds, they are the seconds of the trace's own uptime; outputs are judged as applied, and as read back where
// the header says that read-back is wired. An output applied in one record holds until the next. At the start of a boot
// everything is taken to have been off, and to have gone off at that moment: what went before is unknown unless the
// header tells how long the outage was.
//
// Temperatures are Celsius, moisture and EMC percent of oven-dry mass. A Checker belongs to one goroutine; Check
// allocates nothing until something is violated.
package audit
