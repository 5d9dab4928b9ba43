package probe

import (
	"errors"
	"fmt"

	"drywarden/hardware"
)

// Fault is why a measurement gave nothing.
type Fault struct {
	Quality hardware.Quality // NoAnswer, Checksum or Implausible
	Sign    string           // failure signature, snake_case, stable
	Err     error            // what was attempted and the evidence
}

// Error gives the evidence.
func (f *Fault) Error() string { return f.Err.Error() }

// Unwrap gives what the fault came from.
func (f *Fault) Unwrap() error { return f.Err }

// Faultf makes a Fault; the text may wrap an error with %w.
func Faultf(quality hardware.Quality, sign, format string, args ...any) error {
	return &Fault{Quality: quality, Sign: sign, Err: fmt.Errorf(format, args...)}
}

// ErrReset is wrapped by the fault of a chip that has lost its settings: its supply browned out or somebody reset it. The
// driver sets the chip up afresh in the next call; whoever drives outputs through it goes through the safe state first.
var ErrReset = errors.New("the chip has lost its settings: brown-out or reset")

// SignReset is the signature of a fault that wraps ErrReset.
const SignReset = "reset"

// Reset makes the fault of a chip that has lost its settings.
func Reset(format string, args ...any) error {
	return &Fault{Quality: hardware.NoAnswer, Sign: SignReset, Err: fmt.Errorf(format+": %w", append(args, ErrReset)...)}
}

// NoAnswer makes the fault of a transfer that failed. All errors of a transfer are alike: which number the kernel gives
// for an address that does not answer differs from adapter to adapter.
func NoAnswer(chip fmt.Stringer, doing string, err error) error {
	return Faultf(hardware.NoAnswer, "no_answer", "%s %v: %w", doing, chip, err)
}

// QualityOf tells the quality of a reading that ended with err: Valid without one, NoAnswer for an error that is no Fault.
func QualityOf(err error) hardware.Quality {
	var f *Fault
	switch {
	case err == nil:
		return hardware.Valid
	case errors.As(err, &f):
		return f.Quality
	}
	return hardware.NoAnswer
}

// SignOf tells the failure signature of err: empty without one, "unknown" for an error that is no Fault.
func SignOf(err error) string {
	var f *Fault
	switch {
	case err == nil:
		return ""
	case errors.As(err, &f):
		return f.Sign
	}
	return "unknown"
}
