// Package recording reads sampled data as one stream of float blocks, whatever file carries it: SigMF, WAV and RF64,
// NumPy .npy, CSV, raw interleaved samples, or any of these on standard input. It knows channels, volts and time, and
// nothing of tones.
//
// [Open] names the file and gives a [Reader]; [Reader.Info] says what it is; [Reader.ReadPlanar] gives blocks of
// volts, channel by channel (of integer samples with Options.FullScale, else in units of full scale: Info.Volts
// tells), and [Reader.ReadInt16] the raw counts where the samples are that small. A [Monitor] that
// watches the Reader flags clipped, missing, repeated and stuck samples in the same pass. A [Writer] writes the same
// formats.
//
// Memory is bounded whatever the length of the recording, and every recording can be read again with [Reader.Rewind].
package recording

import (
	"errors"
	"io"
	"time"
)

// ErrChanged reports a recording that was written to while it was read.
var ErrChanged = errors.New("changed while it was read")

// ErrHash reports that the SHA-512 of a SigMF dataset is not the one that its metadata state. Options.IgnoreHash
// overrides the check.
var ErrHash = errors.New("sha512 mismatch")

// maxChannels bounds what a damaged header can ask for.
const maxChannels = 4096

// Options says what a recording does not say itself, and what it must agree with. The zero value suits a recording
// that describes itself.
type Options struct {
	// Format is empty (recognised by content and name), "sigmf", "wav", "npy", "csv", or the sample type of a raw interleaved
	// file in SigMF's names: ri8 ru8 ri16_le ru16_be ri24_le ri32_be rf32_le rf64_be …
	Format string
	// SampleRate [Hz] is needed where the file has none (raw, .npy, CSV without time). A recording that states its own
	// must agree: exactly when written in a header, within 20 ppm when derived from a CSV's time column; then the
	// stated one is used.
	SampleRate float64
	// Channels is the number of channels of a raw file; default len(Names), else 1. Other formats must agree with it.
	Channels int
	// Names of the channels, in the recording's order. A CSV that has all of them in its header is matched by name.
	Names []string
	// FullScale [V] of each channel, or one for all: the input that gives the count 2^(bits−1), or ±1 in a float WAV.
	// Nil: such samples stay in units of full scale. Other float samples are volts already.
	FullScale []float64
	// IgnoreHash reads a SigMF dataset whose SHA-512 is not the stated one.
	IgnoreHash bool
	// Stdin is what the name "-" reads.
	Stdin io.Reader
}

// Info describes an open recording.
type Info struct {
	Name       string   // base name of the data file; "-" for standard input
	Format     string   // SigMF, WAV, RF64, NumPy, CSV or raw
	Datatype   string   // SigMF's name of the sample type, as ri16_le; "decimal" for CSV
	SampleRate float64  // Hz
	Channels   int      // number of channels
	Names      []string // one a channel; ch1, ch2, … when neither file nor caller names them
	Samples    int64    // of each channel; negative when not known, of a stream
	Bits       int      // valid bits of integer samples, 0 for floats
	Integer    bool     // samples are counts of an ADC
	Int16      bool     // ReadInt16 works: integer samples of 16 or fewer bits, interleaved
	Volts      bool     // blocks are in volts; else in units of full scale
	// Scale is the size [V, or full scale] of one count of ReadInt16, one a channel.
	Scale     []float64
	Start     time.Time // UTC of the first sample; zero when not known
	Captures  []Capture // at least one; several where the time line breaks or the file says so
	SizeBytes int64     // of the data file
	Warnings  []error   // not fatal, must be shown
}

// Capture is a stretch of evenly sampled data.
type Capture struct {
	Start    int64     // index of its first sample
	Time     float64   // of that sample [s] after the recording's first, lost samples counted
	Missing  int64     // samples lost right before it; 0 when it follows without a gap
	Datetime time.Time // UTC as the file states it; zero when it does not
}

// Duration of the samples [s], gaps not counted; of a known number of samples.
func (in Info) Duration() float64 { return float64(in.Samples) / in.SampleRate }

// Time of a sample [s] after the recording's first sample, lost samples counted.
func (in Info) Time(sample int64) float64 {
	at := Capture{}
	for _, c := range in.Captures {
		if c.Start > sample {
			break
		}
		at = c
	}
	return at.Time + float64(sample-at.Start)/in.SampleRate
}
