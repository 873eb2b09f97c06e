package integrity

import (
	"fmt"
	"math"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Part is what a fault is about.
type Part uint8

const (
	Coil    Part = iota // a pickup and its channel
	Emitter             // an emitter and its current
	Whole               // all couplings of the sensor
)

// Kind is what a fault looks like.
type Kind uint8

const (
	Gain      Kind = iota // couplings too large or too small by one factor
	Off                   // none at all
	Reversed              // the sign is wrong
	Exchanged             // two of a kind are exchanged
	Odd                   // nothing simple, but all else agrees without it
)

// Fault is one thing wrong that explains why couplings do not fit.
type Fault struct {
	Part Part
	Kind Kind
	A, B int // index of the coil or emitter; B of the other one when Exchanged
	// Gain is by what the couplings are multiplied, GainSigma its standard
	// deviation; 1 and 0 when Exchanged or Odd.
	Gain, GainSigma float64
	// ChiSquare and DOF of the fit with the fault taken into account.
	ChiSquare float64
	DOF       int
}

// Same tells whether two faults are the same but for their numbers.
func (f Fault) Same(g Fault) bool {
	return f.Part == g.Part && f.Kind == g.Kind && f.A == g.A && f.B == g.B
}

// Words names a fault, given the names of coils and emitters.
func (f Fault) Words(coils, emitters []string) string {
	names, part, verb := coils, "coil", "reads"
	if f.Part == Emitter {
		names, part, verb = emitters, "emitter", "is"
	}
	switch {
	case f.Part == Whole:
		return f.wholeWords()
	case f.Kind == Exchanged:
		return fmt.Sprintf("%ss %s and %s look exchanged", part, names[f.A], names[f.B])
	case f.Kind == Odd:
		return fmt.Sprintf("%s %s does not fit the others", part, names[f.A])
	case f.Kind == Off && f.Part == Coil:
		return fmt.Sprintf("coil %s reads nothing", names[f.A])
	case f.Kind == Off:
		return fmt.Sprintf("emitter %s looks switched off", names[f.A])
	case f.Kind == Reversed && math.Abs(f.Gain+1) <= max(reversedTol, 3*f.GainSigma):
		return fmt.Sprintf("%s %s looks reversed", part, names[f.A])
	case f.Kind == Reversed:
		return fmt.Sprintf("%s %s looks reversed and %s %.4g times as strong as it should", part, names[f.A], verb, -f.Gain)
	case f.Part == Coil && f.Gain > 1:
		return fmt.Sprintf("coil %s reads %.4g times too much", names[f.A], f.Gain)
	case f.Part == Coil:
		return fmt.Sprintf("coil %s reads only %.4g of what it should", names[f.A], f.Gain)
	case f.Gain > 1:
		return fmt.Sprintf("emitter %s is %.4g times too strong", names[f.A], f.Gain)
	}
	return fmt.Sprintf("emitter %s has only %.4g of its strength", names[f.A], f.Gain)
}

// wholeWords names a factor on all couplings.
func (f Fault) wholeWords() string {
	var text string
	switch size := math.Abs(f.Gain); {
	case f.Kind == Reversed && math.Abs(size-1) <= max(reversedTol, 3*f.GainSigma):
		return "all couplings have the wrong sign: the axes of all coils or of all emitters point the other way, or the drive is reversed"
	case f.Kind == Off:
		return "all couplings are nothing: the sensor or the drive is not connected"
	case f.Kind == Reversed:
		text = fmt.Sprintf("all couplings have the wrong sign and are %.4g times as strong as they should be", size)
	default:
		text = fmt.Sprintf("all couplings are %.4g times as strong as they should be", size)
	}
	if thousands := math.Log10(math.Abs(f.Gain)) / 3; math.Round(thousands) != 0 && math.Abs(thousands-math.Round(thousands)) < 0.01 {
		return text + ": a thousand, as if lengths of the rig were in millimetres"
	}
	return text + ": a gain, an area or a transimpedance is not what the rig says"
}

// A gain within offTol of zero counts as none, one within reversedTol of −1 as
// a mere change of sign: connections fail whole, gains drift by less.
const (
	offTol      = 0.02
	reversedTol = 0.02
)

// classify turns a fitted gain into the kind of fault.
func (f *Fault) classify() {
	switch {
	case math.Abs(f.Gain) < max(offTol, 3*f.GainSigma):
		f.Kind = Off
	case f.Gain < 0:
		f.Kind = Reversed
	default:
		f.Kind = Gain
	}
}

// at is the coil or emitter of coupling i, whichever the fault is about.
func (f *Fault) at(i, coils int) int {
	switch f.Part {
	case Coil:
		return i % coils
	case Emitter:
		return i / coils
	}
	return f.A
}

// touches tells whether coupling i belongs to the faulty part.
func (f *Fault) touches(i, coils int) bool { return f.at(i, coils) == f.A }

// Mend returns couplings from which a fault is taken: an exchanged pair is
// exchanged back, a factor on all is taken out, anything else is left out.
func (x *Inspector) Mend(c solver.Couplings, f Fault) solver.Couplings {
	x.mend(c, &f)
	return x.trial.Clone()
}

// AddGain adds to the covariance of a pose, found from mended couplings c, what the
// standard deviation of a factor on all of them does to it.
func (x *Inspector) AddGain(c solver.Couplings, f Fault, r *solver.Result) {
	if f.Part != Whole || !(f.GainSigma > 0) || r.Status != solver.Converged {
		return
	}
	f.Gain = 1 + f.GainSigma/math.Abs(f.Gain)
	x.mend(c, &f)
	moved := x.solver.Warm(x.trial, r.Pose)
	if moved.Status == solver.Converged {
		AddDoubt(&r.Covariance, r.Pose, moved.Pose)
	}
}

// AddDoubt adds to the covariance of a pose the second moment of its step to another:
// one standard deviation of something known no better.
func AddDoubt(covariance *[6][6]float64, pose, other rigid.Pose) {
	dp, dr := other.Minus(pose)
	d := [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z}
	for i := range d {
		for j := range d {
			covariance[i][j] += d[i] * d[j]
		}
	}
}

// mend leaves such couplings in x.trial.
func (x *Inspector) mend(c solver.Couplings, f *Fault) {
	if f.Part == Whole {
		x.scale(c, f)
		return
	}
	x.take(c)
	out := x.trial
	if f.Kind == Exchanged && f.Part == Emitter && len(c.Common) > 0 {
		out.Common[f.A], out.Common[f.B] = c.Common[f.B], c.Common[f.A]
	}
	stride := 1 // from a coupling of one coil or emitter to that of the next
	if f.Part == Emitter {
		stride = x.coils
	}
	for i := range out.Value {
		switch at := f.at(i, x.coils); {
		case f.Kind != Exchanged && at == f.A:
			out.Variance[i] = math.Inf(1)
		case f.Kind == Exchanged && (at == f.A || at == f.B):
			from := i + (f.A+f.B-2*at)*stride
			out.Value[i], out.Variance[i] = c.Value[from], c.Variance[from]
		}
	}
}
