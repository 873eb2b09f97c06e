package cli

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
	"tonepose/solver/calibration"
)

// choices are the names that the flag's text may be; none where it is something else.
func (v *value[T]) choices() []string {
	_, err := v.parse("")
	var not *notOneOf
	if errors.As(err, &not) {
		return not.names
	}
	return nil
}

// completed are the values of flags that shells may offer, beside those of which the
// flag itself knows its names.
var completed = map[string]func(c *cobra.Command, args []string) []string{
	"figures": func(*cobra.Command, []string) []string { return append(slices.Clone(chart.Formats), "none") },
	"free": func(*cobra.Command, []string) []string {
		return append([]string{"default"}, strings.Split((^calibration.Group(0)).String(), ",")...)
	},
	"lowpass":   func(*cobra.Command, []string) []string { return lowPassNames() },
	"path":      func(*cobra.Command, []string) []string { return simulate.BuiltinPaths }, // or a file
	"taper":     func(*cobra.Command, []string) []string { return taperNames() },
	"sensor":    sensorNames,
	"signal":    channelNames,
	"reference": channelNames,
}

// complete lets shells complete the values of every flag below a command.
func complete(c *cobra.Command) {
	c.Flags().VisitAll(func(f *pflag.Flag) {
		values := completed[f.Name]
		if known, ok := f.Value.(interface{ choices() []string }); ok && known.choices() != nil {
			values = func(*cobra.Command, []string) []string { return known.choices() }
		}
		if values == nil {
			return
		}
		err := c.RegisterFlagCompletionFunc(f.Name, func(c *cobra.Command, args []string, begun string) (offered []string, _ cobra.ShellCompDirective) {
			before := ""
			if f.Name == "figures" || f.Name == "free" { // lists
				before = begun[:strings.LastIndex(begun, ",")+1]
			}
			for _, v := range values(c, args) {
				if v = before + v; strings.HasPrefix(v, begun) {
					offered = append(offered, v)
				}
			}
			if f.Name == "path" {
				return offered, cobra.ShellCompDirectiveDefault
			}
			return offered, cobra.ShellCompDirectiveNoFileComp
		})
		if err != nil {
			panic(err) // the flag is there
		}
	})
	for _, sub := range c.Commands() {
		complete(sub)
	}
}

func lowPassNames() (names []string) {
	for _, kind := range []window.Kind{window.Cascade, window.Butterworth} {
		for order := 1; order <= 8; order++ {
			names = append(names, fmt.Sprintf("%v%d", kind, order))
		}
	}
	return append(names, window.FIR.String())
}

// taperNames are those that every command takes.
func taperNames() (names []string) {
	for _, name := range window.Names() {
		if _, err := window.ForFit(name); err == nil {
			names = append(names, name)
		}
	}
	return names
}

// givenRig is the rig that a command line names so far, by --rig or as its
// argument; nil where there is none that can be read.
func givenRig(c *cobra.Command, args []string) *rig.Rig {
	name, _ := c.Flags().GetString("rig")
	if name == "" && len(args) > 0 {
		name = args[0]
	}
	r, err := rig.Load(name, rig.Options{AllowMissingTones: true})
	if err != nil {
		return nil
	}
	return r
}

func sensorNames(c *cobra.Command, args []string) []string {
	if r := givenRig(c, args); r != nil {
		return r.SensorNames()
	}
	return nil
}

// channelNames are those of the rig given, or of the recording given.
func channelNames(c *cobra.Command, args []string) (names []string) {
	if r := givenRig(c, args); r != nil {
		for _, channel := range r.Channels {
			names = append(names, channel.Name)
		}
		return names
	}
	if len(args) == 0 || args[0] == "-" {
		return nil
	}
	ctx := c.Context()
	if ctx == nil {
		ctx = context.Background()
	}
	in, err := recording.Open(ctx, args[0], recording.Options{})
	if err != nil {
		return nil
	}
	defer in.Close()
	return in.Info().Names
}
