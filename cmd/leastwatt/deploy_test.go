package main

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v2"

	"leastwatt/internal/testcert"
	"leastwatt/internal/testchild"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/server"
)

var deploy = filepath.Join("..", "..", "deploy")

func readDeploy(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(deploy, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// parseServe parses the arguments of a leastwatt serve as the command does, and
// reports what is wrong with them.
func parseServe(args []string) (flag func(name string) string, err error) {
	cmd, rest, err := newRootCommand().Find(args)
	if err != nil {
		return nil, err
	}
	if cmd.Name() != "serve" {
		return nil, fmt.Errorf("%q runs %s", args, cmd.Name())
	}
	if err := cmd.ParseFlags(rest); err != nil {
		return nil, err
	}
	if left := cmd.Flags().Args(); len(left) > 0 {
		return nil, fmt.Errorf("%q are no flags", left)
	}
	return func(name string) string { return cmd.Flag(name).Value.String() }, nil
}

// runDeployed runs a command line of the deployment with files and ports of the
// test in place of its own: it must come up.
func runDeployed(t *testing.T, flag func(string) string, args []string) {
	t.Helper()
	ca := testcert.New(t)
	cert, key := ca.Issue(t, "server", time.Hour)
	s := serveProcess(t, append(slices.Clone(args[1:]),
		"--listen", "127.0.0.1:0", "--side-listen", "127.0.0.1:0",
		"--tls-cert", cert, "--tls-key", key, "--token-file", write(t, "tokens", "0123456789abcdef"))...)
	if code, page := fetch(t, s.side, "/metrics"); code != 200 || !strings.Contains(page, "leastwatt_slots_total") {
		t.Errorf("%q: metrics %d", args, code)
	}
	for _, name := range []string{"tls-cert", "tls-key", "token-file", "side-listen"} {
		if flag(name) == "" {
			t.Errorf("no --%s in %q", name, args)
		}
	}
}

// unitCommand returns the command line of a unit of systemd.
func unitCommand(t *testing.T, unit string) []string {
	t.Helper()
	_, line, found := strings.Cut(strings.ReplaceAll(unit, "\\\n", " "), "\nExecStart=")
	if !found {
		t.Fatal("no ExecStart")
	}
	line, _, _ = strings.Cut(line, "\n")
	return strings.Fields(line)
}

func TestSystemd(t *testing.T) {
	unit := readDeploy(t, "systemd/leastwatt.service")
	command := unitCommand(t, unit)
	flag, err := parseServe(command[1:])
	if err != nil {
		t.Fatal(err)
	}
	runDeployed(t, flag, command[1:])
	stop := regexp.MustCompile(`(?m)^TimeoutStopSec=(.*)$`).FindStringSubmatch(unit)
	if stop == nil || duration(t, stop[1]) <= duration(t, flag("drain-timeout")) {
		t.Errorf("stopping is given %v, draining %s", stop, flag("drain-timeout"))
	}
	if limit, most := memory(t, unit, `(?m)^Environment=GOMEMLIMIT=(.*)$`), memory(t, unit, `(?m)^MemoryMax=(.*)$`); !fitsMemory(limit, most) {
		t.Errorf("Go keeps to %d bytes, the unit to %d", limit, most)
	}
	for _, bad := range []string{"--no-such-flag", "--workers=x", "stray"} {
		if _, err := parseServe(append(slices.Clone(command[1:]), bad)); err == nil {
			t.Errorf("%s passes", bad)
		}
	}
}

// fitsMemory tells whether what Go keeps to leaves a tenth of what is allowed for what
// Go does not count, and is no small part of it.
func fitsMemory(limit, most int64) bool { return 10*limit <= 9*most && 10*limit >= 8*most }

// memory returns the bytes that a pattern finds in a text, in words of Go, systemd or
// Kubernetes.
func memory(t *testing.T, text, pattern string) int64 {
	t.Helper()
	m := regexp.MustCompile(pattern).FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("nothing matches %s", pattern)
	}
	number := strings.TrimRight(m[1], "KMGiB")
	n, err := strconv.ParseInt(number, 10, 64)
	shift, known := map[string]int{"": 0, "M": 20, "Mi": 20, "MiB": 20, "G": 30, "Gi": 30, "GiB": 30}[m[1][len(number):]]
	if err != nil || !known {
		t.Fatalf("%q is no size", m[1])
	}
	return n << shift
}

func duration(t *testing.T, text string) time.Duration {
	t.Helper()
	d, err := time.ParseDuration(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestSystemdVerify has systemd itself read the unit, with the test's binary in
// place of the program. It warns of what it does not know and exits with 0.
func TestSystemdVerify(t *testing.T) {
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		t.Skip("no systemd-analyze here")
	}
	unit := readDeploy(t, "systemd/leastwatt.service")
	self, err := filepath.Abs(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	verify := func(text string) string {
		file := write(t, "leastwatt.service", text)
		out, err := testchild.Command(t, "systemd-analyze", "verify", file).CombinedOutput()
		if err != nil {
			return string(out) + err.Error()
		}
		var said string
		for line := range strings.Lines(string(out)) {
			if strings.Contains(line, "leastwatt") { // not of the machine's own units
				said += line
			}
		}
		return said
	}
	unit = strings.Replace(unit, unitCommand(t, unit)[0], self, 1)
	if said := verify(unit); said != "" {
		t.Errorf("systemd says %s", said)
	}
	if said := verify(strings.Replace(unit, "NoNewPrivileges=", "NoNewPrivilege=", 1)); !strings.Contains(said, "NoNewPrivilege") {
		t.Errorf("of an unknown key systemd says %q", said)
	}
	// Exposure in tenths of systemd's own scale from 0 to 10.
	file := write(t, "leastwatt.service", unit)
	out, err := testchild.Command(t, "systemd-analyze", "security", "--offline=yes", "--threshold=15", "--no-pager", file).CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// object is a part of a manifest.
type object = map[any]any

// at walks down a manifest by keys and indices; what is not there fails the test.
func at[T any](t *testing.T, from any, path ...any) T {
	t.Helper()
	for i, step := range path {
		switch s := step.(type) {
		case int:
			list, _ := from.([]any)
			if s >= len(list) {
				t.Fatalf("nothing at %v", path[:i+1])
			}
			from = list[s]
		default:
			from = from.(object)[s]
		}
		if from == nil {
			t.Fatalf("nothing at %v", path[:i+1])
		}
	}
	value, ok := from.(T)
	if !ok {
		t.Fatalf("%v is %T", path, from)
	}
	return value
}

// manifests returns the objects of the Kubernetes manifest by kind.
func manifests(t *testing.T) map[string]object {
	t.Helper()
	kinds := map[string]object{}
	decoder := yaml.NewDecoder(strings.NewReader(readDeploy(t, "kubernetes/leastwatt.yaml")))
	decoder.SetStrict(true)
	for {
		var o object
		if err := decoder.Decode(&o); err == io.EOF {
			return kinds
		} else if err != nil {
			t.Fatal(err)
		}
		kinds[at[string](t, o, "kind")] = o
	}
}

// TestKubernetes: what the manifest says of ports, files, probes and names is
// what the command line in it makes of them.
func TestKubernetes(t *testing.T) {
	kinds := manifests(t)
	if len(kinds) != 4 {
		t.Fatalf("%d kinds", len(kinds))
	}
	pod := at[object](t, kinds["Deployment"], "spec", "template", "spec")
	container := at[object](t, pod, "containers", 0)
	var args []string
	for _, a := range at[[]any](t, container, "args") {
		args = append(args, a.(string))
	}
	flag, err := parseServe(args)
	if err != nil {
		t.Fatal(err)
	}
	runDeployed(t, flag, args)

	// Ports.
	ports := map[string]int{}
	for i := range at[[]any](t, container, "ports") {
		ports[at[string](t, container, "ports", i, "name")] = at[int](t, container, "ports", i, "containerPort")
	}
	for name, address := range map[string]string{"grpc": flag("listen"), "side": flag("side-listen")} {
		if _, port, err := net.SplitHostPort(address); err != nil || port != fmt.Sprint(ports[name]) {
			t.Errorf("port %s is %d, it listens on %s", name, ports[name], address)
		}
	}
	if got := at[int](t, container, "readinessProbe", "grpc", "port"); got != ports["side"] {
		t.Errorf("readiness asks port %d", got)
	}
	if got := at[int](t, container, "livenessProbe", "grpc", "port"); got != ports["side"] {
		t.Errorf("liveness asks port %d", got)
	}
	if got := at[string](t, container, "livenessProbe", "grpc", "service"); got != server.LivenessService {
		t.Errorf("liveness asks for %s", got)
	}
	if got := at[string](t, container, "readinessProbe", "grpc", "service"); got != pb.SlotSchedulerService_ServiceDesc.ServiceName {
		t.Errorf("readiness asks for %s", got)
	}
	if got := at[string](t, kinds["Deployment"], "spec", "template", "metadata", "annotations", "prometheus.io/port"); got != fmt.Sprint(ports["side"]) {
		t.Errorf("metrics are sought on port %s", got)
	}
	service := at[object](t, kinds["Service"], "spec")
	if at[string](t, service, "clusterIP") != "None" {
		t.Error("the Service is not headless: it would balance connections, not sessions")
	}
	target := at[string](t, service, "ports", 0, "targetPort")
	if at[int](t, service, "ports", 0, "port") != ports[target] {
		t.Error("a headless Service does not translate ports")
	}

	// Files.
	volumes := map[string]bool{}
	for i := range at[[]any](t, pod, "volumes") {
		volumes[at[string](t, pod, "volumes", i, "name")] = true
	}
	var mounts []string
	for i := range at[[]any](t, container, "volumeMounts") {
		mount := at[object](t, container, "volumeMounts", i)
		if !volumes[at[string](t, mount, "name")] {
			t.Errorf("no volume for %v", mount)
		}
		if mount["subPath"] != nil {
			t.Errorf("%v would never change", mount)
		}
		mounts = append(mounts, at[string](t, mount, "mountPath"))
	}
	for _, name := range []string{"tls-cert", "tls-key", "token-file"} {
		if !slices.Contains(mounts, filepath.Dir(flag(name))) {
			t.Errorf("--%s %s is not mounted", name, flag(name))
		}
	}

	// Labels, the end, and rights.
	labels := at[object](t, kinds["Deployment"], "spec", "template", "metadata", "labels")
	for where, selector := range map[string]object{
		"Deployment":          at[object](t, kinds["Deployment"], "spec", "selector", "matchLabels"),
		"Service":             at[object](t, service, "selector"),
		"PodDisruptionBudget": at[object](t, kinds["PodDisruptionBudget"], "spec", "selector", "matchLabels"),
		"NetworkPolicy":       at[object](t, kinds["NetworkPolicy"], "spec", "podSelector", "matchLabels"),
		"spread over hosts":   at[object](t, pod, "topologySpreadConstraints", 0, "labelSelector", "matchLabels"),
		"spread over zones":   at[object](t, pod, "topologySpreadConstraints", 1, "labelSelector", "matchLabels"),
	} {
		for k, v := range selector {
			if labels[k] != v {
				t.Errorf("%s selects %v=%v, which no pod has", where, k, v)
			}
		}
	}
	policy := at[object](t, kinds["NetworkPolicy"], "spec")
	for i := range at[[]any](t, policy, "ingress") {
		if at[[]any](t, policy, "ingress", i, "from"); ports[at[string](t, policy, "ingress", i, "ports", 0, "port")] == 0 {
			t.Errorf("rule %d lets in to a port that is not there", i)
		}
	}
	if !slices.Equal(at[[]any](t, policy, "policyTypes"), []any{"Ingress", "Egress"}) || len(at[[]any](t, policy, "egress")) > 0 || flag("trace-to") != "" {
		t.Error("the policy does not say to whom the service may speak")
	}
	spread := map[string]bool{}
	for i := range at[[]any](t, pod, "topologySpreadConstraints") {
		spread[at[string](t, pod, "topologySpreadConstraints", i, "topologyKey")] = true
	}
	if !spread["kubernetes.io/hostname"] || !spread["topology.kubernetes.io/zone"] {
		t.Errorf("replicas are spread over %v", spread)
	}
	manifest := readDeploy(t, "kubernetes/leastwatt.yaml")
	if limit, most := memory(t, manifest, `name: GOMEMLIMIT\n +value: (.*)`), memory(t, manifest, `limits:\n +cpu: .*\n +memory: (.*)`); !fitsMemory(limit, most) {
		t.Errorf("Go keeps to %d bytes, the container to %d", limit, most)
	}
	grace := time.Duration(at[int](t, pod, "terminationGracePeriodSeconds")) * time.Second
	if grace <= duration(t, flag("drain-timeout")) {
		t.Errorf("%v to stop, %s to drain", grace, flag("drain-timeout"))
	}
	if !at[bool](t, pod, "securityContext", "runAsNonRoot") || at[bool](t, container, "securityContext", "allowPrivilegeEscalation") ||
		!at[bool](t, container, "securityContext", "readOnlyRootFilesystem") {
		t.Error("the container may do more than it needs")
	}
}

// TestDockerfile: the image is built with what the build needs, for the program
// that the manifest runs.
func TestDockerfile(t *testing.T) {
	docker := readDeploy(t, "Dockerfile")
	script, err := os.ReadFile(filepath.Join("..", "..", "tools", "deps.sh"))
	if err != nil {
		t.Fatal(err)
	}
	packages := regexp.MustCompile(`(?m)^lp_packages=\((.*)\)$`).FindSubmatch(script)
	if packages == nil || !strings.Contains(docker, string(bytes.TrimSpace(packages[1]))) {
		t.Errorf("it does not install %s", packages)
	}
	// Base images are arguments, so that a digest can pin them, and the image has the
	// notices.
	for _, line := range regexp.MustCompile(`(?m)^FROM .*$`).FindAllString(docker, -1) {
		arg := regexp.MustCompile(`^FROM \$\{(\w+)\}`).FindStringSubmatch(line)
		if arg == nil || !strings.Contains(docker, "\nARG "+arg[1]+"=") {
			t.Errorf("%s: no argument", line)
		}
	}
	if !strings.Contains(docker, "notices.txt /src/optim/lp/NOTICE.md /usr/share/doc/") {
		t.Error("the image has no notices")
	}
}

// TestDockerignore: what the image is built from gets there, and what is secret, large
// or of no use does not.
func TestDockerignore(t *testing.T) {
	root := filepath.Join("..", "..")
	list := testchild.Command(t, "go", "list", "-deps", "-f", `{{if not .Standard}}{{with .Module}}{{if .Main}}{{$p := $}}`+
		`{{range $.GoFiles}}{{$p.Dir}}/{{.}} {{end}}{{range $.CgoFiles}}{{$p.Dir}}/{{.}} {{end}}{{range $.SFiles}}{{$p.Dir}}/{{.}} {{end}}{{range $.EmbedFiles}}{{$p.Dir}}/{{.}} {{end}}`+
		`{{end}}{{end}}{{end}}`, "./cmd/leastwatt")
	list.Dir = root
	out, err := list.Output()
	if err != nil {
		t.Fatal(err)
	}
	here, err := filepath.Abs(root)
	if err != nil {
		t.Fatal(err)
	}
	needed := []string{"go.mod", "go.sum", "tools/deps.sh", "optim/lp/NOTICE.md"}
	for _, name := range strings.Fields(string(out)) {
		needed = append(needed, strings.TrimPrefix(name, here+"/"))
	}
	if len(needed) < 100 {
		t.Fatalf("%d files", len(needed))
	}
	ignored := dockerignore(t, filepath.Join(root, ".dockerignore"))
	for _, name := range needed {
		if ignored(name) {
			t.Errorf("%s is left out", name)
		}
	}
	for _, name := range []string{".git/config", "bin/leastwatt", "out/report.html", "client/node/node_modules/x/y.js", "deploy/server.key", "a/tokens", "b.pem", "server/kill_test.go", "channel/testdata/npz/c64.npz"} {
		if !ignored(name) {
			t.Errorf("%s gets into the image's build", name)
		}
	}
}

// dockerignore reads patterns as Docker does: * within a name, ** over folders, a folder
// with all that is in it.
func dockerignore(t *testing.T, name string) func(string) bool {
	t.Helper()
	var all []string
	for line := range strings.Lines(string(read(t, name))) {
		if line = strings.TrimSpace(line); line == "" || line[0] == '#' {
			continue
		}
		line = strings.NewReplacer(`\*\*/`, "(.*/)?", `\*`, "[^/]*").Replace(regexp.QuoteMeta(line))
		all = append(all, "^"+line+"(/|$)")
	}
	return regexp.MustCompile(strings.Join(all, "|")).MatchString
}
