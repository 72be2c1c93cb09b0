package house

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"leastwatt/internal/testchild"
)

// machine is a machine of programs that only pretend, to try deps.sh on.
type machine struct {
	dir string
	env []string
}

// The programs of a machine. Files beside them hold its state: calls, one line
// for each call of apt-get; lists, package lists are fresh; installed, packages
// are installed. An apt-get that is down fetches nothing.
const (
	fakeGo = `[ "$2" = CC ] && echo cc || echo "${FAKE_CGO:-1}"`
	// Links lp_solve's archive once its development files are there, and its shared
	// library once all is.
	fakeCC = `case "$*" in *liblpsolve55.a*) [ -e "$STATE/archive" ] && exit ;; esac
` + fakeNeedy
	// What needs a package fails until the package is there.
	fakeNeedy = `[ -e "$STATE/installed" ] || { echo "cannot find it" >&2; exit 1; }`
	fakeApt   = `for last; do :; done
case " $* " in *" install "*) verb=install ;; *) verb=update ;; esac
echo "$verb $last" >>"$STATE/calls"
[ "$FAKE_APT" != down ] || { echo "E: no network" >&2; exit 100; }
[ $verb = install ] || { touch "$STATE/lists"; exit; }
[ -e "$STATE/lists" ] || { echo "E: no such package" >&2; exit 100; }
touch "$STATE/installed"`
	// Node has its packages once npm has fetched them.
	fakeNode = `[ -e "$STATE/fetched" ] || { echo "cannot find it" >&2; exit 1; }`
	fakeNpm  = `echo "npm $1" >>"$STATE/calls"
[ "$FAKE_NPM" != down ] || { echo "npm warn old"; echo "npm error code E404"; echo "npm error a log"; exit 1; } >&2
touch "$STATE/fetched"`
	fakeID   = `echo "${FAKE_ID:-0}"`
	fakeSudo = `echo "sudo $1" >>"$STATE/calls"; [ "$1" = -n ] && shift; exec "$@"`
)

// newMachine returns a machine with the programs named besides those that every
// Debian has.
func newMachine(t *testing.T, programs map[string]string, env ...string) machine {
	t.Helper()
	m := machine{dir: t.TempDir()}
	for _, name := range []string{"bash", "env", "mktemp", "rm", "sed", "tail", "touch"} {
		path, err := exec.LookPath(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(path, filepath.Join(m.dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	for name, body := range programs {
		script := "#!/bin/sh\n" + body + "\n"
		if err := os.WriteFile(filepath.Join(m.dir, name), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	m.env = append([]string{"PATH=" + m.dir, "STATE=" + m.dir, "PYTHON=python3"}, env...)
	return m
}

// deps runs deps.sh on the machine and returns what it printed, what it said and
// whether it passed.
func (m machine) deps(t *testing.T, verb string) (stdout, stderr string, pass bool) {
	t.Helper()
	cmd := testchild.Command(t, filepath.Join(root, "tools", "deps.sh"), verb)
	cmd.Env = m.env
	var out, said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &said
	err := cmd.Run()
	if exit := new(exec.ExitError); err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return out.String(), said.String(), err == nil
}

// set makes a file of the machine's state.
func (m machine) set(t *testing.T, name string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(m.dir, name), nil, 0o644); err != nil {
		t.Fatal(err)
	}
}

// calls returns the calls of apt-get and sudo, separated by semicolons.
func (m machine) calls(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(m.dir, "calls"))
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	return strings.ReplaceAll(strings.TrimSuffix(string(data), "\n"), "\n", "; ")
}

func TestDeps(t *testing.T) {
	full := map[string]string{
		"go": fakeGo, "cc": fakeCC, "python3": fakeNeedy, "node": fakeNode,
		"apt-get": fakeApt, "id": fakeID, "sudo": fakeSudo,
	}
	without := func(name string) map[string]string {
		programs := join(full, nil)
		delete(programs, name)
		return programs
	}
	const (
		lp      = "deps: lp_solve cannot be had (%): building with -tags nolpsolve, gonum's simplex in its place\n"
		python  = "deps: grpcio for Python cannot be had (%): the Python client goes untested\n"
		node    = "deps: grpc-js for Node cannot be had (%): the Node example goes untested\n"
		browser = "deps: Chromium cannot be had (%): reports go untested in a browser\n"
		fetch   = "deps: fetching the packages of client/node with npm\n"
		retry   = "deps: refreshing the package lists with apt-get update and trying again\n"
		lpApt   = "deps: installing liblpsolve55-dev libsuitesparse-dev lp-solve with apt-get\n"
		shared  = "deps: installing lp-solve, for its shared library\n"
		archive = "deps: it cannot be had (%): linking lp_solve's archive\n"
	)
	for _, test := range []struct {
		name     string
		programs map[string]string
		env      []string
		state    []string
		verb     string
		said     string
		calls    string
		fail     bool
		flags    string // printed afterwards
	}{
		{
			name: "all there", programs: full, state: []string{"installed"}, verb: "lp", flags: "-tags=lpshared\n",
		},
		{
			name: "archive", programs: full, state: []string{"archive", "lists"}, verb: "lp",
			said: shared, calls: "install lp-solve", flags: "-tags=lpshared\n",
		},
		{
			name: "archive, no network", programs: full, env: []string{"FAKE_APT=down", "DEPS=required"}, state: []string{"archive"}, verb: "lp",
			said: shared + strings.Replace(archive, "%", "apt-get failed: E: no network", 1), calls: "install lp-solve",
		},
		{
			name: "archive, no apt", programs: without("apt-get"), state: []string{"archive"}, verb: "lp",
			said: shared + strings.Replace(archive, "%", "no apt-get here", 1),
		},
		{
			name: "fresh lists", programs: full, state: []string{"lists"}, verb: "lp",
			said: lpApt, calls: "install lp-solve", flags: "-tags=lpshared\n",
		},
		{
			name: "no lists", programs: full, verb: "lp",
			said: lpApt + retry, calls: "install lp-solve; update update; install lp-solve", flags: "-tags=lpshared\n",
		},
		{
			name: "no network", programs: full, env: []string{"FAKE_APT=down"}, verb: "lp",
			said:  lpApt + retry + strings.Replace(lp, "%", "apt-get failed: E: no network", 1),
			calls: "install lp-solve; update update", flags: "-tags=nolpsolve\n",
		},
		{
			name: "no network, required", programs: full, env: []string{"FAKE_APT=down", "DEPS=required"}, verb: "lp",
			said:  lpApt + retry + strings.Replace(lp, "%", "apt-get failed: E: no network", 1),
			calls: "install lp-solve; update update", fail: true, flags: "-tags=nolpsolve\n",
		},
		{
			name: "no apt", programs: without("apt-get"), verb: "lp",
			said: strings.Replace(lp, "%", "no apt-get here", 1), flags: "-tags=nolpsolve\n",
		},
		{
			name: "sudo", programs: full, env: []string{"FAKE_ID=1000"}, state: []string{"lists"}, verb: "lp",
			said:  strings.Replace(lpApt, "with apt-get", "with sudo apt-get", 1),
			calls: "sudo -n; install lp-solve", flags: "-tags=lpshared\n",
		},
		{
			name: "no sudo", programs: without("sudo"), env: []string{"FAKE_ID=1000"}, verb: "lp",
			said: strings.Replace(lp, "%", "not root, and no sudo here", 1), flags: "-tags=nolpsolve\n",
		},
		{
			name: "no cgo", programs: full, env: []string{"FAKE_CGO=0"}, verb: "lp",
			said: strings.Replace(lp, "%", "cgo is off", 1), flags: "-tags=nolpsolve\n",
		},
		{
			name: "installed in vain", programs: join(full, map[string]string{"cc": `echo "ld: no" >&2; exit 1`}),
			state: []string{"lists"}, verb: "lp",
			said:  lpApt + strings.Replace(lp, "%", "a program against it does not link: ld: no", 1),
			calls: "install lp-solve", flags: "-tags=nolpsolve\n",
		},
		{
			name: "python", programs: full, state: []string{"lists"}, verb: "python",
			said:  "deps: installing python3-grpcio python3-numpy python3-pip with apt-get\n",
			calls: "install python3-pip", flags: "-tags=lpshared\n",
		},
		{
			name: "no python", programs: without("apt-get"), verb: "python",
			said: strings.Replace(python, "%", "no apt-get here", 1), flags: "-tags=nolpsolve\n",
		},
		{
			name: "no python, required", programs: without("apt-get"), env: []string{"DEPS=required"}, verb: "python",
			said: strings.Replace(python, "%", "no apt-get here", 1), fail: true, flags: "-tags=nolpsolve\n",
		},
		{
			name: "node", programs: join(full, map[string]string{"npm": fakeNpm}), verb: "node",
			said: fetch, calls: "npm ci", flags: "-tags=nolpsolve\n",
		},
		{
			name: "node at hand", programs: full, state: []string{"fetched"}, verb: "node", flags: "-tags=nolpsolve\n",
		},
		{
			name: "no npm", programs: without("apt-get"), verb: "node",
			said: strings.Replace(node, "%", "no apt-get here", 1), flags: "-tags=nolpsolve\n",
		},
		{
			name: "no npm, required", programs: full, env: []string{"FAKE_APT=down", "DEPS=required"}, verb: "node",
			said: "deps: installing nodejs npm with apt-get\n" + retry +
				strings.Replace(node, "%", "apt-get failed: E: no network", 1),
			calls: "install npm; update update", fail: true, flags: "-tags=nolpsolve\n",
		},
		{
			name: "npm fails", programs: join(full, map[string]string{"npm": fakeNpm}), env: []string{"FAKE_NPM=down"}, verb: "node",
			said:  fetch + strings.Replace(node, "%", "npm failed: npm error code E404", 1),
			calls: "npm ci", flags: "-tags=nolpsolve\n",
		},
		{
			name: "npm in vain", programs: join(full, map[string]string{"npm": "exit"}), verb: "node",
			said: fetch + strings.Replace(node, "%", "node: cannot find it", 1), flags: "-tags=nolpsolve\n",
		},
		{
			name: "browser", programs: full, env: []string{"FAKE_APT=down"}, verb: "browser",
			said: "deps: installing chromium fonts-liberation with apt-get\n" + retry +
				strings.Replace(browser, "%", "apt-get failed: E: no network", 1),
			calls: "install fonts-liberation; update update", flags: "-tags=nolpsolve\n",
		},
		{
			name: "browser at hand", programs: join(full, map[string]string{"chromium": "exit"}), verb: "browser", flags: "-tags=nolpsolve\n",
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			m := newMachine(t, test.programs, test.env...)
			for _, name := range test.state {
				m.set(t, name)
			}
			stdout, said, pass := m.deps(t, test.verb)
			if stdout != "" || said != test.said || pass == test.fail {
				t.Errorf("passed %v, printed %q, said\n%swant passed %v, nothing printed, said\n%s",
					pass, stdout, said, !test.fail, test.said)
			}
			if calls := m.calls(t); calls != test.calls {
				t.Errorf("calls are %q, want %q", calls, test.calls)
			}
			flags, said, pass := m.deps(t, "flags")
			if flags != test.flags || said != "" || !pass {
				t.Errorf("flags: passed %v, printed %q, said %q, want %q", pass, flags, said, test.flags)
			}
		})
	}
}

func TestDepsRace(t *testing.T) {
	const said = "deps: the race detector cannot be had (cgo is off, is there a C compiler?): testing without it\n"
	for _, test := range []struct {
		env    []string
		stdout string
		said   string
		pass   bool
	}{
		{[]string{"FAKE_CGO=1"}, "-race\n", "", true},
		{[]string{"FAKE_CGO=0"}, "", said, true},
		{[]string{"FAKE_CGO=0", "DEPS=required"}, "", said, false},
	} {
		m := newMachine(t, map[string]string{"go": fakeGo}, test.env...)
		stdout, stderr, pass := m.deps(t, "race")
		if stdout != test.stdout || stderr != test.said || pass != test.pass {
			t.Errorf("%v: passed %v, printed %q, said %q, want %v, %q, %q",
				test.env, pass, stdout, stderr, test.pass, test.stdout, test.said)
		}
	}
}
