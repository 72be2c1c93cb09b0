package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
)

// Exit codes.
const (
	exitDone   = 0
	exitFailed = 1 // or rejected
	exitUsage  = 2
	exitShort  = 3 // of plan: something binds
)

func newRootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "leastwatt",
		Short: "plans the slots of a large antenna array at the least radiated power",
		Long: `leastwatt decides for every slot of a large antenna array which users share the
air, where each beam points and how little power will do. Every command has help with
an example, and --json for machines. None replaces a file that is there without --force,
and one that fails leaves it as it was.

Exit codes: 0 done, 1 failed or rejected, 2 wrong usage, 3 (plan) a target is
not met because something binds.`,
		Example: `  leastwatt demo
  leastwatt plan --help`,
		Args:          cobra.NoArgs,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	cobra.EnableCommandSorting = false // they stand in the order of work
	root.AddCommand(newDemoCommand())
	root.AddCommand(newServeCommand())
	root.AddCommand(newSynthCommand())
	root.AddCommand(newInspectCommand())
	root.AddCommand(newConvertCommand())
	root.AddCommand(newPlanCommand())
	root.AddCommand(newReplayCommand())
	root.AddCommand(newAuditCommand())
	root.AddCommand(newCompareCommand())
	root.AddCommand(newScaleCommand())
	root.AddCommand(newCampaignCommand())
	root.AddCommand(newReportCommand())
	root.AddCommand(newVersionCommand())
	return root
}

// run runs one command line and returns its exit code.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := newRootCommand()
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	// What goes wrong before a command runs is wrong usage.
	running := false
	root.PersistentPreRun = func(*cobra.Command, []string) { running = true }
	cmd, err := root.ExecuteContextC(ctx)
	if ctx.Err() != nil && (errors.Is(err, context.Canceled) || errors.Is(err, context.Cause(ctx))) {
		err = errors.New("interrupted")
	}
	var exit *exitError
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &exit) && exit.err == nil:
		return exit.code
	case errors.As(err, &exit):
		complain(stderr, exit.err)
	case !running:
		exit = &exitError{code: exitUsage}
		complain(stderr, err)
	default:
		exit = &exitError{code: exitFailed}
		complain(stderr, err)
	}
	if exit.code == exitUsage {
		fmt.Fprintf(stderr, "see %s --help\n", cmd.CommandPath())
	}
	return exit.code
}

// complain writes an error, each line of it once: of several writes to one full disk,
// say.
func complain(stderr io.Writer, err error) {
	said := map[string]bool{}
	for line := range strings.Lines(err.Error() + "\n") {
		if !said[line] {
			said[line] = true
			fmt.Fprint(stderr, "leastwatt: ", line)
		}
	}
}

// exitError ends a command with a code of its own; a nil err says that all has
// been said.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit %d", e.code)
	}
	return e.err.Error()
}

func (e *exitError) Unwrap() error { return e.err }

// usagef is wrong usage.
func usagef(format string, args ...any) error {
	return &exitError{exitUsage, fmt.Errorf(format, args...)}
}
