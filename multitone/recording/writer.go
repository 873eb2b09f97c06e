package recording

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"
	"time"
)

// Description says what a Writer writes.
type Description struct {
	// Format is "sigmf", "wav", "npy", "csv", or "raw" for interleaved samples without any header.
	Format     string
	SampleRate float64  // Hz
	Names      []string // one a channel
	// Bits of integer samples: 8, 16 or 24. 0 stands for 32-bit floats, in volts except in a WAV. A CSV holds volts in
	// any case.
	Bits int
	// Samples of each channel, which the headers of WAV and NumPy state before the first of them; 0: not known.
	Samples int64
	// FullScale [V] of each channel: what ±1 of a float WAV stands for.
	FullScale []float64
	Start     time.Time // of the first sample; SigMF, zero if not known
	Text      string    // what the recording is; SigMF
	Recorder  string    // what made it; SigMF
}

// Writer encodes blocks of samples as they come, in bounded memory:
//
//   - SigMF: ri8, ri16_le, ri32_le (24 bits to the left: the volts of a full scale are the same) or rf32_le, with the
//     data's SHA-512;
//   - WAV: 8-, 16- or 24-bit PCM, or 32-bit float with ±1 for the full scale, up to 4 GiB;
//   - NumPy: samples × channels, int8, int16, int32 (24 bits to the left) or float32;
//   - CSV: time_s and volts;
//   - raw: ri8, ri16_le, ri24_le or rf32_le.
type Writer struct {
	Description
	typ     sampleType
	shift   int       // of a code to the left of its container
	divisor []float64 // of float samples, a channel: volts of 1
	data    *bufio.Writer
	row     int64 // samples of each channel so far
	scratch []byte
	finish  func() error // writes what follows the samples
}

// Output names the files of a recording that is to be written.
type Output struct {
	Stem   string // for the names of what belongs to it
	Format string // as in Description
	Data   string
	Meta   string // of SigMF, else empty
}

// OutputOf tells format and files from a name: wav, npy or csv by its extension; else sigmf, named by its .sigmf-meta,
// its .sigmf-data or their stem.
func OutputOf(name string) Output {
	for _, format := range []string{"wav", "npy", "csv"} {
		if stem, ok := strings.CutSuffix(name, "."+format); ok {
			return Output{Stem: stem, Format: format, Data: name}
		}
	}
	stem := sigmfStem(name)
	return Output{Stem: stem, Format: "sigmf", Data: stem + dataExt, Meta: stem + metaExt}
}

// NewWriter begins a recording and writes its header. meta is the metadata file of a SigMF recording and is not used
// otherwise. The files stay the caller's to close.
func NewWriter(data, meta io.Writer, d Description) (*Writer, error) {
	w := &Writer{Description: d, typ: sampleType{kind: 'i', size: d.Bits / 8}}
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
	w.divisor = make([]float64, len(d.Names))
	for c := range w.divisor {
		w.divisor[c] = 1
	}
	w.data = bufio.NewWriterSize(data, 1<<18)
	var err error
	switch d.Format {
	case "sigmf":
		w.beginSigMF(data, meta)
	case "wav":
		err = w.beginWAV()
	case "npy":
		err = w.beginNPY()
	case "csv":
		err = w.beginCSV()
	case "raw":
	default:
		err = fmt.Errorf("format %q: must be sigmf, wav, npy, csv or raw", d.Format)
	}
	if err != nil {
		return nil, err
	}
	return w, nil
}

// Counts tells whether WriteCounts takes the samples; else WritePlanar does.
func (w *Writer) Counts() bool { return w.typ.integer() && w.Format != "csv" }

// WriteCounts writes signed counts of Bits, all channels of a sample side by side.
func (w *Writer) WriteCounts(counts []int32) error {
	if channels := len(w.Names); !w.Counts() || len(counts)%channels != 0 {
		panic(fmt.Sprintf("recording: WriteCounts: %d counts of %d channels into %s", len(counts), channels, w.typ))
	}
	b := w.scratch[:0]
	for _, c := range counts {
		c <<= w.shift
		if w.typ.kind == 'u' {
			c += 128
		}
		switch w.typ.size {
		case 1:
			b = append(b, byte(c))
		case 2:
			b = append(b, byte(c), byte(c>>8))
		case 3:
			b = append(b, byte(c), byte(c>>8), byte(c>>16))
		default:
			b = append(b, byte(c), byte(c>>8), byte(c>>16), byte(c>>24))
		}
	}
	w.scratch = b
	w.row += int64(len(counts) / len(w.Names))
	_, err := w.data.Write(b)
	return err
}

// WritePlanar writes volts, one slice a channel, of equal lengths.
func (w *Writer) WritePlanar(volts [][]float64) error {
	if len(volts) != len(w.Names) || w.Counts() {
		panic(fmt.Sprintf("recording: WritePlanar: %d slices for %d channels of %s", len(volts), len(w.Names), w.typ))
	}
	b := w.scratch[:0]
	for i := range volts[0] {
		if w.Format == "csv" {
			b = w.appendLine(b, volts, i)
		} else {
			for c := range volts {
				b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(volts[c][i]/w.divisor[c])))
			}
		}
		w.row++
	}
	w.scratch = b
	_, err := w.data.Write(b)
	return err
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
	if w.finish == nil {
		return nil
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
