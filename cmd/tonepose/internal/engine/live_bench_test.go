package engine

import (
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
)

// endless plays counts again and again, up to a number of samples.
type endless struct {
	info   recording.Info
	counts []int16
	at     int
	left   int64 // samples
}

func (s *endless) Info() recording.Info { return s.info }

func (s *endless) Watch(*recording.Monitor) {}

func (s *endless) ReadPlanar([][]float64) (int, error) { panic("counts are read as they are") }

func (s *endless) ReadInt16(dst []int16) (int, error) {
	n := min(len(dst), int(s.left)*s.info.Channels, len(s.counts)-s.at)
	if n == 0 {
		return 0, io.EOF
	}
	copy(dst, s.counts[s.at:s.at+n])
	s.at = (s.at + n) % len(s.counts)
	s.left -= int64(n / s.info.Channels)
	return n / s.info.Channels, nil
}

// wideRig is a bench of 16 channels at 200 kS/s: 16 emitters on two circles, driven
// in fours over four channels, and two probes of six coils. Its tones turn whole times in
// two seconds. Invented data.
func wideRig(tb testing.TB) *rig.Rig {
	tb.Helper()
	var text strings.Builder
	text.WriteString("name: wide\nsample_rate_hz: 200000\nworking_volume: {min_m: [-0.2, -0.2, 0.05], max_m: [0.2, 0.2, 0.35]}\nchannels:\n")
	for i := range 12 {
		fmt.Fprintf(&text, "- {name: rx%d, full_scale_v: 2.5, gain: 100, delay_s: 1.5e-6}\n", i+1)
	}
	for i := range 4 {
		fmt.Fprintf(&text, "- {name: drive%d, full_scale_v: 2.5, gain: 1, delay_s: 0}\n", i+1)
	}
	text.WriteString("emitters:\n")
	for i := range 16 {
		angle, radius := 2*math.Pi*float64(i)/16, 0.12+0.08*float64(i%2)
		fmt.Fprintf(&text, "- {name: e%d, tone_hz: %g, current_a_peak: 0.25, reference: {channel: drive%d, transimpedance_ohm: 0.5}, model: {type: loop, center_m: [%.4f, %.4f, 0], axis: [%.3f, %.3f, 1], radius_m: 0.035, turns: 40}}\n",
			i+1, 5000+1200*float64(i)+float64(i*i*37%801)/2, i/4+1, radius*math.Cos(angle), radius*math.Sin(angle), 0.3*math.Sin(3*angle), 0.3*math.Cos(2*angle))
	}
	text.WriteString("sensors:\n")
	for s := range 2 {
		fmt.Fprintf(&text, "- name: probe%d\n  coils:\n", s+1)
		for c := range 6 {
			axis := [3]float64{}
			axis[c%3] = 1
			fmt.Fprintf(&text, "  - {channel: rx%d, center_m: [%g, %g, %g], axis: [%g, %g, %g], area_turns_m2: 0.004, radius_m: 0.004}\n",
				6*s+c+1, 0.004*float64(c-2), 0.003*float64(c%2), 0.005*float64(c/3), axis[0], axis[1], axis[2])
		}
	}
	r, err := rig.Parse("wide", []byte(text.String()), rig.Options{})
	if err != nil {
		tb.Fatal(err)
	}
	return r
}

// wideStream is what that bench records of a motion that closes every two seconds, over
// and over.
func wideStream(tb testing.TB, r *rig.Rig, b *bench.Bench, seconds float64) *endless {
	tb.Helper()
	var text strings.Builder
	text.WriteString("time_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n")
	const step = 0.01
	for i := range int(seconds/step) + 2 {
		for s := range 2 {
			turn := 2*math.Pi*float64(i)*step/2 + 3*float64(s)
			q := rigid.Exp(r3.Vec{X: 0.3 * math.Sin(turn), Y: 0.3 * math.Cos(turn), Z: 1 + 0.2*math.Sin(2*turn)})
			fmt.Fprintf(&text, "%.2f,probe%d,%.9f,%.9f,%.9f,%.12f,%.12f,%.12f,%.12f\n", float64(i)*step, s+1, 0.06*math.Cos(turn), 0.06*math.Sin(turn), 0.18+0.02*math.Sin(2*turn), q.Real, q.Imag, q.Jmag, q.Kmag)
		}
	}
	file := filepath.Join(tb.TempDir(), "path.csv")
	if err := os.WriteFile(file, []byte(text.String()), 0o644); err != nil {
		tb.Fatal(err)
	}
	path, err := simulate.ReadPath(file, []string{"probe1", "probe2"})
	if err != nil {
		tb.Fatal(err)
	}
	name := filepath.Join(tb.TempDir(), "wide")
	if _, err := simulate.Write(tb.Context(), r, path, name, simulate.Options{DurationS: seconds, Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, Seed: 1}, nil); err != nil {
		tb.Fatal(err)
	}
	rec, err := b.Open(tb.Context(), name+".sigmf-meta", recording.Options{})
	if err != nil {
		tb.Fatal(err)
	}
	defer rec.Close()
	s := &endless{info: rec.Info(), counts: make([]int16, rec.Info().Samples*int64(rec.Info().Channels))}
	if n, err := rec.ReadInt16(s.counts); err != nil || int64(n) != rec.Info().Samples {
		tb.Fatal(n, err)
	}
	s.info.Samples = -1
	return s
}

// BenchmarkLive is how many seconds of a stream one second measures and solves: 16
// channels of 200 kS/s, 16 tones, 10 ms windows every 5 ms, two sensors. Allocations
// are of a frame, after the first five seconds.
func BenchmarkLive(b *testing.B) {
	r := wideRig(b)
	of := bench.New(r)
	src := wideStream(b, r, of, 4)
	const seconds, start = 30, 5
	for b.Loop() {
		src.at, src.left = 0, int64(seconds*src.info.SampleRate)
		e, err := New(of, Options{Windows: stream.Windows{Length: 10e-3, Hop: 5e-3}, Causal: true})
		if err != nil {
			b.Fatal(err)
		}
		var before, after runtime.MemStats
		frames, bad := 0, 0
		if _, _, err = e.Run(b.Context(), src, func(o *Observation) error {
			if frames++; frames == start*200 {
				runtime.ReadMemStats(&before)
			}
			for i := range o.Sensors {
				if o.Sensors[i].Flags != 0 {
					bad++
				}
			}
			return nil
		}, nil); err != nil {
			b.Fatal(err)
		}
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(after.Mallocs-before.Mallocs)/float64(frames-start*200), "allocs/frame")
		b.ReportMetric(float64(bad)/float64(frames), "flags/frame")
	}
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "s/s")
}
