package stream

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// Blocks end wherever windows do, and hold no more than a block may.
func TestBlocksEndWithWindows(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		info := recording.Info{SampleRate: 1000 * (1 + math.Floor(300*random.Float64())), Channels: 1 + random.IntN(64)}
		hop := 1 + random.IntN(40000)
		length := hop + random.IntN(3*hop)
		c := newCadence(info, &Windows{Length: float64(length) / info.SampleRate, Hop: float64(hop) / info.SampleRate})
		ends := map[int64]bool{}
		for at := int64(0); at < 20*c.every; {
			next := c.next(at)
			if next <= at || next-at > c.longest() || c.longest() > int64(blockSamples(info.Channels)) {
				t.Fatalf("%+v, hop %d of %d channels: from %d to %d", c, hop, info.Channels, at, next)
			}
			ends[next], at = true, next
		}
		for k := range int64(18) { // of every window, or of one in every few where they follow each other quickly
			if end := c.first + (k+1)*c.every; !ends[end] || c.every%int64(hop) != 0 || (end-int64(length))%int64(hop) != 0 {
				t.Fatalf("%+v: windows of %d every %d end at %d, no block does", c, length, hop, end)
			}
		}
	}
}

// dripping is a live source of counts 0, 1, 2, … on one channel, that hands out as many as it is
// allowed to and has breaks and gaps.
type dripping struct {
	info    recording.Info
	allowed chan int // samples; closed: the end
	at, end int64
	gaps    []Gap
	waits   bool
	read    chan int64 // told of how many samples were asked for; nil: not
}

func (s *dripping) Info() recording.Info                { return s.info }
func (s *dripping) Watch(*recording.Monitor)            {}
func (s *dripping) Arrived() time.Time                  { return time.Unix(s.at, 0) }
func (s *dripping) Waits() bool                         { return s.waits }
func (s *dripping) ReadPlanar([][]float64) (int, error) { panic("counts") }

func (s *dripping) Lost() []Gap {
	n, _ := slices.BinarySearchFunc(s.gaps, s.at, func(g Gap, at int64) int { return int(g.At - at) })
	return s.gaps[:n]
}

func (s *dripping) ReadInt16(dst []int16) (int, error) {
	if s.at == s.end {
		if s.read != nil {
			s.read <- s.at
		}
		n, ok := <-s.allowed
		if !ok {
			return 0, io.EOF
		}
		s.end += int64(n)
	}
	n := int(min(int64(len(dst)), s.end-s.at))
	for i := range n {
		dst[i] = int16(s.at + int64(i))
	}
	s.at += int64(n)
	return n, nil
}

// Where measuring stands still, reading goes on: what it can't hold is skipped, all that
// waits at once, and the samples that come then have their numbers.
func TestTheRingSkips(t *testing.T) {
	defer goleak.VerifyNone(t)
	src := &dripping{info: recording.Info{SampleRate: 8000, Channels: 1, Int16: true}, allowed: make(chan int), read: make(chan int64)}
	c := cadence{every: 100, parts: 1}
	r := newRing(src, true, c) // of 2000 samples, 20 blocks
	type seen struct{ first, n int64 }
	var got []seen
	measuring, done := make(chan seen), make(chan error)
	taken := make(chan struct{})
	begun := sync.OnceFunc(func() { close(taken) })
	go func() {
		done <- r.follow(context.Background(), func(f *filled) error {
			begun()
			for i, v := range f.Counts {
				if v != int16(f.First+int64(i)) {
					t.Errorf("sample %d is %d", f.First+int64(i), v)
				}
			}
			if f.Arrived != time.Unix(f.First+int64(f.n), 0) {
				t.Errorf("block at %d arrived at %v", f.First, f.Arrived)
			}
			measuring <- seen{f.First, int64(f.n)}
			return nil
		})
	}()
	const blocks = 70
	for i := range blocks { // the source never waits, though nobody takes the second block
		<-src.read
		src.allowed <- 100
		if i == 0 {
			<-taken
		}
	}
	<-src.read
	close(src.allowed)
	close(src.read)
	for len(got) == 0 || got[len(got)-1].first != 100*(blocks-1) {
		got = append(got, <-measuring)
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	// One block is held by who measures. Each time the other 19 are full all of them are
	// skipped but what is read then, so no more than these wait.
	if n := len(got); n > 21 || n < 2 {
		t.Errorf("%d blocks were measured of %d", n, blocks)
	}
	holes := 0
	for i := 1; i < len(got); i++ {
		if got[i].first != got[i-1].first+got[i-1].n {
			holes++
		}
	}
	if holes != 1 {
		t.Errorf("%d holes in %v", holes, got)
	}
}

// A source that waits is not skipped.
func TestAWaitingSourceIsNotSkipped(t *testing.T) {
	defer goleak.VerifyNone(t)
	src := &dripping{info: recording.Info{SampleRate: 8000, Channels: 1, Int16: true}, allowed: make(chan int, 1), waits: true}
	src.allowed <- 30000
	close(src.allowed)
	next := int64(0)
	if err := newRing(src, true, cadence{every: 100, parts: 1}).follow(t.Context(), func(f *filled) error {
		if f.First != next {
			t.Errorf("%d follows %d", f.First, next)
		}
		next += int64(f.n)
		return nil
	}); err != nil || next != 30000 {
		t.Errorf("%d samples, error %v", next, err)
	}
}

// A block ends where time breaks, and the next one begins there, wherever the source
// cuts what it hands out; filled samples are marked.
func TestBlocksEndWhereTimeBreaks(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 50 {
		src := &dripping{info: recording.Info{SampleRate: 8000, Channels: 1, Int16: true}, allowed: make(chan int, 1000), waits: true,
			gaps: []Gap{{At: 150}, {At: 600, Samples: 30}, {At: 777}}}
		for left := 2000; left > 0; {
			n := min(left, 1+random.IntN(300))
			src.allowed <- n
			left -= n
		}
		close(src.allowed)
		var firsts, resets []int64
		var marks []recording.Mark
		if err := newRing(src, true, cadence{every: 100, parts: 1}).follow(t.Context(), func(f *filled) error {
			firsts = append(firsts, f.First)
			if f.Reset {
				resets = append(resets, f.First)
			}
			marks = append(marks, f.marks...)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(resets, []int64{150, 777}) || len(marks) != 1 || marks[0] != (recording.Mark{Channel: 0, Start: 570, Stop: 600}) {
			t.Fatalf("time breaks before %v, marks %v", resets, marks)
		}
		if want := []int64{0, 100, 150, 250, 350, 450, 550, 650, 750, 777, 877}; !slices.Equal(firsts[:len(want)], want) {
			t.Fatalf("blocks begin at %v", firsts)
		}
	}
}

// toned is a live source of one tone and its drive, in volts, whose clock is ppm off.
type toned struct {
	dripping
	ppm    float64
	random *rand.Rand
	most   int   // samples of a read
	hum    int64 // first sample of the mains on the second channel; 0: never
}

func (s *toned) ReadInt16([]int16) (int, error) { panic("floats") }

func (s *toned) ReadPlanar(dst [][]float64) (int, error) {
	n := int(min(int64(min(len(dst[0]), 1+s.random.IntN(s.most))), s.end-s.at))
	if n == 0 {
		return 0, io.EOF
	}
	for i := range n {
		phase := 2 * math.Pi * 1000 * (1 + s.ppm*1e-6) * float64(s.at+int64(i)) / s.info.SampleRate
		noise := math.Sin(1e9 * math.Sin(float64(s.at+int64(i)))) // depends on the sample alone
		dst[0][i], dst[1][i] = math.Cos(phase), 0.1*math.Cos(phase-1)+1e-4*noise
		if s.hum > 0 && s.at+int64(i) >= s.hum {
			turns := 50 * float64(s.at+int64(i)) / s.info.SampleRate
			dst[1][i] += 0.02*math.Cos(2*math.Pi*3*turns) + 0.02*math.Cos(2*math.Pi*5*turns) + 0.02*math.Cos(2*math.Pi*25*turns)
		}
	}
	s.at += int64(n)
	return n, nil
}

func told(what ...any) string { return fmt.Sprintln(what...) }

// Frames depend on the samples alone: not on how many come at a time.
func TestFramesDoNotDependOnThePaceOfTheSource(t *testing.T) {
	tones := []multitone.Tone{{Name: "a", Hz: 1000, Reference: multitone.OnChannel(0)}}
	follow := func(most int) (all []string) {
		info := recording.Info{SampleRate: 20000, Channels: 2, Names: []string{"drive", "rx"}, Samples: -1}
		src := &toned{dripping{info: info, end: 6 * 20000, waits: true, gaps: []Gap{{At: 30011}}}, 150, rand.New(rand.NewPCG(5, uint64(most))), most, 36000}
		_, _, err := Follow(t.Context(), src, clock.Common, Measurement{Tones: tones, Windows: Windows{Length: 10e-3, Hop: 5e-3}, Note: func(n Note) {
			all = append(all, told(n.Time, n.Text))
		}}, func(m *Measured) error {
			all = append(all, told(m.Time, m.Start, m.Hz, m.Phasor, m.Variance, m.Channels, m.Lost, m.Flags, m.Skipped))
			return nil
		}, nil)
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	want := follow(100000)
	for _, most := range []int{1, 37, 5000} {
		if got := follow(most); !slices.Equal(got, want) {
			for i := range want {
				if i >= len(got) || got[i] != want[i] {
					t.Fatalf("%d at a time, line %d of %d and %d:\n%s\n%s", most, i, len(got), len(want), got[min(i, len(got)-1)], want[i])
				}
			}
		}
	}
	// (30011 − 200)/100 + 1 windows before the break, (89989 − 200)/100 + 1 after it, and a
	// word on it.
	if n := len(want); n != 299+898+1 {
		t.Errorf("%d frames and notes", n)
	}
}
