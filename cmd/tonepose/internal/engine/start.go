package engine

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/coupling"
	"tonepose/solver"
	"tonepose/solver/integrity"
)

// Start is when the recorder began to play the file of the drives.
type Start struct {
	Seconds float64 `json:"start_s"` // in the recording
	SigmaS  float64 `json:"sigma_s"`
	Repeats int     `json:"repeats"` // other starts that give all tones the same phases
	// Chi2 is how far the pickups' phases are from those of the file; WorstTone is
	// the tone that is furthest off, by OffDeg.
	Chi2      float64 `json:"chi2"`
	DOF       int     `json:"dof"`
	WorstTone string  `json:"worst_tone"`
	OffDeg    float64 `json:"off_deg"`
	RuledOut  int     `json:"ruled_out"`           // starts that fit the phases as well, but no pose
	Rivals    []Rival `json:"ambiguous,omitempty"` // starts that nothing rules out
	// What it costs that the currents are not measured: the stated sigma of
	// positions, and what noise alone would leave, medians of a few frames.
	PositionSigmaM float64 `json:"sigma_position_m"`
	NoiseSigmaM    float64 `json:"sigma_position_of_noise_m"`

	late           late
	phases, sigmas []float64 // of the currents at the recording's first sample [rad]
	turned         []float64
	silent         int64 // sample up to which frames heard nothing
}

// Rival is a start that fits as well.
type Rival struct {
	Seconds  float64  `json:"start_s"`
	Reversed []string `json:"reversed"` // emitters whose couplings have the other sign
	// How far away the poses then are, the most of the frames looked at.
	PositionM   float64 `json:"position_m"`
	RotationRad float64 `json:"rotation_rad"`

	differs []bool // by sensor: by more than the poses' own uncertainty
}

// ErrUndriven reports a job that needs a digitised drive.
var ErrUndriven = errors.New("needs a digitised drive, and the rig states a playback")

const (
	// hopeless stands for the chi-square of couplings that no pose in the working
	// volume explains.
	hopeless = 1e6
	// unlikely is the probability of a chi-square so large below which the phases do not
	// fit the file: chance does it to one recording in a hundred thousand.
	unlikely = 1e-5
	// beyond is how far outside of the working volume a pose is still let pass, in
	// the volume's diagonals.
	beyond = 0.05
)

// at gives the phases of the currents in a frame, beyond what the track says [rad].
func (s *Start) at(tones []multitone.Tone, t float64) []float64 {
	for k := range s.phases {
		s.turned[k] = s.phases[k] + s.late.turn(tones[k].Hz, t)
	}
	return s.turned
}

// hush takes for lost what was measured before the file began, or where it paused:
// couplings that noise alone explains, and those of the frame after, in which the
// drives set in.
func (s *Start) hush(f *stream.Measured, m *coupling.Matrix) {
	switch {
	case silent(m):
		s.silent = max(s.silent, f.Stop)
	case s.silent == 0 || f.Start > s.silent:
		return
	}
	for k := range m.Value {
		m.Value[k], m.Variance[k] = complex(math.NaN(), math.NaN()), math.Inf(1)
	}
}

// silent tells whether couplings are within four sigmas of what noise makes of the sum
// of their squares.
func silent(m *coupling.Matrix) bool {
	sum, n := 0.0, 0.0
	for k, v := range m.Value {
		if variance := m.Variance[k]; !math.IsInf(variance, 1) {
			sum += real(v*cmplx.Conj(v)) / variance
			n++
		}
	}
	return n > 0 && sum < 2*n+8*math.Sqrt(n)
}

// ambiguous tells whether another start gives other poses of a sensor.
func (s *Start) ambiguous(sensor int) bool {
	return s != nil && slices.ContainsFunc(s.Rivals, func(r Rival) bool { return r.differs[sensor] })
}

// conclude finds the start.
func (l *listening) conclude(ctx context.Context) (*Start, error) {
	r := l.bench.Rig()
	if len(l.stretch) == 0 {
		return nil, fmt.Errorf("%w: there is no frame to look in", clock.ErrNoStart)
	}
	whole, variance := l.align()
	var tones []clock.Played
	var axes []clock.Axis
	for k, e := range r.Emitters {
		tones = append(tones, clock.Played{Hz: e.ToneHz, Phase: e.PhaseDeg * math.Pi / 180, Sigma: e.Tolerance.PhaseDeg * math.Pi / 180})
		// A coil that moves adds −(dM/dt)/ω to a coupling, and to its square on average
		// −(1/ω)·d(M²)/dt, square to it: as far as that is from zero over the whole
		// recording the axis may be off.
		moved := l.swing[k] / (4 * math.Pi * e.ToneHz * cmplx.Abs(whole.square[k]))
		axes = append(axes, clock.Axis{Phase: cmplx.Phase(whole.square[k]) / 2, Sigma: math.Hypot(whole.sigma(k), moved)})
	}
	starts, dof, err := clock.Starts(tones, axes, r.Playback.EarliestS, r.Playback.LatestS)
	if err != nil {
		return nil, err
	}
	rest, err := l.try(ctx, starts)
	if err != nil {
		return nil, err
	}
	best := &starts[rest[0].start]
	s := &Start{Seconds: best.Time, SigmaS: best.Sigma, Repeats: best.Repeats, Chi2: best.ChiSquare, DOF: dof, RuledOut: len(starts) - len(rest),
		late: l.late, phases: best.Phases, turned: make([]float64, len(tones))}
	misfit := max(1, s.Chi2/float64(max(dof, 1)))
	s.SigmaS *= math.Sqrt(misfit)
	worst := 0.0
	for k, tone := range tones {
		slope := 2 * math.Pi * tone.Hz
		s.sigmas = append(s.sigmas, math.Sqrt(misfit*(best.Sigmas[k]*best.Sigmas[k]+slope*slope*variance)))
		off := clock.OffAxis(tone, axes[k], best.Time)
		if in := math.Abs(off) / math.Hypot(axes[k].Sigma, tone.Sigma); in > worst {
			worst, s.WorstTone, s.OffDeg = in, r.Emitters[k].Name, off*180/math.Pi
		}
	}
	s.PositionSigmaM, s.NoiseSigmaM = l.cost(best.Phases)
	for _, o := range rest[1:] {
		rival := Rival{Seconds: starts[o.start].Time, differs: make([]bool, len(l.solvers))}
		for k, e := range r.Emitters {
			if math.Cos(starts[o.start].Phases[k]-best.Phases[k]) < 0 {
				rival.Reversed = append(rival.Reversed, e.Name)
			}
		}
		for i, kept := range l.kept {
			rival.differs[i] = len(kept.frames) == 0 // nothing tells
		}
		for i, f := range o.fits {
			rival.compare(l.frames[i].sensor, &rest[0].fits[i], &f)
		}
		s.Rivals = append(s.Rivals, rival)
	}
	return s, nil
}

// cost is the median sigma of positions, and what noise alone would make of it [m].
func (l *listening) cost(phases []float64) (stated, noise float64) {
	var all [2][]float64
	const enough = 5
	for i := 0; i < len(l.frames); i += (len(l.frames) + enough - 1) / enough {
		f := &l.frames[i]
		fit, c := l.fit(f, phases)
		alone := l.solvers[f.sensor].Exact().Warm(c, fit.Pose)
		if fit.Status != solver.Converged || alone.Status != solver.Converged {
			continue
		}
		for k, v := range [2]*[6][6]float64{&fit.Covariance, &alone.Covariance} {
			all[k] = append(all[k], math.Sqrt(v[0][0]+v[1][1]+v[2][2]))
		}
	}
	if len(all[0]) == 0 {
		return math.Inf(1), math.Inf(1)
	}
	for k := range all {
		slices.Sort(all[k])
	}
	return all[0][len(all[0])/2], all[1][len(all[1])/2]
}

// compare notes how far a frame's pose is from that of the other start, beyond three
// of their sigmas.
func (r *Rival) compare(sensor int, a, b *solver.Result) {
	dp, dr := b.Pose.Minus(a.Pose)
	r.PositionM, r.RotationRad = max(r.PositionM, r3.Norm(dp)), max(r.RotationRad, r3.Norm(dr))
	for k, d := range [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z} {
		if d*d > 9*(a.Covariance[k][k]+b.Covariance[k][k])+1e-18 {
			r.differs[sensor] = true
		}
	}
}

// trial is a start with the fits of all frames tried so far.
type trial struct {
	start  int
	fits   []solver.Result
	square []float64 // chi-squares
	sum    float64
}

// try fits the poses of the frames with each start, drops those that the fits rule
// out, and puts the best first. The evidence of frames is not summed: what errs in the
// bench errs alike in all. A start is out when one frame speaks against it, by the
// likelihoods of its fits and for as many frames as could have, more than another
// does for it. Where no fit is as good as the noise says, its surplus weighs less.
func (l *listening) try(ctx context.Context, starts []clock.Start) ([]trial, error) {
	all := make([]trial, len(starts))
	for i := range all {
		all[i] = trial{start: i, sum: starts[i].ChiSquare / max(1, starts[0].ChiSquare)}
	}
	enough := -2 * math.Log(clock.Likelihood/float64(max(1, len(l.frames))))
	for i := range l.frames {
		if len(all) == 1 {
			break
		}
		f := &l.frames[i]
		for k := range all {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			fit, _ := l.fit(f, starts[all[k].start].Phases)
			square := l.misfit(&fit)
			all[k].fits, all[k].square = append(all[k].fits, fit), append(all[k].square, square)
			all[k].sum += square
		}
		slices.SortStableFunc(all, func(a, b trial) int {
			if a.sum < b.sum {
				return -1
			} else if a.sum > b.sum {
				return 1
			}
			return 0
		})
		best := all[0]
		all = slices.DeleteFunc(all, func(t trial) bool {
			against, in := 0.0, 0.0
			for n, square := range t.square {
				d := (square - best.square[n]) / max(1, best.square[n]/float64(max(1, best.fits[n].DOF)))
				against, in = max(against, d), min(in, d)
			}
			return against+in > enough
		})
	}
	return all, nil
}

// fit finds the pose of a frame with given phases of the currents.
func (l *listening) fit(f *tried, phases []float64) (solver.Result, solver.Couplings) {
	c := solver.Couplings{Value: make([]float64, len(f.value)), Variance: f.variance}
	coils := len(f.value) / len(phases)
	for k, z := range f.value {
		e := k / coils
		c.Value[k] = real(z * cmplx.Rect(1, -phases[e]-l.late.turn(l.bench.Rig().Emitters[e].ToneHz, f.time)))
	}
	return l.solvers[f.sensor].Cold(c), c
}

// misfit is chi-square, where there is a pose in the working volume.
func (l *listening) misfit(fit *solver.Result) float64 {
	v, p := l.bench.Rig().Volume(), fit.Pose.Position
	reach := beyond * r3.Norm(r3.Sub(v.Max, v.Min))
	out := max(v.Min.X-p.X, v.Min.Y-p.Y, v.Min.Z-p.Z, p.X-v.Max.X, p.Y-v.Max.Y, p.Z-v.Max.Z)
	if fit.Status != solver.Converged || out > reach {
		return hopeless
	}
	return min(fit.ChiSquare, hopeless)
}

// Words says what takes the place of a digitised drive, and what that costs.
func (s *Start) Words(r *rig.Rig) (lines []string) {
	if s == nil {
		return nil
	}
	text := fmt.Sprintf("no drive is digitised: its file began at %.7f s ± %.0f ns", s.Seconds, 1e9*s.SigmaS)
	if s.Repeats > 0 {
		text += fmt.Sprintf(", or at another of %d instants with the same phases", s.Repeats)
	}
	if s.RuledOut > 0 {
		text += fmt.Sprintf("; other signs of the tones are ruled out by the poses (%d)", s.RuledOut)
	}
	least, most := math.Inf(1), 0.0
	for _, e := range r.Emitters {
		least, most = min(least, e.Tolerance.Current), max(most, e.Tolerance.Current)
	}
	known := fmt.Sprintf("%.2g", 100*most)
	if least < most {
		known = fmt.Sprintf("%.2g to %s", 100*least, known)
	}
	return []string{text, fmt.Sprintf("currents are taken as stated, to %s %%: positions are known to %.2g mm, noise alone would leave %.2g mm", known, 1e3*s.PositionSigmaM, 1e3*s.NoiseSigmaM)}
}

// Doubts words what the start leaves open, a line each.
func (s *Start) Doubts() (lines []string) {
	if s == nil {
		return nil
	}
	if s.DOF > 0 && integrity.Chance(s.Chi2, s.DOF) < unlikely {
		lines = append(lines, fmt.Sprintf("the pickups' phases do not fit those of the drive file (chi-square %.3g of %d; tone %s is off by %.2g°, furthest for its tolerance): mend phase_deg, or state tolerance: {phase_deg: …}; a sensor that moves adds to it", s.Chi2, s.DOF, s.WorstTone, s.OffDeg))
	}
	for _, r := range s.Rivals {
		text := fmt.Sprintf("the drive file may as well have begun at %.6f s as at %.6f s: then the signs of %s are reversed", r.Seconds, s.Seconds, strings.Join(r.Reversed, ", "))
		if slices.Contains(r.differs, true) {
			text += fmt.Sprintf(", and poses are up to %.3g mm and %.3g° away; all are flagged ambiguous: state the start more closely in playback, drive tones that are not all odd multiples of one frequency (plan with a longer --window), or record a drive", 1e3*r.PositionM, r.RotationRad*180/math.Pi)
		} else {
			text += ", and the poses are the same"
		}
		lines = append(lines, text)
	}
	return lines
}
