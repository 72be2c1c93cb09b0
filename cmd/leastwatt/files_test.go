package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
)

// folderOf returns the names in a folder, in order.
func folderOf(t *testing.T, dir string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// Every command that writes a file refuses one that is there and says what to do,
// without --force; with it a command that fails leaves the file as it was and nothing
// beside it.
func TestFilesOfBefore(t *testing.T) {
	s := serveProcess(t)
	slot := write(t, "slot.json", slotJSON)
	broken := write(t, "broken.json", slotJSON+"\n{")
	rejected := write(t, "rejected.json", strings.Replace(slotJSON, `"bandwidthHz": 1e6`, `"bandwidthHz": -1`, 1))
	dead := "127.0.0.1:1"
	for _, c := range []struct {
		args string // OUT stands for the file
		fail string // the same, but it fails; empty: it cannot
	}{
		{"plan --in " + slot + " --out OUT", "plan --in " + broken + " --out OUT"},
		{"", "plan --in " + slot + " --grouping random --seed 1 --beams x --out OUT"},
		{"", "plan --in " + rejected + " --out OUT"},
		{"convert " + slot + " --out OUT", "convert " + broken + " --out OUT"},
		{"", "convert " + slot + " --slot 99 --out OUT"},
		{"", "convert missing.json --out OUT"},
		{"replay --to " + s.address + " " + slot + " --out OUT", "replay --give-up-after 0 --to " + dead + " " + slot + " --out OUT"},
		{"", "replay --to " + s.address + " missing.json --out OUT"},
		{"synth --users 1 --antennas 1 --slots 1 --out OUT", "synth --users 1 --antennas 1 --slots 1 --truth /nowhere/x --pilots 1 --out OUT"},
		{"compare --in " + slot + " --grouping alone --csv OUT", "compare --in missing.json --csv OUT"},
		{"", "compare --in " + broken + " --grouping alone --csv OUT"},
		{"scale --users 1 --antennas 1 --drops 1 --csv OUT", "scale --users 1 --antennas 1 --drops 1 --plot /nowhere/x.png --csv OUT"},
		{"campaign --users 1 --antennas 1 --drops 1 --out OUT", "campaign --users 1 --antennas 1 --drops 1 --csv /nowhere/x --out OUT"},
	} {
		dir := t.TempDir()
		out := filepath.Join(dir, "out.file")
		run := func(line string, more ...string) result {
			args := strings.Fields(strings.ReplaceAll(line, "OUT", out))
			return leastwatt(t, "", append(args, more...)...)
		}
		if c.args != "" {
			run(c.args).expect(t, exitDone, "", "")
			if names := folderOf(t, dir); !slices.Equal(names, []string{"out.file"}) {
				t.Errorf("%s leaves %q", c.args, names)
			}
			before := read(t, out)
			run(c.args).expect(t, exitUsage, "", "out.file is there already: --force replaces it")
			if string(read(t, out)) != string(before) || len(before) == 0 {
				t.Errorf("%s: the file has changed", c.args)
			}
			if err := os.WriteFile(out, []byte("good"), 0o600); err != nil {
				t.Fatal(err)
			}
			run(c.args, "--force").expect(t, exitDone, "", "")
			if string(read(t, out)) == "good" {
				t.Errorf("%s --force: the file is as it was", c.args)
			}
		}
		if err := os.WriteFile(out, []byte("good"), 0o600); err != nil {
			t.Fatal(err)
		}
		if r := run(c.fail, "--force"); r.code == exitDone || r.code == exitShort || strings.Contains(r.stderr, "already") {
			t.Errorf("%s: exit %d\n%s", c.fail, r.code, r.stderr)
		}
		names := folderOf(t, dir)
		names = slices.DeleteFunc(names, func(name string) bool { return name == "out.file.partial" })
		if string(read(t, out)) != "good" || !slices.Equal(names, []string{"out.file"}) {
			t.Errorf("%s leaves %q, and %q in the file", c.fail, names, read(t, out))
		}
	}
}

// A report is refused before the work where one is there, and replaced with --force.
func TestReportOfBefore(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	for _, args := range []string{"report --users 1 --antennas 1 --drops 1", "demo --slots 1"} {
		line := append(strings.Fields(args), "--out", dir)
		here(t.Context(), nil, append(line, "--force")...).expect(t, exitDone, "report.html", "")
		before := read(t, filepath.Join(dir, "report.html"))
		here(t.Context(), nil, line...).expect(t, exitUsage, "", "report.html is there already: --force replaces it")
		if string(read(t, filepath.Join(dir, "report.html"))) != string(before) {
			t.Errorf("%s: the report has changed", args)
		}
		for _, name := range append(folderOf(t, dir), folderOf(t, filepath.Join(dir, "figures"))...) {
			if strings.HasSuffix(name, ".tmp") {
				t.Errorf("%s leaves %s", args, name)
			}
		}
	}
}

// A second signal ends a command at once, and no file is left half written.
func TestSecondSignal(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "a.jsonl")
	cmd := command(t, "convert", "-", "--out", out)
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	defer stdin.Close()
	var stderr strings.Builder
	cmd.Stderr = &stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	until(t, "a file beside", func() bool { return len(folderOf(t, dir)) == 1 })
	if name := folderOf(t, dir)[0]; !regexp.MustCompile(`^a\.jsonl\.[0-9a-f]{8}\.tmp$`).MatchString(name) {
		t.Errorf("beside stands %s", name)
	}
	// It waits for its input and does not see the first.
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	until(t, "the end", func() bool {
		cmd.Process.Signal(syscall.SIGTERM)
		select {
		case <-ended:
			return true
		default:
			return false
		}
	})
	if names := folderOf(t, dir); len(names) != 0 {
		t.Errorf("left over: %q", names)
	}
	if ws, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || ws.Signal() != syscall.SIGTERM {
		t.Errorf("it ends with %v, %s", cmd.ProcessState, &stderr)
	}
}

// A trace that convert could not finish is nowhere, and one that went down a pipe does
// not say that it is complete.
func TestConvertBroken(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "a.trace")
	leastwatt(t, traceOf(1, 2)+"{", "convert", "-", "--out", out).expect(t, exitFailed, "", "slot 3")
	if names := folderOf(t, dir); len(names) != 0 {
		t.Errorf("left over: %q", names)
	}
	cmd := command(t, "sh")
	cmd.Path, cmd.Args = "/bin/sh", []string{"sh", "-c", `"$0" convert - --out /dev/fd/3 3>&1 >/dev/null | "$0" inspect -`, os.Args[0]}
	cmd.Stdin = strings.NewReader(traceOf(1, 2) + "{")
	said, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(said), "cut off, or being written") || !strings.Contains(string(said), "2, 0 damaged") {
		t.Errorf("%v\n%s", err, said)
	}
}

// With --force a run that is ended early leaves the good file and what it has beside it.
func TestEndedEarly(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "quay.jsonl")
	good := strings.Fields("campaign --antennas 1 --users 1 --drops 1 --out " + out)
	leastwatt(t, "", good...).expect(t, exitDone, "", "")
	before := read(t, out)
	cmd := command(t, strings.Fields("campaign --antennas 1,2 --users 2 --drops 1000000 --force --out "+out)...)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	until(t, "results", func() bool { info, err := os.Stat(partialName(out)); return err == nil && info.Size() > 5000 })
	cmd.Process.Signal(syscall.SIGINT)
	cmd.Wait()
	if string(read(t, out)) != string(before) || len(results(t, partialName(out)).Result.Points[0].Slots) == 0 {
		t.Error("the good file has changed, or nothing is kept")
	}
	leastwatt(t, "", good...).expect(t, exitUsage, "", "quay.jsonl is there already")
	if err := os.Remove(out); err != nil {
		t.Fatal(err)
	}
	leastwatt(t, "", good...).expect(t, exitUsage, "", "quay.jsonl.partial is there already, of a run that ended early: --force replaces it, --resume goes on with it")
}
