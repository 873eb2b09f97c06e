package recording

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var allDatatypes = []string{"ri8", "ru8", "ri16_le", "ri16_be", "ru16_le", "ru16_be", "ri24_le", "ri24_be", "ri32_le",
	"ri32_be", "ru32_le", "ru32_be", "ri64_le", "ri64_be", "ru64_le", "ru64_be", "rf32_le", "rf32_be", "rf64_le", "rf64_be"}

func TestRawDatatypes(t *testing.T) {
	for _, name := range allDatatypes {
		t.Run(name, func(t *testing.T) {
			typ, err := parseDatatype(name)
			if err != nil {
				t.Fatal(err)
			}
			if typ.String() != name {
				t.Errorf("%v reads back as %v", name, typ)
			}
			for _, channels := range []int{1, 3} {
				x := ramp(channels, 1000)
				path := save(t, "bench.dat", interleave(t, typ, x))
				r := open(t, path, Options{Format: name, SampleRate: 1000, Channels: channels, FullScale: []float64{2.5}})
				want := x
				if typ.integer() { // volts = count / 2^(bits−1) · full scale
					want = scaled(x, 2.5/math.Ldexp(1, 8*typ.size-1))
				}
				for _, block := range []int{1, 7, 1000, 4096} {
					if err := r.Rewind(); err != nil {
						t.Fatal(err)
					}
					if d := cmp.Diff(want, readAll(t, r, block)); d != "" {
						t.Fatalf("%d channels, blocks of %d (-want +got):\n%s", channels, block, d)
					}
				}
				if in := r.Info(); !in.Volts || in.Integer != typ.integer() || in.Int16 != (typ.integer() && typ.size <= 2) {
					t.Errorf("info %+v", in)
				}
			}
		})
	}
}

func TestReadInt16IsReadPlanar(t *testing.T) {
	for _, name := range []string{"ri8", "ru8", "ri16_le", "ri16_be", "ru16_le", "ru16_be"} {
		typ, _ := parseDatatype(name)
		x := ramp(3, 500)
		r := open(t, save(t, "bench.dat", interleave(t, typ, x)), Options{Format: name, SampleRate: 1000, Channels: 3})
		got := make([][]float64, 3)
		d := make([]int16, 3*7+2) // room for seven frames and a bit
		for {
			n, err := r.ReadInt16(d)
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			for i := range 3 * n {
				got[i%3] = append(got[i%3], float64(d[i]))
			}
		}
		if d := cmp.Diff(x, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
		r.Rewind()
		if d := cmp.Diff(scaled(x, r.Info().Scale[0]), readAll(t, r, 100)); d != "" {
			t.Errorf("%s: Scale does not carry counts to blocks:\n%s", name, d)
		}
	}
	r := open(t, save(t, "bench.dat", make([]byte, 8)), Options{Format: "rf32_le", SampleRate: 1})
	_, err := r.ReadInt16(make([]int16, 4))
	if err == nil {
		t.Fatal("floats read as counts")
	}
	contains(t, err, "bench.dat", "rf32_le", "read them as floats")
}

func TestFullScale(t *testing.T) {
	data := make([]byte, 8)
	open := func(opt Options) (*Reader, error) {
		opt.Format, opt.SampleRate = "ri16_le", 1
		return Open(context.Background(), save(t, "bench.dat", data), opt)
	}
	r, err := open(Options{Channels: 2})
	if err != nil || r.Info().Volts || r.Info().Scale[1] != 1.0/32768 {
		t.Errorf("without a full scale: %+v, %v", r.Info(), err)
	}
	r, err = open(Options{Channels: 2, FullScale: []float64{1, 2}})
	if err != nil || !r.Info().Volts || r.Info().Scale[1] != 2.0/32768 {
		t.Errorf("one a channel: %+v, %v", r.Info(), err)
	}
	_, err = open(Options{Channels: 2, FullScale: []float64{1, 2, 3}})
	contains(t, err, "bench.dat", "3 full scales for 2 channels", "one for all")
	_, err = open(Options{Channels: 2, FullScale: []float64{1, -2}})
	contains(t, err, "channel 2 = -2 V", "must be positive")
}

func TestRawErrors(t *testing.T) {
	path := save(t, "bench.dat", []byte{0x81, 0x02, 0x81, 0x02, 9})
	openError(t, path, Options{}, "bench.dat", `"\x81\x02\x81\x02\t"`, "ri16_le")
	openError(t, path, Options{Format: "ri16", SampleRate: 1}, "ri16", "ri16_le or ri16_be")
	openError(t, path, Options{Format: "ri16_xe", SampleRate: 1}, "xe", "ri16_le or ri16_be")
	openError(t, path, Options{Format: "int16", SampleRate: 1}, `"int16"`, "ri16_le")
	openError(t, path, Options{Format: "cf32_le", SampleRate: 1}, "complex", "two channels")
	openError(t, path, Options{Format: "ri16_le"}, "bench.dat", "no sample rate", "sample_rate_hz")
	openError(t, path, Options{Format: "ri16_le", SampleRate: -5}, "-5 Hz", "must be positive")
	openError(t, path, Options{Format: "ri16_le", SampleRate: 1, Channels: 3, Names: []string{"rx1", "rx2"}},
		"bench.dat", "3 channels, expected 2 (rx1, rx2)", "list as many")
	openError(t, path, Options{Format: "ri16_le", SampleRate: 1, Channels: 99999}, "99999 channels", "1..4096")
	openError(t, filepath.Dir(path), Options{}, "a directory", "name the recording in it")
	openError(t, "-", Options{}, "no standard input")
	if _, err := Open(context.Background(), path+"x", Options{}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	openError(t, save(t, "empty.dat", nil), Options{}, "empty.dat", "empty", "record again")

	r := open(t, path, Options{Format: "ri16_le", SampleRate: 1})
	if in := r.Info(); in.Samples != 2 || len(in.Warnings) != 1 {
		t.Errorf("odd byte: %d samples, warnings %v", in.Samples, in.Warnings)
	} else {
		contains(t, in.Warnings[0], "bench.dat", "last 1 bytes", "left out")
	}
}

// TestShrunkFile: a file that is cut while it is open is an error, not silence.
func TestShrunkFile(t *testing.T) {
	path := save(t, "bench.dat", make([]byte, 4000))
	r := open(t, path, Options{Format: "ri16_le", SampleRate: 1})
	if err := os.Truncate(path, 100); err != nil {
		t.Fatal(err)
	}
	_, err := r.ReadPlanar([][]float64{make([]float64, 2000)})
	if err == nil {
		t.Fatal("no error")
	}
	contains(t, err, "bench.dat", "sample 0 of 2000", "changed")
}

func TestNonFinite(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, name := range []string{"rf32_le", "rf32_be", "rf64_le", "rf64_be"} {
		typ, _ := parseDatatype(name)
		x := [][]float64{{nan, 1, 2, inf, -inf, 3, nan}, {0, 1, 2, 3, 4, 5, 6}}
		want := [][]float64{{0, 1, 2, 2, 2, 3, 3}, {0, 1, 2, 3, 4, 5, 6}}
		for _, block := range []int{1, 3, 100} {
			r := open(t, save(t, "bench.dat", interleave(t, typ, x)), Options{Format: name, SampleRate: 1, Channels: 2})
			m := NewMonitor(r.Info())
			r.Watch(m)
			if d := cmp.Diff(want, readAll(t, r, block)); d != "" {
				t.Errorf("%s, blocks of %d (-want +got):\n%s", name, block, d)
			}
			if m.Channels()[0].NonFinite != 4 || m.Channels()[1].NonFinite != 0 {
				t.Errorf("%s: %+v", name, m.Channels())
			}
			if f := m.Flags(0, 3, 4); f != Gap {
				t.Errorf("flags %q", f)
			}
			if f := m.Flags(1, 0, 7); f != 0 {
				t.Errorf("other channel: flags %q", f)
			}
		}
	}
	typ, _ := parseDatatype("rf64_le")
	x := [][]float64{{math.MaxFloat32, -math.MaxFloat32, math.SmallestNonzeroFloat64}}
	r := open(t, save(t, "bench.dat", interleave(t, typ, x)), Options{Format: "rf64_le", SampleRate: 1})
	m := NewMonitor(r.Info())
	r.Watch(m)
	if d := cmp.Diff(x, readAll(t, r, 8)); d != "" || m.Channels()[0].NonFinite != 0 {
		t.Errorf("extreme finite values: %s, %+v", d, m.Channels())
	}
	// Beyond those of 32 bits, squares and their sums would leave the range of numbers.
	r = open(t, save(t, "bench.dat", interleave(t, typ, [][]float64{{2, math.MaxFloat64, -1e41, 3}})), Options{Format: "rf64_le", SampleRate: 1})
	m = NewMonitor(r.Info())
	r.Watch(m)
	if d := cmp.Diff([][]float64{{2, 2, 2, 3}}, readAll(t, r, 8)); d != "" || m.Channels()[0].NonFinite != 2 || m.Flags(0, 1, 3) != Gap {
		t.Errorf("what no converter writes: %s, %+v", d, m.Channels())
	}
}

func TestSteadyReadingDoesNotAllocate(t *testing.T) {
	typ, _ := parseDatatype("ri16_le")
	raw := save(t, "bench.dat", interleave(t, typ, ramp(2, 40_000)))
	var text bytes.Buffer
	text.WriteString("time_s,rx1,rx2\n")
	for i := range 20_000 {
		text.WriteString(formatRow(float64(i)/1e4, float64(i%100)/7, -1.5e-3))
	}
	for path, opt := range map[string]Options{
		raw:                                {Format: "ri16_le", SampleRate: 1, Channels: 2},
		save(t, "bench.csv", text.Bytes()): {},
		save(t, "bench.npy", npy(1, "<i2", true, "(40000, 2)", interleave(t, typ, ramp(2, 40_000)))): {SampleRate: 1},
	} {
		r := open(t, path, opt)
		r.Watch(NewMonitor(r.Info()))
		dst := [][]float64{make([]float64, 100), make([]float64, 100)}
		read := func() {
			if _, err := r.ReadPlanar(dst); err != nil {
				t.Fatal(err)
			}
		}
		read()
		if n := testing.AllocsPerRun(50, read); n > 0 {
			t.Errorf("%s: %g allocations a block", filepath.Base(path), n)
		}
	}
}

func TestSHA256(t *testing.T) {
	// FIPS 180-2, appendix B.1: the message "abc".
	r := open(t, save(t, "bench.dat", []byte("abc")), Options{Format: "ri8", SampleRate: 1})
	got, err := r.SHA256()
	if want := "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"; got != want || err != nil {
		t.Errorf("%s, %v", got, err)
	}
	data := make([]byte, 3*blockBytes+12) // longer than what is read at a time
	for i := range data {
		data[i] = byte(i*i>>7 + i)
	}
	r = open(t, save(t, "bench.dat", data), Options{Format: "ri8", SampleRate: 1})
	if got, err := r.SHA256(); got != fmt.Sprintf("%x", sha256.Sum256(data)) || err != nil {
		t.Errorf("%d bytes: %s, %v", len(data), got, err)
	}
}

// Samples read after Seek are those that a reading from the start passes, in binary
// files and in CSV.
func TestSeek(t *testing.T) {
	for _, name := range []string{"a.wav", "a.csv"} {
		path := filepath.Join(t.TempDir(), name)
		text := "a,b\n"
		var pcm []byte
		for i := range 1000 {
			text += fmt.Sprintf("%d.5,%d.5\n", i*37%101, i)
			pcm = binary.LittleEndian.AppendUint16(binary.LittleEndian.AppendUint16(pcm, uint16(i)), uint16(i))
		}
		content, o, first := []byte(text), Options{SampleRate: 1000}, 0.5
		if name == "a.wav" { // raw counts are enough: the header is tested elsewhere
			content, o, first = pcm, Options{Format: "ri16_le", Channels: 2, SampleRate: 1000, FullScale: []float64{32768}}, 0
		}
		if err := os.WriteFile(path, content, 0o644); err != nil {
			t.Fatal(err)
		}
		r, err := Open(t.Context(), path, o)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		x := [][]float64{make([]float64, 3), make([]float64, 3)}
		for _, at := range []int64{500, 503, 0, 997, 10} {
			if err := r.SeekSample(at); err != nil {
				t.Fatal(err)
			}
			if n, err := r.ReadPlanar(x); n != 3 || err != nil || x[1][0] != float64(at)+first || x[1][2] != float64(at+2)+first {
				t.Errorf("%s: %d samples from %d: %v %v", name, n, at, x, err)
			}
		}
		if err := r.SeekSample(1001); err == nil {
			t.Errorf("%s: a sample beyond the end is no error", name)
		}
	}
}
