package recording

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
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
	base, order, hasOrder := strings.Cut(s, "_")
	switch base {
	case "ri8", "ru8", "ri16", "ru16", "ri24", "ri32", "ru32", "ri64", "ru64", "rf32", "rf64":
		var bits int
		fmt.Sscanf(base[2:], "%d", &bits)
		t = sampleType{kind: base[1], size: bits / 8}
	default:
		return t, fmt.Errorf("datatype %q is not known; %s", s, known)
	}
	switch {
	case hasOrder && order == "be":
		t.big = t.size > 1
	case hasOrder && order == "le", !hasOrder && t.size == 1:
	case !hasOrder:
		return t, fmt.Errorf("datatype %q lacks its byte order; write %s_le or %s_be", s, s, s)
	default:
		return t, fmt.Errorf("datatype %q: byte order %q; write %s_le or %s_be", s, order, base, base)
	}
	return t, nil
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

// swap reverses the bytes of every sample, so that one set of loops serves both orders.
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

// decoder of little-endian samples of this type; big-endian ones go through swap first.
func (t sampleType) decoder() decoder {
	switch {
	case t.kind == 'f' && t.size == 4:
		return decodeF32
	case t.kind == 'f':
		return decodeF64
	case t.kind == 'i':
		return map[int]decoder{1: decodeI8, 2: decodeI16, 3: decodeI24, 4: decodeI32, 8: decodeI64}[t.size]
	}
	return map[int]decoder{1: decodeU8, 2: decodeU16, 4: decodeU32, 8: decodeU64}[t.size]
}

func decodeI8(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		dst[i] = float64(int8(b[o])) * scale
		o += step
	}
	return false
}

func decodeU8(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		dst[i] = float64(int8(b[o]^0x80)) * scale
		o += step
	}
	return false
}

func decodeI16(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		dst[i] = float64(int16(binary.LittleEndian.Uint16(b[o:]))) * scale
		o += step
	}
	return false
}

func decodeU16(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		dst[i] = float64(int16(binary.LittleEndian.Uint16(b[o:])^0x8000)) * scale
		o += step
	}
	return false
}

func decodeI24(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		s := b[o : o+3 : o+3]
		dst[i] = float64((int32(s[0])<<8|int32(s[1])<<16|int32(s[2])<<24)>>8) * scale
		o += step
	}
	return false
}

func decodeI32(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		dst[i] = float64(int32(binary.LittleEndian.Uint32(b[o:]))) * scale
		o += step
	}
	return false
}

func decodeU32(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		dst[i] = float64(int32(binary.LittleEndian.Uint32(b[o:])^1<<31)) * scale
		o += step
	}
	return false
}

func decodeI64(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		dst[i] = float64(int64(binary.LittleEndian.Uint64(b[o:]))) * scale
		o += step
	}
	return false
}

func decodeU64(dst []float64, b []byte, step int, scale float64) bool {
	o := 0
	for i := range dst {
		dst[i] = float64(int64(binary.LittleEndian.Uint64(b[o:])^1<<63)) * scale
		o += step
	}
	return false
}

func decodeF32(dst []float64, b []byte, step int, scale float64) (nonFinite bool) {
	// An exponent of all ones, and only that, carries into the sign bit.
	var carry uint32
	o := 0
	for i := range dst {
		u := binary.LittleEndian.Uint32(b[o:])
		carry |= u&^(1<<31) + 1<<23
		dst[i] = float64(math.Float32frombits(u)) * scale
		o += step
	}
	return carry>>31 != 0
}

func decodeF64(dst []float64, b []byte, step int, scale float64) (nonFinite bool) {
	var carry uint64
	o := 0
	for i := range dst {
		u := binary.LittleEndian.Uint64(b[o:])
		carry |= u&^(1<<63) + 1<<52
		dst[i] = math.Float64frombits(u) * scale
		o += step
	}
	return carry>>63 != 0
}
