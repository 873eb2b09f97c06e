package recording

import (
	"archive/tar"
	"bytes"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// pair writes metadata and data side by side and returns the stem.
func pair(t testing.TB, meta string, data []byte) string {
	t.Helper()
	stem := filepath.Join(t.TempDir(), "bench")
	if err := os.WriteFile(stem+metaExt, []byte(meta), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(stem+dataExt, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return stem
}

func TestSigMFByAnyName(t *testing.T) {
	x := ramp(2, 50)
	for _, name := range []string{"ri8", "ru8", "ri16_le", "ri16_be", "ru16_le", "ru16_be", "ri32_le", "ri32_be", "ru32_le",
		"ru32_be", "rf32_le", "rf32_be", "rf64_le", "rf64_be"} {
		typ, _ := parseDatatype(name)
		data := interleave(t, typ, x)
		hash := sha512.Sum512(data)
		stem := pair(t, fmt.Sprintf(`{"global": {"core:datatype": %q, "core:sample_rate": 1e5, "core:num_channels": 2,
			"core:version": "1.2.0", "core:sha512": %q}, "captures": [{"core:sample_start": 0,
			"core:datetime": "2024-02-29T12:00:00.25Z"}], "annotations": []}`, name, hex.EncodeToString(hash[:])), data)
		want := x
		if typ.integer() {
			want = scaled(x, 1/float64(uint64(1)<<(8*typ.size-1)))
		}
		for _, path := range []string{stem, stem + metaExt, stem + dataExt} {
			r := open(t, path, Options{})
			if d := cmp.Diff(want, readAll(t, r, 20)); d != "" {
				t.Errorf("%s (-want +got):\n%s", name, d)
			}
			in := r.Info()
			if in.SampleRate != 1e5 || !in.Start.Equal(time.Date(2024, 2, 29, 12, 0, 0, 250e6, time.UTC)) ||
				in.Name != "bench.sigmf-data" || in.Datatype != name {
				t.Errorf("info %+v", in)
			}
		}
	}
}

func TestSigMFArchive(t *testing.T) {
	x := ramp(2, 50)
	data := interleave(t, sampleType{'i', 2, false}, x)
	meta := `{"global": {"core:datatype": "ri16_le", "core:sample_rate": 1000, "core:num_channels": 2}, "captures": []}`
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for _, m := range []struct {
		name string
		body []byte
	}{{"bench/bench.sigmf-meta", []byte(meta)}, {"bench/bench.sigmf-data", data}} {
		if err := w.WriteHeader(&tar.Header{Name: m.name, Mode: 0o600, Size: int64(len(m.body))}); err != nil {
			t.Fatal(err)
		}
		w.Write(m.body)
	}
	w.Close()
	want := scaled(x, 1.0/32768)
	r := open(t, save(t, "bench.sigmf", b.Bytes()), Options{})
	if d := cmp.Diff(want, readAll(t, r, 20)); d != "" {
		t.Errorf("archive (-want +got):\n%s", d)
	}
	r = open(t, "-", Options{Stdin: bytes.NewReader(b.Bytes())})
	if d := cmp.Diff(want, readAll(t, r, 20)); d != "" {
		t.Errorf("archive on standard input (-want +got):\n%s", d)
	}
	openError(t, save(t, "bench.sigmf", b.Bytes()[:1024]), Options{}, "bench.sigmf", "has both")
}

// TestSigMFCaptures: three captures with bytes that are no samples before two of them, and an index offset.
func TestSigMFCaptures(t *testing.T) {
	x := ramp(2, 10)
	samples := interleave(t, sampleType{'i', 2, true}, x)
	var data []byte
	data = append(data, "head"...)
	data = append(data, samples[:4*4]...)
	data = append(data, samples[4*4:4*7]...)
	data = append(data, "0123456"...)
	data = append(data, samples[4*7:]...)
	data = append(data, "tail!"...)
	stem := pair(t, `{"global": {"core:datatype": "ri16_be", "core:sample_rate": 1000, "core:num_channels": 2,
		"core:offset": 100, "core:trailing_bytes": 5},
		"captures": [
		{"core:sample_start": 100, "core:header_bytes": 4, "core:datetime": "2024-01-01T00:00:00.000Z", "core:global_index": 500},
		{"core:sample_start": 104, "core:datetime": "2024-01-01T00:00:00.004Z"},
		{"core:sample_start": 107, "core:header_bytes": 7, "core:datetime": "2024-01-01T00:00:02.007Z"}]}`, data)
	r := open(t, stem, Options{})
	for _, block := range []int{100, 3, 1} {
		r.Rewind()
		if d := cmp.Diff(scaled(x, 1.0/32768), readAll(t, r, block)); d != "" {
			t.Errorf("blocks of %d (-want +got):\n%s", block, d)
		}
	}
	in := r.Info()
	type short struct {
		Start, Missing int64
		Time           string
	}
	var got []short
	for _, c := range in.Captures {
		got = append(got, short{c.Start, c.Missing, fmt.Sprintf("%.6f", c.Time)})
	}
	// 2.003 s pass between the starts of the second and the third capture, three samples of 1 ms lie between them.
	want := []short{{0, 0, "0.000000"}, {4, 0, "0.004000"}, {7, 2000, "2.007000"}}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("captures (-want +got):\n%s", d)
	}
	if at := in.Time(8); fmt.Sprintf("%.6f", at) != "2.008000" {
		t.Errorf("sample 8 at %.6f s", at)
	}
	m := NewMonitor(in)
	for _, c := range []struct {
		start, stop int64
		want        Flags
	}{{0, 7, 0}, {7, 10, 0}, {6, 8, Gap}, {0, 10, Gap}} {
		if f := m.Flags(1, c.start, c.stop); f != c.want {
			t.Errorf("flags of [%d, %d): %q, expected %q", c.start, c.stop, f, c.want)
		}
	}
}

// TestSigMFGlobalIndex: indices into the stream tell a gap exactly, and the time of day tells none below what the ADC's
// clock may be off: here 100 ppm over 100 s.
func TestSigMFGaps(t *testing.T) {
	for _, c := range []struct {
		captures string
		missing  int64
	}{
		{`{"core:sample_start": 0, "core:global_index": 7}, {"core:sample_start": 1000, "core:global_index": 1010}`, 3},
		{`{"core:sample_start": 0, "core:datetime": "2024-01-01T00:00:00.000000Z"},
		  {"core:sample_start": 1000, "core:datetime": "2024-01-01T00:01:40.010000Z"}`, 0},
		{`{"core:sample_start": 0, "core:datetime": "2024-01-01T00:00:00.000000Z"},
		  {"core:sample_start": 1000, "core:datetime": "2024-01-01T00:01:41.000000Z"}`, 10},
		{`{"core:sample_start": 0, "core:datetime": "2024-01-01T00:00:00Z"},
		  {"core:sample_start": 1000, "core:datetime": "2024-01-01T00:01:41Z"}`, 0}, // whole seconds: not sure
		{`{"core:sample_start": 0}, {"core:sample_start": 1000}`, 0},
	} {
		stem := pair(t, `{"global": {"core:datatype": "ri8", "core:sample_rate": 10}, "captures": [`+c.captures+`]}`, make([]byte, 2000))
		in := open(t, stem, Options{}).Info()
		if len(in.Captures) != 2 || in.Captures[1].Missing != c.missing {
			t.Errorf("%s\n%+v, expected %d missing", c.captures, in.Captures, c.missing)
		}
	}
}

func TestSigMFErrors(t *testing.T) {
	meta := func(global, captures string) string {
		return `{"global": {` + global + `},` + "\n" + `"captures": [` + captures + `]}`
	}
	const ok = `"core:datatype": "ri16_le", "core:sample_rate": 1000`
	for _, c := range []struct {
		meta  string
		parts []string
	}{
		{meta(`"core:datatype": "cf32_le"`, ""), []string{"cf32_le", "complex", "two channels"}},
		{meta(`"core:datatype": "ri16"`, ""), []string{"ri16_le or ri16_be"}},
		{meta(`"core:sample_rate": 5`, ""), []string{"no core:datatype", "add it"}},
		{meta(`"core:datatype": "ri16_le", "core:sample_rate": -1`, ""), []string{"core:sample_rate = -1", "positive"}},
		{meta(ok+`, "core:num_channels": 0`, ""), []string{"core:num_channels = 0", "1..4096"}},
		{meta(ok+`, "core:num_channels": "two"`, ""), []string{"sigmf-meta:1", "num_channels", "string", "must be"}},
		{meta(`"core:sample_rate": "1 kHz"`, ""), []string{"sigmf-meta:1: global.core:sample_rate is a JSON string: must be a number"}},
		{meta(ok, `{"core:sample_start": 1.5}`), []string{"sigmf-meta:2: captures.core:sample_start is a JSON number 1.5: must be a whole number"}},
		{`{"captures": true}`, []string{"captures is a JSON bool: must be a list in brackets"}},
		{"[]", []string{"the whole is a JSON array: must be an object in braces"}},
		{meta(ok+`, "core:metadata_only": true`, ""), []string{"metadata_only"}},
		{meta(ok+`, "core:dataset": "../x.dat"`, ""), []string{"core:dataset", "same directory"}},
		{meta(ok+`, "core:trailing_bytes": 500`, ""), []string{"trailing_bytes = 500", "0..100"}},
		{meta(ok, `{"core:sample_start": 51}`), []string{"captures[0]", "sample_start = 51", "50 samples"}},
		{meta(ok, `{"core:sample_start": 9}, {"core:sample_start": 8}`), []string{"captures[1]", "sample_start = 8", "must rise"}},
		{meta(ok, `{"core:sample_start": 0, "core:header_bytes": 101}`), []string{"captures[0]", "header_bytes = 101", "0..100"}},
		{meta(ok, `{"core:sample_start": 0, "core:datetime": "yesterday"}`), []string{"captures[0]", `"yesterday"`, "2024-01-31T"}},
		{"{\n\"global\": {,", []string{"sigmf-meta:2", "not JSON"}},
	} {
		openError(t, pair(t, c.meta, make([]byte, 100)), Options{}, append(c.parts, "bench.sigmf-meta")...)
	}

	stem := pair(t, meta(ok, ""), make([]byte, 100))
	openError(t, stem, Options{SampleRate: 2000}, "bench.sigmf-data", "1000 Hz", "2000 Hz")
	openError(t, pair(t, meta(`"core:datatype": "ri16_le"`, ""), nil), Options{}, "bench.sigmf-data", "no sample rate")
	os.Remove(stem + metaExt)
	openError(t, stem, Options{}, "bench.sigmf-meta", "no such file", "pair")
	stem = pair(t, meta(ok, ""), nil)
	os.Remove(stem + dataExt)
	openError(t, stem, Options{}, "bench.sigmf-data", "keep the pair together")
}

func TestSigMFHash(t *testing.T) {
	stem := pair(t, `{"global": {"core:datatype": "ri8", "core:sample_rate": 1, "core:sha512": "`+strings.Repeat("ab", 64)+`"}}`,
		[]byte("abc"))
	for way, end := range map[string]func(*Reader) error{
		"a pass to the end": func(r *Reader) error { _, err := io.Copy(io.Discard, counts{r}); return err },
		"the other hash":    func(r *Reader) error { _, err := r.SHA256(); return err },
		"asking":            (*Reader).Verify,
	} {
		err := end(open(t, stem, Options{}))
		if !errors.Is(err, ErrHash) {
			t.Fatalf("%s: %v, expected ErrHash", way, err)
		}
		// FIPS 180-2, appendix C.1: SHA-512 of "abc" starts with ddaf35a19361.
		contains(t, err, "bench.sigmf-data", "ddaf35a19361", "abababababab", "fetch them again")
	}
	if _, err := io.Copy(io.Discard, counts{open(t, stem, Options{IgnoreHash: true})}); err != nil {
		t.Error(err)
	}
}

// counts reads a recording as it comes, its numbers left alone.
type counts struct{ *Reader }

func (c counts) Read(b []byte) (int, error) {
	n, err := c.ReadInt16(make([]int16, max(1, len(b))))
	return min(n, len(b)), err
}
