package recording

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// save writes a file into a fresh directory and returns its path.
func save(t testing.TB, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func open(t testing.TB, path string, opt Options) *Reader {
	t.Helper()
	r, err := Open(context.Background(), path, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// openError opens what must fail; the message has to name every part: value, place, mend.
func openError(t *testing.T, path string, opt Options, parts ...string) {
	t.Helper()
	r, err := Open(context.Background(), path, opt)
	if err == nil {
		r.Close()
		t.Fatalf("opened, expected an error about %q", parts)
	}
	contains(t, err, parts...)
}

func contains(t *testing.T, err error, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(err.Error(), p) {
			t.Errorf("error lacks %q:\n%v", p, err)
		}
	}
	if strings.HasSuffix(err.Error(), ".") {
		t.Errorf("full stop at the end: %v", err)
	}
}

// encode stores v, a count or a float, as the type says; written with encoding/binary, independently of the decoders.
func encode(t testing.TB, typ sampleType, v float64) []byte {
	t.Helper()
	var order binary.ByteOrder = binary.LittleEndian
	if typ.big {
		order = binary.BigEndian
	}
	var x any
	name, _, _ := strings.Cut(typ.String(), "_")
	switch name {
	case "ri8":
		x = int8(v)
	case "ru8":
		x = uint8(v + 1<<7)
	case "ri16":
		x = int16(v)
	case "ru16":
		x = uint16(v + 1<<15)
	case "ri24":
		b := encode(t, sampleType{'i', 4, typ.big}, v)
		if typ.big {
			return b[1:]
		}
		return b[:3]
	case "ri32":
		x = int32(v)
	case "ru32":
		x = uint32(v + 1<<31)
	case "ri64":
		x = int64(v)
	case "ru64":
		x = uint64(int64(v)) + 1<<63
	case "rf32":
		x = float32(v)
	case "rf64":
		x = v
	default:
		t.Fatalf("no encoding for %v", typ)
	}
	var b bytes.Buffer
	if err := binary.Write(&b, order, x); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// ramp is a table of whole numbers from −100 to 100, exact in every sample type.
func ramp(channels, samples int) [][]float64 {
	x := make([][]float64, channels)
	for c := range x {
		x[c] = make([]float64, samples)
		for i := range x[c] {
			x[c][i] = float64((37*i+53*c)%201 - 100)
		}
	}
	return x
}

func interleave(t testing.TB, typ sampleType, x [][]float64) (b []byte) {
	for i := range x[0] {
		for c := range x {
			b = append(b, encode(t, typ, x[c][i])...)
		}
	}
	return b
}

// chunk is one RIFF chunk with its padding.
func chunk(id string, data []byte) []byte {
	b := append([]byte(id), 0, 0, 0, 0)
	binary.LittleEndian.PutUint32(b[4:], uint32(len(data)))
	b = append(b, data...)
	if len(data)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

func riff(id string, chunks ...[]byte) []byte {
	body := append([]byte("WAVE"), bytes.Join(chunks, nil)...)
	b := append([]byte(id), 0, 0, 0, 0)
	binary.LittleEndian.PutUint32(b[4:], uint32(len(body)))
	return append(b, body...)
}

// fmtChunk is a WAVEFORMATEX of 16 bytes, or with valid bits a WAVEFORMATEXTENSIBLE.
func fmtChunk(tag, channels, rate, container, bits, valid int) []byte {
	le := binary.LittleEndian
	first := tag
	if valid > 0 {
		first = wavExtensible
	}
	var b []byte
	b = le.AppendUint16(b, uint16(first))
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*channels*container))
	b = le.AppendUint16(b, uint16(channels*container))
	b = le.AppendUint16(b, uint16(bits))
	if valid > 0 {
		b = le.AppendUint16(b, 22)
		b = le.AppendUint16(b, uint16(valid))
		b = le.AppendUint32(b, 0)
		b = le.AppendUint16(b, uint16(tag))
		b = append(b, wavGUIDTail...)
	}
	return chunk("fmt ", b)
}

// npy writes a header as NumPy does, padded to 64 bytes, with the data.
func npy(version int, descr string, fortran bool, shape string, data []byte) []byte {
	order := "False"
	if fortran {
		order = "True"
	}
	text := fmt.Sprintf("{'descr': '%s', 'fortran_order': %s, 'shape': %s, }", descr, order, shape)
	pre := 10
	if version > 1 {
		pre = 12
	}
	for (pre+len(text)+1)%64 != 0 {
		text += " "
	}
	text += "\n"
	b := append([]byte(npyMagic), byte(version), 0)
	if version > 1 {
		b = binary.LittleEndian.AppendUint32(b, uint32(len(text)))
	} else {
		b = binary.LittleEndian.AppendUint16(b, uint16(len(text)))
	}
	return append(append(b, text...), data...)
}

func scaled(x [][]float64, by float64) [][]float64 {
	y := make([][]float64, len(x))
	for c := range x {
		for _, v := range x[c] {
			y[c] = append(y[c], v*by)
		}
	}
	return y
}

func formatRow(v ...float64) string {
	text := make([]string, len(v))
	for i := range v {
		text[i] = strconv.FormatFloat(v[i], 'g', -1, 64)
	}
	return strings.Join(text, ",") + "\n"
}
