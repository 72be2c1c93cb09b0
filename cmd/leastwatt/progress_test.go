package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/sys/unix"
)

// terminal is a pseudo-terminal of 80 columns: what is written to it as stderr is
// kept.
type terminal struct {
	stderr *os.File

	mu   sync.Mutex
	seen bytes.Buffer
}

func newTerminal(t *testing.T) *terminal {
	t.Helper()
	host, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	if err != nil {
		t.Skip("no pseudo-terminals here: ", err)
	}
	n, err := unix.IoctlGetInt(int(host.Fd()), unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(int(host.Fd()), unix.TIOCSPTLCK, 0)
	}
	if err == nil {
		err = unix.IoctlSetWinsize(int(host.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Row: 24, Col: 80})
	}
	if err != nil {
		t.Fatal(err)
	}
	guest, err := os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	term := &terminal{stderr: guest}
	go io.Copy(term, host)
	t.Cleanup(func() { guest.Close(); host.Close() })
	return term
}

func (term *terminal) Write(p []byte) (int, error) {
	term.mu.Lock()
	defer term.mu.Unlock()
	return term.seen.Write(p)
}

func (term *terminal) text() string {
	term.mu.Lock()
	defer term.mu.Unlock()
	return term.seen.String()
}

// wait waits until a text is seen, as long as patience lasts.
func (term *terminal) wait(t *testing.T, text string) {
	t.Helper()
	for deadline := time.Now().Add(patience); !strings.Contains(term.text(), text); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("no %q in %q", text, term.text())
		}
	}
}

// onScreen returns the lines that stay, as a terminal shows them.
func onScreen(text string) string {
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		if at := strings.LastIndex(line, "\x1b[2K"); at >= 0 {
			line = line[at+len("\x1b[2K"):]
		}
		lines[i] = strings.Trim(line, "\r")
	}
	return strings.Join(lines, "\n")
}

// The bar is told where the work is, what was found and the time left; lines go above
// it, and at the end it is gone.
func TestProgress(t *testing.T) {
	term := newTerminal(t)
	p := startProgress(term.stderr, 8, 0, progressbar.OptionShowCount())
	term.wait(t, "0% |")
	term.wait(t, "0s so far")
	p.add(2)
	p.found("%d mW, %s", 5, strings.Repeat("long ", 30))
	term.wait(t, "(2/8)")
	term.wait(t, " left, 5 mW, long")
	fmt.Fprintln(p, "slot 3: bad")
	p.reach(100) // of a file that grew
	term.wait(t, "(8/8)")
	p.finish()
	fmt.Fprintln(term.stderr, "done")
	term.wait(t, "done")
	for _, shown := range strings.FieldsFunc(term.text(), func(r rune) bool { return r == '\r' || r == '\n' }) {
		if n := len([]rune(strings.NewReplacer("\x1b[2K", "", "\x1b[0K", "").Replace(shown))); n > 80 {
			t.Errorf("%d columns: %q", n, shown)
		}
	}
	if got, want := onScreen(term.text()), "slot 3: bad\ndone\n"; got != want {
		t.Errorf("%q stays, want %q", got, want)
	}
}

// What is left is as much as is done has taken for each part of it.
func TestTimeLeft(t *testing.T) {
	for _, c := range []struct {
		done, size int64
		elapsed    time.Duration
		want       string
	}{
		{1, 4, 20 * time.Second, "1m0s left"},
		{4, 4, 20 * time.Second, "0s left"},
		{0, 4, 2500 * time.Millisecond, "2s so far"},
		{9, -1, 20 * time.Second, "20s so far"},
	} {
		if got := (&progress{done: c.done, size: c.size}).timeLeft(c.elapsed); got != c.want {
			t.Errorf("%d of %d in %v: %q, want %q", c.done, c.size, c.elapsed, got, c.want)
		}
	}
}

// Nothing shows where stderr is no terminal or where nothing takes long, but for the
// lines that stay.
func TestProgressUnseen(t *testing.T) {
	var stderr bytes.Buffer
	p := startProgress(&stderr, 2, 0)
	p.add(1)
	p.found("1 mW")
	fmt.Fprintln(p, "a line")
	p.finish()
	if stderr.String() != "a line\n" {
		t.Errorf("no terminal, and on stderr %q", &stderr)
	}
	term := newTerminal(t)
	p = startProgress(term.stderr, 2, time.Hour)
	p.add(1)
	fmt.Fprintln(p, "a line")
	p.finish()
	fmt.Fprintln(term.stderr, "done")
	term.wait(t, "done")
	if got := term.text(); got != "a line\r\ndone\r\n" {
		t.Errorf("soon done, and on stderr %q", got)
	}
}

// Every command that may take long shows how long it will, ends soon when it is
// interrupted, and takes its bar away.
func TestLongCommands(t *testing.T) {
	s := serveProcess(t)
	trace := synthFile(t, "--slots", "64", "--antennas", "64")
	often := strings.Split(strings.Repeat(trace+" ", 20000), " ")
	often = often[:len(often)-1]
	for _, c := range []struct {
		args   string
		files  []string
		stderr string
	}{
		{"demo --slots 1000000", nil, "interrupted"},
		{"compare --slots 1000000 --set quay", nil, "ended before all slots were done"},
		{"scale --drops 1000000 --antennas 1,4", nil, "ended before all drops were done"},
		{"campaign --drops 1000000 --antennas 1,4 --out c.jsonl", nil, "--resume goes on"},
		{"report --drops 1000000 --antennas 1,4", nil, "interrupted"},
		{"synth --slots 1000000 --out s.trace", nil, "--resume goes on"},
		{"convert --out c.jsonl", often, "interrupted after"},
		{"inspect", often, "interrupted"},
		{"replay --renumber --to " + s.address, often, "interrupted"},
		{"replay --audit --renumber --to " + s.address, often, "interrupted"},
	} {
		t.Run(strings.Fields(c.args)[0], func(t *testing.T) {
			t.Parallel()
			term := newTerminal(t)
			cmd := command(t, append(strings.Fields(c.args), c.files...)...)
			var stdout bytes.Buffer
			cmd.Dir, cmd.Stdout, cmd.Stderr = t.TempDir(), &stdout, term.stderr
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			defer cmd.Process.Kill()
			term.wait(t, " left")
			cmd.Process.Signal(syscall.SIGINT)
			cmd.Wait()
			if code := cmd.ProcessState.ExitCode(); code != exitFailed {
				t.Errorf("exit %d", code)
			}
			term.wait(t, "leastwatt: ")
			term.wait(t, c.stderr)
			if screen := onScreen(term.text()); strings.Contains(screen, " left") || !strings.HasPrefix(screen, "leastwatt: ") {
				t.Errorf("%q stays", screen)
			}
			if strings.Contains(c.args, "replay") && !strings.Contains(stdout.String(), "slots per second") {
				t.Errorf("no summary of what was answered: %q", &stdout)
			}
			if _, err := os.Stat(filepath.Join(cmd.Dir, "out")); err == nil {
				t.Error("a report of what was interrupted")
			}
		})
	}
}
