package recording

import (
	"encoding/binary"
	"fmt"
	"io"
	"strconv"
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
	h, err := parseNPYHeader(string(text))
	if err != nil {
		return nil, fmt.Errorf("%s: header %.80q: %w", name, strings.TrimSpace(string(text)), err)
	}
	l := &layout{format: "NumPy", planar: h.fortran}
	if l.typ, err = npyType(h.descr); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	l.bits = 8 * l.typ.size

	rows, cols := int64(0), int64(1)
	switch len(h.shape) {
	case 1:
		rows = h.shape[0]
	case 2:
		rows, cols = h.shape[0], h.shape[1]
	default:
		return nil, fmt.Errorf("%s: array of %d dimensions; store samples × channels, or one channel as 1-D", name,
			len(h.shape))
	}
	expect := int64(opt.Channels)
	if expect == 0 {
		expect = int64(len(opt.Names))
	}
	if len(h.shape) == 2 && expect > 0 && expect == rows && expect != cols {
		rows, cols, l.planar = cols, rows, !l.planar
	}
	if cols == 1 {
		l.planar = false
	}
	if cols < 1 || cols > maxChannels {
		return nil, fmt.Errorf("%s: shape (%d, %d) would be %d channels: must be 1..%d; transpose it, or say how many "+
			"channels it has", name, h.shape[0], h.shape[1], cols, maxChannels)
	}
	l.channels = int(cols)
	at += length
	if have := (size - at) / l.frameBytes(); rows > have {
		return nil, fmt.Errorf("%s: shape %v of %s needs %d samples, the file has %d: it was cut off", name, h.shape,
			h.descr, rows, have)
	}
	l.extents = []extent{{count: rows, offset: at}}
	return l, nil
}

// npyType reads a dtype such as <f4.
func npyType(descr string) (sampleType, error) {
	const mend = "store one of i1 i2 i4 i8 u1 u2 u4 u8 f4 f8"
	bad := fmt.Errorf("dtype %q is not read; %s", descr, mend)
	if len(descr) != 3 || !strings.ContainsRune("<>|=", rune(descr[0])) {
		if len(descr) > 1 && descr[1] == 'c' {
			return sampleType{}, fmt.Errorf("dtype %q: complex samples cannot be demodulated as one real channel; "+
				"store real and imaginary part as two columns", descr)
		}
		return sampleType{}, bad
	}
	t := sampleType{kind: descr[1], size: int(descr[2] - '0'), big: descr[0] == '>' && descr[2] != '1'}
	switch descr[1:] {
	case "i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8", "f4", "f8":
		return t, nil
	case "c8":
		return t, fmt.Errorf("dtype %q: complex samples cannot be demodulated as one real channel; store real and "+
			"imaginary part as two columns", descr)
	}
	return t, bad
}

type npyHeader struct {
	descr   string
	fortran bool
	shape   []int64
}

// parseNPYHeader reads the literal Python dictionary with the keys descr, fortran_order and shape, in any order.
func parseNPYHeader(s string) (h npyHeader, err error) {
	damaged := func(what string) error { return fmt.Errorf("%s; it is damaged or no .npy", what) }
	s = strings.TrimSpace(s)
	if len(s) < 2 || s[0] != '{' || s[len(s)-1] != '}' {
		return h, damaged("not a dictionary")
	}
	s = s[1 : len(s)-1]
	seen := map[string]bool{}
	for {
		s = strings.TrimLeft(s, " \t\r\n,")
		if s == "" {
			break
		}
		var key string
		if key, s, err = quoted(s); err != nil {
			return h, err
		}
		if seen[key] {
			return h, damaged("key " + key + " twice")
		}
		seen[key] = true
		rest, ok := strings.CutPrefix(strings.TrimSpace(s), ":")
		if !ok {
			return h, damaged("no value for " + key)
		}
		s = strings.TrimSpace(rest)
		switch key {
		case "descr":
			if strings.HasPrefix(s, "[") {
				return h, fmt.Errorf("named fields are not read; store a plain array of samples × channels")
			}
			h.descr, s, err = quoted(s)
		case "fortran_order":
			if rest, ok := strings.CutPrefix(s, "True"); ok {
				h.fortran, s = true, rest
			} else if rest, ok := strings.CutPrefix(s, "False"); ok {
				s = rest
			} else {
				err = damaged("fortran_order is neither True nor False")
			}
		case "shape":
			h.shape, s, err = parseShape(s)
		default:
			err = damaged(fmt.Sprintf("unknown key %q", key))
		}
		if err != nil {
			return h, err
		}
	}
	for _, key := range []string{"descr", "fortran_order", "shape"} {
		if !seen[key] {
			return h, damaged("no " + key)
		}
	}
	return h, nil
}

func quoted(s string) (text, rest string, err error) {
	if s == "" || s[0] != '\'' && s[0] != '"' {
		return "", "", fmt.Errorf("no quoted text at %.20q; it is damaged or no .npy", s)
	}
	text, rest, ok := strings.Cut(s[1:], s[:1])
	if !ok {
		return "", "", fmt.Errorf("text %.20q has no end; it is damaged or no .npy", s)
	}
	return text, rest, nil
}

func parseShape(s string) (shape []int64, rest string, err error) {
	inner, rest, ok := strings.Cut(s, ")")
	if !ok || !strings.HasPrefix(inner, "(") {
		return nil, "", fmt.Errorf("shape %.20q is no tuple; it is damaged or no .npy", s)
	}
	for _, part := range strings.Split(inner[1:], ",") {
		part = strings.TrimSuffix(strings.TrimSpace(part), "L") // Python 2 wrote 3L
		if part == "" {
			continue
		}
		n, err := strconv.ParseInt(part, 10, 64)
		if err != nil || n < 0 || len(shape) == 32 {
			return nil, "", fmt.Errorf("shape %.40q: %q is no length; it is damaged", inner+")", part)
		}
		shape = append(shape, n)
	}
	return shape, rest, nil
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
