package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/terminal"
)

type exportOptions struct {
	format   string
	metadata bool
	out      string
	force    bool
}

func newExport(s Streams) *cobra.Command {
	var o exportOptions
	c := &cobra.Command{
		Use:   "export TABLE.parquet|DIR",
		Short: "Print a table as CSV or JSON",
		Long: `Print the columns of a table under their names: numbers as the shortest text
that reads back as the same, no value as an empty field (CSV) or null (JSON).
Units are in the column names. The parts of a live stream, as poses-000001.parquet
and so on, are one table, named poses.parquet; a DIR stands for the poses in it.

A table that is damaged anywhere is refused before its first row; with --out the file
appears whole or not at all. In a CSV, texts that a spreadsheet would take for a
formula, as they begin with = + - or @, have an apostrophe before them.

Exit code: 0 done, 2 the call or the file was wrong.`,
		Example: `  tonepose export demo/poses.parquet --format csv --out poses.csv
  tonepose export demo/phasors.parquet --metadata --format json`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error { return runExport(cmd.Context(), args[0], o, s) },
	}
	f := c.Flags()
	f.StringVar(&o.format, "format", "csv", "csv or json")
	f.BoolVar(&o.metadata, "metadata", false, "print where the table comes from instead: rig, recording, options, units")
	f.StringVar(&o.out, "out", "", "file to write (default, and -: standard output)")
	f.BoolVar(&o.force, "force", false, "replace an existing file")
	return c
}

func runExport(ctx context.Context, path string, o exportOptions, s Streams) (err error) {
	if o.format != "csv" && o.format != "json" {
		return fmt.Errorf("--format %s: must be csv or json", o.format)
	}
	if o.out == "-" {
		o.out = ""
	}
	if err := files.Refuse(o.out, o.force); o.out != "" && err != nil {
		return err
	}
	if filepath.Ext(o.out) == ".parquet" { // there it would be read as a table, or hide one in parts
		return fmt.Errorf("--out %s: what is written is %s, no Parquet: name a .%s", o.out, strings.ToUpper(o.format), o.format)
	}
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		path = filepath.Join(path, tables.PosesName+".parquet")
	}
	d, err := tables.OpenDump(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	if o.out != "" {
		batch := &files.Batch{Force: o.force}
		defer batch.Abort()
		if err := batch.Fill(o.out, func(w io.Writer) error { return o.write(d, w) }); err != nil {
			return err
		}
		return batch.Commit()
	}
	if !o.metadata {
		if err := d.Check(); err != nil {
			return err
		}
	}
	printsRows(ctx, "the table on standard output")
	return o.write(d, terminal.Guard(s.Out))
}

func (o *exportOptions) write(d *tables.Dump, w io.Writer) error {
	switch asJSON := o.format == "json"; {
	case o.metadata && asJSON:
		return d.WriteMetadataJSON(w)
	case o.metadata:
		return d.WriteMetadataCSV(w)
	case asJSON:
		return d.WriteJSON(w)
	default:
		return d.WriteCSV(w)
	}
}
