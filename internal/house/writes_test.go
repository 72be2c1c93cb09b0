package house

import (
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// writes matches calls that make, fill or rename files in place.
var writes = regexp.MustCompile(`\bos\.(Create|CreateTemp|WriteFile|OpenFile|Rename|Truncate)\(`)

// mayWrite are the files that may: what all others write with, what goes on with a file
// that has its partial name, and help for tests.
var mayWrite = []string{"internal/safefile/safefile.go", "cmd/leastwatt/files.go", "internal/testcert/testcert.go"}

// TestOneWayToWrite: whatever is written is written beside and renamed, by one package.
func TestOneWayToWrite(t *testing.T) {
	found := map[string]bool{}
	for _, name := range strings.Split(output(t, root, nil, "git", "-c", "safe.directory=*", "ls-files", "*.go"), "\n") {
		if name == "" || strings.HasSuffix(name, "_test.go") {
			continue
		}
		if call := writes.FindString(read(t, name)); call != "" {
			found[filepath.ToSlash(name)] = true
		}
	}
	for _, name := range mayWrite {
		if !found[name] {
			t.Errorf("%s writes no file: the rule looks for the wrong calls, or the list is stale", name)
		}
		delete(found, name)
	}
	for name := range found {
		t.Errorf("%s writes in place: internal/safefile writes beside and renames", name)
	}
}
