package recording

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"
)

// layout is what a format's parser finds: where the samples are and how they are stored.
type layout struct {
	format   string
	typ      sampleType
	bits     int  // valid bits of integer samples, in the upper end of typ
	unit     bool // float samples of ±1 are full scale, not volts
	channels int
	planar   bool // channel after channel instead of interleaved; one extent
	extents  []extent
	rate     float64 // 0: not stated
	names    []string
	start    time.Time
	captures []Capture
	warnings []error
	stated   *stated // nil: no hash to be compared with
	text     *table  // CSV: the samples are numbers in lines
}

// extent is a stretch of samples that lie side by side in the file.
type extent struct {
	first  int64 // index of its first sample
	count  int64
	offset int64 // of that sample in the file [bytes]
}

func (l *layout) frameBytes() int64 { return int64(l.channels) * int64(l.typ.size) }

func (l *layout) samples() int64 {
	if n := len(l.extents); n > 0 {
		return l.extents[n-1].first + l.extents[n-1].count
	}
	return 0
}

func (l *layout) warnf(format string, args ...any) {
	l.warnings = append(l.warnings, fmt.Errorf(format, args...))
}

// info checks a layout against the options and completes it.
func (l *layout) info(name string, size int64, opt Options) (Info, error) {
	if err := agreeChannels(name, l.channels, opt); err != nil {
		return Info{}, err
	}
	in := Info{
		Name: name, Format: l.format, Datatype: l.typ.String(), Channels: l.channels, Samples: l.samples(),
		Integer: l.typ.integer(), Start: l.start, Captures: l.captures, SizeBytes: size, Warnings: l.warnings,
	}
	if l.text != nil {
		in.Datatype, in.Samples = "decimal", l.text.rows
	}
	if in.Integer {
		in.Bits = l.bits
	}
	in.Int16 = in.Integer && l.typ.size <= 2 && !l.planar

	var err error
	if in.SampleRate, err = l.agreeRate(name, opt); err != nil {
		return in, err
	}
	in.Names = channelNames(l.channels, l.names, opt.Names)
	if in.Scale, in.Volts, err = l.scale(name, opt); err != nil {
		return in, err
	}
	if len(in.Captures) == 0 {
		in.Captures = []Capture{{Datetime: l.start}}
	}
	return in, nil
}

// agreeChannels says how many channels the file has and how many were expected.
func agreeChannels(name string, found int, opt Options) error {
	switch {
	case len(opt.Names) > 0 && len(opt.Names) != found:
		return fmt.Errorf("%s: %s, expected %d (%s); list as many channels as the recording has, in its order",
			name, plural(found, "channel"), len(opt.Names), strings.Join(opt.Names, ", "))
	case opt.Channels > 0 && opt.Channels != found:
		return fmt.Errorf("%s: %s, expected %d; give the number that the recording has, or none", name,
			plural(found, "channel"), opt.Channels)
	}
	return nil
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// csvRateTolerance: a rate from printed time stamps may differ from the stated one by the clock that wrote the stamps.
// 20 ppm is the usual crystal (common practice).
const csvRateTolerance = 20e-6

// Sample rates that a recording may have [Hz]. One a quarter of an hour is slower than any that a tone is measured in,
// and recorders of several channels end below 1e9 (common practice). What reads samples keeps some share of a second of
// them, so a rate far from what was meant would ask for memory that nobody has.
const (
	LeastRate = 1e-3
	MostRate  = 1e9
)

// CheckRate refuses a sample rate [Hz] that is none of a recording.
func CheckRate(rate float64) error {
	if !(rate >= LeastRate && rate <= MostRate) {
		return fmt.Errorf("must be positive, from %g Hz to %g Hz: samples a second of each channel", LeastRate, MostRate)
	}
	return nil
}

func (l *layout) agreeRate(name string, opt Options) (float64, error) {
	rate, err := l.statedRate(name, opt)
	if err != nil {
		return 0, err
	}
	if err := CheckRate(rate); err != nil {
		return 0, fmt.Errorf("%s: sample rate %g Hz: %w", name, rate, err)
	}
	return rate, nil
}

// statedRate is that of the file or of the options, which must agree.
func (l *layout) statedRate(name string, opt Options) (float64, error) {
	want := opt.SampleRate
	switch {
	case want < 0 || math.IsNaN(want) || math.IsInf(want, 0):
		return 0, fmt.Errorf("%s: sample rate %g Hz: must be positive", name, want)
	case l.rate == 0 && want == 0:
		return 0, fmt.Errorf("%s: %s has no sample rate; give it in hertz, by the rig's sample_rate_hz or as an option",
			name, l.format)
	case l.rate == 0:
		return want, nil
	case want == 0:
		return l.rate, nil
	case l.text != nil && math.Abs(l.rate/want-1) <= csvRateTolerance:
		return want, nil
	case l.text != nil:
		return 0, fmt.Errorf("%s: the time column gives %.9g Hz, expected %.9g Hz; mend the stated rate, or leave the "+
			"time column out if it is wrong", name, l.rate, want)
	case math.Abs(l.rate/want-1) > 1e-9: // decimal text of the same number
		return 0, fmt.Errorf("%s: the recording states %.12g Hz, expected %.12g Hz; mend the one that is wrong", name,
			l.rate, want)
	}
	return l.rate, nil
}

func channelNames(n int, file, wanted []string) []string {
	if len(wanted) == n {
		return append([]string(nil), wanted...)
	}
	if len(file) == n {
		return file
	}
	names := make([]string, n)
	for i := range names {
		names[i] = fmt.Sprintf("ch%d", i+1)
	}
	return names
}

// scale is the factor from a stored number to volts (or to full-scale units) for each channel.
func (l *layout) scale(name string, opt Options) (scale []float64, volts bool, err error) {
	if n := len(opt.FullScale); n > 1 && n != l.channels {
		return nil, false, fmt.Errorf("%s: %d full scales for %s; give one a channel, or one for all", name, n,
			plural(l.channels, "channel"))
	}
	one := 1.0
	if l.typ.integer() {
		one = math.Ldexp(1, 1-8*l.typ.size)
	}
	scale = make([]float64, l.channels)
	for c := range scale {
		scale[c] = one
		if len(opt.FullScale) == 0 || !l.typ.integer() && !l.unit {
			continue
		}
		fs := opt.FullScale[min(c, len(opt.FullScale)-1)]
		if !(fs > 0) || math.IsInf(fs, 0) {
			return nil, false, fmt.Errorf("%s: full scale of channel %d = %g V: must be positive", name, c+1, fs)
		}
		scale[c] *= fs
	}
	return scale, len(opt.FullScale) > 0 || !l.typ.integer() && !l.unit, nil
}

// readAt fills b; an early end is io.ErrUnexpectedEOF.
func readAt(f io.ReaderAt, b []byte, offset int64) error {
	n, err := f.ReadAt(b, offset)
	if n == len(b) {
		return nil
	}
	if err == nil || err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return err
}
