package cli

import (
	"fmt"

	"github.com/spf13/pflag"

	"tonepose/multitone/recording"
)

// recordingFlags describe recordings that do not describe themselves.
type recordingFlags struct {
	format     string
	rate       float64
	channels   int
	fullScale  []float64
	ignoreHash bool
}

func (f *recordingFlags) add(flags *pflag.FlagSet) {
	flags.StringVar(&f.format, "format", "", "format of the recording: sigmf, wav, npy, csv, or raw samples as ri16_le, rf32_le … (default: by content)")
	flags.Float64Var(&f.rate, "rate", 0, "sample rate in hertz, where the recording does not state it")
	flags.IntVar(&f.channels, "channels", 0, "number of channels of raw samples")
	flags.BoolVar(&f.ignoreHash, "ignore-hash", false, "read a SigMF recording whose sha512 does not agree")
}

func (f *recordingFlags) addFullScale(flags *pflag.FlagSet) {
	flags.Float64SliceVar(&f.fullScale, "full-scale", nil, "`volts` at full scale of integer samples: one number, or one per channel")
	noDefault(flags, "full-scale")
}

func (f *recordingFlags) options(s Streams) recording.Options {
	return recording.Options{Format: f.format, SampleRate: f.rate, Channels: f.channels, FullScale: f.fullScale, IgnoreHash: f.ignoreHash, Stdin: s.In}
}

// addClock adds the flag whose text clock.ParseMode reads.
func addClock(flags *pflag.FlagSet, mode *string) {
	flags.StringVar(mode, "clock", "common", "what is unknown of the tones' frequencies: common (one clock offset), each or none")
}

// noDefault keeps help from printing an empty default.
func noDefault(flags *pflag.FlagSet, name string) { flags.Lookup(name).DefValue = "" }

// record lists the options for a table's provenance.
func record(flags *pflag.FlagSet) map[string]string {
	out := map[string]string{}
	flags.VisitAll(func(f *pflag.Flag) {
		if f.Name != "help" {
			out[f.Name] = f.Value.String()
		}
	})
	return out
}

func needed(name, value, what string) error {
	if value == "" {
		return fmt.Errorf("--%s is missing: %s", name, what)
	}
	return nil
}
