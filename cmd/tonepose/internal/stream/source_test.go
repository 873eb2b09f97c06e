package stream

import (
	"context"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"

	"go.uber.org/goleak"

	"tonepose/multitone"
	"tonepose/multitone/recording"
)

// rawRecording opens a raw file of counts 0, 1, 2, … of two channels.
func rawRecording(t *testing.T, samples int) *recording.Reader {
	t.Helper()
	name := filepath.Join(t.TempDir(), "counts.raw")
	b := make([]byte, 4*samples)
	for i := range 2 * samples {
		binary.LittleEndian.PutUint16(b[2*i:], uint16(i))
	}
	if err := os.WriteFile(name, b, 0o644); err != nil {
		t.Fatal(err)
	}
	r, err := recording.Open(context.Background(), name, recording.Options{Format: "ri16_le", SampleRate: 1000, Channels: 2, FullScale: []float64{32768}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

func TestBlocksAreTheWholeRecordingInOrder(t *testing.T) {
	defer goleak.VerifyNone(t)
	const samples = 5*blockMax + 77
	r := rawRecording(t, samples)
	for range 2 { // a second pass starts anew
		var planar, raw int
		err := Blocks(t.Context(), r, false, func(b *Block) error {
			x := b.Volts
			for i := range x[0] {
				n := int(b.First) + i
				if n != planar || x[0][i] != float64(int16(2*n)) || x[1][i] != float64(int16(2*n+1)) {
					t.Fatalf("sample %d: %g, %g", n, x[0][i], x[1][i])
				}
				planar++
			}
			return nil
		})
		if err != nil || planar != samples {
			t.Fatalf("%d samples of %d, error %v", planar, samples, err)
		}
		err = Blocks(t.Context(), r, true, func(b *Block) error {
			for i, v := range b.Counts {
				if n := 2*int(b.First) + i; n != raw || v != int16(n) {
					t.Fatalf("count %d: %d", n, v)
				}
				raw++
			}
			return nil
		})
		if err != nil || raw != 2*samples {
			t.Fatalf("%d counts of %d, error %v", raw, 2*samples, err)
		}
	}
}

// Reading ahead ends with the caller's interest: no goroutine remains, and the
// recording can be read again.
func TestBlocksEndEarly(t *testing.T) {
	defer goleak.VerifyNone(t)
	r := rawRecording(t, 5*blockMax)
	failure := errors.New("enough")
	if err := Blocks(t.Context(), r, false, func(*Block) error { return failure }); err != failure {
		t.Errorf("error %v, want the caller's", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	calls := 0
	err := Blocks(ctx, r, true, func(*Block) error { calls++; cancel(); return nil })
	if !errors.Is(err, context.Canceled) || calls != 1 {
		t.Errorf("error %v after %d blocks, want %v after the first", err, calls, context.Canceled)
	}
	if err := Blocks(t.Context(), r, true, func(*Block) error { return nil }); err != nil {
		t.Error(err)
	}
}

func TestFramesAreUsedInOrder(t *testing.T) {
	defer goleak.VerifyNone(t)
	var got []int64
	s := newQueue(ahead(4096), func(w *waiting) error { got = append(got, w.frame.Start); return nil })
	f := multitone.Frame{Hz: []float64{1}}
	var want []int64
	for i := range int64(1000) {
		f.Start = i // the frame is the emitter's to overwrite
		want = append(want, i)
		if err := s.emit(&f, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.wait(); err != nil || !slices.Equal(got, want) {
		t.Errorf("error %v, %d frames", err, len(got))
	}
}

func TestFramesHandBackTheError(t *testing.T) {
	defer goleak.VerifyNone(t)
	failure := errors.New("disk full")
	used := 0
	s := newQueue(ahead(4096), func(*waiting) error { used++; return failure })
	var err error
	for i := 0; err == nil && i < 1000; i++ {
		err = s.emit(&multitone.Frame{}, nil)
		runtime.Gosched()
	}
	if err != failure {
		t.Errorf("emit: error %v", err)
	}
	if err := s.wait(); err != failure || used != 1 {
		t.Errorf("wait: error %v after %d uses", err, used)
	}
}
