package clock

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Played is a tone of a file that the recorder itself plays to drive the emitters.
type Played struct {
	Hz    float64 // in the ADC's clock
	Phase float64 // of the current at the file's first sample [rad]
	Sigma float64 // of what the path to the current adds beyond a delay common to all tones [rad]
}

// Axis is the phase of a tone's current at a recording's first sample as the pickups
// show it: but for half turns, as a coupling may have either sign.
type Axis struct {
	Phase float64 // [rad]
	Sigma float64 // [rad]; from VagueAxis on the tone says nothing
}

// VagueAxis [rad] is how uncertain an axis may be: many sigmas short of the quarter
// turn from which on it points the other way.
const VagueAxis = 0.2

// Start is an instant at which a file may have begun to play.
type Start struct {
	Time, Sigma float64   // [s]; a later start with the same phases is as likely where Repeats counts some
	Phases      []float64 // of the tones at the recording's first sample [rad]
	Sigmas      []float64 // of these, but for the half turns that other starts say [rad]
	ChiSquare   float64   // of the axes seen, with one degree of freedom less than these
	Repeats     int       // further starts with the same phases
}

// ErrNoStart reports that phases do not tell when a file began.
var ErrNoStart = errors.New("clock: the start of the drive file is not told")

// Likelihood is how much less likely than the best a start may be and still counts.
const Likelihood = 1e-3

const maxStarts = 64

// Starts finds when a file began to play, between two instants [s] of a recording, the
// most likely first. A start t gives tone k the phase φ_k − 2πf_k·t at time zero; the
// sum of squares of what that leaves of the axes modulo half a turn has a minimum every
// half period of each tone, and those count that are Likelihood as likely as the best,
// where the axes scatter more than they say by as much more. Starts that differ in no
// phase by more than a radian are one. dof is the degrees of freedom of ChiSquare.
func Starts(tones []Played, axes []Axis, earliest, latest float64) (found []Start, dof int, err error) {
	highest := 0.0
	dof = -1
	for k, a := range axes {
		if a.Sigma < VagueAxis {
			dof++
			highest = max(highest, tones[k].Hz)
		}
	}
	if dof < 0 {
		return nil, 0, fmt.Errorf("%w: no pickup shows a tone well enough to tell its phase", ErrNoStart)
	}
	// From one trial to the next the fastest tone turns by a quarter turn at most.
	trials := int((latest-earliest)*8*highest) + 2
	step := (latest - earliest) / float64(trials-1)
	at := func(i int) (s search) {
		s.from(tones, axes, earliest+float64(i)*step)
		if math.Abs(s.moved) > 0.6*step+1e-3/highest {
			s.square = math.Inf(1) // the minimum is that of another trial
		}
		return s
	}
	least := math.Inf(1)
	for i := range trials {
		s := at(i)
		least = min(least, s.square)
	}
	reach := -2 * math.Log(Likelihood) * max(1, least/float64(max(dof, 1)))
	for i := range trials {
		s := at(i)
		if s.square > least+reach {
			continue
		}
		next := s.start(tones, axes)
		same := slices.IndexFunc(found, func(o Start) bool { return alike(o.Phases, next.Phases, axes) })
		switch {
		case same < 0:
			if found = append(found, next); len(found) > maxStarts {
				return nil, dof, fmt.Errorf("%w: more than %d starts with different phases are as likely", ErrNoStart, maxStarts)
			}
		case math.Abs(found[same].Time-next.Time) < step: // found from both sides
		case next.ChiSquare < found[same].ChiSquare:
			next.Repeats = found[same].Repeats + 1
			found[same] = next
		default:
			found[same].Repeats++
		}
	}
	slices.SortStableFunc(found, func(a, b Start) int {
		switch {
		case a.ChiSquare < b.ChiSquare:
			return -1
		case a.ChiSquare > b.ChiSquare:
			return 1
		}
		return 0
	})
	return found, dof, nil
}

// search is the minimum of the sum of squares nearest to a trial.
type search struct {
	time, moved, square, information float64
}

// OffAxis is what a start leaves of an axis [rad], within a quarter turn.
func OffAxis(tone Played, a Axis, time float64) float64 {
	halves := (a.Phase-tone.Phase)/math.Pi + 2*tone.Hz*time
	return math.Pi * (halves - math.RoundToEven(halves))
}

func (s *search) from(tones []Played, axes []Axis, time float64) {
	var across, square float64
	for k, a := range axes {
		if !(a.Sigma < VagueAxis) {
			continue
		}
		w := 1 / (a.Sigma*a.Sigma + tones[k].Sigma*tones[k].Sigma)
		off, slope := OffAxis(tones[k], a, time), 2*math.Pi*tones[k].Hz
		square += w * off * off
		across += w * off * slope
		s.information += w * slope * slope
	}
	s.moved = -across / s.information
	s.time = time + s.moved
	s.square = max(0, square-across*across/s.information)
}

// start gives the phases there: those of the file, and as much of what the axes show
// beyond as the tones' own tolerances allow.
func (s *search) start(tones []Played, axes []Axis) Start {
	out := Start{Time: s.time, Sigma: 1 / math.Sqrt(s.information), ChiSquare: s.square}
	for k, tone := range tones {
		phase := tone.Phase - 2*math.Pi*math.Mod(tone.Hz*s.time, 1)
		common := 2 * math.Pi * tone.Hz * out.Sigma
		variance := common*common + tone.Sigma*tone.Sigma
		if a := axes[k]; a.Sigma < VagueAxis && tone.Sigma > 0 {
			share := tone.Sigma * tone.Sigma / (tone.Sigma*tone.Sigma + a.Sigma*a.Sigma)
			phase += share * OffAxis(tone, a, s.time)
			variance = min(variance, a.Sigma*a.Sigma)
		}
		out.Phases = append(out.Phases, math.Remainder(phase, 2*math.Pi))
		out.Sigmas = append(out.Sigmas, math.Sqrt(variance))
	}
	return out
}

// alike tells whether phases agree to a radian in all tones that are seen.
func alike(a, b []float64, axes []Axis) bool {
	for k := range a {
		if axes[k].Sigma < VagueAxis && math.Abs(math.Remainder(a[k]-b[k], 2*math.Pi)) > 1 {
			return false
		}
	}
	return true
}
