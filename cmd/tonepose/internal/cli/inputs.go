package cli

import (
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// read annotates a flag that names files, or folders of tables, that a command reads.
const read = "read"

// reads says of flags that they name what is read. No output of the command replaces that.
func reads(f *pflag.FlagSet, names ...string) {
	for _, name := range names {
		flag := f.Lookup(name)
		if flag.Annotations == nil {
			flag.Annotations = map[string][]string{}
		}
		flag.Annotations[read] = []string{}
	}
}

// inputs are the files that a command line reads, as far as its words tell; some of them
// may not be there.
func inputs(cmd *cobra.Command, args []string) (all []string) {
	for _, arg := range args {
		all = append(all, inputFiles(arg)...)
	}
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		if _, ok := f.Annotations[read]; !ok {
			return
		}
		values := []string{f.Value.String()}
		if several, ok := f.Value.(pflag.SliceValue); ok {
			values = several.GetSlice()
		}
		for _, name := range values {
			all = append(all, inputFiles(name)...)
		}
	})
	return all
}

// inputFiles are the files that the name of an input may stand for: a recording in two
// files, a source of a stream, a rig with what its calibration found, a folder of tables.
func inputFiles(name string) []string {
	if name == "" {
		return nil
	}
	for _, source := range []string{"play:", "growing:"} {
		name = strings.TrimPrefix(name, source)
	}
	stem := strings.TrimSuffix(strings.TrimSuffix(name, ".sigmf-meta"), ".sigmf-data")
	all := []string{name, stem + ".sigmf-meta", stem + ".sigmf-data", name + ".sigmf"}
	if ext := filepath.Ext(name); ext == ".yaml" || ext == ".yml" {
		all = append(all, rigStem(name)+".covariance.csv", rigStem(name)+".correction.json")
	}
	tables, _ := filepath.Glob(filepath.Join(escaped(name), "*.parquet"))
	return append(all, tables...)
}

// escaped is a name as a pattern that stands for it alone.
func escaped(name string) string {
	if filepath.Separator == '\\' {
		return name
	}
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(name)
}
