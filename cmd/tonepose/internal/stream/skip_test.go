package stream

import (
	"math"
	"math/rand/v2"
	"testing"

	"go.uber.org/goleak"

	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// hurried is a source that does not wait: it hands out one block each time it is told to.
type hurried struct {
	toned
	step  chan int
	ready chan struct{}
}

func (s *hurried) Waits() bool { return false }

func (s *hurried) ReadPlanar(dst [][]float64) (int, error) {
	s.ready <- struct{}{}
	s.end = s.at + int64(<-s.step)
	return s.toned.ReadPlanar(dst)
}

// Where who uses the frames stands still, whole windows are skipped and counted, what is
// waiting stays bounded, and once it goes on frames are measured again, as well as before.
func TestSlowUseSkipsWindows(t *testing.T) {
	defer goleak.VerifyNone(t)
	const rate = 20000
	info := recording.Info{SampleRate: rate, Channels: 2, Names: []string{"drive", "rx"}, Samples: -1}
	src := &hurried{toned{dripping{info: info}, 150, rand.New(rand.NewPCG(1, 2)), 1 << 30, 0}, make(chan int), make(chan struct{})}
	m := Measurement{Tones: []multitone.Tone{{Name: "a", Hz: 1000, Reference: multitone.OnChannel(0)}}, Windows: Windows{Length: 10e-3, Hop: 5e-3}}
	type used struct {
		start   int64
		skipped int
		off     float64
	}
	frames, done := make(chan used), make(chan error)
	go func() {
		_, _, err := Follow(t.Context(), src, clock.Common, m, func(f *Measured) error {
			v, _ := f.At(0, 1)
			frames <- used{f.Start, f.Skipped, math.Hypot(real(v)-0.1*math.Cos(1), imag(v)+0.1*math.Sin(1))}
			return nil
		}, nil)
		close(frames)
		done <- err
	}()
	next, windows, skipped, late, ready := int64(0), 0, 0, int64(0), 0
	take := func(f used) {
		if want := next + 100*int64(f.skipped); f.start != want {
			t.Fatalf("a window begins at %d with %d skipped before it, want at %d", f.start, f.skipped, want)
		}
		// Noise of 1e-4/√2 over 100 samples and their weights: some 2e-5 in all.
		if f.off > 1e-4 {
			t.Errorf("the window at %d is off by %g V", f.start, f.off)
		}
		next, windows, skipped = f.start+100, windows+1, skipped+f.skipped
		if ready--; ready < 0 {
			late = max(late, src.at-f.start)
		}
	}
	// read hands out a block, and returns when reading asks for the next one.
	read := func() {
		src.step <- 100
		<-src.ready
	}
	<-src.ready
	for range 40 { // until the clock is captured
		read()
	}
	current := func() { // takes frames up to that of the newest samples
		for next < src.at-100 {
			take(<-frames)
		}
	}
	current()
	for range 160 {
		read()
		current()
	}
	if skipped > 0 {
		t.Fatalf("%d windows skipped while nothing was slow", skipped)
	}
	for range 400 { // 2 s in which nobody takes a frame
		read()
	}
	// The queue's ten windows, that which waits for use and that which waits for the queue
	// are as late as use was.
	ready, late = 12, 0
	current()
	before := skipped
	for range 200 {
		read()
		current()
	}
	if skipped != before {
		t.Errorf("%d windows skipped after use went on", skipped-before)
	}
	src.step <- 0 // the end
	for f := range frames {
		take(f)
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	// Of 2 s no more waits than the ring and the queue hold, 0.25 and 0.05 s, a window and
	// the blocks at hand. The last window of all is that which ends with the samples.
	if least := int((2 - ringSeconds - liveAhead - 0.05) * rate / 100); skipped < least || windows+skipped != 799 {
		t.Errorf("%d windows measured, %d skipped, want at least %d", windows, skipped, least)
	}
	if most := int64((ringSeconds + liveAhead + 0.05) * rate); late > most {
		t.Errorf("a window was %d samples late, want at most %d", late, most)
	}
}
