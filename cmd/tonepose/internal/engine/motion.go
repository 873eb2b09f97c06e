package engine

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/combin"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/window"
	"tonepose/solver"
)

// A frame is a weighted mean over its window. What a moving sensor's couplings are
// compared with is the mean of the field model along its path during the window.
// The path is that through the poses of the frames before and after, found each by
// itself: their own bends differ too little to matter.

// weighting is how a frame weighs the time about its own: a rule of nodes with the
// moments 0 to 4 of the window's taper or of the low-pass. The last node is the frame's own
// time.
type weighting struct {
	memory float64   // one over twice the equivalent noise bandwidth [s]
	at     []float64 // [s], mostNodes at most
	weight []float64
	step   int                  // frames from one pose of a path to the next
	share  [2*reach + 1]float64 // of the weights that is nearest to each pose about a frame
}

const mostNodes = 5

// finest is the rate over a recursive low-pass's noise bandwidth beyond which its weights are
// sampled no finer: of a slow one at a high rate they would fill the memory. A cascade's
// moments differ by the square of samples over time constants, less than 1e-4.
const finest = 3000

// weightingOf is that of windows or of a low-pass, whose frames follow each other by
// hop [s]; zero for others.
func weightingOf(w *stream.Windows, hop, sampleRate float64) (weighting, error) {
	var at, weight []float64
	switch {
	case w.LowPass != nil:
		p, err := window.Design(w.LowPass.Spec, sampleRate)
		if err != nil {
			return weighting{}, err
		}
		if coarse := finest * p.ENBWHz(); coarse < sampleRate && p.Taps() == nil {
			sampleRate = coarse
			if p, err = window.Design(w.LowPass.Spec, sampleRate); err != nil {
				return weighting{}, err
			}
		}
		impulse := make([]complex128, int(p.SettlingS(1e-6)*sampleRate)+2)
		impulse[0] = 1
		response := make([]complex128, len(impulse))
		p.NewFilter(1).Process(response, impulse)
		for i, v := range response {
			// The response to a sample in the past weighs that sample's time.
			at, weight = append(at, p.GroupDelayS()-float64(i)/sampleRate), append(weight, real(v))
		}
	case w.Length > 0:
		const n = 4096
		for i := range n {
			u := (float64(i)+0.5)/n - 0.5
			sum := 0.0
			for k, a := range w.Taper.Terms() {
				sum += a * math.Cos(2*math.Pi*float64(k)*u)
			}
			at, weight = append(at, u*w.Length), append(weight, sum)
		}
	default:
		return weighting{}, nil
	}
	var moments [5]float64
	for i, t := range at {
		for k := range moments {
			moments[k] += weight[i] * math.Pow(t, float64(k))
		}
	}
	square := 0.0
	for _, w := range weight {
		square += w * w
	}
	// White noise at the rate 1/δt of the weights: 2·ENBW = Σw²/(Σw)²/δt.
	v := weighting{memory: math.Abs(at[1]-at[0]) * moments[0] * moments[0] / square}
	v.step = max(1, int(math.Round(stencilMemories*v.memory/hop)))
	for i, t := range at {
		k := min(max(math.Round(t/(float64(v.step)*hop)), -reach), reach)
		v.share[reach+int(k)] += weight[i] / moments[0]
	}
	for k := range moments[1:] {
		moments[1+k] /= moments[0]
	}
	if w.LowPass == nil && v.gauss(moments[2], moments[4], w.Length/2) {
		return v, nil
	}
	// A low-pass may have weights below zero, and hardly any second moment. In units of
	// this scale the equations are well conditioned.
	scale := max(math.Sqrt(math.Abs(moments[2])), math.Pow(math.Abs(moments[4])/3, 0.25))
	equations, right := mat.NewDense(mostNodes, mostNodes, nil), mat.NewVecDense(mostNodes, nil)
	for i, u := range []float64{-2, -1, 1, 2, 0} {
		v.at = append(v.at, u*scale)
		for k := range mostNodes {
			equations.Set(k, i, math.Pow(u, float64(k)))
		}
	}
	right.SetVec(0, 1)
	for k := 1; k < mostNodes; k++ {
		right.SetVec(k, moments[k]/math.Pow(scale, float64(k)))
	}
	var solved mat.VecDense
	if err := solved.SolveVec(equations, right); err != nil {
		return weighting{}, err
	}
	v.weight = solved.RawVector().Data
	return v, nil
}

// gauss takes the rule of three nodes that has the moments of weights which are even in
// time: it reports false where there is none within reach, as of some that are negative in
// places. What it leaves of the sixth moment of a Hann window is 3e-5 of a shift by the
// fastest motion that is followed.
func (v *weighting) gauss(second, fourth, reach float64) bool {
	if !(second > 0 && fourth > 0 && fourth < second*reach*reach) {
		return false
	}
	outer := math.Sqrt(fourth / second)
	share := second * second / (2 * fourth)
	v.at, v.weight = []float64{-outer, outer, 0}, []float64{share, share, 1 - 2*share}
	return true
}

// bend is what a path through the poses of frames says of one of them: its own
// bend is in it, and theirs are in their poses.
type bend struct {
	path  path
	share float64             // of the path's curvature that is motion
	mean  [pathPoints]float64 // weights of the path's mean over the window
	shift [6]float64          // of that mean from the pose, position [m] and rotation [rad]
	doubt [6]float64          // of the shift: one standard deviation of what the path leaves out
	rough bool                // longer paths are not smooth
	tail  [6]float64          // what a jump hereabouts may leave in the frame, to be doubted like the rest
}

// orderShare is how much of what the last two orders of a path tell the orders
// after them would add: for a sinusoid of angular frequency Ω it is 0.13·(Ω·spacing)²,
// and up to three quarters of a radian from pose to pose are followed.
const orderShare = 0.08

// bender takes the motion inside of windows into the poses of one sensor.
type bender struct {
	solver    *solver.Solver
	weighting weighting
	mean      []float64 // couplings: mean along the path
	value     []float64
	straight  solver.Couplings
	offsets   [pathPoints][6]float64 // of the path that was laid last
	nodes     [pathPoints + 1][pathPoints]pathNodes
}

// pathNodes are what the paths through some frames weigh their offsets with: at the
// times of the weighting, and for the mean over it.
type pathNodes struct {
	spacing float64 // for which they are; 0: none yet
	at      [mostNodes]weights
	mean    weights
}

// nodesOf are those of a path. They change with nothing but the frames that it goes through.
func (b *bender) nodesOf(p *path) *pathNodes {
	v := &b.nodes[len(p.offset)][-p.first]
	if v.spacing == p.spacing {
		return v
	}
	*v = pathNodes{spacing: p.spacing}
	for i, t := range b.weighting.at {
		w := weightsAt(t/p.spacing, p.first, len(p.offset))
		v.at[i] = w
		for k := range w.curved {
			v.mean.curved[k] += b.weighting.weight[i] * w.curved[k]
			v.mean.straight[k] += b.weighting.weight[i] * w.straight[k]
		}
	}
	return v
}

// look lays a path through the points about a frame: the longest and most even one
// that is smooth, so that none reaches over a jump from one rest to the next. Where
// longer ones are not, the motion begins, ends or turns hereabouts: then all that the
// path says is in doubt.
func (b *bender) look(s *stencil, spacing float64) (v bend, ok bool) {
	first, last := s.available()
	rough := false
	for n := min(pathPoints, last-first+1); n >= 3; n-- {
		for lean := range n {
			// Evenly first, then leaning to either side.
			before := n/2 + (lean+1)/2*(2*(lean%2)-1)
			if before < 0 || before > n-1 || -before < first || n-1-before > last {
				continue
			}
			if n > 5 && min(before, n-1-before) < n/2 {
				continue // beside the end of a run the highest orders follow the noise
			}
			v = b.along(s.path(-before, n-1-before, spacing, &b.offsets), s)
			if s[reach].steady && v.beyond(visibleBend, &s[reach].sigma) {
				rough = true
				continue // so much motion would show in the frame itself
			}
			if v.smooth(&s[reach].sigma) || n == 3 && last-first == 2 {
				if v.rough = rough; rough {
					v.doubt, v.tail = v.shift, b.across(s)
				}
				return v, true
			}
			rough = true
		}
	}
	v.tail = b.across(s)
	return v, false
}

// across is the shift of a mean over the poses about a frame, each held for the time
// nearest to it: of a low-pass, which remembers them all. A window ends, and its own
// phasors show what happens in it.
func (b *bender) across(s *stencil) (shift [6]float64) {
	if s[reach].steady {
		return shift
	}
	here := s[reach].pose
	for i, p := range s {
		if p == nil || !p.good {
			continue
		}
		dp, dr := p.pose.Minus(here)
		for c, d := range [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z} {
			shift[c] += b.weighting.share[i] * d
		}
	}
	return shift
}

// along is what a path says.
func (b *bender) along(p path, s *stencil) (v bend) {
	v.path = p
	v.share = curvedShare(s, &v.path, b.solver.Freedom())
	v.mean, v.shift = b.shift(&v.path, v.share)
	if n := len(v.path.offset); n > 3 {
		near := v.path.nearest(max(3, n-2))
		_, without := b.shift(&near, v.share)
		for c := range v.doubt {
			v.doubt[c] = orderShare * (v.shift[c] - without[c])
		}
	}
	return v
}

// smoothShare bounds the higher differences of a smooth path's poses by the largest
// second one: those of a sinusoid of angular frequency Ω are (Ω·spacing)^(order−2) of
// it, of a jump one of them at least is as large. smoothSquares is what the square of
// a difference without motion hardly ever exceeds, in units of its variance, summed
// over six components: once in thirty thousand.
const (
	smoothShare   = 0.8
	smoothSquares = 30
)

// smooth tells whether the poses of a path follow each other as those of a smooth
// motion do. Three alone are smooth at rest.
func (v *bend) smooth(sigma *[6]float64) bool {
	n := len(v.path.offset)
	if n == 3 {
		return v.share == 0
	}
	var largest [pathPoints]float64 // squares of differences by order, in sigmas
	for c, s := range sigma {
		if s == 0 {
			continue
		}
		var d [pathPoints]float64
		for i, offset := range v.path.offset {
			d[i] = offset[c] / s
		}
		for order := 1; order < n; order++ {
			most := 0.0
			for i := range n - order {
				d[i] = d[i+1] - d[i]
				most = max(most, d[i]*d[i])
			}
			largest[order] += most
		}
	}
	for order := 3; order < n; order++ {
		if largest[order] > smoothShare*smoothShare*largest[2]+smoothSquares*float64(combin.Binomial(2*order, order)) {
			return false
		}
	}
	return true
}

// shift is the mean of a path over the window.
func (b *bender) shift(p *path, share float64) (mean [pathPoints]float64, shift [6]float64) {
	mean = b.nodesOf(p).mean.mixed(share)
	for k, offset := range p.offset {
		for c, d := range offset {
			shift[c] += mean[k] * d
		}
	}
	return mean, shift
}

// centre is the pose less the shift: that at the frame's time, to first order.
func (v *bend) centre(pose rigid.Pose) rigid.Pose {
	d := &v.shift
	return pose.Plus(r3.Vec{X: -d[0], Y: -d[1], Z: -d[2]}, r3.Vec{X: -d[3], Y: -d[4], Z: -d[5]})
}

// From so many sigmas of a shift its first order is not enough: what that leaves out
// is smaller by the shift over the distance to the emitters. And from so many a
// frame's own phasors bend visibly; they tell a bend some four times less well.
const (
	strongBend  = 3
	visibleBend = 15
)

// beyond tells whether a component of the shift exceeds so many sigmas.
func (v *bend) beyond(sigmas float64, sigma *[6]float64) bool {
	return exceeds(&v.shift, sigmas, sigma)
}

func exceeds(shift *[6]float64, sigmas float64, sigma *[6]float64) bool {
	for k, d := range shift {
		if sigma[k] > 0 && math.Abs(d) > sigmas*sigma[k] {
			return true
		}
	}
	return false
}

// still tells whether the mean of the model along the path is that at its middle to a
// twentieth of a sigma: the path does not curve, and the fields of emitters 2 cm away
// and further do not over its length either, which is taken as one spacing.
func (v *bend) still(sigma *[6]float64) bool {
	const near, share = 0.02, 0.05 // [m]
	if v.share > 0 {
		return false
	}
	least := min(sigma[0], sigma[1], sigma[2])
	for _, d := range v.path.nearest(3).offset {
		moved := math.Hypot(math.Hypot(d[0], d[1]), d[2]) + near*math.Hypot(math.Hypot(d[3], d[4]), d[5])
		if moved*moved/(60*near) > share*least { // a sixtieth: half of a window's variance over the square of its length
			return false
		}
	}
	return true
}

// grown is by how much the noise of the neighbours' poses multiplies the variance of
// a pose: to first order it is twice its own less the path's mean.
func (v *bend) grown() (sum float64) {
	for k, w := range v.mean {
		if k == -v.path.first {
			w -= 2
		}
		sum += w * w
	}
	return sum
}

// fit fits couplings less what the motion along a path adds to them, in as many
// rounds; first is the fit of the frame by itself.
func (b *bender) fit(v *bend, c solver.Couplings, first *solver.Result, rounds int) (result solver.Result, ok bool) {
	origin := v.centre(first.Pose)
	// The fit's own means over the coils are good enough: what counts is a difference.
	b.straight.Variance, b.straight.Common = c.Variance, c.Common
	nodes := b.nodesOf(&v.path)
	var at [len(nodes.at)][pathPoints]float64
	times := at[:len(b.weighting.at)]
	for i := range times {
		times[i] = nodes.at[i].mixed(v.share)
	}
	for range rounds {
		clear(b.mean)
		for i := range times { // the frame's own last: what the model says there is what its mean differs from
			if b.solver.EvaluateFast(v.path.at(origin, &times[i]), b.value, nil) != nil {
				return result, false
			}
			for k, value := range b.value {
				b.mean[k] += b.weighting.weight[i] * value
			}
		}
		b.straight.Value = append(b.straight.Value[:0], c.Value...)
		for k, value := range b.value {
			b.straight.Value[k] -= b.mean[k] - value
		}
		if result = b.solver.Warm(b.straight, origin); result.Status != solver.Converged {
			return result, false
		}
		origin = result.Pose
	}
	grown := v.grown()
	for i := range result.Covariance {
		for k := range result.Covariance[i] {
			result.Covariance[i][k] = grown*result.Covariance[i][k] + v.doubt[i]*v.doubt[k] + v.tail[i]*v.tail[k]
		}
	}
	return result, true
}
