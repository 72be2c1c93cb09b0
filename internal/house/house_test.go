// Package house holds the rules of the house that a compiler does not know: who
// may import whom, what no file may contain, and that every gate can fail. Each
// rule is tested on a bad input beside the test that holds it.
package house

import (
	"bytes"
	"path/filepath"
	"testing"

	"leastwatt/internal/testchild"
)

// root is the root of the module, seen from this package.
var root = func() string {
	dir, err := filepath.Abs("../..")
	if err != nil {
		panic(err)
	}
	return dir
}()

// output runs a command in dir, with variables added to the environment, and
// returns its standard output; the test ends if the command fails.
func output(t *testing.T, dir string, env []string, name string, args ...string) string {
	t.Helper()
	cmd := testchild.Command(t, name, args...)
	cmd.Dir = dir
	cmd.Env = append(cmd.Environ(), env...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v\n%s", cmd, err, stderr.Bytes())
	}
	return string(out)
}
