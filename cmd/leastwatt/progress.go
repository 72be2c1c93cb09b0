package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"golang.org/x/term"
)

// progressAfter is how long work takes before its progress shows.
const progressAfter = 2 * time.Second

// progress is the bar with the time left that long work shows on a terminal, on the
// last line of stderr. Where stderr is none, or the work is done sooner, nothing
// shows. Its methods may be called from any goroutine.
type progress struct {
	w     io.Writer                // stderr
	size  int64                    // of the work; -1: not known
	bar   *progressbar.ProgressBar // nil: not a terminal
	width func() int               // of the terminal, in columns
	start time.Time
	stop  chan struct{} // closed at the end
	ended chan struct{}

	restore func() // the command's stderr

	mu   sync.Mutex
	done int64
	text string // what was found so far
}

// newProgress starts the progress of a command's work of a size, -1 where it is not
// known. The options say how the size is told; without any it is not. Until finish,
// what the command writes on stderr goes above the bar.
func newProgress(cmd *cobra.Command, size int64, options ...progressbar.Option) *progress {
	p := startProgress(cmd.ErrOrStderr(), size, progressAfter, options...)
	cmd.SetErr(p)
	p.restore = func() { cmd.SetErr(p.w) }
	return p
}

func startProgress(w io.Writer, size int64, after time.Duration, options ...progressbar.Option) *progress {
	p := &progress{w: w, size: size, start: time.Now()}
	file, ok := w.(*os.File)
	if !ok || size == 0 || !term.IsTerminal(int(file.Fd())) {
		return p
	}
	p.width = func() int {
		columns, _, _ := term.GetSize(int(file.Fd()))
		return columns
	}
	p.bar = progressbar.NewOptions64(size, append(options,
		progressbar.OptionSetWriter(w),
		progressbar.OptionShowDescriptionAtLineEnd(),
		progressbar.OptionSetElapsedTime(false),
		progressbar.OptionSetPredictTime(false), // that is ours: theirs takes a pause for the end
		progressbar.OptionUseANSICodes(true),
	)...)
	p.bar.StartWithoutRender()
	p.stop, p.ended = make(chan struct{}), make(chan struct{})
	go p.run(after)
	return p
}

// run shows the bar from some time on, five times a second.
func (p *progress) run(after time.Duration) {
	defer close(p.ended)
	next := time.NewTimer(after)
	defer next.Stop()
	for {
		select {
		case <-p.stop:
			return
		case <-next.C:
			p.show()
			next.Reset(200 * time.Millisecond)
		}
	}
}

func (p *progress) show() {
	p.mu.Lock()
	defer p.mu.Unlock()
	text := p.timeLeft(time.Since(p.start))
	if p.text != "" {
		text += ", " + p.text
	}
	others := 24 + 2*len(fmt.Sprint(p.size)) // columns of all but the text
	p.bar.Describe(clip(text, p.width()-others))
	p.bar.Set64(p.done)
}

// clip cuts a text off after so many characters, where there are so many columns.
func clip(text string, columns int) string {
	if letters := []rune(text); columns > 0 && len(letters) > columns {
		return string(letters[:columns])
	}
	return text
}

// timeLeft says how long the work will go on if it goes on as it went, or for how
// long it went where that is not known.
func (p *progress) timeLeft(elapsed time.Duration) string {
	if p.done == 0 || p.size < 0 {
		return elapsed.Truncate(time.Second).String() + " so far"
	}
	left := time.Duration(float64(elapsed) * (float64(p.size)/float64(p.done) - 1))
	return left.Round(time.Second).String() + " left"
}

// add tells that so much more is done.
func (p *progress) add(n int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.set(p.done + n)
}

// reach tells how much is done.
func (p *progress) reach(n int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.set(n)
}

func (p *progress) set(n int64) {
	if p.done = n; p.size >= 0 {
		p.done = min(n, p.size) // a file may grow
	}
}

// found tells what was found so far.
func (p *progress) found(format string, args ...any) {
	if p.bar == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.text = fmt.Sprintf(format, args...)
}

// Write writes lines that stay, above the bar.
func (p *progress) Write(lines []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.bar != nil {
		p.bar.Clear()
	}
	return p.w.Write(lines)
}

// finish takes the bar away.
func (p *progress) finish() {
	if p.restore != nil {
		p.restore()
	}
	if p.bar == nil {
		return
	}
	close(p.stop)
	<-p.ended
	p.bar.Clear()
}
