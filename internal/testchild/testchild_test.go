package testchild

import (
	"bufio"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// told is a test that keeps what is said of it.
type told struct {
	testing.TB
	failed bool
}

func (t *told) Errorf(string, ...any) { t.failed = true }
func (t *told) Helper()               {}

// A child that hangs is killed with what it started, and fails its test; one that comes
// back does not.
func TestBounded(t *testing.T) {
	outer := &told{TB: t}
	cmd := Bounded(outer, 300*time.Millisecond, "sh", "-c", "sleep 1000 & echo $!; wait")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	grandchild, err := strconv.Atoi(strings.TrimSpace(line))
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err == nil || !outer.failed {
		t.Errorf("a child that hangs: %v, failed %v", err, outer.failed)
	}
	for deadline := time.Now().Add(time.Minute); alive(grandchild); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("what it started lives on")
		}
	}
	outer = &told{TB: t}
	if err := Command(outer, "true").Run(); err != nil || outer.failed {
		t.Errorf("a child that comes back: %v, failed %v", err, outer.failed)
	}
}

// alive reports whether a process runs; one that is dead and not waited for does not.
func alive(pid int) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err == nil && !strings.Contains(string(stat), ") Z ")
}
