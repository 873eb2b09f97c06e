package calibration

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
)

// CommonTone is one tone of a signal that was fed to all channels at once.
type CommonTone struct {
	Hz       float64
	Phasor   []complex128 // of each channel, in any unit
	Variance []float64    // of each component of each phasor, its square
}

// ChannelMatch is one channel against the reference channel:
// phasor = Gain·e^{j(Phase − 2π·Hz·Delay)} times that of the reference.
type ChannelMatch struct {
	Gain, SigmaGain   float64
	Phase, SigmaPhase float64 // [rad], −π..π; π: wired the other way round
	Delay, SigmaDelay float64 // [s], the skew against the reference
	ChiSquare         float64
	DOF               int
}

// MatchChannels measures gain, phase and delay of every channel against channel
// reference, from one signal common to all. With a single tone phase and delay
// cannot be separated: the delay is then taken as zero. Delays are looked for
// up to maxDelay [s], which must be below half the inverse spacing of the tones.
func MatchChannels(tones []CommonTone, reference int, maxDelay float64) ([]ChannelMatch, error) {
	if len(tones) == 0 {
		return nil, fmt.Errorf("calibration: no common tones: at least one is needed, two for delays")
	}
	n := len(tones[0].Phasor)
	if reference < 0 || reference >= n {
		return nil, fmt.Errorf("calibration: reference channel %d: must be one of %d", reference, n)
	}
	for i, t := range tones {
		if len(t.Phasor) != n || len(t.Variance) != n {
			return nil, fmt.Errorf("calibration: common tone %d has %d phasors and %d variances: the first has %d", i, len(t.Phasor), len(t.Variance), n)
		}
		for c, x := range t.Phasor {
			if !(cmplx.Abs(x) > 0) || cmplx.IsInf(x) || !(t.Variance[c] > 0) {
				return nil, fmt.Errorf("calibration: common tone %d, channel %d: phasor %v with variance %g: must be finite, not zero, the variance positive", i, c, x, t.Variance[c])
			}
		}
	}
	out := make([]ChannelMatch, n)
	for c := range out {
		if c == reference {
			out[c] = ChannelMatch{Gain: 1}
			continue
		}
		out[c] = matchChannel(tones, reference, c, maxDelay)
	}
	return out, nil
}

// matchChannel fits log gain, and the phase as a line over frequency: both are
// linear, with the variance of a component over the squared amplitude.
func matchChannel(tones []CommonTone, reference, c int, maxDelay float64) ChannelMatch {
	ratio, weight, omega := make([]complex128, len(tones)), make([]float64, len(tones)), make([]float64, len(tones))
	low, high := math.Inf(1), 0.0
	for i, t := range tones {
		a, b := t.Phasor[c], t.Phasor[reference]
		ratio[i], omega[i] = a/b, 2*math.Pi*t.Hz
		weight[i] = 1 / (t.Variance[c]/norm2(a) + t.Variance[reference]/norm2(b))
		low, high = min(low, omega[i]), max(high, omega[i])
	}
	logs := make([]float64, len(ratio))
	for i, r := range ratio {
		logs[i] = math.Log(cmplx.Abs(r))
	}
	sum, level := floats.Sum(weight), stat.Mean(logs, weight)
	gain := math.Exp(level)
	m := ChannelMatch{Gain: gain, SigmaGain: gain / math.Sqrt(sum), DOF: 2*len(tones) - 2}
	for i, l := range logs {
		m.ChiSquare += weight[i] * (l - level) * (l - level)
	}
	delay := 0.0
	if high > low {
		delay = coarseDelay(ratio, weight, omega, maxDelay, math.Pi/(4*(high-low)))
	}
	// What is left after the coarse delay, about the mean phase, is well below a
	// cycle: a straight line about the weighted mean frequency.
	var mean complex128
	for i, r := range ratio {
		ratio[i] = r * cmplx.Exp(complex(0, omega[i]*delay))
		mean += complex(weight[i], 0) * unitPhasor(ratio[i])
	}
	middle := stat.Mean(omega, weight)
	var slope, square float64
	rest := make([]float64, len(ratio))
	for i, r := range ratio {
		rest[i] = cmplx.Phase(r * cmplx.Conj(mean))
		slope += weight[i] * (omega[i] - middle) * rest[i]
		square += weight[i] * (omega[i] - middle) * (omega[i] - middle)
	}
	level = stat.Mean(rest, weight)
	variance := 1 / sum
	if square > 0 {
		slope /= square
		m.Delay, m.SigmaDelay = delay-slope, 1/math.Sqrt(square)
		m.DOF--
		variance += middle * middle / square
	}
	for i := range rest {
		d := rest[i] - level - slope*(omega[i]-middle)
		m.ChiSquare += weight[i] * d * d
	}
	m.Phase = math.Remainder(cmplx.Phase(mean)+level-slope*middle, 2*math.Pi)
	m.SigmaPhase = math.Sqrt(variance)
	return m
}

// coarseDelay is the delay within ±most, on a grid, that brings the phasors most
// into step.
func coarseDelay(ratio []complex128, weight, omega []float64, most, step float64) float64 {
	best, delay := -1.0, 0.0
	count := int(most / step)
	for k := -count; k <= count; k++ {
		d := float64(k) * step
		var sum complex128
		for i, r := range ratio {
			sum += complex(weight[i], 0) * unitPhasor(r) * cmplx.Exp(complex(0, omega[i]*d))
		}
		if a := cmplx.Abs(sum); a > best {
			best, delay = a, d
		}
	}
	return delay
}

func unitPhasor(z complex128) complex128 { return z / complex(cmplx.Abs(z), 0) }

func norm2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
