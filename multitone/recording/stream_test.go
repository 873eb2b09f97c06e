package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
)

// streams are data in every form that can come once, all of which hold x in counts of the given volts.
func streams(t testing.TB, x [][]float64) map[string]struct {
	data  []byte
	opt   Options
	count float64
} {
	pcm := func(kind byte, size int) []byte { return interleave(t, sampleType{kind: kind, size: size}, x) }
	ds64 := func(data uint64) []byte {
		b := make([]byte, 28)
		binary.LittleEndian.PutUint64(b[8:], data)
		return chunk("ds64", b)
	}
	sized := func(length uint32) []byte { return binary.LittleEndian.AppendUint32([]byte("data"), length) }
	wav := func(sized []byte) []byte { return riff("RIFF", fmtChunk(1, 2, 1000, 2, 16, 0), sized, pcm('i', 2)) }
	raw := func(format string) Options {
		return Options{Format: format, SampleRate: 1000, Channels: 2, FullScale: []float64{4}}
	}
	named := Options{FullScale: []float64{4}}
	given := Options{SampleRate: 1000, Channels: 2}
	table := func(header string, row func(i int) string) []byte {
		b := []byte(header)
		for i := range x[0] {
			b = append(b, row(i)...)
		}
		return b
	}
	return map[string]struct {
		data  []byte
		opt   Options
		count float64
	}{
		"raw 8":                   {pcm('i', 1), raw("ri8"), 4.0 / 128},
		"raw unsigned 8":          {pcm('u', 1), raw("ru8"), 4.0 / 128},
		"raw 16":                  {pcm('i', 2), raw("ri16_le"), 4.0 / 32768},
		"raw 16, other order":     {interleave(t, sampleType{'i', 2, true}, x), raw("ri16_be"), 4.0 / 32768},
		"raw 24":                  {pcm('i', 3), raw("ri24_le"), 4.0 / (1 << 23)},
		"raw float":               {pcm('f', 4), raw("rf32_le"), 1},
		"WAV":                     {riff("RIFF", fmtChunk(1, 2, 1000, 2, 16, 0), chunk("data", pcm('i', 2))), named, 4.0 / 32768},
		"WAV of length 0":         {wav(sized(0)), named, 4.0 / 32768},
		"WAV without length":      {wav(sized(0xffffffff)), named, 4.0 / 32768},
		"WAV with the most":       {wav(sized(0x7ffff000)), named, 4.0 / 32768},
		"WAV with more behind":    {riff("RIFF", chunk("junk", make([]byte, 99)), fmtChunk(1, 2, 1000, 2, 16, 0), chunk("data", pcm('i', 2)), chunk("LIST", make([]byte, 50))), named, 4.0 / 32768},
		"WAV, 24 bits":            {riff("RIFF", fmtChunk(1, 2, 1000, 3, 24, 24), chunk("data", pcm('i', 3))), named, 4.0 / (1 << 23)},
		"RF64":                    {riff("RF64", ds64(uint64(len(pcm('i', 2)))), fmtChunk(1, 2, 1000, 2, 16, 0), sized(0xffffffff), pcm('i', 2)), named, 4.0 / 32768},
		"RF64 of length 0":        {riff("RF64", ds64(0), fmtChunk(1, 2, 1000, 2, 16, 0), sized(0xffffffff), pcm('i', 2)), named, 4.0 / 32768},
		"RF64 without length":     {riff("RF64", ds64(math.MaxUint64), fmtChunk(1, 2, 1000, 2, 16, 0), sized(0xffffffff), pcm('i', 2)), named, 4.0 / 32768},
		"CSV":                     {table("", func(i int) string { return fmt.Sprintf("%g,%g\n", x[0][i], x[1][i]) }), given, 1},
		"CSV with a mark and end": {table(byteOrderMark+"# bench\na;b\r\n", func(i int) string { return fmt.Sprintf("%g;%g\r\n\r\n", x[0][i], x[1][i]) }), given, 1},
		"CSV with times":          {table("time_s,a,b\n", func(i int) string { return fmt.Sprintf("%.3f,%g,%g\n", 5+float64(i)/1000, x[0][i], x[1][i]) }), given, 1},
		"CSV with a first column": {table("", func(i int) string { return fmt.Sprintf("%.3f,%g,%g\n", float64(i)/1000, x[0][i], x[1][i]) }), given, 1},
		"CSV, other order":        {table("b,a\n", func(i int) string { return fmt.Sprintf("%g,%g\n", x[1][i], x[0][i]) }), Options{SampleRate: 1000, Names: []string{"a", "b"}}, 1},
	}
}

// A stream holds what a file of the same bytes does, however the bytes come.
func TestStreams(t *testing.T) {
	x := ramp(2, 401)
	for name, c := range streams(t, x) {
		for how, in := range map[string]io.Reader{
			"at once":       bytes.NewReader(c.data),
			"by the byte":   iotest.OneByteReader(bytes.NewReader(c.data)),
			"in halves":     iotest.HalfReader(bytes.NewReader(c.data)),
			"with the end":  iotest.DataErrReader(bytes.NewReader(c.data)),
			"cut in a part": io.MultiReader(bytes.NewReader(c.data[:len(c.data)/2]), bytes.NewReader(c.data[len(c.data)/2:])),
		} {
			s, err := NewStream(in, "pipe", c.opt)
			if err != nil {
				t.Errorf("%s %s: %v", name, how, err)
				continue
			}
			if info := s.Info(); info.Samples >= 0 || info.Channels != 2 || info.SampleRate != 1000 || len(info.Captures) != 1 || !info.Volts {
				t.Errorf("%s %s: info %+v", name, how, info)
			}
			if d := cmp.Diff(scaled(x, c.count), readAll(t, s, 50)); d != "" {
				t.Errorf("%s %s: -want +got:\n%s", name, how, d)
			}
			if cut := s.Cut(); cut != "" {
				t.Errorf("%s %s: %s", name, how, cut)
			}
			if s.Next() != 401 {
				t.Errorf("%s %s: next sample is %d", name, how, s.Next())
			}
		}
	}
}

// Counts of 8 and 16 bits are handed out as they are.
func TestStreamsOfCounts(t *testing.T) {
	x := ramp(2, 401)
	for name, c := range streams(t, x) {
		s, err := NewStream(iotest.OneByteReader(bytes.NewReader(c.data)), "pipe", c.opt)
		if err != nil {
			t.Fatal(err)
		}
		dst := make([]int16, 2*64+1)
		if !s.Info().Int16 {
			if _, err := s.ReadInt16(dst); err == nil {
				t.Errorf("%s: counts without an error", name)
			}
			continue
		}
		n := 0
		for {
			got, err := s.ReadInt16(dst)
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			for i, v := range dst[:2*got] {
				if want := x[i%2][n+i/2]; float64(v) != want {
					t.Fatalf("%s: count %d of channel %d is %d, want %g", name, n+i/2, i%2, v, want)
				}
			}
			n += got
		}
		if n != 401 {
			t.Errorf("%s: %d samples", name, n)
		}
	}
}

// A row is handed out when its line has come, not when more have.
func TestStreamDoesNotWaitForMore(t *testing.T) {
	in, out := io.Pipe()
	go out.Write([]byte("# a bench\n1,2\n# more\n3,4\n5,"))
	s, err := NewStream(in, "pipe", Options{SampleRate: 1000, Channels: 2})
	if err != nil {
		t.Fatal(err)
	}
	dst := [][]float64{make([]float64, 50), make([]float64, 50)}
	total := 0
	for total < 2 {
		n, err := s.ReadPlanar(dst)
		if err != nil {
			t.Fatal(err)
		}
		total += n
	}
	go func() { out.Write([]byte("6\n")); out.Close() }()
	if n, err := s.ReadPlanar(dst); n != 1 || err != nil || dst[0][0] != 5 || dst[1][0] != 6 {
		t.Errorf("%d samples, error %v: %g, %g", n, err, dst[0][0], dst[1][0])
	}
	if n, err := s.ReadPlanar(dst); n != 0 || err != io.EOF {
		t.Errorf("%d samples, error %v", n, err)
	}
}

// Times show what was lost; others can stand in for it, flagged.
func TestStreamLosses(t *testing.T) {
	var b strings.Builder
	at := 0
	for row := range 300 {
		switch row {
		case 100:
			at += 7
		case 200:
			at += 1_000_000
		}
		fmt.Fprintf(&b, "%.4f,%d\n", float64(at)/1000, row)
		at++
	}
	s, err := NewStream(strings.NewReader(b.String()), "pipe", Options{SampleRate: 1000, Channels: 1})
	if err != nil {
		t.Fatal(err)
	}
	m := NewMonitor(s.Info())
	s.Watch(m)
	dst := [][]float64{make([]float64, 64)}
	var got []float64
	var lost []int64
	for {
		n, err := s.ReadPlanar(dst)
		got = append(got, dst[0][:n]...)
		var l *LostError
		if errors.As(err, &l) {
			if lost = append(lost, l.Samples); l.Samples < 1000 {
				s.Fill(l.Samples)
			} else {
				s.Slip()
			}
			continue
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	var want []float64
	for row := range 300 {
		for row == 100 && len(want) < 107 {
			want = append(want, 99)
		}
		want = append(want, float64(row))
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if d := cmp.Diff([]int64{7, 1_000_000}, lost); d != "" {
		t.Errorf("lost: -want +got:\n%s", d)
	}
	for _, c := range []struct {
		start, stop int64
		want        Flags
	}{{0, 100, 0}, {100, 107, Gap}, {107, 207, 0}, {200, 214, Gap}, {214, 307, 0}} {
		if f := m.Flags(0, c.start, c.stop); f != c.want {
			t.Errorf("samples %d to %d: %q, want %q", c.start, c.stop, f, c.want)
		}
	}
	unsound := 0
	m.Unsound(0, 0, 307, func(start, stop int64) { unsound += int(stop - start) })
	if unsound != 7 || !m.Slipped(200, 214) || m.Slipped(0, 200) {
		t.Errorf("%d samples unsound, slipped %v", unsound, m.Slipped(200, 214))
	}
}

// After a break counting goes on; what does not fit is an error.
func TestStreamRestart(t *testing.T) {
	x := ramp(2, 50)
	wav := func(channels, rate int) io.Reader {
		return bytes.NewReader(append(riff("RIFF", fmtChunk(1, channels, rate, 2, 16, 0), chunk("data", interleave(t, sampleType{'i', 2, false}, x)))[:44+100], 1))
	}
	s, err := NewStream(wav(2, 1000), "pipe", Options{})
	if err != nil {
		t.Fatal(err)
	}
	m := NewMonitor(s.Info())
	s.Watch(m)
	readAll(t, s, 20)
	if cut := s.Cut(); cut != "1 bytes at the end are no whole sample" {
		t.Errorf("cut: %q", cut)
	}
	if err := s.Restart(wav(2, 1000)); err != nil {
		t.Fatal(err)
	}
	readAll(t, s, 20)
	if s.Next() != 50 || !m.Slipped(20, 30) || m.Slipped(0, 20) || m.Slipped(30, 50) {
		t.Errorf("next sample %d, slipped %v", s.Next(), m.Slipped(20, 30))
	}
	for want, in := range map[string]io.Reader{
		"after a break at sample 50 come 1 channel of ri16_le at 1000 Hz, before it 2 channels": wav(1, 1000),
		"come 2 channels of ri16_le at 2000 Hz, before it 2 channels of ri16_le at 1000 Hz":     wav(2, 2000),
		"pipe: empty": strings.NewReader(""),
	} {
		contains(t, s.Restart(in), want)
	}
}

func TestStreamErrors(t *testing.T) {
	broken := errors.New("broken pipe")
	two := Options{SampleRate: 1000, Channels: 2}
	for _, c := range []struct {
		in    io.Reader
		opt   Options
		parts []string
	}{
		{strings.NewReader(""), Options{}, []string{"pipe: empty"}},
		{strings.NewReader("\x80\x01\x02\x03\x04"), Options{}, []string{"pipe: starts with", "ri16_le"}},
		{strings.NewReader("RIFX"), Options{}, []string{"big-endian WAV"}},
		{strings.NewReader("RIFF"), Options{}, []string{"pipe: starts with", "not RIFF"}},
		{bytes.NewReader(riff("RIFF", fmtChunk(1, 1, 1000, 2, 16, 0))), Options{}, []string{"no data chunk within 36 bytes", "cut off"}},
		{bytes.NewReader(riff("RIFF", chunk("junk", make([]byte, maxHead)), fmtChunk(1, 1, 1000, 2, 16, 0))), Options{}, []string{"of the header lies ahead", "damaged"}},
		{bytes.NewReader(riff("RIFF", []byte("junk\xff\xff\xff\x7f"))), Options{}, []string{"of the header lies ahead", "damaged"}},
		{bytes.NewReader(riff("RIFF", []byte("data\x00\x00\x00\x00"))), Options{}, []string{"data before the fmt chunk"}},
		{bytes.NewReader(riff("RIFF", fmtChunk(1, 1, 1000, 2, 16, 0), chunk("data", nil))), two, []string{"1 channel, expected 2"}},
		{strings.NewReader("1,2\n"), Options{}, []string{"pipe: CSV has no sample rate"}},
		{strings.NewReader("1,2,3,4\n"), two, []string{"4 channels, expected 2"}},
		{strings.NewReader("a,b\n"), two, []string{"a header and no row of numbers"}},
		{strings.NewReader("time_s,a\n1,2\n"), two, []string{"1 channel, expected 2"}},
		{strings.NewReader("1"), Options{Format: "npy"}, []string{"a stream cannot be npy"}},
		{strings.NewReader("1"), Options{Format: "ri17"}, []string{"datatype \"ri17\" is not known"}},
		{iotest.ErrReader(broken), Options{}, []string{"broken pipe"}},
		{io.MultiReader(strings.NewReader("RIFF1234WAVE"), iotest.ErrReader(broken)), Options{}, []string{"broken pipe"}},
		{io.MultiReader(strings.NewReader("a,b\n"), iotest.ErrReader(broken)), two, []string{"broken pipe"}},
	} {
		_, err := NewStream(c.in, "pipe", c.opt)
		contains(t, err, c.parts...)
	}
	for text, want := range map[string]string{
		"1,2\n3,4,5\n":                         "pipe:2: 3 fields, expected 2",
		"1,2\n3,x\n":                           "pipe:2: column 2 () = \"x\": not a number",
		"time_s,a,b\n0,1,2\n0,1,2\n":           "pipe:3: time 0 s after 0 s: must rise",
		"time_s,a,b\n0,1,2\n0.0001,1,2\n":      "pipe:3: time 0.0001 s is 0.0009 s early",
		"time_s,a,b\n0,1,2\nx,1,2\n":           "pipe:3: time \"x\" is no number",
		"1,2\n" + strings.Repeat("1", maxLine): "pipe:2: a line longer than",
	} {
		s, err := NewStream(strings.NewReader(text), "pipe", two)
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		for err == nil {
			_, err = s.ReadPlanar([][]float64{make([]float64, 9), make([]float64, 9)})
		}
		contains(t, err, want)
	}
}

// FuzzStream: whatever bytes come, in whatever pieces, there is an error or the same finite samples, in memory near the
// size of the input.
func FuzzStream(f *testing.F) {
	for _, c := range streams(f, ramp(2, 9)) {
		f.Add(c.data, c.opt.Format, uint8(c.opt.Channels))
	}
	f.Add([]byte("time_s,a\n0,1\n0.001,2\n0.009,3\n9,4\n"), "csv", uint8(1))
	f.Fuzz(func(t *testing.T, data []byte, format string, channels uint8) {
		opt := Options{Format: format, SampleRate: 1000, Channels: int(channels)}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		read := func(in io.Reader, block int) (n int, sum uint64, last error) {
			s, err := NewStream(in, "fuzz", opt)
			if err != nil {
				return 0, 0, err
			}
			m := NewMonitor(s.Info())
			s.Watch(m)
			dst := make([][]float64, s.Info().Channels)
			for c := range dst {
				dst[c] = make([]float64, block)
			}
			for {
				k, err := s.ReadPlanar(dst)
				var lost *LostError
				if errors.As(err, &lost) {
					s.Fill(min(lost.Samples, 100))
					continue
				}
				if err != nil {
					return n, sum, err
				}
				if n += k; int64(n) != s.Next() || k == 0 {
					t.Fatalf("%d samples, %d more; the next is %d", n, k, s.Next())
				}
				for c := range dst {
					for _, v := range dst[c][:k] {
						if v-v != 0 {
							t.Fatalf("%v in channel %d", v, c)
						}
						sum += math.Float64bits(v)
					}
				}
			}
		}
		n1, sum1, err1 := read(bytes.NewReader(data), 64)
		n2, sum2, err2 := read(iotest.HalfReader(bytes.NewReader(data)), 7)
		if n1 != n2 || sum1 != sum2 || err1.Error() != err2.Error() || strings.TrimSpace(err1.Error()) == "" {
			t.Fatalf("%d samples, error %v; in pieces %d samples, error %v", n1, err1, n2, err2)
		}
		runtime.ReadMemStats(&after)
		// Buffers, Monitors, and 71 samples for each of up to 4,096 channels, twice: see drain.
		if used := after.TotalAlloc - before.TotalAlloc; used > 128<<20+200*uint64(len(data)) {
			t.Fatalf("%d bytes allocated for %d bytes of input", used, len(data))
		}
	})
}
