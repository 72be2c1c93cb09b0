package main

import (
	"io"
	"path/filepath"

	"github.com/spf13/cobra"
)

// tableFiles are the files of a command that prints a table: its lines as CSV, and a
// plot of them. Either may be none.
type tableFiles struct {
	stderr      io.Writer
	lines, plot *output
}

// createTable starts the files of --csv and --plot.
func (f *forceFlag) createTable(cmd *cobra.Command, csv, plot string) (*tableFiles, error) {
	if csv != "" && (csv == plot || sameFile(csv, plot)) {
		return nil, usagef("--csv and --plot are the same")
	}
	t := &tableFiles{stderr: cmd.ErrOrStderr()}
	var err error
	if t.lines, err = f.create("csv", csv, cmd.OutOrStdout()); err != nil {
		return nil, err
	}
	if t.plot, err = f.create("plot", plot, nil); err != nil {
		t.lines.discard()
		return nil, err
	}
	return t, nil
}

// write writes the files, those of a run that is not whole under their partial names.
// draw takes the format; nil: there is nothing to draw.
func (t *tableFiles) write(whole bool, lines func(io.Writer) error, draw func(io.Writer, string) error) error {
	if err := lines(t.lines); err != nil {
		return err
	}
	if err := t.lines.end(whole, t.stderr); err != nil || t.plot.file == nil || draw == nil {
		return err
	}
	if err := draw(t.plot, filepath.Ext(t.plot.name)); err != nil {
		return err
	}
	return t.plot.end(whole, t.stderr)
}

// discard removes the files that have not got a name.
func (t *tableFiles) discard() {
	t.lines.discard()
	t.plot.discard()
}
