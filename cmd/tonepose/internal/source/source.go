// Package source opens what hands out samples while time passes: standard input, sockets, a file that
// grows, an instrument, a recording played at its own pace, the simulated bench.
//
// Every source knows when its samples came, and what was lost between them. Reading waits for
// samples, and returns as soon as there are some; memory is bounded whatever a peer says.
package source

import (
	"context"
	"fmt"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// Source hands out samples as they come, and knows when they came: reads return as many as have come, at least one of
// each channel, and none spans a break of the time line. All methods but Close are for the goroutine that reads.
type Source interface {
	stream.Live
	Start() time.Time // of the first sample, by the wall clock; zero before it came
	Close() error     // ends a Read that waits: it returns io.EOF, or the error of Open's context
}

// Options says how sources are read. The zero value suits a source that describes itself.
type Options struct {
	// Reading describes the samples: format, rate, channels, full scales, and what standard input is.
	Reading recording.Options
	// Pace is how many times faster than its own time a recording or the simulated bench plays: 0 is once, and infinity as
	// fast as it is read. With infinity other sources wait for their reader, too, and nothing is skipped.
	Pace float64
	// Idle ends a source from which nothing came for so long. 0: 5 s for a growing file, never for others.
	Idle time.Duration
	// AllowRemote lets other machines reach a port that is listened on.
	AllowRemote bool
	// Instrument is the source: part of the rig file; nil: it has none.
	Instrument *rig.Instrument
	// Bench is what the simulated bench does.
	Bench Bench

	dial dial // of tests; nil: the network's
}

// kind is one kind of source: what its name on the command line begins with, and what opens it. The rest of the name is
// handed on; there is none where the prefix does not end in a colon or a slash, and may be none of bench:.
type kind struct {
	prefix string
	shape  string // for messages
	open   func(ctx context.Context, name, rest string, o Options) (Source, error)
}

var kinds = []kind{
	{"-", "- (standard input)", openStdin},
	{"tcp://", "tcp://HOST:PORT", openTCP},
	{"tcp-listen://", "tcp-listen://HOST:PORT", openListener},
	{"growing:", "growing:FILE", openGrowing},
	{"instrument", "instrument (the source: of the rig file)", openInstrument},
	{"play:", "play:RECORDING", openPlay},
	{benchPrefix, "bench: or bench:RIG", openBench},
}

// Open opens a source by its name on the command line. The context ends it, also while Open waits for a peer.
func Open(ctx context.Context, name string, o Options) (Source, error) {
	if !strings.HasPrefix(name, benchPrefix) && (o.Bench.Path != "" || o.Bench.Scene != "") {
		return nil, fmt.Errorf("%s: is no simulated bench: leave out its path and its scene, or name %s", name, benchPrefix)
	}
	var shapes []string
	for _, k := range kinds {
		rest, ok := strings.CutPrefix(name, k.prefix)
		if more := strings.ContainsAny(k.prefix[len(k.prefix)-1:], ":/"); ok && (more != (rest == "") || k.prefix == benchPrefix) {
			return k.open(ctx, name, rest, o)
		}
		shapes = append(shapes, k.shape)
	}
	return nil, fmt.Errorf("%s: no live source; name one as %s", name, strings.Join(shapes, ", "))
}
