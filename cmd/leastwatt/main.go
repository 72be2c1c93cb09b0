// Command leastwatt decides for every slot of a large antenna array which users
// share the air, where each beam points and how little power will do.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"leastwatt/internal/safefile"
)

func main() {
	ending := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) { // as nohup has it
		ending = append(ending, syscall.SIGHUP)
	}
	ctx, stop := signal.NotifyContext(context.Background(), ending...)
	context.AfterFunc(ctx, func() {
		defer stop()
		endAtOnce(ending)
	})
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	os.Exit(code)
}

// endAtOnce waits for another signal and ends the process by it, no file half written.
func endAtOnce(ending []os.Signal) {
	second := make(chan os.Signal, 1)
	signal.Notify(second, ending...)
	s := <-second
	safefile.Abandon()
	signal.Reset(ending...)
	syscall.Kill(os.Getpid(), s.(syscall.Signal))
}
