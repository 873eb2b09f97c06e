package pipeline

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"gonum.org/v1/gonum/dsp/fourier"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// Pair is the measurement of one channel against another over a recording.
type Pair struct {
	FrequencyHz        float64 `json:"frequency_hz"` // of the reference's tone, in the ADC's clock
	AmplitudePeakV     float64 `json:"amplitude_peak_v"`
	AmplitudeRMSV      float64 `json:"amplitude_rms_v"`
	PhaseDeg           float64 `json:"phase_deg"` // signal minus reference, −180 to 180
	ENBWHz             float64 `json:"enbw_hz"`   // one-sided
	SigmaAmplitudeRMSV float64 `json:"sigma_amplitude_rms_v"`
	SigmaPhaseDeg      float64 `json:"sigma_phase_deg"`
	SigmaFrequencyHz   float64 `json:"sigma_frequency_hz"`
	DurationS          float64 `json:"duration_s"`
}

// PairBench prepares the measurement of any two channels of a recording: the
// strongest tone of the reference channel is what is measured.
func PairBench(ctx context.Context, r *recording.Reader, signal, reference string) (*Bench, error) {
	info := r.Info()
	channels := make([]rig.Channel, info.Channels)
	for c := range channels {
		channels[c].Name = info.Names[c]
	}
	var index [2]int
	for i, name := range []string{signal, reference} {
		index[i] = slices.Index(info.Names, name)
		if index[i] < 0 {
			return nil, fmt.Errorf("%s has no channel %q: its channels are %s", info.Name, name, strings.Join(info.Names, ", "))
		}
	}
	hz, err := strongest(ctx, r, index[1])
	if err != nil {
		return nil, err
	}
	return &Bench{
		Rig:   &rig.Rig{Channels: channels},
		Tones: []multitone.Tone{{Name: reference, Hz: hz, Reference: index[1]}},
	}, nil
}

// searchSamples bounds the transform in which a tone of unknown frequency is
// sought.
const searchSamples = 1 << 18

// strongest finds the largest line of a channel, to a few hundredths of a bin.
func strongest(ctx context.Context, r *recording.Reader, channel int) (float64, error) {
	info := r.Info()
	n := int(min(info.Samples, searchSamples))
	if n < 16 {
		return 0, fmt.Errorf("%s: %d samples are too few to find a tone: 16 are needed", info.Name, n)
	}
	var x []float64
	err := blocks(ctx, r, func(b [][]float64, first int64) error {
		x = append(x, b[channel][:min(len(b[channel]), n-len(x))]...)
		if len(x) == n {
			return errEnough
		}
		return nil
	})
	if err != nil && err != errEnough {
		return 0, err
	}
	var mean float64
	for _, v := range x {
		mean += v / float64(n)
	}
	size := 1 << int(math.Ceil(math.Log2(float64(2*n)))) // twice as long at least: no peak falls between bins
	padded := make([]float64, size)
	for i, v := range x {
		padded[i] = (v - mean) * (0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n)))
	}
	y := fourier.NewFFT(size).Coefficients(nil, padded)
	low := 2 * size / n // the offset's own lobe
	best := 0
	for i := low; i < len(y)-1; i++ {
		if best == 0 || cmplx.Abs(y[i]) > cmplx.Abs(y[best]) {
			best = i
		}
	}
	if best < 1 || cmplx.Abs(y[best]) == 0 {
		return 0, fmt.Errorf("%s: channel %s carries no tone", info.Name, info.Names[channel])
	}
	a, b, c := math.Log(cmplx.Abs(y[best-1])), math.Log(cmplx.Abs(y[best])), math.Log(cmplx.Abs(y[best+1]))
	shift := 0.0
	if d := a - 2*b + c; d < 0 {
		shift = 0.5 * (a - c) / d
	}
	return (float64(best) + shift) * info.SampleRate / float64(size), nil
}

var errEnough = fmt.Errorf("enough samples")

// MeasurePair measures the whole recording.
func (b *Bench) MeasurePair(ctx context.Context, r *recording.Reader, signal string, progress Progress) (*Pair, error) {
	survey, err := b.survey(ctx, r, clock.Common, progress)
	if err != nil {
		return nil, err
	}
	index := slices.Index(r.Info().Names, signal)
	var p *Pair
	err = b.measure(ctx, r, survey, Windows{}, func(f *multitone.Frame, _ []string) error {
		p = pairOf(f, index, b.Tones[0].Reference, r.Info().SampleRate)
		return nil
	}, progress)
	return p, err
}

// pairOf reads amplitude, phase and frequency with their standard deviations
// from one frame.
func pairOf(f *multitone.Frame, signal, reference int, rate float64) *Pair {
	v, variance := f.At(0, signal)
	ref, refVariance := f.At(0, reference)
	n, t := float64(f.Stop-f.Start), f.Duration(rate)
	p := &Pair{FrequencyHz: f.Hz[0], AmplitudePeakV: cmplx.Abs(v), PhaseDeg: cmplx.Phase(v) * 180 / math.Pi, ENBWHz: 1 / (2 * t), DurationS: t}
	p.AmplitudeRMSV = p.AmplitudePeakV / math.Sqrt2
	p.SigmaAmplitudeRMSV = math.Sqrt(variance / 2)
	relative := variance/abs2(v) + refVariance/abs2(ref)
	if signal == reference {
		relative = 0
	}
	p.SigmaPhaseDeg = math.Sqrt(relative) * 180 / math.Pi
	// Cramér–Rao bound of a frequency, var ω = 24σ²/(A²·N(N²−1)) per sample²,
	// with the white-equivalent σ² = variance·N/2 (Rife and Boorstyn 1974).
	p.SigmaFrequencyHz = math.Sqrt(12*refVariance/(abs2(ref)*(n*n-1))) * rate / (2 * math.Pi)
	return p
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
