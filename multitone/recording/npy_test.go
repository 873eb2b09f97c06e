package recording

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestNPY(t *testing.T) {
	x := ramp(3, 400)
	flat := func(typ sampleType) (b []byte) { // channel after channel
		for c := range x {
			b = append(b, interleave(t, typ, x[c:c+1])...)
		}
		return b
	}
	for _, descr := range []string{"|i1", "|u1", "<i2", ">i2", "<u2", ">u2", "<i4", ">i4", "<u4", "<i8", ">u8", "<f4", ">f4",
		"<f8", ">f8", "=f8"} {
		typ, err := npyType(descr)
		if err != nil {
			t.Fatal(err)
		}
		want := x
		if typ.integer() {
			want = scaled(x, 1/float64(uint64(1)<<(8*typ.size-1)))
		}
		for name, c := range map[string]struct {
			file []byte
			opt  Options
		}{
			"C order":                {npy(1, descr, false, "(400, 3)", interleave(t, typ, x)), Options{}},
			"Fortran order":          {npy(2, descr, true, "(400, 3)", flat(typ)), Options{}},
			"channels as rows":       {npy(3, descr, false, "(3, 400)", flat(typ)), Options{Channels: 3}},
			"channels as rows, Fort": {npy(1, descr, true, "(3, 400)", interleave(t, typ, x)), Options{Names: []string{"a", "b", "c"}}},
		} {
			c.opt.SampleRate = 100
			r := open(t, save(t, "bench.npy", c.file), c.opt)
			for _, block := range []int{1000, 33} {
				r.Rewind()
				if d := cmp.Diff(want, readAll(t, r, block)); d != "" {
					t.Errorf("%s, %s (-want +got):\n%s", descr, name, d)
				}
			}
		}
	}
}

// TestNPYLargeBlocks crosses the pieces in which files are read.
func TestNPYLargeBlocks(t *testing.T) {
	x := ramp(2, 100_000)
	typ, _ := npyType(">f4")
	data := append(interleave(t, typ, x[:1]), interleave(t, typ, x[1:])...)
	r := open(t, save(t, "bench.npy", npy(1, ">f4", true, "(100000, 2)", data)), Options{SampleRate: 1})
	if d := cmp.Diff(x, readAll(t, r, 70_000)); d != "" {
		t.Error("differs")
	}
}

func TestNPYErrors(t *testing.T) {
	rate := Options{SampleRate: 1}
	for _, c := range []struct {
		file  []byte
		opt   Options
		parts []string
	}{
		{npy(1, "<f4", false, "(1,)", make([]byte, 4)), Options{}, []string{"NumPy has no sample rate", "sample_rate_hz"}},
		{npy(1, "<c8", false, "(1,)", make([]byte, 8)), rate, []string{`"<c8"`, "complex", "two columns"}},
		{npy(1, "<c16", false, "(1,)", make([]byte, 16)), rate, []string{`"<c16"`, "complex"}},
		{npy(1, "<f2", false, "(1,)", make([]byte, 2)), rate, []string{`"<f2"`, "f4 f8"}},
		{npy(1, "|b1", false, "(1,)", make([]byte, 2)), rate, []string{`"|b1"`, "f4 f8"}},
		{npy(1, "<f4", false, "(2, 2, 2)", make([]byte, 32)), rate, []string{"3 dimensions", "samples × channels"}},
		{npy(1, "<f4", false, "()", make([]byte, 4)), rate, []string{"0 dimensions", "1-D"}},
		{npy(1, "<f4", false, "(4, 50000)", make([]byte, 800000)), rate, []string{"(4, 50000)", "50000 channels", "transpose"}},
		{npy(1, "<f4", false, "(10, 2)", make([]byte, 79)), rate, []string{"[10 2]", "needs 10 samples, the file has 9", "cut off"}},
		{npy(1, "<f4", false, "(9223372036854775807, 4096)", make([]byte, 8)), rate, []string{"cut off"}},
		{npy(1, "<f4", false, "(-1,)", nil), rate, []string{`-1 is no length`}},
		{npy(4, "<f4", false, "(1,)", nil), rate, []string{"version 4.0", "1 to 3"}},
		{[]byte(npyMagic + "\x01\x00\xff\xff{}"), rate, []string{"header of 65535 bytes in a file of 12"}},
		{[]byte(npyMagic + "\x01\x00\x02\x00{}"), rate, []string{`"{}"`, "no descr"}},
		{append([]byte(npyMagic), fmt.Sprintf("\x01\x00\x34\x00%-52s", "{'descr': '<f4', 'shape': (3L, 4L)}")...), rate, []string{"no fortran_order"}},
		{append([]byte(npyMagic), fmt.Sprintf("\x01\x00\x34\x00%-52s", "{'descr': '<f4', 'fortran_order': 0}")...), rate, []string{"fortran_order", "damaged"}},
		{npy(1, "<f4", false, "(1, 'x')", make([]byte, 4)), rate, []string{"(1, 'x')", "must be as {'descr': '<f4', 'fortran_order': False, 'shape': (20000, 4)}; it is damaged or no .npy"}},
		{npy(1, "<f4", false, "(18446744073709551616,)", make([]byte, 4)), rate, []string{"(18446744073709551616,)", "'shape': (20000, 4)}; it is damaged"}},
		{append([]byte(npyMagic), fmt.Sprintf("\x01\x00\x34\x00%-52s", "{'descr': [('a', '<f4')], 'fortran_order': False}")...), rate,
			[]string{"named fields", "plain array"}},
	} {
		openError(t, save(t, "bench.npy", c.file), c.opt, append(c.parts, "bench.npy")...)
	}
}
