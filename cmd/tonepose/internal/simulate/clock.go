package simulate

import "slices"

// clockCourse is how a generator's clock departs, after it was turned, from what it
// would have done: by glides from one rate to the next.
type clockCourse struct {
	ahead, rate, since float64 // what has been glided over: ahead + rate·(t − since)
	glides             []glide // by rising start
	end                float64 // the rate at which all glides end
}

// glide adds gain to a rate, from start on within glideS.
type glide struct{ start, gain float64 }

const (
	// glideS is so long that a rate is even enough within 256 samples for synth.
	glideS = 0.1
	// lateS: currents are asked for by as much earlier as a channel is late.
	lateS = 0.1
)

// turn lets the rate glide from now on [s] until it is the given one.
func (c *clockCourse) turn(now, rate float64) {
	for len(c.glides) > 0 && c.glides[0].start+glideS+lateS < now {
		d := c.glides[0]
		end := d.start + glideS
		c.ahead += c.rate*(end-c.since) + d.gain*glideS/2
		c.rate, c.since = c.rate+d.gain, end
		c.glides = slices.Delete(c.glides, 0, 1)
	}
	c.glides, c.end = append(c.glides, glide{now, rate - c.end}), rate
}

// at is how far the clock is ahead [s] at t [s], and the rate at which it gains. A
// glide's rate rises as u²·(3 − 2u).
func (c *clockCourse) at(t float64) (ahead, rate float64) {
	ahead, rate = c.ahead+c.rate*(t-c.since), c.rate
	for _, d := range c.glides {
		switch u := (t - d.start) / glideS; {
		case u >= 1:
			ahead, rate = ahead+d.gain*glideS*(u-0.5), rate+d.gain
		case u > 0:
			ahead, rate = ahead+d.gain*glideS*u*u*u*(1-u/2), rate+d.gain*u*u*(3-2*u)
		}
	}
	return ahead, rate
}
