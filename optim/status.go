package optim

import "errors"

// Status says what a problem turned out to be. It is not an error: a group that
// no power can serve is an answer.
type Status int

// Statuses of a solve. The zero value means that nothing was solved.
const (
	// NotRun: nothing was solved.
	NotRun Status = iota
	// Solved to the tolerance asked.
	Solved
	// Unservable: no power meets the targets. Proved, but where a search says
	// otherwise: by a violated subset, by a spectral radius of one or more, or by
	// estimation errors that eat the signal.
	Unservable
	// AbovePowerCap: the least power is proved to lie above the cap asked.
	AbovePowerCap
	// AboveLimits: no power meets the targets within the limits, or none within
	// them and the total cap. Proved: by a dual value above what the caps can
	// radiate; for fixed beams by their least powers.
	AboveLimits
	// IllConditioned: the least power exceeds the interference-free power by so
	// much that float64 loses the digits asked.
	IllConditioned
	// StepLimit: the steps allowed ran out.
	StepLimit
	// TimeLimit: the deadline passed.
	TimeLimit
	// Cancelled: the caller gave up.
	Cancelled
	// BadInput: a NaN, an infinity, a negative target or a wrong length.
	BadInput
)

var statusTable = [...]struct {
	name string
	err  error
}{
	NotRun:         {"not run", errors.New("optim: not run")},
	Solved:         {"solved", nil},
	Unservable:     {"unservable", errors.New("optim: no power meets the targets")},
	AbovePowerCap:  {"above power cap", errors.New("optim: least power above the cap")},
	AboveLimits:    {"above limits", errors.New("optim: no power meets the targets within the limits")},
	IllConditioned: {"ill-conditioned", errors.New("optim: power over interference-free power too large for float64")},
	StepLimit:      {"step limit", errors.New("optim: step limit reached")},
	TimeLimit:      {"time limit", errors.New("optim: deadline passed")},
	Cancelled:      {"cancelled", errors.New("optim: cancelled")},
	BadInput:       {"bad input", errors.New("optim: bad input")},
}

// String returns the status in words, in lower case.
func (s Status) String() string {
	if s < 0 || int(s) >= len(statusTable) {
		return "unknown"
	}
	return statusTable[s].name
}

// Err returns nil for Solved and otherwise an error that says why, the same one for
// the same status.
func (s Status) Err() error {
	if s < 0 || int(s) >= len(statusTable) {
		return errors.New("optim: unknown status")
	}
	return statusTable[s].err
}
