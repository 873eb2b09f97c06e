// Package inspect describes a recording and what is wrong with it: the job of
// the command inspect.
package inspect

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"
	"time"

	"gonum.org/v1/gonum/floats"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
	"tonepose/multitone/spectrum"
)

// Inspection describes a recording, in SI units. What needs a rig
// is empty without one.
type Inspection struct {
	Name        string    `json:"recording"`
	Format      string    `json:"format"`
	Datatype    string    `json:"datatype"`
	SizeBytes   int64     `json:"size_bytes"`
	SHA256      string    `json:"sha256"`
	Start       time.Time `json:"start,omitzero"`
	SampleRate  float64   `json:"sample_rate_hz"`
	Samples     int64     `json:"samples"`
	DurationS   float64   `json:"duration_s"`
	Bits        int       `json:"bits"` // 0: floats
	Unit        string    `json:"unit"` // of all levels: V, or full scale
	ClockPPM    []float64 `json:"clock_ppm,omitempty"`
	Resolution  float64   `json:"resolution_hz"` // ENBW of a bin of the spectrum
	ConfidentLo float64   `json:"density_95_low"`
	ConfidentHi float64   `json:"density_95_high"` // factors about a bin's density

	Channels []Channel `json:"channels"`
	Mains    *Mains    `json:"mains,omitempty"`
	Tones    []Tone    `json:"tones,omitempty"`
	Pickups  []Pickup  `json:"pickups,omitempty"`
	// DriveStart is of the drives, where the recorder plays them.
	DriveStart *engine.Start `json:"drive_start,omitempty"`
	Rests      *Rests        `json:"rests,omitempty"` // where a plan of stations was asked for
	Lines      []Line        `json:"lines"`           // the strongest that the rig does not explain
	Events     []Event       `json:"events"`          // faults of the samples
	Findings   []string      `json:"findings"`
	Warnings   []error       `json:"-"` // of the recording's own description

	Densities []*spectrum.Density `json:"-"` // of the channels
	Drives    []ToneSeries        `json:"-"` // none without a rig or references

	mains  spectrum.Mains
	toneHz []float64
	moves  []bool   // tones × channels: the tone's level changes by more than noise
	rig    *rig.Rig // nil: none
	tones  []multitone.Tone
}

// Channel is one channel.
type Channel struct {
	Name           string  `json:"channel"`
	Min            float64 `json:"min"`
	Max            float64 `json:"max"`
	FullScaleShare float64 `json:"full_scale_share,omitempty"` // of the larger of both, 0..1; 0: full scale not known
	DC             float64 `json:"dc"`
	DriftPerS      float64 `json:"drift_per_s"`
	SigmaDrift     float64 `json:"sigma_drift_per_s"`
	RMS            float64 `json:"rms"` // without the mean
	Clipped        int64   `json:"clipped_samples"`
	Stuck          int64   `json:"stuck_samples"`
	NonFinite      int64   `json:"not_finite_samples"`
	WhiteDensity   float64 `json:"noise_density_per_sqrt_hz"`
	FlickerCorner  float64 `json:"flicker_corner_hz"` // 0: none seen
	SigmaCorner    float64 `json:"sigma_flicker_corner_hz"`
	NoiseRMS       float64 `json:"noise_rms"` // all that is no line, up to half the rate
	// Misfit is the scatter of the spectrum about white plus 1/f noise over what
	// steady noise has: 1. From unsteadyMisfit on the noise is that beside
	// the rig's tones, if there are any.
	Misfit float64 `json:"noise_misfit"`
}

// Event is one fault of the samples.
type Event struct {
	Kind    string  `json:"kind"`
	Channel string  `json:"channel,omitempty"` // empty: all
	StartS  float64 `json:"start_s"`
	StopS   float64 `json:"stop_s"`
}

// Run opens a recording and inspects it; with a plan of stations, a CSV, it also finds the
// rests of the sensors.
func Run(ctx context.Context, from measure.Input, stations string) (in *Inspection, err error) {
	b, rec, err := from.Open(ctx)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	if in, err = look(ctx, rec, b, stations, from.Progress); err == nil {
		in.Warnings = rec.Info().Warnings
	}
	return in, err
}

// look inspects a recording. r is opened by the bench if there is a rig; b is nil
// without one.
func look(ctx context.Context, r *recording.Reader, b *bench.Bench, stations string, progress stream.Progress) (*Inspection, error) {
	info := r.Info()
	in := &Inspection{Name: info.Name, Format: info.Format, Datatype: info.Datatype, SizeBytes: info.SizeBytes, Start: info.Start,
		SampleRate: info.SampleRate, Samples: info.Samples, DurationS: info.Duration(), Bits: info.Bits, Unit: "V",
		Lines: []Line{}, Events: []Event{}, Findings: []string{}}
	if !info.Volts {
		in.Unit = "full scale"
	}
	if b != nil {
		in.rig, in.tones = b.Rig(), b.Tones()
	}
	mode := clock.Common
	if len(in.tones) == 0 {
		mode = clock.None
	}
	r.Hash()
	survey, err := stream.Observe(ctx, r, in.tones, mode, progress)
	if errors.Is(err, clock.ErrNoReference) {
		in.find("%v; frequencies are taken from the rig meanwhile", err)
		survey, err = stream.Observe(ctx, r, in.tones, clock.None, progress)
	}
	if err != nil {
		return nil, err
	}
	if in.SHA256, err = r.SHA256(); err != nil {
		return nil, err
	}
	if in.Densities, err = welch(ctx, r, progress); err != nil {
		return nil, err
	}
	d := in.Densities[0]
	in.Resolution = d.ENBWHz
	in.ConfidentLo, in.ConfidentHi = d.Interval(0.95)
	in.toneHz = survey.Hz()
	lines := in.channels(survey.Monitor, info)
	in.lookAtMains(lines, survey, info)
	in.events(survey.Monitor, info)
	in.Findings = append(in.Findings, survey.DoubtfulReferences()...)
	if len(in.tones) > 0 {
		for k, t := range in.tones {
			in.ClockPPM = append(in.ClockPPM, (in.toneHz[k]/t.Hz-1)*1e6)
		}
		if err := in.lookAtTones(ctx, r, survey, lines, progress); err != nil {
			return nil, err
		}
		if err := in.lookForStart(ctx, r, b, survey, progress); err != nil {
			return nil, err
		}
	}
	if stations != "" && b != nil {
		if err := in.findRests(ctx, r, b, survey, stations, progress); err != nil {
			return nil, err
		}
	}
	in.lookAtLines(lines, survey, info)
	in.shared(survey)
	return in, nil
}

// lookForStart finds when the file of the drives began, where the recorder plays it.
func (in *Inspection) lookForStart(ctx context.Context, r *recording.Reader, b *bench.Bench, survey *stream.Survey, progress stream.Progress) (err error) {
	info := r.Info()
	window := min(max(info.Duration()/inspectWindows, in.shortest()), info.Duration()/4)
	in.DriveStart, err = engine.FindStart(ctx, r, b, survey, stream.Windows{Length: window, Hop: window}, progress)
	if err != nil && ctx.Err() == nil {
		in.find("%v", err)
		return nil
	}
	in.Findings = append(append(in.Findings, in.DriveStart.Words(in.rig)...), in.DriveStart.Doubts()...)
	return err
}

// unsteadyMisfit is far from what chance or leakage makes of white plus 1/f
// noise.
const unsteadyMisfit = 2

func (in *Inspection) find(format string, args ...any) {
	in.Findings = append(in.Findings, fmt.Sprintf(format, args...))
}

// welch averages the spectra of all channels; segments end at gaps, and of a long
// recording they are spread over it.
func welch(ctx context.Context, r *recording.Reader, progress stream.Progress) ([]*spectrum.Density, error) {
	info := r.Info()
	size := welchSize(info.Samples, info.SampleRate)
	if info.Samples < int64(size) {
		return nil, fmt.Errorf("%s: %d samples are too few for a spectrum: %d are needed", info.Name, info.Samples, size)
	}
	first, err := spectrum.NewWelch(info.SampleRate, size)
	if err != nil {
		return nil, err
	}
	first.Spread(info.Samples, mostSegments)
	// Channels are taken side by side, each always by the same worker.
	workers := min(runtime.GOMAXPROCS(0), info.Channels, mostWorkers)
	all := make([]*spectrum.Welch, info.Channels)
	for c := range all {
		if c < workers {
			all[c] = first.Beside()
		} else {
			all[c] = all[c-workers].Another()
		}
	}
	add := func(x [][]float64, from, to int) {
		var wait sync.WaitGroup
		for k := range workers {
			wait.Go(func() {
				for c := k; c < len(all); c += workers {
					all[c].Add(x[c][from:to])
				}
			})
		}
		wait.Wait()
	}
	var gaps []int64
	for _, c := range info.Captures {
		if c.Missing > 0 {
			gaps = append(gaps, c.Start)
		}
	}
	err = stream.Blocks(ctx, r, false, func(b *stream.Block) error {
		x, first := b.Volts, b.First
		progress.Report("spectrum", first, info.Samples)
		from, to := 0, len(x[0])
		for from < to {
			stop := to
			for len(gaps) > 0 && gaps[0] <= first+int64(from) {
				for _, w := range all {
					w.Break()
				}
				gaps = gaps[1:]
			}
			if len(gaps) > 0 && gaps[0] < first+int64(to) {
				stop = int(gaps[0] - first)
			}
			add(x, from, stop)
			from = stop
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	out := make([]*spectrum.Density, info.Channels)
	for c, w := range all {
		out[c] = w.Density()
		if out[c].Segments == 0 {
			return nil, fmt.Errorf("%s: no stretch of %d samples without a gap: too short for a spectrum", info.Name, size)
		}
	}
	return out, nil
}

// mostWorkers bounds the memory that workers need, some 3 MB each.
const mostWorkers = 8

// mostSegments are enough: they know a density to ±12 % (95 %), which four times as many
// would only halve, in four times the time. What happens between them the survey sees.
const mostSegments = 300

// welchSize gives some twenty segments, or bins of half a hertz: powers of two.
func welchSize(samples int64, rate float64) int {
	size := 64
	for int64(2*size)*8 <= samples && float64(size) < 2*rate && size < 1<<17 {
		size *= 2
	}
	return size
}

// channels describes each channel by itself and returns its lines.
func (in *Inspection) channels(m *recording.Monitor, info recording.Info) [][]spectrum.Line {
	lines := make([][]spectrum.Line, info.Channels)
	for c, seen := range m.Channels() {
		d := in.Densities[c]
		floor := d.Floor(64)
		lines[c] = d.Lines(floor, 1e-3)
		look := Channel{Name: info.Names[c], Min: seen.Min, Max: seen.Max, DC: seen.DC,
			DriftPerS: seen.Drift / info.Duration(), SigmaDrift: seen.DriftSigma / info.Duration(),
			Clipped: seen.Clipped, Stuck: seen.Stuck, NonFinite: seen.NonFinite}
		full := 0.0
		switch {
		case !info.Volts:
			full = 1
		case in.rig != nil:
			full = in.rig.Channels[c].FullScaleV
		}
		if full > 0 {
			look.FullScaleShare = math.Max(seen.Max, -seen.Min) / full
		}
		look.RMS = math.Sqrt(d.Power(d.StepHz, info.SampleRate/2))
		look.NoiseRMS = math.Sqrt(floats.Sum(floor.PSD[1:]) * d.StepHz)
		f, err := d.FitFlicker(floor, lines[c], 2*d.StepHz, 0.45*info.SampleRate)
		if err == nil {
			look.WhiteDensity = math.Sqrt(f.WhitePSD)
			// A corner that its own uncertainty reaches, or below the first bins,
			// is none.
			if f.CornerHz > 3*f.SigmaCornerHz && !math.IsInf(f.CornerHz, 0) {
				look.FlickerCorner, look.SigmaCorner = f.CornerHz, f.SigmaCornerHz
			}
			look.Misfit = f.Misfit
			if f.Misfit > unsteadyMisfit {
				in.find("channel %s: not steady noise and lines (misfit %.1f): levels that change, interference, or tones too strong for a recording this short", look.Name, f.Misfit)
			}
		}
		if look.WhiteDensity == 0 { // too many lines to fit anything: the typical floor
			sorted := slices.Sorted(slices.Values(floor.PSD[1:]))
			look.WhiteDensity = math.Sqrt(sorted[len(sorted)/2])
		}
		switch {
		case seen.Clipped > 0:
			in.find("channel %s: %d samples clipped", look.Name, seen.Clipped)
		case full > 0 && look.FullScaleShare < 1e-3:
			in.find("channel %s uses %.2g of its range: the gain could be higher", look.Name, look.FullScaleShare)
		}
		if seen.Stuck > 0 {
			in.find("channel %s: stuck for %.3g s", look.Name, float64(seen.Stuck)/info.SampleRate)
		}
		if info.Bits > 0 && full > 0 && look.NoiseRMS < 0.5*full/math.Exp2(float64(info.Bits-1)) && seen.Stuck == 0 {
			in.find("channel %s: noise of %.2g of a count: quantising is no noise there, and averaging gains less than its noise suggests", look.Name, look.NoiseRMS/full*math.Exp2(float64(info.Bits-1)))
		}
		in.Channels = append(in.Channels, look)
	}
	return lines
}

func (in *Inspection) events(m *recording.Monitor, info recording.Info) {
	for _, e := range m.Events() {
		look := Event{Kind: e.Kind.String(), StartS: float64(e.Start) / info.SampleRate, StopS: float64(e.Stop) / info.SampleRate}
		if e.Channel >= 0 {
			look.Channel = info.Names[e.Channel]
		}
		in.Events = append(in.Events, look)
	}
}
