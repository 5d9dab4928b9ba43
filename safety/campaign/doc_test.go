// Package campaign puts whole parts together and breaks them: it holds test files only. What it needs is
//
//   - failures_test.go, rows_test.go: every failure that the kiln must survive, its owner and its end state, each shown on a
//     bench kiln before the real gate. `go test ./safety/campaign -run TestFailures -write` writes ../FAILURES.md afresh.
//   - mutate_test.go, schemata_test.go, mutants_test.go: small changes of package safety, each of which its own tests must
//     notice. `nice -n 15 go test ./safety/campaign -run 'TestMutants$' -mutants -timeout 0 -v` judges them; ../MUTANTS.md
//     lists those that live, with reasons.
//   - long_test.go: storms over whole charges (storm_test.go) and pairs of failures (pairs_test.go, brought about as
//     injections_test.go says, in the whole kiln of station_test.go), in one run that resumes: see its TestLong.
//
// The record of trips and the state's text are fuzzed where they are:
//
//	go test ./safety -run xxx -fuzz FuzzRecord -fuzztime 1h
//	go test ./safety -run xxx -fuzz FuzzState -fuzztime 1h -fuzzminimizetime 1x
//
// The gate's slowest input is looked for and measured by
//
//	go test ./safety -run xxx -bench GateWorst
package campaign
