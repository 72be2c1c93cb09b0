package main

import (
	"bufio"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"leastwatt/internal/testcert"
	"leastwatt/internal/testchild"
)

const python = "/usr/bin/python3"

// clients is where the clients in other languages are.
var clients = filepath.Join("..", "..", "client")

// needPython skips a test that cannot run here.
func needPython(t *testing.T) {
	t.Helper()
	if err := testchild.Command(t, python, "-c", "import grpc, numpy, google.protobuf").Run(); err != nil {
		t.Skip("grpcio and NumPy for Python are not installed: make deps-test installs them")
	}
}

// pythonCommand runs Python with the package on its path.
func pythonCommand(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	path, err := filepath.Abs(filepath.Join(clients, "python"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := testchild.Command(t, python, args...)
	cmd.Env = append(os.Environ(), "PYTHONPATH="+path, "PYTHONDONTWRITEBYTECODE=1")
	return cmd
}

// TestPythonPackage installs the Python package and runs its tests against a
// process of leastwatt serve.
func TestPythonPackage(t *testing.T) {
	needPython(t)
	if err := testchild.Command(t, python, "-c", "import setuptools, pip, wheel").Run(); err != nil {
		t.Skip("pip for Python is not installed: make deps-test installs it")
	}
	// A copy, for building leaves files beside the sources.
	dir := t.TempDir()
	source, target := filepath.Join(dir, "source"), filepath.Join(dir, "installed")
	for _, args := range [][]string{
		{"cp", "-rL", filepath.Join(clients, "python"), source},
		{python, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps", "--no-build-isolation",
			"--disable-pip-version-check", "--root-user-action=ignore", "--target", target, source},
	} {
		if out, err := testchild.Command(t, args[0], args[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
	}
	s := serveProcess(t)
	cmd := testchild.Command(t, python, filepath.Join(source, "tests", "test_leastwatt.py"))
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "PYTHONPATH="+target, "LEASTWATT_ADDRESS="+s.address)
	out, err := cmd.CombinedOutput()
	if ran := regexp.MustCompile(`\nRan [1-9]\d* tests`); err != nil || !ran.Match(out) {
		t.Errorf("%v\n%s", err, out)
	}
}

// secured is a server process that asks for certificate and token, and what its
// clients need.
type secured struct {
	*served
	ca, cert, key, token string
}

func securedProcess(t *testing.T) secured {
	t.Helper()
	ca := testcert.New(t)
	cert, key := ca.Issue(t, "server", time.Hour)
	s := secured{ca: ca.File, token: write(t, "token", "token-of-the-harness-7f3a\n")}
	s.cert, s.key = ca.Issue(t, "client", time.Hour)
	s.served = serveProcess(t, "--tls-cert", cert, "--tls-key", key, "--tls-client-ca", ca.File, "--token-file", s.token)
	return s
}

// TestPythonSecure: TLS, a certificate of the client's own and tokens, in a call
// and in a stream.
func TestPythonSecure(t *testing.T) {
	needPython(t)
	const program = `
import sys, grpc, leastwatt
address, ca, cert, key, token = sys.argv[1:]
slot = leastwatt.slot([[1, 0.5], [0.2, 1j]], rate_bps=1e6, noise_w=1e-3, bandwidth_hz=1e6)
def refused(**security):
    with leastwatt.Client(address, **security) as client:
        try:
            client.schedule(slot)
        except grpc.RpcError as error:
            return error.code().name
for security in (dict(token_file=token), dict(token=open(token).read().strip())):
    with leastwatt.Client(address, ca=ca, cert=cert, key=key, **security) as client:
        print(client.schedule(slot).status, *(plan.status for plan in client.stream([slot, slot])))
print(refused(ca=ca, cert=cert, key=key), refused(ca=ca, cert=cert, key=key, token="wrong"), refused(ca=ca, token_file=token), refused())
`
	s := securedProcess(t)
	cmd := pythonCommand(t, "-c", program, s.address, s.ca, s.cert, s.key, s.token)
	var log strings.Builder // where gRPC too says what is refused
	cmd.Stderr = &log
	out, err := cmd.Output()
	const want = "MET MET MET\nMET MET MET\nUNAUTHENTICATED UNAUTHENTICATED UNAVAILABLE UNAVAILABLE\n"
	if err != nil || string(out) != want {
		t.Errorf("%v, it prints\n%s, want\n%s%s", err, out, want, log.String())
	}
}

// TestPythonResume kills the server under a stream from Python, again and again:
// every slot has one plan, in order.
func TestPythonResume(t *testing.T) {
	needPython(t)
	const slots, kills, between = 120, 5, 20
	const program = `
import sys, leastwatt
def slots():
    for n in range(1, int(sys.argv[2]) + 1):
        yield leastwatt.slot([[1, 0.5], [0.2, 1j]], rate_bps=1e6, noise_w=1e-3, bandwidth_hz=1e6, sequence=n)
for plan in leastwatt.Client(sys.argv[1]).stream(slots()):
    print(plan.sequence, plan.status, flush=True)
    sys.stdin.readline()
`
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := lis.Addr().String()
	lis.Close()
	s := serveProcess(t, "--listen", address)
	cmd := pythonCommand(t, "-c", program, address, fmt.Sprint(slots))
	cmd.Stderr = os.Stderr
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	killed, lines := 0, bufio.NewScanner(stdout)
	for n := 1; lines.Scan(); n++ {
		if want := fmt.Sprintf("%d MET", n); lines.Text() != want {
			t.Fatalf("%q after %d kills, want %q", lines.Text(), killed, want)
		}
		if n%between == 0 && killed < kills {
			s.kill(t)
			s = serveProcess(t, "--listen", address)
			killed++
		}
		if n == slots {
			stdin.Close()
		} else if _, err := stdin.Write([]byte("\n")); err != nil {
			t.Fatal(err)
		}
	}
	if err := cmd.Wait(); err != nil || killed != kills {
		t.Errorf("%v, %d kills", err, killed)
	}
}

// TestNode runs the Node example against processes of leastwatt serve.
func TestNode(t *testing.T) {
	dir := filepath.Join(clients, "node")
	probe := testchild.Command(t, "node", "--input-type=module", "-e", `import "@grpc/grpc-js"; import "@grpc/proto-loader"`)
	probe.Dir = dir
	if err := probe.Run(); err != nil {
		t.Skip("node and the packages of client/node are not there: make deps-test installs them")
	}
	node := func(args ...string) (string, error) {
		cmd := testchild.Command(t, "node", append([]string{"session.js"}, args...)...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	want := regexp.MustCompile(`^session \w+, engine \S+\n(slot \d+: MET, 0\.\d+ W in \d+ groups\n){30}$`)
	s := serveProcess(t)
	if out, err := node("--to", s.address, "--slots", "30"); err != nil || !want.MatchString(out) || !strings.Contains(out, "\nslot 30:") {
		t.Errorf("%v\n%s", err, out)
	}
	g := securedProcess(t)
	// Node warns of a server whose name is an address.
	security := []string{"--to", strings.Replace(g.address, "127.0.0.1", "localhost", 1), "--slots", "30", "--ca", g.ca, "--cert", g.cert, "--key", g.key}
	if out, err := node(append(security, "--token-file", g.token)...); err != nil || !want.MatchString(out) {
		t.Errorf("with TLS and a token: %v\n%s", err, out)
	}
	if out, err := node(security...); err == nil || !strings.Contains(out, "UNAUTHENTICATED") {
		t.Errorf("without a token: %v\n%s", err, out)
	}
}
