package recording

import (
	"bufio"
	"cmp"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"tonepose/multitone/internal/kernel"
)

// Description says what a Writer writes.
type Description struct {
	// Format is "sigmf", "wav", "rf64" for a WAV of any length, "npy", "csv", or "raw" for interleaved samples without
	// any header.
	Format     string
	SampleRate float64  // Hz
	Names      []string // one a channel
	// Bits of integer samples: 8, 16 or 24. 0 stands for 32-bit floats, in volts except in a WAV. A CSV holds volts in
	// any case.
	Bits int
	// Samples of each channel, which the headers of WAV and NumPy state before the first of them; 0: not known.
	Samples int64
	// FullScale [V] of each channel, of integers and of a float WAV: what the count 2^(Bits−1), or ±1, stands for.
	FullScale []float64
	Start     time.Time // of the first sample; SigMF, zero if not known
	Text      string    // what the recording is; SigMF
	Recorder  string    // what made it; SigMF
}

// Writer encodes blocks of samples as they come, in bounded memory:
//
//   - SigMF: ri8, ri16_le, ri32_le (24 bits to the left: the volts of a full scale are the same) or rf32_le, with the
//     data's SHA-512;
//   - WAV: 8-, 16- or 24-bit PCM, or 32-bit float with ±1 for the full scale, up to 4 GiB; plain PCM for one or two
//     channels, which every reader takes, else with the extensible header;
//   - RF64: as WAV, of any number of samples; sizes are stated in the end where data is an io.WriterAt, else left open;
//   - NumPy: samples × channels, int8, int16, int32 (24 bits to the left) or float32;
//   - CSV: time_s and volts;
//   - raw: ri8, ri16_le, ri24_le or rf32_le.
type Writer struct {
	Description
	typ     sampleType
	shift   int       // of a count to the left of its container
	one     []float64 // volts of the number 1 in the file, one a channel
	data    *bufio.Writer
	row     int64 // samples of each channel so far
	scratch []byte
	finish  func() error // writes what follows the samples

	captures, annotations []any  // of SigMF, beside the first capture
	notes                 []note // the same, of RF64
}

// note is what there is to say of samples.
type note struct {
	start, length int64
	words         string
}

// Output names the files of a recording that is to be written.
type Output struct {
	Stem   string // for the names of what belongs to it
	Format string // as in Description
	Data   string
	Meta   string // of SigMF, else empty
}

// otherExtension is that of a name which asks for a format: letters and digits, but for a stem's counter.
var otherExtension = regexp.MustCompile(`^\.[0-9]*[A-Za-z][0-9A-Za-z]{0,7}$`)

// OutputOf tells format and files from a name: wav, npy or csv by its extension; else sigmf, named by its .sigmf-meta,
// its .sigmf-data or their stem. The extension of any other format is an error.
func OutputOf(name string) (Output, error) {
	for _, format := range []string{"wav", "npy", "csv"} {
		if stem, ok := strings.CutSuffix(name, "."+format); ok {
			return Output{Stem: stem, Format: format, Data: name}, nil
		}
	}
	stem := sigmfStem(name)
	if ext := filepath.Ext(stem); stem == name && otherExtension.MatchString(ext) {
		return Output{}, fmt.Errorf("%s: %s is not written: name a .wav, .npy, .csv or .sigmf-meta", name, ext)
	}
	return Output{Stem: stem, Format: "sigmf", Data: stem + dataExt, Meta: stem + metaExt}, nil
}

// NewWriter begins a recording and writes its header. meta is the metadata file of a SigMF recording and is not used
// otherwise. The caller closes the files.
func NewWriter(data, meta io.Writer, d Description) (*Writer, error) {
	w := &Writer{Description: d, typ: sampleType{kind: 'i', size: d.Bits / 8}, finish: func() error { return nil }}
	switch d.Bits {
	case 0:
		w.typ = sampleType{kind: 'f', size: 4}
	case 8, 16:
	case 24:
		if d.Format == "sigmf" || d.Format == "npy" {
			w.typ.size, w.shift = 4, 8
		}
	default:
		return nil, fmt.Errorf("%d bits a sample: must be 8, 16 or 24, or 0 for float samples", d.Bits)
	}
	if len(d.Names) == 0 || len(d.Names) > maxChannels {
		return nil, fmt.Errorf("%d channels: must be 1..%d", len(d.Names), maxChannels)
	}
	w.data = bufio.NewWriterSize(data, 1<<16)
	var err error
	switch d.Format {
	case "sigmf":
		w.beginSigMF(data, meta)
	case "wav":
		err = w.beginWAV()
	case "rf64":
		err = w.beginRF64(data)
	case "npy":
		err = w.beginNPY()
	case "csv":
		err = w.beginCSV()
	case "raw":
	default:
		err = fmt.Errorf("format %q: must be sigmf, wav, rf64, npy, csv or raw", d.Format)
	}
	for c, name := range d.Names {
		one := 1.0
		if w.typ.integer() && d.Format != "csv" || d.Format == "wav" || d.Format == "rf64" {
			if c >= len(d.FullScale) || d.FullScale[c] == 0 {
				err = cmp.Or(err, fmt.Errorf("channel %s has no full scale, which integers and a float WAV need: state it", name))
				break
			}
			one = d.FullScale[c] / float64(int(1)<<max(0, d.Bits-1))
		}
		w.one = append(w.one, one)
	}
	if err != nil {
		return nil, err
	}
	return w, nil
}

// Write encodes volts, one slice a channel, of equal lengths. Integers are rounded to the nearest count, and clipped.
func (w *Writer) Write(volts [][]float64) error {
	if len(volts) != len(w.Names) {
		panic(fmt.Sprintf("recording: Write: %d slices for %d channels", len(volts), len(w.Names)))
	}
	b := w.scratch[:0]
	if w.Format != "csv" && w.typ.kind == 'i' && w.Bits == 16 {
		b = w.appendCounts(b, volts)
		w.row += int64(len(volts[0]))
	} else {
		for i := range volts[0] {
			if w.Format == "csv" {
				b = w.appendLine(b, volts, i)
			} else {
				for c := range volts {
					b = w.appendSample(b, volts[c][i]/w.one[c])
				}
			}
			w.row++
		}
	}
	w.scratch = b
	_, err := w.data.Write(b)
	return err
}

// WriteInt16 encodes counts of 16 bits, all channels of a sample side by side, of a recording of as many bits.
func (w *Writer) WriteInt16(counts []int16) error {
	if w.Bits != 16 || w.Format == "csv" {
		panic(fmt.Sprintf("recording: WriteInt16 to %s of %d bits", w.Format, w.Bits))
	}
	b := w.scratch[:0]
	for _, v := range counts {
		b = binary.LittleEndian.AppendUint16(b, uint16(v))
	}
	w.scratch = b
	w.row += int64(len(counts) / len(w.Names))
	_, err := w.data.Write(b)
	return err
}

// Break notes that an unknown time passed before the next sample, which came at a time of day: SigMF begins a capture
// there, RF64 has a cue point. Other formats can't tell.
func (w *Writer) Break(at time.Time) {
	w.notes = append(w.notes, note{w.row, 0, "time broke: the samples from here on began to come at " + sigmfTime(at)})
	w.captures = append(w.captures, map[string]any{"core:sample_start": w.row, "core:datetime": sigmfTime(at)})
}

// Annotate notes in words something about samples [start, stop), in SigMF and RF64.
func (w *Writer) Annotate(start, stop int64, words string) {
	w.notes = append(w.notes, note{start, stop - start, words})
	w.annotations = append(w.annotations, map[string]any{"core:sample_start": start, "core:sample_count": stop - start, "core:comment": words})
}

// appendCounts appends counts of 16 bits, as appendSample does, some samples of each channel at
// a time, so that their lines stay near.
func (w *Writer) appendCounts(b []byte, volts [][]float64) []byte {
	const some = 256
	stride, n := 2*len(volts), len(volts[0])
	first := len(b)
	b = slices.Grow(b, stride*n)[:first+stride*n]
	for from := 0; from < n; from += some {
		for c, v := range volts {
			kernel.Counts(b[first+stride*from+2*c:], stride, v[from:min(from+some, n)], w.one[c])
		}
	}
	return b
}

// appendSample appends a number as the file has it.
func (w *Writer) appendSample(b []byte, x float64) []byte {
	bits := math.Float32bits(float32(x))
	if w.typ.integer() {
		top := float64(int(1) << (w.Bits - 1))
		bits = uint32(int32(max(-top, min(top-1, math.RoundToEven(x)))) << w.shift)
	}
	if w.typ.kind == 'u' {
		bits ^= 0x80
	}
	return binary.LittleEndian.AppendUint32(b, bits)[:len(b)+w.typ.size]
}

// Close writes what is buffered and what follows the samples. It is an error if the samples are not as many as the
// Description states.
func (w *Writer) Close() error {
	if err := w.data.Flush(); err != nil {
		return err
	}
	if w.Samples > 0 && w.row != w.Samples {
		return fmt.Errorf("%d samples written, the header states %d", w.row, w.Samples)
	}
	return w.finish()
}

// bytes of all samples, for headers that state them.
func (w *Writer) bytes() (int64, error) {
	if w.Samples <= 0 {
		return 0, fmt.Errorf("a %s file states its number of samples at its start, which is not known: write SigMF", w.Format)
	}
	return w.Samples * int64(len(w.Names)) * int64(w.typ.size), nil
}
