package workbench

import (
	"math"
	"math/cmplx"
	"slices"

	"tonepose/cmd/tonepose/internal/tables"
)

// cloud gathers phasors of one channel, by emitter.
type cloud struct {
	names []string
	time  []float64
	re    [][]float32
	im    [][]float32
	sigma [][]float32
	flags []uint32
}

func newCloud(emitters []string) *cloud {
	n := len(emitters)
	return &cloud{names: emitters, re: make([][]float32, n), im: make([][]float32, n), sigma: make([][]float32, n)}
}

func (c *cloud) add(p *tables.Phasor) {
	e := slices.Index(c.names, p.Tone)
	if e < 0 {
		return
	}
	if n := len(c.time); n == 0 || c.time[n-1] != p.Time {
		c.time, c.flags = append(c.time, p.Time), append(c.flags, 0)
		nan := float32(math.NaN())
		for k := range c.re {
			c.re[k], c.im[k], c.sigma[k] = append(c.re[k], nan), append(c.im[k], nan), append(c.sigma[k], nan)
		}
	}
	last := len(c.time) - 1
	c.re[e][last], c.im[e][last], c.sigma[e][last] = float32(p.InPhase), float32(p.Quadrature), float32(p.Sigma)
	c.flags[last] |= uint32(p.Flags)
}

// cloudTone is one tone of a cloud.
type cloudTone struct {
	Emitter int     `json:"emitter"`
	MeanRe  float64 `json:"mean_re_v"`
	MeanIm  float64 `json:"mean_im_v"`
	Sigma   float64 `json:"sigma_v"`  // stated, of a component
	Spread  float64 `json:"spread_v"` // seen, of a component
	Step    float64 `json:"step_v"`   // seen from one window to the next, of a component
	Wider   float64 `json:"wider"`
	Cause   string  `json:"cause"`
}

func (c *cloud) write(out *arrays) {
	tones := []map[string]any{}
	out.f64("time_s", "s", c.time)
	out.u32("flags", c.flags)
	for e := range c.re {
		t := c.tone(e)
		tones = append(tones, map[string]any{"emitter": e, "mean_re_v": orNull(t.MeanRe), "mean_im_v": orNull(t.MeanIm), "sigma_v": orNull(t.Sigma),
			"spread_v": orNull(t.Spread), "step_v": orNull(t.Step), "wider": orNull(t.Wider), "cause": t.Cause})
		name := emitterName(e)
		out.f32(name+".re", "V", c.re[e])
		out.f32(name+".im", "V", c.im[e])
	}
	out.set("tones", tones)
}

// tone is what the cloud of one emitter amounts to.
func (c *cloud) tone(e int) cloudTone {
	var n, steps float64
	var sum, last complex128
	var square, sigma, step float64
	for i := range c.time {
		v := complex(float64(c.re[e][i]), float64(c.im[e][i]))
		if cmplx.IsNaN(v) {
			continue
		}
		if n++; n > 1 {
			step += squared(v - last)
			steps++
		}
		last = v
		sum += v
		sigma += float64(c.sigma[e][i]) * float64(c.sigma[e][i])
	}
	mean := sum / complex(n, 0)
	for i := range c.time {
		if v := complex(float64(c.re[e][i]), float64(c.im[e][i])); !cmplx.IsNaN(v) {
			square += squared(v - mean)
		}
	}
	t := cloudTone{Emitter: e, MeanRe: real(mean), MeanIm: imag(mean), Sigma: math.Sqrt(sigma / n),
		Spread: math.Sqrt(square / 2 / max(n-1, 1)), Step: math.Sqrt(step / 4 / steps)}
	if t.Wider = t.Spread / t.Sigma; t.Wider > widerThanNoise {
		// Noise differs from window to window as much as over the whole stretch.
		if t.Step < t.Spread/2 {
			t.Cause = "it wanders over this stretch: the sensor moves, or a current or the clock drifts; choose a stretch at rest"
		} else {
			t.Cause = "it jumps from window to window: noise that is not steady, or something that shares its frequency"
		}
	}
	return t
}

// widerThanNoise is how much wider than its stated sigma a cloud is called so.
const widerThanNoise = 1.5

func squared(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }

// course writes one tone against time.
func (c *cloud) course(out *arrays, e int) {
	amplitude, phase := make([]float32, len(c.time)), make([]float32, len(c.time))
	for i := range c.time {
		a, p := cmplx.Polar(complex(float64(c.re[e][i]), float64(c.im[e][i])))
		amplitude[i], phase[i] = float32(a), float32(p)
	}
	out.f64("time_s", "s", c.time)
	out.u32("flags", c.flags)
	out.f32("amplitude_v", "V", amplitude)
	out.f32("phase_rad", "rad", phase)
	out.f32("re_v", "V", c.re[e])
	out.f32("im_v", "V", c.im[e])
	out.f32("sigma_v", "V", c.sigma[e])
}
