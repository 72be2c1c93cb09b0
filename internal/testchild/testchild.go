// Package testchild starts the children of tests: each has a bound of its own, ends
// with its test, and takes whatever it started with it.
package testchild

import (
	"context"
	"errors"
	"os/exec"
	"syscall"
	"testing"
	"time"
)

// Bound is how long a child may take unless told otherwise: many times what any takes,
// so that a slow machine passes, and a fraction of what a package's tests may, so that
// a child that hangs is told by name.
const Bound = 3 * time.Minute

// Command returns a command that is killed after Bound or at the end of the test, with
// all of its process group: what it started and did not wait for.
func Command(t testing.TB, name string, args ...string) *exec.Cmd {
	t.Helper()
	return Bounded(t, Bound, name, args...)
}

// Bounded is Command with a bound of the caller's. A child that is killed by its bound
// fails the test.
func Bounded(t testing.TB, bound time.Duration, name string, args ...string) *exec.Cmd {
	t.Helper()
	// Not the test's context, which ends before the test's own cleanup.
	ctx, cancel := context.WithTimeout(context.Background(), bound)
	t.Cleanup(cancel)
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error {
		if errors.Is(ctx.Err(), context.DeadlineExceeded) {
			t.Errorf("killed, for it is not back after %v: %v", bound, cmd)
		}
		return killGroup(cmd)
	}
	cmd.WaitDelay = 10 * time.Second // for pipes that somebody outside the group holds
	return cmd
}

// killGroup kills a process that leads a group, and the group.
func killGroup(cmd *exec.Cmd) error {
	err := syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
	if errors.Is(err, syscall.ESRCH) {
		return nil
	}
	return err
}
