package recording

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"unsafe"
)

// sampleType is how one sample is stored: kind 'i' signed, 'u' offset binary, 'f' float; size in bytes.
type sampleType struct {
	kind byte
	size int
	big  bool // most significant byte first
}

// parseDatatype reads SigMF's names of real sample types (SigMF 1.2, "Dataset format"), and ri24, ri64 and ru64 in the
// same manner, which WAV and NumPy need.
func parseDatatype(s string) (sampleType, error) {
	const known = "give one of ri8 ru8 ri16_le ru16_le ri24_le ri32_le ru32_le rf32_le rf64_le, or _be for big-endian"
	if strings.HasPrefix(s, "c") {
		return sampleType{}, fmt.Errorf("datatype %q: complex samples cannot be demodulated as one real channel; "+
			"store I and Q as two channels of a real type", s)
	}
	var t sampleType
	base, order, _ := strings.Cut(s, "_")
	switch base {
	case "ri8", "ru8", "ri16", "ru16", "ri24", "ri32", "ru32", "ri64", "ru64", "rf32", "rf64":
		var bits int
		fmt.Sscanf(base[2:], "%d", &bits)
		t = sampleType{kind: base[1], size: bits / 8}
	default:
		return t, fmt.Errorf("datatype %q is not known; %s", s, known)
	}
	switch {
	case order == "be":
		t.big = t.size > 1
	case order == "le", base == s && t.size == 1:
	default:
		return t, fmt.Errorf("datatype %q does not end in its byte order; write %s_le or %s_be", s, base, base)
	}
	return t, nil
}

// Datatype says how large a sample of SigMF's name of a type is, and whether it is a count of an ADC.
func Datatype(name string) (bytes int, integer bool, err error) {
	t, err := parseDatatype(name)
	return t.size, t.integer(), err
}

func (t sampleType) integer() bool { return t.kind != 'f' }

// String is SigMF's name of the type.
func (t sampleType) String() string {
	s := fmt.Sprintf("r%c%d", t.kind, 8*t.size)
	switch {
	case t.size == 1:
		return s
	case t.big:
		return s + "_be"
	}
	return s + "_le"
}

// normalise makes stored samples little-endian and signed, so that one set of loops serves all.
func (t sampleType) normalise(b []byte) {
	if t.big {
		swap(b, t.size)
	}
	if t.kind == 'u' {
		for i := t.size - 1; i < len(b); i += t.size {
			b[i] ^= 0x80
		}
	}
}

// swap reverses the bytes of every sample.
func swap(b []byte, size int) {
	switch size {
	case 2:
		for ; len(b) >= 8; b = b[8:] {
			v := binary.LittleEndian.Uint64(b)
			binary.LittleEndian.PutUint64(b, v>>8&0x00ff00ff00ff00ff|v<<8&0xff00ff00ff00ff00)
		}
		for ; len(b) >= 2; b = b[2:] {
			b[0], b[1] = b[1], b[0]
		}
	case 3:
		for ; len(b) >= 3; b = b[3:] {
			b[0], b[2] = b[2], b[0]
		}
	case 4:
		for ; len(b) >= 4; b = b[4:] {
			binary.BigEndian.PutUint32(b, binary.LittleEndian.Uint32(b))
		}
	case 8:
		for ; len(b) >= 8; b = b[8:] {
			binary.BigEndian.PutUint64(b, binary.LittleEndian.Uint64(b))
		}
	}
}

// decoder writes len(dst) samples, found every step bytes in b, as value·scale. It reports whether one was not finite;
// integers always are.
type decoder func(dst []float64, b []byte, step int, scale float64) (nonFinite bool)

// decoder of normalised samples of this type.
func (t sampleType) decoder() decoder {
	switch {
	case t.kind == 'f' && t.size == 4:
		return decodeFloat[float32]
	case t.kind == 'f':
		return decodeFloat[float64]
	}
	return map[int]decoder{1: decodeInt[int8], 2: decodeInt[int16], 3: decodeInt24, 4: decodeInt[int32], 8: decodeInt[int64]}[t.size]
}

func decodeInt[T int8 | int16 | int32 | int64](dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		var v T
		switch unsafe.Sizeof(v) { // known to the compiler
		case 1:
			v = T(b[o])
		case 2:
			v = T(binary.LittleEndian.Uint16(b[o:]))
		case 4:
			v = T(binary.LittleEndian.Uint32(b[o:]))
		case 8:
			v = T(binary.LittleEndian.Uint64(b[o:]))
		}
		dst[i] = float64(v) * scale
		o += step
	}
	return false
}

func decodeInt24(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		s := b[o : o+3 : o+3]
		dst[i] = float64((int32(s[0])<<8|int32(s[1])<<16|int32(s[2])<<24)>>8) * scale
		o += step
	}
	return false
}

// mostVolts is the size beyond which a sample counts as not finite: larger than what a float of 32 bits holds, and of
// no converter. Sums of powers of what is left stay finite.
const mostVolts = 1e40

func decodeFloat[T float32 | float64](dst []float64, b []byte, step int, scale float64) (nonFinite bool) {
	o := 0
	for i := range dst {
		var v float64
		if unsafe.Sizeof(T(0)) == 4 {
			v = float64(math.Float32frombits(binary.LittleEndian.Uint32(b[o:])))
		} else {
			v = math.Float64frombits(binary.LittleEndian.Uint64(b[o:]))
		}
		v *= scale
		if !(v >= -mostVolts && v <= mostVolts) {
			v, nonFinite = math.NaN(), true
		}
		dst[i] = v
		o += step
	}
	return nonFinite
}
