package controller

// Step moves the controller on by one tick. It changes s and out in place and allocates nothing.
func Step(cfg *Config, s *State, in *Input, out *Result) {
	*out = Result{}
}
