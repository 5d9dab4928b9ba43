// Package campaign puts whole parts together and breaks them: it holds test files only. What it needs is
//
//   - failures_test.go, rows_test.go, kiln_test.go: every failure that the kiln must survive, its owner and its end state;
//     those that the gate answers for are shown before the real gate on a bench kiln.
//     `go test ./safety/campaign -run TestFailures -write` writes ../FAILURES.md afresh.
//   - site_test.go: a whole kiln - simulated room and person, gate, loop, stores, judge - that can be ended, started again
//     and begun from a checkpoint. charges_test.go: what stands in it, and what the program is told of it. seams_test.go: how
//     process, memory, disk and clock are broken. Failures, pairs and broken parts are all shown in it.
//   - causes_test.go: how every failure is made to happen there; whole_test.go: what must come of it; shell_test.go: those of
//     process, disk, clock and files; people_test.go: those of people.
//   - mutate_test.go, schemata_test.go, mutants_test.go: small changes of package safety, each of which its own tests must
//     notice. `nice -n 15 go test ./safety/campaign -run 'TestMutants$' -mutants -timeout 0 -v` judges them; ../MUTANTS.md
//     lists those that live, with reasons.
//   - long_test.go: storms over whole charges (storm_test.go) and pairs of failures (pairs_test.go, brought about as
//     injections_test.go says), in one run that resumes: see its TestLong.
//   - broken_test.go: for each invariant of the audit a whole kiln with one broken part, which the audit must tell, and a
//     twin with none.
//   - runs_test.go: what no single trace shows, over runs of a whole kiln; and where else the rest of it is shown.
//
// Power is cut in cmd/drywarden (TestCutsAtEveryCall). The record of trips and the state's text are fuzzed where they are,
// and all targets together by .ci/fuzz:
//
//	go test ./safety -run xxx -fuzz FuzzRecord -fuzztime 1h
//	go test ./safety -run xxx -fuzz FuzzState -fuzztime 1h -fuzzminimizetime 1x
//
// The gate's slowest input is looked for and measured by
//
//	go test ./safety -run xxx -bench GateWorst
package campaign
