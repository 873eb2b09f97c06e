package cli

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/tables"
)

type exportOptions struct {
	format   string
	metadata bool
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

Exit code: 0 done, 2 the call or the file was wrong.`,
		Example: `  tonepose export demo/poses.parquet --format csv > poses.csv
  tonepose export demo/phasors.parquet --metadata --format json`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error { return runExport(args[0], o, s) },
	}
	c.Flags().StringVar(&o.format, "format", "csv", "csv or json")
	c.Flags().BoolVar(&o.metadata, "metadata", false, "print where the table comes from instead: rig, recording, options, units")
	return c
}

func runExport(path string, o exportOptions, s Streams) (err error) {
	if o.format != "csv" && o.format != "json" {
		return fmt.Errorf("--format %s: must be csv or json", o.format)
	}
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		path = filepath.Join(path, tables.PosesName+".parquet")
	}
	d, err := tables.OpenDump(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	switch asJSON := o.format == "json"; {
	case o.metadata && asJSON:
		return d.WriteMetadataJSON(s.Out)
	case o.metadata:
		return d.WriteMetadataCSV(s.Out)
	case asJSON:
		return d.WriteJSON(s.Out)
	default:
		return d.WriteCSV(s.Out)
	}
}
