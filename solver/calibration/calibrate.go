package calibration

import (
	"cmp"
	"errors"
	"fmt"
	"math"

	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/leastsquares"
)

// Options tunes Calibrate. The zero value of a field means its default.
type Options struct {
	Free          Group   // what may move; default DefaultFree
	MaxIterations int     // of each loss; default 100
	Tol           float64 // fall of the cost that is no longer worth a step, in units of ½χ²; default 1e-6
	// Loss makes the fit robust against single couplings and references that
	// are wrong. It acts after a fit by plain squares has converged; default
	// plain squares.
	Loss leastsquares.Loss
}

func (o Options) withDefaults() (Options, error) {
	o.Free, o.MaxIterations, o.Tol = cmp.Or(o.Free, DefaultFree), cmp.Or(o.MaxIterations, 100), cmp.Or(o.Tol, 1e-6)
	switch {
	case o.Free>>numGroups != 0:
		return o, fmt.Errorf("calibration: Options.Free = %#x: unknown groups", uint16(o.Free))
	case o.MaxIterations < 0:
		return o, fmt.Errorf("calibration: Options.MaxIterations = %d: must be positive", o.MaxIterations)
	case !(o.Tol > 0):
		return o, fmt.Errorf("calibration: Options.Tol = %g: must be positive", o.Tol)
	}
	return o, nil
}

// Status says why Calibrate stopped.
type Status string

const (
	Converged      Status = "converged"       // no step is worth Options.Tol any more
	IterationLimit Status = "iteration limit" // Options.MaxIterations were used up
	Stalled        Status = "stalled"         // no step lowers the cost, though the equations promise it
)

// ErrNotConverged reports that Calibrate stopped early; its Result is filled.
var ErrNotConverged = errors.New("calibration: not converged")

// Err is nil for Converged, and else wraps ErrNotConverged.
func (s Status) Err() error {
	if s == Converged {
		return nil
	}
	return fmt.Errorf("%w: %v", ErrNotConverged, s)
}

// fit is the state of one adjustment.
type fit struct {
	problem    *Problem
	options    Options
	layout     *layout
	bench      *bench
	complex    bool
	data       []observed
	offset     []int // into data, of each station
	references []rigid.Pose
	prior      []float64 // sigma of each column, 0: none
	assumed    []bool    // prior of a usual size, for want of a stated one
	loss       leastsquares.Loss

	x       []float64
	frozen  bool // only the poses move
	poses   []rigid.Pose
	normal  *normal
	reduced *reduced
	picks   []mutual.Placed

	kept      []float64 // x and poses to come back to
	keptPoses []rigid.Pose
	fieldErr  error
	tap       *tap // nil: rows are not kept

	emitterChi2  []float64 // of the couplings, without the loss
	emitterCount []int

	// What couplings of one emitter at one station share: shared.go.
	taken   []float64 // by station and emitter; 0: nothing
	waiting []pending
	columns []int
	along   [2][]float64 // one number a column
	mixture []float64
}

// Calibrate adjusts the free parameters of p and all its stations' poses. The
// error is for a wrong call, or a bench whose field has no value at a station
// as drawn; how the iteration ended is Result.Status.
//
// Levenberg–Marquardt with the damping of Nielsen, Damping parameter in
// Marquardt's method, IMM-REP-1999-05, Technical University of Denmark, 1999;
// elimination of the poses: Triggs et al., Bundle adjustment, a modern
// synthesis, LNCS 1883, 2000, section 6.
func Calibrate(p *Problem, o Options) (*Result, error) {
	f, err := newFit(p, o)
	if err != nil {
		return nil, err
	}
	cost := f.linearise()
	if math.IsInf(cost, 1) {
		if f.fieldErr != nil {
			return nil, f.fieldErr
		}
		return nil, errors.New("calibration: the couplings of the bench as drawn are not finite: positions and moments must be")
	}
	gauges, err := f.holdGauges()
	if err != nil {
		return nil, err
	}
	cost, iterations, status := f.descend(cost)
	if f.options.Loss != nil {
		// Redescending losses need a start that the outliers have not shifted.
		for _, loss := range []leastsquares.Loss{leastsquares.Huber{}, f.options.Loss} {
			f.loss = loss
			var more int
			cost, more, status = f.descend(f.linearise())
			iterations += more
		}
	}
	return f.result(cost, iterations, status, gauges)
}

func newFit(p *Problem, o Options) (*fit, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	if err := p.check(o.Free); err != nil {
		return nil, err
	}
	f := &fit{problem: p, options: o, layout: newLayout(p, o.Free), bench: newBench(p), complex: o.Free.complex()}
	n, coils := len(f.layout.columns), 0
	for s := range p.Stations {
		st := &p.Stations[s]
		f.offset = append(f.offset, len(f.data))
		for k, v := range st.Couplings.Value {
			d := observed{value: v}
			if math.IsInf(st.Couplings.Variance[k], 1) {
				d.value = 0
			}
			if f.complex {
				d.quadrature = st.Quadrature[k]
			}
			f.data = append(f.data, d)
		}
		f.weigh(s)
		ref := st.Reference
		ref.Rotation = rigid.Normalize(ref.Rotation)
		f.references = append(f.references, ref)
		f.poses = append(f.poses, p.start(s))
		coils = max(coils, len(p.Sensors[st.Sensor].Coils))
	}
	f.offset = append(f.offset, len(f.data))
	f.picks = make([]mutual.Placed, coils)
	for _, c := range f.layout.columns {
		f.prior = append(f.prior, c.prior)
	}
	f.assumed = make([]bool, n)
	f.along, f.mixture = [2][]float64{make([]float64, n), make([]float64, n)}, make([]float64, n)
	f.x, f.kept = make([]float64, n), make([]float64, n)
	f.emitterChi2, f.emitterCount = make([]float64, len(p.Emitters)), make([]int, len(p.Emitters))
	f.keptPoses = make([]rigid.Pose, len(f.poses))
	f.normal = &normal{
		n: n, a: make([]float64, n*n), g: make([]float64, n),
		mixed: make([]float64, 6*n*len(f.poses)), blocks: make([]block, len(f.poses)),
	}
	f.reduced = newReduced(n, len(f.poses))
	return f, nil
}

// descend lowers the cost from the linearised point at hand, and leaves the
// equations of the point where it ends.
func (f *fit) descend(cost float64) (float64, int, Status) {
	cost, iterations, status, _ := leastsquares.Descend((*descent)(f), cost, f.options.Tol, f.options.MaxIterations)
	switch {
	case status == leastsquares.Stalled:
		return cost, iterations, Stalled
	case status.Err() != nil:
		return cost, iterations, IterationLimit
	}
	return cost, iterations, Converged
}

// descent is a fit as leastsquares.Descend needs it. A point without fields has the
// cost +Inf.
type descent fit

func (d *descent) Step(damping float64) (float64, bool) {
	f := (*fit)(d)
	f.reduce(damping)
	return f.solve(damping)
}

func (d *descent) Take() (float64, error) {
	f := (*fit)(d)
	copy(f.kept, f.x)
	copy(f.keptPoses, f.poses)
	f.advance()
	return f.linearise(), nil
}

func (d *descent) Back() error {
	f := (*fit)(d)
	copy(f.x, f.kept)
	copy(f.poses, f.keptPoses)
	f.linearise()
	return nil
}
