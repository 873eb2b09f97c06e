package source

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"tonepose/multitone/recording"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// counts are n counts 0, 1, 2, … of 16 bits, least significant byte first.
func counts(n int) []byte {
	b := make([]byte, 0, 2*n)
	for i := range n {
		b = binary.LittleEndian.AppendUint16(b, uint16(i))
	}
	return b
}

// raw describes them as samples of two channels at 1 kHz.
var raw = recording.Options{Format: "ri16_le", SampleRate: 1000, Channels: 2, FullScale: []float64{32768}}

// save writes a file.
func save(t *testing.T, content []byte) (name string) {
	t.Helper()
	name = filepath.Join(t.TempDir(), "bench.raw")
	if err := os.WriteFile(name, content, 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// open opens a source that the test closes.
func open(t *testing.T, name string, o Options) Source {
	t.Helper()
	src, err := Open(t.Context(), name, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { src.Close() })
	return src
}

// readAll reads a source of counts 0, 1, 2, … to its end, by turns as counts and in volts, and returns how many there
// were.
func readAll(t *testing.T, src Source) (n int) {
	t.Helper()
	channels := src.Info().Channels
	small, planar := make([]int16, 7*channels), make([][]float64, channels)
	for c := range planar {
		planar[c] = make([]float64, 5)
	}
	for turn := 0; ; turn++ {
		var got int
		var err error
		if turn%2 == 0 {
			got, err = src.ReadInt16(small)
			for i, v := range small[:got*channels] {
				if v != int16(n*channels+i) {
					t.Fatalf("count %d is %d", n*channels+i, v)
				}
			}
		} else {
			got, err = src.ReadPlanar(planar)
			for i := range got {
				for c := range channels {
					if want := float64(int16((n+i)*channels + c)); planar[c][i] != want {
						t.Fatalf("sample %d of channel %d is %g, want %g", n+i, c, planar[c][i], want)
					}
				}
			}
		}
		n += got
		if errors.Is(err, io.EOF) {
			return n
		}
		if err != nil {
			t.Fatal(err)
		}
		if got == 0 {
			t.Fatal("a read gave nothing and no error")
		}
	}
}

func TestPlayAtFullSpeed(t *testing.T) {
	src := open(t, "play:"+save(t, counts(2*1234)), Options{Reading: raw, Pace: math.Inf(1)})
	if n := readAll(t, src); n != 1234 || src.Info().Samples != 1234 {
		t.Errorf("%d of 1234 samples, Info says %d", n, src.Info().Samples)
	}
}

// A recording of 2 s takes 2 s, half of it at twice its pace, and samples come when they are due, not before.
func TestPlayAtItsPace(t *testing.T) {
	for _, pace := range []float64{0, 1, 2, 0.5} {
		synctest.Test(t, func(t *testing.T) {
			src := open(t, "play:"+save(t, counts(2*2000)), Options{Reading: raw, Pace: pace})
			if pace == 0 {
				pace = 1
			}
			began, n := time.Now(), 0
			dst := make([]int16, 2*64)
			for {
				got, err := src.ReadInt16(dst)
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				n += got
				due := began.Add(time.Duration(float64(n) / 1000 / pace * 1e9))
				if late := time.Since(due); late < 0 || late > time.Millisecond {
					t.Fatalf("pace %g: sample %d came %v late", pace, n, late)
				}
				if !src.Arrived().Equal(due) {
					t.Fatalf("pace %g: sample %d: arrived %v after the beginning, due %v", pace, n, src.Arrived().Sub(began), due.Sub(began))
				}
				if n == 960 { // who reads too late finds more of them
					time.Sleep(time.Duration(32 / pace * float64(time.Millisecond)))
					if got, err := src.ReadInt16(dst); got != 32 || err != nil {
						t.Fatalf("%d samples after a rest of 32, error %v", got, err)
					}
					n += 32
				}
			}
			if n != 2000 || !src.Start().Equal(began) {
				t.Errorf("pace %g: %d samples, began at %v, want %v", pace, n, src.Start(), began)
			}
		})
	}
}

// A read that waits ends at once with the source, and with the context.
func TestPlayEnds(t *testing.T) {
	for name, want := range map[string]error{"closed": io.EOF, "cancelled": context.Canceled} {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			src, err := Open(ctx, "play:"+save(t, counts(2000)), Options{Reading: raw, Pace: 1e-9})
			if err != nil {
				t.Fatal(err)
			}
			began := time.Now()
			go func() {
				time.Sleep(time.Second)
				if name == "closed" {
					src.Close()
				} else {
					cancel()
				}
			}()
			if n, err := src.ReadInt16(make([]int16, 100)); n != 0 || err != want || time.Since(began) != time.Second {
				t.Errorf("%s: %d samples, error %v after %v", name, n, err, time.Since(began))
			}
			src.Close()
		})
	}
}

func TestPlayErrors(t *testing.T) {
	for _, c := range []struct {
		name string
		o    Options
		want string
	}{
		{"play:" + save(t, counts(4)), Options{Reading: raw, Pace: -1}, "pace -1: must be positive"},
		{"play:/nonexistent", Options{}, "/nonexistent: no such file"},
		{"play", Options{}, "play: no live source; name one as - (standard input), "},
		{"-", Options{}, "-: no standard input"},
		{"-x", Options{}, "-x: no live source"},
		{"play:", Options{}, "play:: no live source"},
	} {
		src, err := Open(t.Context(), c.name, c.o)
		if err == nil {
			src.Close()
		}
		wantError(t, err, c.want)
	}
}
