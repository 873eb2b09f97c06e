package recording

import (
	"bytes"
	"math"
	"strconv"
)

// pow10 are the powers that a float64 holds exactly.
var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
	1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// parseNumber reads a decimal number with a point or a comma, blanks and quotes about it allowed; an empty field is a
// missing value, NaN. The result is the nearest float64: a mantissa below 2^53 times or over an exact power of ten is
// rounded once (Clinger, How to read floating point numbers accurately, 1990); all else goes to strconv.
func parseNumber(b []byte) (float64, bool) {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '"' || b[0] == '\t') {
		b = b[1:]
	}
	for n := len(b); n > 0 && (b[n-1] == ' ' || b[n-1] == '"' || b[n-1] == '\t'); n = len(b) {
		b = b[:n-1]
	}
	if len(b) == 0 {
		return math.NaN(), true
	}
	i := 0
	negative := b[0] == '-'
	if negative || b[0] == '+' {
		i = 1
	}
	var mantissa uint64
	digits, point := 0, -1
	for ; i < len(b); i++ {
		c := b[i]
		if d := c - '0'; d <= 9 {
			mantissa = mantissa*10 + uint64(d)
			digits++
		} else if (c == '.' || c == ',') && point < 0 {
			point = digits
		} else {
			break
		}
	}
	exp := 0
	if point >= 0 {
		exp = point - digits
	}
	if i < len(b) && b[i]|0x20 == 'e' {
		if e, err := strconv.Atoi(string(b[i+1:])); err == nil {
			exp, i = exp+e, len(b)
		}
	}
	if i < len(b) || digits == 0 || digits > 19 || mantissa >= 1<<53 || exp < -22 || exp > 22 {
		return parseSlow(b)
	}
	v := float64(mantissa)
	if exp < 0 {
		v /= pow10[-exp]
	} else {
		v *= pow10[exp]
	}
	if negative {
		v = -v
	}
	return v, true
}

// parseSlow takes long mantissas, far exponents, nan and inf, and refuses everything else.
func parseSlow(b []byte) (float64, bool) {
	if len(b) > 64 || bytes.ContainsAny(b, "xXpP_") {
		return 0, false
	}
	var text [64]byte
	n := copy(text[:], b)
	if i := bytes.IndexByte(b, ','); i >= 0 {
		text[i] = '.'
	}
	v, err := strconv.ParseFloat(string(text[:n]), 64)
	if err != nil && !math.IsInf(v, 0) { // beyond the range of float64: infinite, and flagged as such
		return 0, false
	}
	return v, true
}
