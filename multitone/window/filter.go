package window

import "fmt"

// state is the memory of a running filter.
type state interface {
	// process takes every sample of src; each time wait has counted down to 0 it
	// writes an output and starts again from every. It returns how many outputs
	// it wrote and what is left of wait.
	process(dst, src []complex128, wait, every int) (n, left int)
}

// Filter is a running low-pass over complex values that keeps one output in every
// so many. It does not allocate and is not safe for concurrent use.
//
// The output after the n-th sample of a stream (n = 0, 1, …) stands for the time
// n/fs − GroupDelayS. A first-order stage with b = 1 − e^{−1/(fs·τ)} holds its value
// to 2⁻⁵³/b relative: smaller changes round away.
type Filter struct {
	state       state
	every, wait int
}

// NewFilter returns a filter at rest (all past samples 0) that gives an output
// after every-th, 2·every-th, … sample. It panics if every < 1.
//
// The recursive kinds cost the same whatever every; FIR and MovingAverage compute
// only the outputs that are kept, (taps/2)/every products per sample.
func (l *LowPass) NewFilter(every int) *Filter {
	if every < 1 {
		panic(fmt.Sprintf("window: output every %d samples: must be at least 1", every))
	}
	return &Filter{state: l.sampled.newState(), every: every, wait: every}
}

// Outputs returns how many outputs the next n samples will give.
func (f *Filter) Outputs(n int) int {
	if n < f.wait {
		return 0
	}
	return 1 + (n-f.wait)/f.every
}

// Process filters src and writes the outputs that fall due to dst, which may be
// src itself; it returns their number. It panics if dst is shorter than
// Outputs(len(src)).
func (f *Filter) Process(dst, src []complex128) int {
	if need := f.Outputs(len(src)); len(dst) < need {
		panic(fmt.Sprintf("window: room for %d outputs, need %d", len(dst), need))
	}
	n, wait := f.state.process(dst, src, f.wait, f.every)
	f.wait = wait
	return n
}

// tapState convolves with symmetric taps.
type tapState struct {
	taps []float64
	past []complex128 // two copies end to end: any stretch of len(taps) is contiguous
	next int
}

func (s *tapState) process(dst, src []complex128, wait, every int) (n, left int) {
	size := len(s.taps)
	for _, x := range src {
		s.past[s.next], s.past[s.next+size] = x, x
		if s.next++; s.next == size {
			s.next = 0
		}
		if wait--; wait == 0 {
			dst[n] = foldedDot(s.taps, s.past[s.next:s.next+size])
			n++
			wait = every
		}
	}
	return n, wait
}

// foldedDot returns Σ h[i]·x[i] for symmetric h with half the products.
func foldedDot(h []float64, x []complex128) complex128 {
	n := len(h)
	x = x[:n]
	var re, im float64
	for i, j := 0, n-1; i < j; i, j = i+1, j-1 {
		re += h[i] * (real(x[i]) + real(x[j]))
		im += h[i] * (imag(x[i]) + imag(x[j]))
	}
	if n%2 == 1 {
		re += h[n/2] * real(x[n/2])
		im += h[n/2] * imag(x[n/2])
	}
	return complex(re, im)
}
