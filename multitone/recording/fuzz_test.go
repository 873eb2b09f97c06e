package recording

import (
	"bytes"
	"context"
	"io"
	"math"
	"runtime"
	"strings"
	"testing"
)

// memory is a file in memory.
type memory struct{ *bytes.Reader }

func (memory) Close() error { return nil }

// drain opens data as one format and reads it twice by different blocks. Whatever the bytes are, there is an error or
// there are as many finite samples as Info says, the same both times, and memory stays near the size of the input.
func drain(t *testing.T, data []byte, opt Options) {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	r, err := openFile(context.Background(), memory{bytes.NewReader(data)}, "fuzz", int64(len(data)), opt)
	if err != nil {
		if strings.TrimSpace(err.Error()) == "" {
			t.Fatal("an error without a word")
		}
		return
	}
	in := r.Info()
	if in.Channels < 1 || in.Channels > maxChannels || !(in.SampleRate > 0) || in.Samples < 0 || len(in.Captures) == 0 ||
		len(in.Names) != in.Channels || len(in.Scale) != in.Channels {
		t.Fatalf("info %+v", in)
	}
	m := NewMonitor(in)
	r.Watch(m)
	sum := func(block int) (total float64, n int64, err error) {
		dst := make([][]float64, in.Channels)
		for c := range dst {
			dst[c] = make([]float64, block)
		}
		for {
			k, err := r.ReadPlanar(dst)
			if err == io.EOF {
				return total, n, nil
			}
			if err != nil {
				return 0, n, err
			}
			n += int64(k)
			for c := range dst {
				for _, v := range dst[c][:k] {
					if v-v != 0 {
						t.Fatalf("%v in channel %d", v, c)
					}
					total += float64(math.Float64bits(v) >> 40)
				}
			}
		}
	}
	a, n, err := sum(64)
	if err != nil {
		return
	}
	if n != in.Samples {
		t.Fatalf("%d samples, Info says %d", n, in.Samples)
	}
	if err := r.Rewind(); err != nil {
		t.Fatal(err)
	}
	b, _, err := sum(7)
	if err != nil || a != b {
		t.Fatalf("second pass differs: %v, %v, %v", a, b, err)
	}
	m.Summary()
	runtime.ReadMemStats(&after)
	// Buffers, the Monitor's history, and 71 samples for each of 4,096 channels come to some 10 MiB.
	if used := after.TotalAlloc - before.TotalAlloc; used > 64<<20+100*uint64(len(data)) {
		t.Fatalf("%d bytes allocated for %d bytes of input", used, len(data))
	}
}

func FuzzSigMF(f *testing.F) {
	for _, c := range headerCases(f) {
		if c.Meta != nil {
			f.Add([]byte(c.Meta), c.bytes(f))
		}
	}
	f.Add([]byte(`{"global":{"core:datatype":"rf32_be","core:sample_rate":10,"core:num_channels":2,"core:offset":3,
		"core:trailing_bytes":1},"captures":[{"core:sample_start":3,"core:header_bytes":4,"core:global_index":9},
		{"core:sample_start":4,"core:datetime":"2024-01-01T00:00:00.5Z","core:global_index":99}]}`), make([]byte, 40))
	f.Fuzz(func(t *testing.T, text, data []byte) {
		m, err := parseMeta(text, "fuzz.sigmf-meta")
		if err != nil {
			return
		}
		l, err := m.layout("fuzz.sigmf-meta", "fuzz.sigmf-data", int64(len(data)), Options{})
		if err != nil {
			return
		}
		r, err := newReader(t.Context(), memory{bytes.NewReader(data)}, "fuzz.sigmf-data", int64(len(data)), l, Options{})
		if err != nil {
			return
		}
		defer r.Close()
		NewMonitor(r.Info())
		n := int64(0)
		dst := make([][]float64, r.Info().Channels)
		for c := range dst {
			dst[c] = make([]float64, 5)
		}
		for {
			k, err := r.ReadPlanar(dst)
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err) // the layout lies within the data
			}
			n += int64(k)
		}
		if n != r.Info().Samples {
			t.Fatalf("%d samples, Info says %d", n, r.Info().Samples)
		}
	})
}

func FuzzWAV(f *testing.F) {
	for _, c := range headerCases(f) {
		if b := c.bytes(f); isWAV(b) {
			f.Add(b)
		}
	}
	f.Add(riff("RIFF", fmtChunk(3, 2, 1000, 4, 32, 32), chunk("data", make([]byte, 64))))
	f.Fuzz(func(t *testing.T, data []byte) { drain(t, data, Options{Format: "wav"}) })
}

func FuzzNPY(f *testing.F) {
	for _, c := range headerCases(f) {
		if b := c.bytes(f); bytes.HasPrefix(b, []byte(npyMagic)) {
			f.Add(b)
		}
	}
	f.Add(npy(3, ">i2", true, "(4, 2)", make([]byte, 16)))
	f.Fuzz(func(t *testing.T, data []byte) { drain(t, data, Options{Format: "npy", SampleRate: 1000}) })
}

func FuzzCSV(f *testing.F) {
	for _, text := range []string{"t,a\n0,1\n1,2\n2,nan\n", "1;2,5\n3;4\n", "\ufeff# x\na\tb\n1\t2\n", "0,1\n1,2\n2,3\n9,4\n", "\"a;b\";c\n1;2\n"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		drain(t, data, Options{Format: "csv"})
		drain(t, data, Options{Format: "csv", SampleRate: 10, Names: []string{"a"}})
	})
}

func FuzzRaw(f *testing.F) {
	for i, name := range allDatatypes {
		f.Add(name, i%3, []byte("some bytes that are samples of any type"))
	}
	f.Fuzz(func(t *testing.T, name string, channels int, data []byte) {
		if name == "" || name == "wav" || name == "npy" || name == "csv" {
			return
		}
		drain(t, data, Options{Format: name, SampleRate: 1000, Channels: channels})
	})
}
