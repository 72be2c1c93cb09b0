package house

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
)

// goPackage is what go list -json tells of a package.
type goPackage struct {
	ImportPath string
	Imports    []string // direct
	Deps       []string // direct and indirect
}

// rule forbids imports. A pattern is an import path, a path followed by /... for
// it and all below, or std for the standard library.
type rule struct {
	packages []string // the packages under the rule
	except   []string // those of them that are not
	direct   bool     // direct imports only; otherwise indirect ones as well
	ban      []string // what they must not import
	allow    []string // what of it they may
	note     string   // why
}

var (
	wire = []string{"google.golang.org/protobuf/...", "google.golang.org/grpc/..."}

	// knowWire are the packages that know the wire format.
	knowWire = []string{"leastwatt/proto/...", "leastwatt/server/...", "leastwatt/client/...", "leastwatt/cmd/..."}
)

// rules are the arrows of the house:
// cmd -> server, client, report, campaign -> scheduler -> optim -> optim/lp,
// with channel and energy as leaves.
var rules = []rule{
	{
		packages: []string{"leastwatt/optim/..."},
		ban:      []string{"..."},
		allow:    []string{"std", "gonum.org/v1/gonum/...", "golang.org/x/sys/cpu", "leastwatt/optim/lp"},
		note:     "optim is mathematics of one group: it knows no slot, no users' names and no wire format",
	},
	{
		packages: []string{"leastwatt/scheduler/..."},
		ban: append([]string{
			"leastwatt/proto/...", "leastwatt/server/...", "leastwatt/client/...",
			"leastwatt/report/...", "leastwatt/campaign/...",
		}, wire...),
		note: "scheduler is a function from slot to plan: it knows no wire format and nobody who calls it",
	},
	{
		packages: []string{"leastwatt/scheduler/..."},
		direct:   true,
		ban:      []string{"os/...", "net/..."},
		note:     "scheduler knows no files and no network",
	},
	{
		packages: []string{"leastwatt/scheduler/audit/..."},
		direct:   true,
		ban:      []string{"leastwatt/optim/..."},
		note:     "an audit shares nothing with the solvers it audits",
	},
	{
		packages: []string{"leastwatt/channel/..."},
		ban:      []string{"leastwatt/..."},
		allow:    []string{"leastwatt/channel/..."},
		note:     "channel is a leaf",
	},
	{
		packages: []string{"leastwatt/energy/..."},
		ban:      []string{"..."},
		allow:    []string{"std", "gonum.org/v1/gonum/...", "leastwatt/energy/..."},
		note:     "energy is a leaf, of formulas only",
	},
	{
		packages: []string{"leastwatt/campaign/..."},
		ban:      []string{"leastwatt/..."},
		allow: []string{
			"leastwatt/campaign/...", "leastwatt/scheduler/...", "leastwatt/optim/...", "leastwatt/channel/...", "leastwatt/energy/...",
		},
		note: "campaign runs the scheduler's engines itself: it knows no wire format, no service and no report",
	},
	{
		packages: []string{"leastwatt/report/..."},
		ban:      []string{"leastwatt/..."},
		allow: []string{
			"leastwatt/report/...", "leastwatt/internal/safefile", "leastwatt/campaign/...", "leastwatt/scheduler/...", "leastwatt/optim/...", "leastwatt/channel/...", "leastwatt/energy/...",
		},
		note: "report draws what was found: it knows no wire format and no service",
	},
	{
		packages: []string{"leastwatt/..."},
		except:   knowWire,
		direct:   true,
		ban:      wire,
		note:     "only proto, server, client and cmd know the wire format; libraries of others may use it for their own ends",
	},
	{
		packages: []string{"leastwatt/..."},
		except:   knowWire,
		ban:      []string{"leastwatt/proto/..."},
		note:     "only proto, server, client and cmd know the contract",
	},
	{
		packages: []string{"leastwatt/proto/leastwatt/..."},
		ban:      []string{"leastwatt/..."},
		allow:    []string{"leastwatt/proto/leastwatt/..."},
		note:     "generated code stands alone",
	},
	{
		packages: []string{"leastwatt/client/..."},
		ban:      []string{"leastwatt/server/..."},
		note:     "client meets server on the wire only",
	},
	{
		packages: []string{"leastwatt/server/..."},
		ban:      []string{"leastwatt/client/..."},
		note:     "server meets client on the wire only",
	},
}

// breaches returns one line for each import that breaks a rule.
func breaches(packages []goPackage, rules []rule) []string {
	var lines []string
	for _, r := range rules {
		for _, p := range packages {
			if !matches(r.packages, p.ImportPath) || matches(r.except, p.ImportPath) {
				continue
			}
			imports := p.Deps
			if r.direct {
				imports = p.Imports
			}
			for _, imp := range imports {
				if matches(r.ban, imp) && !matches(r.allow, imp) {
					lines = append(lines, fmt.Sprintf("%s imports %s: %s", p.ImportPath, imp, r.note))
				}
			}
		}
	}
	return lines
}

// matches reports whether an import path matches one of the patterns.
func matches(patterns []string, path string) bool {
	return slices.ContainsFunc(patterns, func(pattern string) bool {
		if pattern == "std" {
			return standard(path)
		}
		if prefix, ok := strings.CutSuffix(pattern, "..."); ok {
			return strings.HasPrefix(path+"/", prefix)
		}
		return path == pattern
	})
}

// standard reports whether a path is of the standard library, whose first
// element holds no dot; neither does ours.
func standard(path string) bool {
	first, _, _ := strings.Cut(path, "/")
	return first != "leastwatt" && !strings.Contains(first, ".")
}

// listPackages lists the packages of the module as built with flags and env.
func listPackages(t *testing.T, env []string, flags ...string) []goPackage {
	t.Helper()
	args := append([]string{"list", "-json=ImportPath,Imports,Deps"}, flags...)
	dec := json.NewDecoder(strings.NewReader(output(t, root, env, "go", append(args, "./...")...)))
	var packages []goPackage
	for {
		var p goPackage
		if err := dec.Decode(&p); err == io.EOF {
			return packages
		} else if err != nil {
			t.Fatal(err)
		}
		packages = append(packages, p)
	}
}

func TestImports(t *testing.T) {
	for _, build := range []struct {
		name  string
		env   []string
		flags []string
	}{
		{name: "default"},
		{name: "nolpsolve", flags: []string{"-tags=nolpsolve"}},
		{name: "nocgo", env: []string{"CGO_ENABLED=0"}},
	} {
		t.Run(build.name, func(t *testing.T) {
			packages := listPackages(t, build.env, build.flags...)
			if !slices.ContainsFunc(packages, func(p goPackage) bool {
				return p.ImportPath == "leastwatt/proto/leastwatt/v1" && slices.Contains(p.Deps, "google.golang.org/grpc")
			}) {
				t.Errorf("the contract's package is not among the %d listed: go list has changed", len(packages))
			}
			for _, line := range breaches(packages, rules) {
				t.Error(line)
			}
		})
	}
}

// TestImportsClean: a house as designed breaks no rule.
func TestImportsClean(t *testing.T) {
	clean := []goPackage{
		fake("leastwatt/optim/lp", "fmt", "runtime/cgo", "C", "gonum.org/v1/gonum/mat"),
		fake("leastwatt/optim", "math", "vendor/golang.org/x/sys/cpu", "gonum.org/v1/gonum/mat", "leastwatt/optim/lp"),
		fake("leastwatt/channel", "os", "codeberg.org/sbinet/npyio"),
		fake("leastwatt/channel/trace", "leastwatt/channel"),
		fake("leastwatt/energy", "math"),
		fake("leastwatt/scheduler", "math", "leastwatt/optim", "leastwatt/channel", "leastwatt/energy"),
		fake("leastwatt/scheduler/audit", "leastwatt/scheduler"),
		fake("leastwatt/proto/leastwatt/v1", "google.golang.org/grpc", "google.golang.org/protobuf/proto"),
		fake("leastwatt/proto/convert", "leastwatt/proto/leastwatt/v1", "leastwatt/scheduler"),
		fake("leastwatt/server", "net", "google.golang.org/grpc", "leastwatt/proto/convert", "leastwatt/scheduler"),
		fake("leastwatt/client", "google.golang.org/grpc", "leastwatt/proto/leastwatt/v1"),
		fake("leastwatt/report", "os", "gonum.org/v1/plot", "leastwatt/scheduler", "leastwatt/energy"),
		fake("leastwatt/cmd/leastwatt", "leastwatt/server", "leastwatt/client", "leastwatt/report", "leastwatt/campaign"),
		fake("leastwatt/campaign", "time", "leastwatt/scheduler", "leastwatt/scheduler/audit", "leastwatt/channel/quay", "leastwatt/energy"),
		// A library's own use of the wire format is its own affair.
		{ImportPath: "leastwatt/campaign", Deps: []string{"google.golang.org/protobuf/proto"}},
	}
	for _, line := range breaches(clean, rules) {
		t.Error(line)
	}
}

// TestImportsBad: each bad import is found, and each rule finds one.
func TestImportsBad(t *testing.T) {
	bad := []goPackage{
		fake("leastwatt/optim", "leastwatt/scheduler"),
		fake("leastwatt/optim", "google.golang.org/grpc/codes"),
		fake("leastwatt/optim", "gonum.org/v1/plot"),
		fake("leastwatt/optim/lp", "leastwatt/optim"),
		fake("leastwatt/scheduler", "leastwatt/server"),
		fake("leastwatt/scheduler", "os"),
		fake("leastwatt/scheduler/audit", "leastwatt/optim"),
		{ImportPath: "leastwatt/scheduler", Deps: []string{"google.golang.org/protobuf/proto"}},
		fake("leastwatt/channel", "leastwatt/scheduler"),
		fake("leastwatt/energy", "leastwatt/channel"),
		fake("leastwatt/energy", "gonum.org/v1/plot"),
		fake("leastwatt/report", "google.golang.org/protobuf/encoding/protojson"),
		fake("leastwatt/report", "leastwatt/client"),
		{ImportPath: "leastwatt/campaign", Deps: []string{"leastwatt/proto/leastwatt/v1"}},
		fake("leastwatt/campaign", "leastwatt/server"),
		fake("leastwatt/scheduler", "leastwatt/campaign"),
		fake("leastwatt/proto/leastwatt/v1", "leastwatt/proto/convert"),
		fake("leastwatt/client", "leastwatt/server"),
		fake("leastwatt/server", "leastwatt/client"),
	}
	for _, p := range bad {
		if len(breaches([]goPackage{p}, rules)) == 0 {
			t.Errorf("nothing forbids %s to import %v", p.ImportPath, p.Deps)
		}
	}
	for _, r := range rules {
		if len(breaches(bad, []rule{r})) == 0 {
			t.Errorf("no bad import trips the rule %q", r.note)
		}
	}
}

// fake is a package with direct imports only.
func fake(path string, imports ...string) goPackage {
	return goPackage{ImportPath: path, Imports: imports, Deps: imports}
}
