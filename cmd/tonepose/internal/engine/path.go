package engine

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// stencilMemories is the distance of the poses that a path is laid through, in
// memories of the averaging: that of adjoining Hann windows. Closer ones share noise
// and tell little of the path's curvature, those further apart miss it.
const stencilMemories = 1.5

// point is the pose of one frame on its own.
type point struct {
	time  float64
	pose  rigid.Pose
	sigma [6]float64
	good  bool
	// steady: the frame's own phasors were looked at, and do not bend.
	steady bool
}

// A path goes through up to pathPoints frames, as many before as after; beside the
// end of a run through two fewer, as near as there are. reach is how far on one side
// they may lie.
const (
	pathPoints = 7
	reach      = pathPoints - 3
)

// stencil are the frames about one, at −reach to reach spacings; nil: not there.
type stencil [2*reach + 1]*point

// path is a sensor's motion about one frame's pose: offsets in position and
// rotation at the times of frames, spacing apart.
type path struct {
	spacing float64 // [s]
	first   int     // of the frames, in spacings from the one at hand: 0 or less
	offset  [][6]float64
}

// torn tells whether the sensor rests before the frame at hand and after it, in places
// as far apart as a frame's own phasors would show.
func (s *stencil) torn() bool {
	within := func(i, k int, sigmas float64) bool {
		a, b := s[reach+i], s[reach+k]
		if a == nil || b == nil || !a.good || !b.good {
			return false
		}
		dp, dr := a.pose.Minus(b.pose)
		for c, d := range [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z} {
			if math.Abs(d) > sigmas*s[reach].sigma[c] {
				return false
			}
		}
		return true
	}
	rests := func(sign int) (at int) { // 0: nowhere
		for i := sign; i != reach*sign; i += sign {
			if within(i, i+sign, visibleBend) {
				return i
			}
		}
		return 0
	}
	before, after := rests(-1), rests(1)
	return before != 0 && after != 0 && s[reach+before].good && s[reach+after].good && !within(before, after, 2*visibleBend)
}

// available is how many frames before and after the one at hand follow without a
// hole.
func (s *stencil) available() (first, last int) {
	there := func(i int) bool { return i >= -reach && i <= reach && s[reach+i] != nil && s[reach+i].good }
	for there(first - 1) {
		first--
	}
	for there(last + 1) {
		last++
	}
	return first, last
}

// path goes through the frames from first to last; memory holds its offsets.
func (s *stencil) path(first, last int, spacing float64, memory *[pathPoints][6]float64) path {
	p := path{spacing: spacing, first: first, offset: memory[:0]}
	for i := first; i <= last; i++ {
		dp, dr := s[reach+i].pose.Minus(s[reach].pose)
		p.offset = append(p.offset, [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z})
	}
	return p
}

// nearest is the path through the n frames of it nearest to the one at hand.
func (p *path) nearest(n int) path {
	from := min(max(-p.first-n/2, 0), len(p.offset)-n)
	return path{spacing: p.spacing, first: p.first + from, offset: p.offset[from : from+n]}
}

// weights are those with which the offsets make the one at a time t [s] from the
// frame at hand: in a share by the polynomial through all of them, else by the
// straight line through the frames next to it, which at rest follows less noise.
func (p *path) weights(t, share float64) [pathPoints]float64 {
	w := weightsAt(t/p.spacing, p.first, len(p.offset))
	return w.mixed(share)
}

// weights are those of the offsets of a path at one time.
type weights struct{ curved, straight [pathPoints]float64 }

// weightsAt are those of n frames from first on, at u spacings from the one at hand.
func weightsAt(u float64, first, n int) (w weights) {
	for i := range n {
		product := 1.0
		for k := range n {
			if k != i {
				product *= (u - float64(first+k)) / float64(i-k)
			}
		}
		w.curved[i] = product
	}
	here := -first
	before, after := max(here-1, 0), min(here+1, n-1)
	slope := u / float64(after-before)
	w.straight[before] -= slope
	w.straight[after] += slope
	w.straight[here]++
	return w
}

// mixed are the weights of which a share is curved.
func (w *weights) mixed(share float64) (sum [pathPoints]float64) {
	for i, c := range w.curved {
		sum[i] = share*c + (1-share)*w.straight[i]
	}
	return sum
}

// at is the pose from one at the origin of the path to which the weights lead.
func (p *path) at(origin rigid.Pose, w *[pathPoints]float64) rigid.Pose {
	var d [6]float64
	for i, offset := range p.offset {
		for k, v := range offset {
			d[k] += w[i] * v
		}
	}
	return origin.Plus(r3.Vec{X: d[0], Y: d[1], Z: d[2]}, r3.Vec{X: d[3], Y: d[4], Z: d[5]})
}

// curvature is the second difference of three poses over its noise: the mean
// square of its components in units of their sigma, 1 at rest.
func curvature(before, at, after *point, dof int) float64 {
	dp, dr := before.pose.Minus(at.pose)
	ep, er := after.pose.Minus(at.pose)
	sum := 0.0
	for k, d := range [6]float64{dp.X + ep.X, dp.Y + ep.Y, dp.Z + ep.Z, dr.X + er.X, dr.Y + er.Y, dr.Z + er.Z} {
		if s := at.sigma[k]; s > 0 {
			sum += d * d / (6 * s * s) // 1² + 2² + 1²
		}
	}
	return sum / float64(dof)
}

// curvedShare is how much of the curvature seen among the frames of a path is
// motion rather than noise.
func curvedShare(s *stencil, p *path, dof int) float64 {
	sum, n := 0.0, 0.0
	for i := range len(p.offset) - 2 {
		at := reach + p.first + i
		sum += curvature(s[at], s[at+1], s[at+2], dof)
		n++
	}
	return max(0, 1-n/sum)
}
