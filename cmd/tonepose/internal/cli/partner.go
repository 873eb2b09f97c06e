package cli

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/pflag"
)

// partners annotates a flag that says nothing without another.
const partners = "partners"

// alone refuses each of the named flags where none of the others is given, a flag by its name or,
// where one value alone will do, as name=value: what it says would be passed over in silence.
func alone(f *pflag.FlagSet, others []string, names ...string) {
	for _, name := range names {
		flag := f.Lookup(name)
		if flag.Annotations == nil {
			flag.Annotations = map[string][]string{}
		}
		flag.Annotations[partners] = others
	}
}

// checkAlone is the error of a flag that was given without its partner.
func checkAlone(f *pflag.FlagSet) (err error) {
	f.Visit(func(flag *pflag.Flag) {
		others := flag.Annotations[partners]
		there := func(other string) bool {
			name, value, one := strings.Cut(other, "=")
			o := f.Lookup(name)
			return one && o.Value.String() == value || !one && o.Value.String() != o.DefValue
		}
		if err == nil && others != nil && !slices.ContainsFunc(others, there) {
			err = fmt.Errorf("--%s needs --%s", flag.Name, strings.ReplaceAll(strings.Join(others, " or --"), "=", " "))
		}
	})
	return err
}
