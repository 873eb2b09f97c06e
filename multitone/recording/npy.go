package recording

import (
	"cmp"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
)

const npyMagic = "\x93NUMPY"

// maxNPYHeader bounds the header text; NumPy itself writes a few hundred bytes.
const maxNPYHeader = 1 << 20

// parseNPY reads the header of a NumPy array file, versions 1 to 3 (NumPy documentation, numpy.lib.format). A 1-D
// array is one channel; the rows of a 2-D array are samples, its columns channels. If the caller expects as many
// channels as there are rows, and not as many as there are columns, the rows are channels.
func parseNPY(f io.ReaderAt, name string, size int64, opt Options) (*layout, error) {
	var pre [12]byte
	if err := readAt(f, pre[:10], 0); err != nil || string(pre[:6]) != npyMagic {
		return nil, fmt.Errorf("%s: starts with %q, not \\x93NUMPY; if it is no .npy, give its format", name, pre[:6])
	}
	at, length := int64(10), int64(binary.LittleEndian.Uint16(pre[8:]))
	switch pre[6] {
	case 1:
	case 2, 3:
		if readAt(f, pre[8:12], 8) != nil {
			return nil, fmt.Errorf("%s: the header is cut off", name)
		}
		at, length = 12, int64(binary.LittleEndian.Uint32(pre[8:]))
	default:
		return nil, fmt.Errorf("%s: .npy version %d.%d is not known; versions 1 to 3 are read", name, pre[6], pre[7])
	}
	if length > maxNPYHeader || at+length > size {
		return nil, fmt.Errorf("%s: header of %d bytes in a file of %d; it is damaged", name, length, size)
	}
	text := make([]byte, length)
	if err := readAt(f, text, at); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	h, descr, err := parseNPYHeader(string(text))
	if err != nil {
		return nil, fmt.Errorf("%s: header %.80q: %w", name, strings.TrimSpace(string(text)), err)
	}
	l := &layout{format: "NumPy", planar: *h.Fortran}
	if l.typ, err = npyType(descr); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	l.bits = 8 * l.typ.size

	rows, cols := int64(0), int64(1)
	switch len(h.Shape) {
	case 1:
		rows = h.Shape[0]
	case 2:
		rows, cols = h.Shape[0], h.Shape[1]
	default:
		return nil, fmt.Errorf("%s: array of %d dimensions; store samples × channels, or one channel as 1-D", name,
			len(h.Shape))
	}
	if rows < 0 {
		return nil, fmt.Errorf("%s: shape %v: %d is no length; it is damaged", name, h.Shape, rows)
	}
	expect := int64(cmp.Or(opt.Channels, len(opt.Names)))
	if len(h.Shape) == 2 && expect > 0 && expect == rows && expect != cols {
		rows, cols, l.planar = cols, rows, !l.planar
	}
	if cols == 1 {
		l.planar = false
	}
	if cols < 1 || cols > maxChannels {
		return nil, fmt.Errorf("%s: shape (%d, %d) would be %d channels: must be 1..%d; transpose it, or say how many "+
			"channels it has", name, h.Shape[0], h.Shape[1], cols, maxChannels)
	}
	l.channels = int(cols)
	at += length
	if have := (size - at) / l.frameBytes(); rows > have {
		return nil, fmt.Errorf("%s: shape %v of %s needs %d samples, the file has %d: it was cut off", name, h.Shape,
			descr, rows, have)
	}
	l.extents = []extent{{count: rows, offset: at}}
	return l, nil
}

// npyType reads a dtype such as <f4.
func npyType(descr string) (sampleType, error) {
	if len(descr) > 1 && descr[1] == 'c' {
		return sampleType{}, fmt.Errorf("dtype %q: complex samples cannot be demodulated as one real channel; "+
			"store real and imaginary part as two columns", descr)
	}
	if len(descr) == 3 && strings.ContainsRune("<>|=", rune(descr[0])) {
		switch descr[1:] {
		case "i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8", "f4", "f8":
			return sampleType{kind: descr[1], size: int(descr[2] - '0'), big: descr[0] == '>' && descr[2] != '1'}, nil
		}
	}
	return sampleType{}, fmt.Errorf("dtype %q is not read; store one of i1 i2 i4 i8 u1 u2 u4 u8 f4 f8", descr)
}

// npyHeader is the dictionary of a header. It is written in Python, which other quotes, brackets and words make JSON.
type npyHeader struct {
	Descr   any     `json:"descr"` // a text, or a list of named fields
	Fortran *bool   `json:"fortran_order"`
	Shape   []int64 `json:"shape"`
}

var (
	// Python 2 wrote 3L for 3.
	pythonToJSON = strings.NewReplacer("'", `"`, "(", "[", ")", "]", "L,", ",", "L)", "]", "True", "true", "False", "false")
	lastComma    = regexp.MustCompile(`,\s*([\]}])`)
)

func parseNPYHeader(text string) (h npyHeader, descr string, err error) {
	err = json.Unmarshal([]byte(lastComma.ReplaceAllString(pythonToJSON.Replace(text), "$1")), &h)
	descr, plain := h.Descr.(string)
	switch {
	case err != nil: // of JSON, which nobody wrote
		err = errors.New("must be as {'descr': '<f4', 'fortran_order': False, 'shape': (20000, 4)}")
	case h.Descr == nil:
		err = errors.New("no descr")
	case !plain:
		return h, "", errors.New("named fields are not read; store a plain array of samples × channels")
	case h.Fortran == nil:
		err = errors.New("no fortran_order")
	case h.Shape == nil:
		err = errors.New("no shape")
	}
	if err != nil {
		err = fmt.Errorf("%w; it is damaged or no .npy", err)
	}
	return h, descr, err
}

// beginNPY writes the header of version 1.0.
func (w *Writer) beginNPY() error {
	if _, err := w.bytes(); err != nil {
		return err
	}
	descr := fmt.Sprintf("<%c%d", w.typ.kind, w.typ.size)
	if w.typ.size == 1 {
		descr = "|i1"
	}
	head := fmt.Sprintf("{'descr': '%s', 'fortran_order': False, 'shape': (%d, %d), }", descr, w.Samples, len(w.Names))
	const prefix, align = 10, 64
	head += strings.Repeat(" ", (align-(prefix+len(head)+1)%align)%align) + "\n"
	b := binary.LittleEndian.AppendUint16([]byte(npyMagic+"\x01\x00"), uint16(len(head)))
	_, err := w.data.Write(append(b, head...))
	return err
}
