package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"golang.org/x/term"
)

// live is one line that is written over and over while something runs; nothing
// is written where nobody watches.
type live struct {
	mu    sync.Mutex
	w     io.Writer // nil: not a terminal
	shown time.Time
}

// newLive returns a line on w, if that is a terminal.
func newLive(w io.Writer) *live {
	file, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(file.Fd())) {
		return &live{}
	}
	return &live{w: w}
}

// show writes the line, at most 20 times a second.
func (l *live) show(format string, args ...any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.w == nil || time.Since(l.shown) < 50*time.Millisecond {
		return
	}
	l.shown = time.Now()
	fmt.Fprintf(l.w, "\r\x1b[K"+format, args...)
}

// end clears the line.
func (l *live) end() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.w != nil && !l.shown.IsZero() {
		fmt.Fprint(l.w, "\r\x1b[K")
	}
}
