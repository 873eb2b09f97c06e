package recording

import (
	"encoding/binary"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestWAV(t *testing.T) {
	x := ramp(2, 101)
	pcm := func(size int) []byte {
		kind := byte('i')
		if size == 1 {
			kind = 'u'
		}
		return interleave(t, sampleType{kind: kind, size: size}, x)
	}
	shifted := interleave(t, sampleType{kind: 'i', size: 4}, scaled(x, 256))
	ds64 := func(data int) []byte {
		b := make([]byte, 28)
		binary.LittleEndian.PutUint64(b[8:], uint64(data))
		return chunk("ds64", b)
	}
	unsized := func(id string) []byte { return []byte(id + "\xff\xff\xff\xff") }
	const volts = 4.0
	for _, c := range []struct {
		name     string
		file     []byte
		bits     int
		count    float64 // volts of one unit of x
		warnings int
	}{
		{"8", riff("RIFF", fmtChunk(1, 2, 1000, 1, 8, 0), chunk("data", pcm(1))), 8, volts / 128, 0},
		{"16", riff("RIFF", fmtChunk(1, 2, 1000, 2, 16, 0), chunk("data", pcm(2))), 16, volts / 32768, 0},
		{"24", riff("RIFF", fmtChunk(1, 2, 1000, 3, 24, 0), chunk("data", pcm(3))), 24, volts / (1 << 23), 0},
		{"32", riff("RIFF", fmtChunk(1, 2, 1000, 4, 32, 0), chunk("data", pcm(4))), 32, volts / (1 << 31), 0},
		{"extensible 16", riff("RIFF", fmtChunk(1, 2, 1000, 2, 16, 16), chunk("data", pcm(2))), 16, volts / 32768, 0},
		{"24 valid bits in 32 count as 24", riff("RIFF", fmtChunk(1, 2, 1000, 4, 32, 24), chunk("data", shifted)), 24,
			volts / (1 << 23), 0},
		{"float 32", riff("RIFF", fmtChunk(3, 2, 1000, 4, 32, 0),
			chunk("data", interleave(t, sampleType{'f', 4, false}, x))), 0, volts, 0},
		{"float 64 extensible", riff("RIFF", fmtChunk(3, 2, 1000, 8, 64, 64),
			chunk("data", interleave(t, sampleType{'f', 8, false}, x))), 0, volts, 0},
		{"unknown odd chunks about the format", riff("RIFF", chunk("LIST", []byte("abc")), fmtChunk(1, 2, 1000, 2, 16, 0),
			chunk("fact", make([]byte, 4)), chunk("junk", []byte("x")), chunk("data", pcm(2)), chunk("LIST", []byte("tail"))),
			16, volts / 32768, 0},
		{"RF64", riff("RF64", ds64(len(pcm(2))), fmtChunk(1, 2, 1000, 2, 16, 0), unsized("data"), pcm(2)), 16, volts / 32768, 0},
		{"BW64", riff("BW64", ds64(len(pcm(2))), fmtChunk(1, 2, 1000, 2, 16, 0), unsized("data"), pcm(2)), 16, volts / 32768, 0},
		{"piped writer without a size", riff("RIFF", fmtChunk(1, 2, 1000, 2, 16, 0), unsized("data"), pcm(2)), 16,
			volts / 32768, 1},
		{"recorder stopped early", riff("RIFF", fmtChunk(1, 2, 1000, 2, 16, 0), []byte("data\xff\xff\xff\x00"), pcm(2)), 16,
			volts / 32768, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := open(t, save(t, "bench.wav", c.file), Options{FullScale: []float64{volts}})
			in := r.Info()
			if in.SampleRate != 1000 || in.Channels != 2 || in.Samples != 101 || in.Bits != c.bits || !in.Volts ||
				len(in.Warnings) != c.warnings {
				t.Errorf("info %+v", in)
			}
			if d := cmp.Diff(scaled(x, c.count), readAll(t, r, 50)); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
		})
	}
}

func TestWAVFloatNeedsFullScaleForVolts(t *testing.T) {
	file := riff("RIFF", fmtChunk(3, 1, 1000, 4, 32, 0), chunk("data", encode(t, sampleType{'f', 4, false}, 0.5)))
	if in := open(t, save(t, "bench.wav", file), Options{}).Info(); in.Volts {
		t.Errorf("volts without a full scale: %+v", in)
	}
}

func TestWAVErrors(t *testing.T) {
	data := chunk("data", make([]byte, 4))
	for _, c := range []struct {
		name  string
		file  []byte
		opt   Options
		parts []string
	}{
		{"other file", []byte("OggS and more than twelve bytes"), Options{}, []string{`"OggS`, "not RIFF"}},
		{"big-endian", riff("RIFX", data), Options{}, []string{"RIFX", "convert"}},
		{"no data", riff("RIFF", fmtChunk(1, 1, 1000, 2, 16, 0)), Options{}, []string{"no data chunk", "36 bytes", "cut off"}},
		{"data first", riff("RIFF", data, fmtChunk(1, 1, 1000, 2, 16, 0)), Options{}, []string{"byte 12", "before the fmt chunk"}},
		{"short format", riff("RIFF", chunk("fmt ", make([]byte, 4)), data), Options{}, []string{"byte 20", "4 bytes, needs 16"}},
		{"compressed", riff("RIFF", fmtChunk(2, 1, 1000, 2, 16, 0), data), Options{}, []string{"tag 2", "store PCM or float"}},
		{"64-bit integers", riff("RIFF", fmtChunk(1, 1, 1000, 8, 64, 0), data), Options{}, []string{"64-bit", "8 to 32 bit PCM"}},
		{"16-bit float", riff("RIFF", fmtChunk(3, 1, 1000, 2, 16, 0), data), Options{}, []string{"16-bit", "32 or 64 bit float"}},
		{"no channels", riff("RIFF", fmtChunk(1, 0, 1000, 2, 16, 0), data), Options{}, []string{"0 channels", "1..4096"}},
		{"no rate", riff("RIFF", fmtChunk(1, 1, 0, 2, 16, 0), data), Options{}, []string{"0 Hz"}},
		{"bits do not fit", riff("RIFF", fmtChunk(1, 1, 1000, 1, 16, 0), data), Options{}, []string{"16 bits", "1 bytes"}},
		{"RF64 without ds64", riff("RF64", fmtChunk(1, 1, 1000, 2, 16, 0), []byte("data\xff\xff\xff\xff")), Options{},
			[]string{"without its ds64"}},
		{"other rate", riff("RIFF", fmtChunk(1, 1, 1000, 2, 16, 0), data), Options{SampleRate: 2000},
			[]string{"states 1000 Hz, expected 2000 Hz", "mend"}},
		{"other channels", riff("RIFF", fmtChunk(1, 1, 1000, 2, 16, 0), data), Options{Names: []string{"a", "b"}},
			[]string{"1 channel, expected 2 (a, b)", "list as many"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			openError(t, save(t, "bench.wav", c.file), c.opt, append(c.parts, "bench.wav")...)
		})
	}
}

// TestRF64Large reads the end of the published 6 GB case; all but its ends are a hole in the file.
func TestRF64Large(t *testing.T) {
	for _, c := range headerCases(t) {
		if c.Expected.Offset == 0 {
			continue
		}
		path := save(t, "bench.wav", c.bytes(t))
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if _, err := f.WriteAt([]byte{1, 0, 2, 0, 3, 0, 0xfc, 0xff}, 6_000_000_000-8); err != nil {
			t.Skip("no room for a file with a hole: ", err)
		}
		r := open(t, path, Options{FullScale: []float64{32768}})
		if n := r.Info().Samples; n != *c.Expected.Frames {
			t.Fatalf("%d samples, expected %d", n, *c.Expected.Frames)
		}
		r.pos = *c.Expected.Frames - 3
		dst := [][]float64{make([]float64, 9), make([]float64, 9)}
		n, err := r.ReadPlanar(dst)
		if d := cmp.Diff([][]float64{{0, 1, 3}, {0, 2, -4}}, [][]float64{dst[0][:n], dst[1][:n]}); d != "" || err != nil {
			t.Errorf("%v (-want +got):\n%s", err, d)
		}
		return
	}
	t.Fatal("no large case")
}
