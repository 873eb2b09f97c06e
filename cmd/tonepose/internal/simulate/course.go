package simulate

import (
	"slices"
	"sort"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// course is the motion of what may be moved while a recording is made: motions one
// after the other, each eased into from the one before.
type course []leg

// leg goes over from the motion before to its own.
type leg struct {
	start, span float64 // [s]
	to          movement
}

// still is a movement that keeps still.
type still rigid.Pose

func (p still) At(float64) (rigid.Pose, r3.Vec, r3.Vec) { return rigid.Pose(p), r3.Vec{}, r3.Vec{} }

// memoryS is how long a course is remembered after it has been left [s].
const memoryS = 60

// add lets a leg begin, after those that begin no later, and forgets what was left
// long before now [s].
func (c *course) add(l leg, now float64) {
	i := sort.Search(len(*c), func(i int) bool { return i > 0 && (*c)[i].start > l.start })
	*c = slices.Insert(*c, i, l)
	old := 0
	for old+1 < len(*c) && (*c)[old+1].start+(*c)[old+1].span < now-memoryS {
		old++
	}
	*c = slices.Delete(*c, 0, old)
}

// at is the last leg that has begun at t; the first one else.
func (c course) at(t float64) int {
	return max(0, sort.Search(len(c), func(i int) bool { return c[i].start > t })-1)
}

// At implements movement. Between two motions the way and the rotation from the one to
// the other are gone with the quintic of stationMotion; velocities there are central
// differences, whose step is small against every move and leaves 1e-9 m/s of rounding.
func (c course) At(t float64) (p rigid.Pose, velocity, angular r3.Vec) {
	i := c.at(t)
	if c.done(i, t) {
		return c[i].to.At(t)
	}
	const h = 1e-6
	way, rotation := c.pose(i, t+h).Minus(c.pose(i, t-h))
	return c.pose(i, t), r3.Scale(1/(2*h), way), r3.Scale(1/(2*h), rotation)
}

// done reports whether leg i alone counts at t.
func (c course) done(i int, t float64) bool { return i == 0 || t >= c[i].start+c[i].span }

// pose is where leg i, which has begun, is at t.
func (c course) pose(i int, t float64) rigid.Pose {
	to, _, _ := c[i].to.At(t)
	if c.done(i, t) {
		return to
	}
	from := c.pose(i-1, t)
	way, rotation := to.Minus(from)
	e := ease(max(0, (t-c[i].start)/c[i].span))
	return from.Plus(r3.Scale(e, way), r3.Scale(e, rotation))
}

// ease is the quintic 10u³ − 15u⁴ + 6u⁵: at 0 and 1 it has neither slope nor bend.
func ease(u float64) float64 { return u * u * u * (10 - u*(15-6*u)) }
