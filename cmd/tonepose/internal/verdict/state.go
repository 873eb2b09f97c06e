package verdict

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// State is what a pose is worth in a word.
type State int

// The states, the worse the later.
const (
	Sound   State = iota
	InDoubt       // no flag, but a chi-square that noise alone makes once in a thousand rows
	Flagged
)

var stateNames = [...]string{"sound", "in doubt", "flagged"}

// String names it: "sound", "in doubt" or "flagged".
func (s State) String() string { return stateNames[s] }

// State is that of a verdict with its flags. Poses at the edge of a disturbance are often
// in doubt: it is there, and not large enough to be named.
func (v *Verdict) State(f Flags) State {
	switch {
	case f != 0:
		return Flagged
	case unlikely(v.Chi2, v.DOF), unlikely(v.QuadratureChi2, v.QuadratureDOF):
		return InDoubt
	}
	return Sound
}

// unlikely tells whether noise alone makes a chi-square as large in fewer cases than
// Doubtful.
func unlikely(chi2 float64, dof int) bool {
	k := float64(dof)
	// Chi-square has a longer tail than the normal distribution of its mean and variance,
	// whose share beyond three deviations is larger than Doubtful: most need no more.
	if !(dof > 0 && chi2 > k+3*math.Sqrt(2*k)) {
		return false
	}
	return distuv.ChiSquared{K: k}.Survival(chi2) < Doubtful
}
