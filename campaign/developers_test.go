package campaign_test

import (
	"os"
	"strings"
	"testing"
)

// The grouping that DEVELOPERS.md shows is the one of the example here, to the
// letter.
func TestDevelopersExample(t *testing.T) {
	text, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, code, found := strings.Cut(string(text), "<!-- grouping example -->\n```go\n")
	code, _, ended := strings.Cut(code, "```\n<!-- end of grouping example -->")
	example, err := os.ReadFile("example_test.go")
	if err != nil {
		t.Fatal(err)
	}
	if !found || !ended || !strings.Contains(code, "RegisterGrouping") || !strings.Contains(string(example), code) {
		t.Errorf("DEVELOPERS.md and example_test.go differ:\n%s", code)
	}
}
