package house

import (
	"regexp"
	"strings"
	"testing"
)

// starts matches calls that start a process without a bound of its own. The parts are
// kept apart so that this file does not match itself.
var starts = regexp.MustCompile(`\b(exec\.` + `Command(Context)?|os\.` + `StartProcess)\(`)

// TestChildrenAreBounded: no test waits for a child without a bound.
func TestChildrenAreBounded(t *testing.T) {
	for _, name := range strings.Split(output(t, root, nil, "git", "-c", "safe.directory=*", "ls-files", "*_test.go"), "\n") {
		if name == "" {
			continue
		}
		if call := starts.FindString(read(t, name)); call != "" {
			t.Errorf("%s has %s: internal/testchild starts children", name, call)
		}
	}
	if !starts.MatchString(read(t, "internal/testchild/testchild.go")) {
		t.Error("the rule looks for the wrong calls")
	}
}
