package source

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"testing"
	"testing/iotest"
	"testing/synctest"
	"time"

	"tonepose/multitone/recording"
)

// wantError compares the beginning of a message.
func wantError(t *testing.T, err error, want string) {
	t.Helper()
	if err == nil || !strings.HasPrefix(err.Error(), want) {
		t.Errorf("error %v, want %s …", err, want)
	}
}

// piped is raw with standard input.
func fed(in io.Reader) Options {
	o := Options{Reading: raw}
	o.Reading.Stdin = in
	return o
}

func TestStandardInputRaw(t *testing.T) {
	for name, in := range map[string]io.Reader{
		"at once":         bytes.NewReader(counts(2 * 100_000)),
		"byte by byte":    iotest.OneByteReader(bytes.NewReader(counts(2 * 100_000))),
		"halves":          iotest.HalfReader(bytes.NewReader(counts(2 * 100_000))),
		"end with bytes":  iotest.DataErrReader(bytes.NewReader(counts(2 * 100_000))),
		"a part too many": bytes.NewReader(append(counts(2*100_000), 1, 2, 3)),
	} {
		src := open(t, "-", fed(in))
		if info := src.Info(); info.Samples >= 0 || info.SampleRate != 1000 || info.Channels != 2 || !info.Int16 {
			t.Errorf("%s: %+v", name, info)
		}
		if n := readAll(t, src); n != 100_000 {
			t.Errorf("%s: %d samples", name, n)
		}
		src.Close()
	}
}

// Samples are handed out when they have come, with the time at which they did.
func TestSamplesAreHandedOutAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in, out := io.Pipe()
		src := open(t, "-", fed(in))
		began := time.Now()
		go func() {
			defer out.Close()
			for i := range 10 {
				time.Sleep(time.Second)
				out.Write(counts(20)[4*i : 4*i+4])
			}
		}()
		dst := make([]int16, 2*1000)
		for i := range 10 {
			n, err := src.ReadInt16(dst)
			if n != 1 || err != nil || dst[0] != int16(2*i) {
				t.Fatalf("sample %d: %d, error %v", i, n, err)
			}
			if at := time.Duration(i+1) * time.Second; time.Since(began) != at || src.Arrived().Sub(began) != at {
				t.Errorf("sample %d read after %v, come after %v, want %v", i, time.Since(began), src.Arrived().Sub(began), at)
			}
		}
		if n, err := src.ReadInt16(dst); n != 0 || err != io.EOF {
			t.Errorf("%d samples, error %v at the end", n, err)
		}
		if want := began.Add(time.Second - time.Millisecond); !src.Start().Equal(want) {
			t.Errorf("first sample at %v, want %v", src.Start(), want)
		}
	})
}

func TestIdleEndsASource(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in, out := io.Pipe()
		o := fed(in)
		o.Idle = 3 * time.Second
		src := open(t, "-", o)
		go out.Write(counts(4))
		began := time.Now()
		if n := readAll(t, src); n != 2 || time.Since(began) != 3*time.Second {
			t.Errorf("%d samples in %v", n, time.Since(began))
		}
		out.Close()
	})
}

// A read that waits for a pipe ends at once, and so does its goroutine.
func TestStandardInputEnds(t *testing.T) {
	for name, want := range map[string]error{"closed": io.EOF, "cancelled": context.Canceled} {
		in, out, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		src, err := Open(ctx, "-", fed(in))
		if err != nil {
			t.Fatal(err)
		}
		failed := make(chan error)
		go func() {
			_, err := src.ReadInt16(make([]int16, 100))
			failed <- err
		}()
		if name == "closed" {
			src.Close()
		} else {
			cancel()
		}
		if err := <-failed; err != want {
			t.Errorf("%s: error %v", name, err)
		}
		cancel()
		src.Close()
		out.Close()
		in.Close()
	}
}

func TestStandardInputFails(t *testing.T) {
	broken := errors.New("input/output error")
	src := open(t, "-", fed(io.MultiReader(bytes.NewReader(counts(4)), iotest.ErrReader(broken))))
	dst := make([]int16, 100)
	if n, err := src.ReadInt16(dst); n != 2 || err != nil {
		t.Fatalf("%d samples, error %v", n, err)
	}
	if _, err := src.ReadInt16(dst); !errors.Is(err, broken) {
		t.Errorf("error %v", err)
	}
}

// Reading allocates nothing, once it runs.
func TestReadingDoesNotAllocate(t *testing.T) {
	for _, planar := range []bool{false, true} {
		src := open(t, "-", fed(endless{}))
		src.Watch(recording.NewMonitor(src.Info()))
		dst, volts := make([]int16, 2*4096), [][]float64{make([]float64, 4096), make([]float64, 4096)}
		read := func() {
			var err error
			if planar {
				_, err = src.ReadPlanar(volts)
			} else {
				_, err = src.ReadInt16(dst)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		for range 100 {
			read()
		}
		if n := testing.AllocsPerRun(200, read); n >= 1 {
			t.Errorf("planar %v: %g allocations a read", planar, n)
		}
		src.Close()
	}
}

// endless gives a slow ramp.
type endless struct{}

func (endless) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = byte(i >> 3)
	}
	return len(b), nil
}

func BenchmarkStandardInput(b *testing.B) {
	o := fed(endless{})
	o.Reading.Channels = 16
	src, err := Open(b.Context(), "-", o)
	if err != nil {
		b.Fatal(err)
	}
	defer src.Close()
	dst := make([]int16, 16*8192)
	b.ReportAllocs()
	samples := 0
	for b.Loop() {
		n, err := src.ReadInt16(dst)
		if err != nil {
			b.Fatal(err)
		}
		samples += n
	}
	b.ReportMetric(float64(32*samples)/b.Elapsed().Seconds()/1e6, "MB/s")
}
