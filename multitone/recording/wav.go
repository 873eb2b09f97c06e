package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// WAVE format tags and what follows the tag in the sub-format GUIDs of WAVEFORMATEXTENSIBLE
// (Multimedia Programming Interface and Data Specifications 1.0, 1991; KSDATAFORMAT_SUBTYPE_…).
const (
	wavPCM        = 1
	wavFloat      = 3
	wavExtensible = 0xfffe
	wavGUIDTail   = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"
)

// maxWAVChunks bounds the search for the samples in a damaged file.
const maxWAVChunks = 4096

func isWAV(head []byte) bool {
	return len(head) >= 12 && string(head[8:12]) == "WAVE" &&
		(string(head[:4]) == "RIFF" || string(head[:4]) == "RF64" || string(head[:4]) == "BW64")
}

// parseWAV finds the samples of a file. A data chunk that claims more than the file holds, or that a piped writer could
// not size, ends with the file.
func parseWAV(f io.ReaderAt, name string, size int64) (*layout, error) {
	l, at, length, err := wavHeader(f, name)
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return nil, fmt.Errorf("%s: no data chunk within %d bytes; the recording was cut off or is no WAV", name, size)
	case err != nil:
		return nil, err
	}
	if have := max(0, size-at); length < 0 || length > have {
		if length >= 0 {
			l.warnf("%s: the header promises %d bytes of samples, the file has %d: read to its end", name, length, have)
		} else {
			l.warnf("%s: the header does not state the number of samples: read to the end of the file", name)
		}
		length = have
	}
	l.fill(name, at, length)
	return l, nil
}

// wavHeader reads the chunks up to the samples, which begin at a byte and take so many, negative where the writer did
// not know. RF64 and BW64 keep the 64-bit sizes in ds64 (EBU Tech 3306). A header without samples is
// io.ErrUnexpectedEOF.
func wavHeader(f io.ReaderAt, name string) (l *layout, at, length int64, err error) {
	fail := func(format string, args ...any) (*layout, int64, int64, error) {
		return nil, 0, 0, fmt.Errorf(format, args...)
	}
	var head [12]byte
	if err := readAt(f, head[:], 0); err != nil && err != io.ErrUnexpectedEOF {
		return nil, 0, 0, err
	}
	if !isWAV(head[:]) {
		if string(head[:4]) == "RIFX" {
			return fail("%s: big-endian WAV (RIFX) is not read; convert it to RIFF", name)
		}
		return fail("%s: starts with %q, not RIFF or RF64 and WAVE; if it is no WAV, give its format", name, bytes.TrimRight(head[:], "\x00"))
	}
	l = &layout{format: "WAV"}
	large := string(head[:4]) != "RIFF"
	if large {
		l.format = "RF64"
	}
	ds64Data, known := int64(-1), false
	at = 12
	for range maxWAVChunks {
		var h [8]byte
		if err := readAt(f, h[:], at); err != nil {
			return nil, 0, 0, err
		}
		id, length := string(h[:4]), int64(binary.LittleEndian.Uint32(h[4:]))
		at += 8
		switch id {
		case "ds64":
			var b [16]byte
			if length < 24 || readAt(f, b[:], at) != nil {
				return fail("%s: byte %d: ds64 chunk of %d bytes, needs 24; the header is damaged", name, at, length)
			}
			ds64Data = int64(binary.LittleEndian.Uint64(b[8:]))
			if known = true; ds64Data < -1 {
				return fail("%s: byte %d: ds64 states %d bytes of data; the header is damaged", name, at, uint64(ds64Data))
			}
		case "fmt ":
			if err := l.wavFormat(f, name, at, length); err != nil {
				return nil, 0, 0, err
			}
		case "data":
			if l.channels == 0 {
				return fail("%s: byte %d: data before the fmt chunk; the header is damaged", name, at-8)
			}
			if length == 0xffffffff {
				if large && !known {
					return fail("%s: RF64 without its ds64 chunk; the header is damaged", name)
				}
				length = ds64Data
			}
			return l, at, length, nil
		}
		at += length + length&1 // chunks are padded to even
	}
	return fail("%s: more than %d chunks before the samples; the header is damaged", name, maxWAVChunks)
}

// wavFormat reads the fmt chunk.
func (l *layout) wavFormat(f io.ReaderAt, name string, at, length int64) error {
	if length < 16 {
		return fmt.Errorf("%s: byte %d: fmt chunk of %d bytes, needs 16; the header is damaged", name, at, length)
	}
	b := make([]byte, min(length, 40))
	if readAt(f, b, at) != nil {
		return fmt.Errorf("%s: byte %d: the fmt chunk is cut off", name, at)
	}
	le := binary.LittleEndian
	tag, channels, rate := le.Uint16(b), int(le.Uint16(b[2:])), le.Uint32(b[4:])
	align, bits := int(le.Uint16(b[12:])), int(le.Uint16(b[14:]))
	valid := bits
	if tag == wavExtensible {
		if len(b) < 40 || string(b[26:40]) != wavGUIDTail {
			return fmt.Errorf("%s: byte %d: extensible fmt chunk with an unknown sub-format; store PCM or float", name, at)
		}
		tag = le.Uint16(b[24:])
		if v := int(le.Uint16(b[18:])); v > 0 {
			valid = v
		}
	}
	switch {
	case channels < 1 || channels > maxChannels:
		return fmt.Errorf("%s: byte %d: %d channels: must be 1..%d", name, at+2, channels, maxChannels)
	case rate == 0:
		return fmt.Errorf("%s: byte %d: sample rate 0 Hz; the header is damaged", name, at+4)
	case align%channels != 0 || align/channels*8 < bits || bits == 0 || valid > bits:
		return fmt.Errorf("%s: byte %d: %d bits (%d valid) in %d bytes for %s do not fit together; the header is damaged",
			name, at+12, bits, valid, align, plural(channels, "channel"))
	}
	l.typ = sampleType{kind: 'i', size: align / channels}
	switch {
	case tag == wavPCM && l.typ.size == 1:
		l.typ.kind = 'u'
	case tag == wavPCM && l.typ.size <= 4:
	case tag == wavFloat && (bits == 32 || bits == 64) && l.typ.size == bits/8:
		l.typ.kind, l.unit = 'f', true
	case tag == wavPCM || tag == wavFloat:
		return fmt.Errorf("%s: byte %d: %d-bit samples of format tag %d are not read; store 8 to 32 bit PCM, or 32 or "+
			"64 bit float", name, at, bits, tag)
	default:
		return fmt.Errorf("%s: byte %d: format tag %d (compressed) is not read; store PCM or float", name, at, tag)
	}
	l.channels, l.rate, l.bits = channels, float64(rate), valid
	return nil
}

func (w *Writer) beginWAV() error {
	const header = 12 + 8 + 40 + 8 // at most
	size, err := w.bytes()
	if err != nil {
		return err
	}
	pad := size & 1
	if size+pad > math.MaxUint32-header {
		return fmt.Errorf("%d bytes of samples: a WAV file holds 4 GiB, write SigMF", size)
	}
	b, err := w.wavHead([]byte("RIFF\x00\x00\x00\x00"), nil)
	if err != nil {
		return err
	}
	b = binary.LittleEndian.AppendUint32(append(b, "data"...), uint32(size))
	binary.LittleEndian.PutUint32(b[4:], uint32(int64(len(b)-8)+size+pad))
	w.finish = func() error {
		w.data.Write(make([]byte, pad))
		return w.data.Flush()
	}
	_, err = w.data.Write(b)
	return err
}

// beginRF64 writes the same for a WAV of any length (EBU Tech 3306): its sizes, in the chunk ds64, are open until the
// end is there.
func (w *Writer) beginRF64(data io.Writer) error {
	const open = math.MaxUint32
	le := binary.LittleEndian
	sizes := func(riff, data, samples uint64) []byte {
		return le.AppendUint64(le.AppendUint64(le.AppendUint64(nil, riff), data), samples)
	}
	ds64 := le.AppendUint32([]byte("ds64"), 28)
	ds64 = append(ds64, sizes(math.MaxUint64, math.MaxUint64, math.MaxUint64)...)
	ds64 = le.AppendUint32(ds64, 0) // no further chunks are large
	b, err := w.wavHead(le.AppendUint32([]byte("RF64"), open), ds64)
	if err != nil {
		return err
	}
	b = le.AppendUint32(append(b, "data"...), open)
	header := int64(len(b))
	w.finish = func() error {
		size := w.row * int64(len(w.Names)) * int64(w.typ.size)
		w.data.Write(make([]byte, size&1))
		notes := w.cues()
		w.data.Write(notes)
		if err := w.data.Flush(); err != nil {
			return err
		}
		file, ok := data.(io.WriterAt)
		if !ok {
			return nil
		}
		_, err := file.WriteAt(sizes(uint64(header-8+size+size&1+int64(len(notes))), uint64(size), uint64(w.row)), 12+8)
		return err
	}
	_, err = w.data.Write(b)
	return err
}

// cues are the notes of Break and Annotate as chunks behind the samples: cue points, and a
// list of their labels and lengths. Cue points have samples of 32 bits: later ones are not
// noted. Nil: there are none.
//
// Source: IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0
// (1991), Waveform Audio File Format: cue-ck, and assoc-data-list with labl-ck and ltxt-ck (not
// checked against the original).
func (w *Writer) cues() []byte {
	le := binary.LittleEndian
	chunk := func(to []byte, id string, body []byte) []byte {
		to = append(le.AppendUint32(append(to, id...), uint32(len(body))), body...)
		return append(to, make([]byte, len(body)&1)...)
	}
	var points []byte
	list := []byte("adtl")
	n := uint32(0)
	add := func(start, length int64, words string) {
		if start+length > math.MaxUint32 {
			return
		}
		n++
		points = le.AppendUint32(le.AppendUint32(points, n), uint32(start))
		points = le.AppendUint32(append(points, "data"...), 0)
		points = le.AppendUint32(le.AppendUint32(points, 0), uint32(start))
		list = chunk(list, "labl", append(append(le.AppendUint32(nil, n), words...), 0))
		if length > 0 {
			text := append(le.AppendUint32(le.AppendUint32(nil, n), uint32(length)), "rgn "...)
			list = chunk(list, "ltxt", append(text, make([]byte, 8)...)) // country, language, dialect, code page: none
		}
	}
	for _, c := range w.notes {
		add(c.start, c.length, c.words)
	}
	if n == 0 {
		return nil
	}
	return chunk(chunk(nil, "cue ", append(le.AppendUint32(nil, n), points...)), "LIST", list)
}

// wavHead is what stands before the data chunk, after the form's name and size: chunks that come first, and fmt. That is
// WAVE_FORMAT_EXTENSIBLE for more than two channels, whose loudspeakers a plain header leaves open, and for floats;
// integers of one or two channels have the plain header, as many readers know no other.
func (w *Writer) wavHead(b, first []byte) ([]byte, error) {
	if w.SampleRate != math.Trunc(w.SampleRate) || w.SampleRate > math.MaxUint32 {
		return nil, fmt.Errorf("a WAV file has a whole sample rate, not %g Hz: write SigMF", w.SampleRate)
	}
	tag := uint16(wavPCM)
	if w.Bits == 0 {
		tag = wavFloat
	} else if w.Bits == 8 {
		w.typ.kind = 'u'
	}
	le := binary.LittleEndian
	frame, bits := len(w.Names)*w.typ.size, uint16(8*w.typ.size)
	b = append(append(b, "WAVE"...), first...)
	plain := len(w.Names) <= 2 && tag == wavPCM
	if plain {
		b = le.AppendUint16(le.AppendUint32(append(b, "fmt "...), 16), tag)
	} else {
		b = le.AppendUint16(le.AppendUint32(append(b, "fmt "...), 40), wavExtensible)
	}
	b = le.AppendUint16(b, uint16(len(w.Names)))
	b = le.AppendUint32(b, uint32(w.SampleRate))
	b = le.AppendUint32(b, uint32(w.SampleRate)*uint32(frame))
	b = le.AppendUint16(b, uint16(frame))
	b = le.AppendUint16(b, bits)
	if plain {
		return b, nil
	}
	b = le.AppendUint16(b, 22)
	b = le.AppendUint16(b, bits)
	b = le.AppendUint32(b, 0) // no loudspeaker positions
	return append(le.AppendUint16(b, tag), wavGUIDTail...), nil
}
