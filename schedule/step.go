package schedule

// Step moves the run on by in.Elapsed and says what the air should be. It changes run and out in place and allocates
// nothing. plan may be nil when run.Phase is Idle.
func Step(plan *Plan, run *Run, in *Input, out *SetPoints) {
	*out = SetPoints{Stage: -1}
}
