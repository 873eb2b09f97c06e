package simulate

import (
	"bufio"
	"crypto/sha512"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"io"
	"math"
	"strconv"
	"strings"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
)

// splitRecordingName returns an output's stem and format: sigmf for
// .sigmf-meta, .sigmf-data and names without one of the extensions .wav, .npy
// and .csv.
func splitRecordingName(out string) (stem, format string) {
	for _, ext := range []string{".sigmf-meta", ".sigmf-data"} {
		if s, ok := strings.CutSuffix(out, ext); ok {
			return s, "sigmf"
		}
	}
	for _, ext := range []string{".wav", ".npy", ".csv"} {
		if s, ok := strings.CutSuffix(out, ext); ok {
			return s, ext[1:]
		}
	}
	return out, "sigmf"
}

// recordingWriter encodes blocks of samples.
type recordingWriter struct {
	name      string // the file that a person names
	channels  int
	bits      int
	text      bool // CSV
	w         *bufio.Writer
	bytes     int       // a sample
	shift     int       // of a code to the left of its container
	unsigned  bool      // 8-bit WAV
	divisor   []float64 // of float samples, a channel: volts of 1
	rate      float64
	row       int64
	scratch   []byte
	close     func() error // writes what follows the samples
	dataBytes int64
}

// openRecording begins a recording of known length.
//
//   - SigMF: ri8, ri16_le, ri32_le (24 bits to the left: the volts of a full
//     scale are the same) or rf32_le, with the data's SHA-512;
//   - WAV: 8-, 16- or 24-bit PCM, or 32-bit float with ±1 = full_scale_v;
//   - NumPy: samples × channels, int8, int16, int32 (24 bits to the left) or float32;
//   - CSV: time_s and volts.
func openRecording(out *files.Batch, stem, format string, r *rig.Rig, o Options, samples int64) (*recordingWriter, error) {
	if o.Bits != 0 && o.Bits != 8 && o.Bits != 16 && o.Bits != 24 {
		return nil, fmt.Errorf("--bits %d: must be 8, 16 or 24, or 0 for float samples", o.Bits)
	}
	w := &recordingWriter{channels: len(r.Channels), bits: o.Bits, rate: o.RateHz, bytes: o.Bits / 8, text: format == "csv"}
	if o.Bits == 0 {
		w.bytes = 4
	}
	for range r.Channels {
		w.divisor = append(w.divisor, 1)
	}
	if format != "wav" && o.Bits == 24 {
		w.bytes, w.shift = 4, 8
	}
	w.dataBytes = samples * int64(w.channels) * int64(w.bytes)
	switch format {
	case "sigmf":
		return w, w.openSigMF(out, stem, o)
	case "wav":
		return w, w.openWAV(out, stem+".wav", r, o)
	case "npy":
		return w, w.openNumPy(out, stem+".npy", samples)
	}
	return w, w.openCSV(out, stem+".csv", r)
}

func (w *recordingWriter) openSigMF(out *files.Batch, stem string, o Options) error {
	w.name = stem + ".sigmf-meta"
	meta, err := out.Create(w.name)
	if err != nil {
		return err
	}
	data, err := out.Create(stem + ".sigmf-data")
	if err != nil {
		return err
	}
	sum := sha512.New()
	w.w = bufio.NewWriterSize(io.MultiWriter(data, sum), 1<<18)
	w.close = func() error { return writeSigMFMeta(meta, w, o, sum) }
	return nil
}

// writeSigMFMeta follows SigMF 1.2.
func writeSigMFMeta(to io.Writer, w *recordingWriter, o Options, sum hash.Hash) error {
	datatype := map[int]string{0: "rf32_le", 8: "ri8", 16: "ri16_le", 24: "ri32_le"}[w.bits]
	meta := map[string]any{
		"global": map[string]any{
			"core:datatype":     datatype,
			"core:sample_rate":  w.rate,
			"core:version":      "1.2.0",
			"core:num_channels": w.channels,
			"core:sha512":       hex.EncodeToString(sum.Sum(nil)),
			"core:description":  fmt.Sprintf("Simulated; invented data, seed %d", o.Seed),
			"core:recorder":     "tonepose simulate",
		},
		"captures": []any{map[string]any{
			"core:sample_start": 0,
			"core:datetime":     o.Start.UTC().Format("2006-01-02T15:04:05.999999Z"),
		}},
		"annotations": []any{},
	}
	e := json.NewEncoder(to)
	e.SetIndent("", "  ")
	return e.Encode(meta)
}

// openWAV follows RIFF WAVE with WAVE_FORMAT_EXTENSIBLE, which more than two
// channels or 16 bits ask for.
func (w *recordingWriter) openWAV(out *files.Batch, name string, r *rig.Rig, o Options) error {
	const header = 12 + 8 + 40 + 8
	w.name = name
	pad := w.dataBytes & 1
	if w.dataBytes+pad > math.MaxUint32-header {
		return fmt.Errorf("%s: %d bytes of samples: a WAV file holds 4 GiB, write SigMF", name, w.dataBytes)
	}
	if w.rate != math.Trunc(w.rate) || w.rate > math.MaxUint32 {
		return fmt.Errorf("%s: a WAV file has a whole sample rate, not %g Hz: write SigMF", name, w.rate)
	}
	if w.bits == 0 {
		for c, ch := range r.Channels {
			if ch.FullScaleV == 0 {
				return fmt.Errorf("channel %s has no full_scale_v, which ±1 of a float WAV stands for: state it in the rig", ch.Name)
			}
			w.divisor[c] = ch.FullScaleV
		}
	}
	w.unsigned = w.bits == 8
	f, err := out.Create(name)
	if err != nil {
		return err
	}
	w.w = bufio.NewWriterSize(f, 1<<18)
	frame := uint16(w.channels * w.bytes)
	tag := byte(1)
	if w.bits == 0 {
		tag = 3 // IEEE float
	}
	b := append([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(header-8+w.dataBytes+pad))...)
	b = append(b, "WAVEfmt "...)
	b = binary.LittleEndian.AppendUint32(b, 40)
	b = binary.LittleEndian.AppendUint16(b, 0xfffe)
	b = binary.LittleEndian.AppendUint16(b, uint16(w.channels))
	b = binary.LittleEndian.AppendUint32(b, uint32(w.rate))
	b = binary.LittleEndian.AppendUint32(b, uint32(w.rate)*uint32(frame))
	b = binary.LittleEndian.AppendUint16(b, frame)
	b = binary.LittleEndian.AppendUint16(b, uint16(8*w.bytes))
	b = binary.LittleEndian.AppendUint16(b, 22)
	b = binary.LittleEndian.AppendUint16(b, uint16(8*w.bytes))
	b = binary.LittleEndian.AppendUint32(b, 0) // no loudspeaker positions
	b = append(b, tag, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71)
	b = append(b, "data"...)
	b = binary.LittleEndian.AppendUint32(b, uint32(w.dataBytes))
	w.close = func() error {
		_, err := f.Write(make([]byte, pad))
		return err
	}
	_, err = w.w.Write(b)
	return err
}

// openNumPy follows the NumPy format 1.0.
func (w *recordingWriter) openNumPy(out *files.Batch, name string, samples int64) error {
	w.name = name
	f, err := out.Create(name)
	if err != nil {
		return err
	}
	w.w = bufio.NewWriterSize(f, 1<<18)
	descr := map[int]string{0: "<f4", 8: "|i1", 16: "<i2", 24: "<i4"}[w.bits]
	head := fmt.Sprintf("{'descr': '%s', 'fortran_order': False, 'shape': (%d, %d), }", descr, samples, w.channels)
	const prefix, align = 10, 64
	head += strings.Repeat(" ", (align-(prefix+len(head)+1)%align)%align) + "\n"
	b := append([]byte("\x93NUMPY\x01\x00"), binary.LittleEndian.AppendUint16(nil, uint16(len(head)))...)
	_, err = w.w.Write(append(b, head...))
	return err
}

func (w *recordingWriter) openCSV(out *files.Batch, name string, r *rig.Rig) error {
	w.name = name
	f, err := out.Create(name)
	if err != nil {
		return err
	}
	w.w = bufio.NewWriterSize(f, 1<<18)
	w.w.WriteString("time_s")
	for _, c := range r.Channels {
		w.w.WriteString("," + c.Name)
	}
	_, err = w.w.WriteString("\n")
	return err
}

// writeCounts writes interleaved codes.
func (w *recordingWriter) writeCounts(codes []int32) error {
	b := w.scratch[:0]
	for _, c := range codes {
		c <<= w.shift
		if w.unsigned {
			c += 128
		}
		switch w.bytes {
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
	_, err := w.w.Write(b)
	return err
}

// writeVolts writes n samples of every channel as 32-bit floats or as text.
func (w *recordingWriter) writeVolts(volts [][]float64, n int) error {
	b := w.scratch[:0]
	for i := range n {
		if w.text {
			b = strconv.AppendFloat(b, float64(w.row)/w.rate, 'g', 12, 64)
		}
		for c := range volts {
			if w.text {
				b = strconv.AppendFloat(append(b, ','), volts[c][i], 'g', 9, 64)
				continue
			}
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(volts[c][i]/w.divisor[c])))
		}
		if w.text {
			b = append(b, '\n')
		}
		w.row++
	}
	w.scratch = b
	_, err := w.w.Write(b)
	return err
}

// finish writes what is buffered and what follows the samples.
func (w *recordingWriter) finish() error {
	if err := w.w.Flush(); err != nil {
		return err
	}
	if w.close == nil {
		return nil
	}
	return w.close()
}
