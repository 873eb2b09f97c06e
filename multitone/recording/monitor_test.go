package recording

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// watched feeds counts in blocks of uneven length.
func watched(counts []int16, channels int) *Monitor {
	m := NewMonitor(testInfo("ri16_le", channels))
	rng := rand.New(rand.NewPCG(3, 4))
	for at := 0; at < len(counts)/channels; {
		n := min(1+rng.IntN(9000), len(counts)/channels-at)
		m.Int16(counts[at*channels:(at+n)*channels], int64(at))
		at += n
	}
	return m
}

// watchedFloats does the same with floats, channel by channel.
func watchedFloats(x ...[]float64) *Monitor {
	m := NewMonitor(testInfo("rf64_le", len(x)))
	rng := rand.New(rand.NewPCG(3, 4))
	for at := 0; at < len(x[0]); {
		n := min(1+rng.IntN(9000), len(x[0])-at)
		block := make([][]float64, len(x))
		for c := range x {
			block[c] = x[c][at : at+n]
		}
		m.Planar(block, int64(at))
		at += n
	}
	return m
}

func noFault(t *testing.T, what string, m *Monitor) {
	t.Helper()
	if text := m.Summary(); len(text) > 0 {
		t.Errorf("%s: %s", what, strings.Join(text, " | "))
	}
}

// quantise to whole codes.
func quantise(x float64) int16 {
	return int16(math.Round(max(-32768, min(32767, x))))
}

// TestMonitorAgainstPlainLoops: vectors say what plain loops say, for every number of channels.
func TestMonitorAgainstPlainLoops(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for channels := 1; channels <= 13; channels++ {
		n := 10_000 + rng.IntN(50)
		d := make([]int16, n*channels)
		lo, hi, sum, ends := make([]float64, channels), make([]float64, channels), make([]float64, channels), make([]int64, channels)
		for c := range channels {
			lo[c], hi[c] = math.Inf(1), math.Inf(-1)
			// Both signs, one sign, and the ends of the range.
			size, offset := math.Ldexp(1, rng.IntN(15)), []float64{0, 0, 20_000, -20_000}[rng.IntN(4)]
			for i := range n {
				v := quantise(offset + size*rng.NormFloat64())
				d[i*channels+c] = v
				lo[c], hi[c], sum[c] = min(lo[c], float64(v)), max(hi[c], float64(v)), sum[c]+float64(v)
				if v == math.MaxInt16 || v == math.MinInt16 {
					ends[c]++
				}
			}
		}
		for c, got := range watched(d, channels).Channels() {
			want := Channel{Name: fmt.Sprintf("ch%d", c+1), Min: lo[c] / 32768, Max: hi[c] / 32768,
				DC: sum[c] / float64(n) / 32768, Clipped: ends[c], Drift: got.Drift, DriftSigma: got.DriftSigma}
			if math.Abs(want.DC-got.DC) < 1e-15 { // sums of whole numbers are exact, the division is not
				want.DC = got.DC
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("%d channels (-want +got):\n%s", channels, d)
			}
		}
	}
}

// TestCleanSignals: nothing is found in sound recordings, down to pickups that use few codes.
func TestCleanSignals(t *testing.T) {
	const n = 70_000
	rng := rand.New(rand.NewPCG(1, 2))
	for _, sigma := range []float64{0.2, 0.3, 0.5, 1, 3, 30} {
		for _, tone := range []float64{0, 0.4, 2, 50, 20_000} {
			for _, channels := range []int{1, 2, 4} {
				d := make([]int16, n*channels)
				x := make([][]float64, channels)
				for i := range d {
					v := quantise(0.3 + tone*math.Sin(0.0731*float64(i/channels)) + sigma*rng.NormFloat64())
					d[i] = v
					x[i%channels] = append(x[i%channels], float64(v)*1e-5)
				}
				what := fmt.Sprintf("%d channels, tone of %g and noise of %g codes", channels, tone, sigma)
				noFault(t, what, watched(d, channels))
				noFault(t, what+", as floats", watchedFloats(x...))
			}
		}
	}
	// Without noise: exactly periodic, slow peaks levelled by quantisation, two-level references.
	for _, period := range []int{8, 125, 1000, 4000, 16_000} { // four periods within what is remembered
		for _, amplitude := range []float64{5, 300, 32_000} {
			d, x := make([]int16, n), make([]float64, n)
			for i := range d {
				d[i] = quantise(amplitude * math.Sin(2*math.Pi*float64(i%period)/float64(period)+0.1))
				x[i] = math.Round(amplitude*math.Sin(2*math.Pi*float64(i%period)/float64(period)+0.1)) / 1e5
			}
			noFault(t, fmt.Sprintf("sine of %g codes, %d samples a period", amplitude, period), watched(d, 1))
			noFault(t, fmt.Sprintf("float sine of %g codes, %d samples a period", amplitude, period), watchedFloats(x))
		}
		square := make([]float64, n)
		for i := range square {
			square[i] = math.Copysign(1.5, float64(i%period)-float64(period)/2+0.5)
		}
		if period < 2*StuckSamples {
			noFault(t, fmt.Sprintf("square wave of %d samples", period), watchedFloats(square))
		}
	}
}

func TestClippedCounts(t *testing.T) {
	const n = 50_000
	rng := rand.New(rand.NewPCG(1, 2))
	d := make([]int16, 2*n)
	var clipped int64
	first := int64(-1)
	for i := range n {
		amplitude := 30_000.0
		if i >= 20_000 && i < 30_000 {
			amplitude = 40_000
		}
		v := quantise(amplitude*math.Sin(0.05*float64(i)) + 5*rng.NormFloat64())
		d[2*i], d[2*i+1] = v, quantise(100*rng.NormFloat64())
		if v == math.MaxInt16 || v == math.MinInt16 {
			if clipped++; first < 0 {
				first = int64(i)
			}
		}
	}
	m := watched(d, 2)
	if got := m.Channels()[0].Clipped; got != clipped {
		t.Errorf("%d clipped, expected %d", got, clipped)
	}
	events := m.Events()
	if len(events) == 0 || events[0].Start != first || events[0].Kind != Clipped || events[0].Channel != 0 {
		t.Fatalf("events %+v, expected the first at %d", events, first)
	}
	for _, c := range []struct {
		channel     int
		start, stop int64
		want        Flags
	}{{0, 0, 20_000, 0}, {0, 19_000, 31_000, Clipped}, {0, 31_000, n, 0}, {1, 0, n, 0}, {-1, 0, n, Clipped}} {
		if f := m.Flags(c.channel, c.start, c.stop); f != c.want {
			t.Errorf("channel %d, [%d, %d): %q, expected %q", c.channel, c.start, c.stop, f, c.want)
		}
	}
	if text := m.Summary(); len(text) != 1 || !strings.HasPrefix(text[0], fmt.Sprintf("ch1: clipped, %d samples in ", clipped)) {
		t.Errorf("summary %q", text)
	}
}

// TestFlatTops: clipping below the end codes, as a 12-bit converter's in 16-bit samples, and in floats at any level.
func TestFlatTops(t *testing.T) {
	const n = 100_000
	rng := rand.New(rand.NewPCG(1, 2))
	d, x, y := make([]int16, n), make([]float64, n), make([]float64, n)
	var tops int64
	for i := range n {
		s := 1.3*math.Sin(0.05*float64(i)) + 0.001*rng.NormFloat64()
		y[i] = 0.9 * s
		d[i] = quantise(2047 * max(-1, min(1, s)))
		x[i] = 0.7 * max(-1, min(1, s))
		if math.Abs(s) >= 1 {
			tops++
		}
	}
	for name, m := range map[string]*Monitor{"counts": watched(d, 1), "floats": watchedFloats(x)} {
		// Pieces may cut a top into parts of fewer than three samples: two a piece and side at most.
		got := m.Channels()[0].Clipped
		if slack := int64(4 * (n/4096 + 1)); got < tops-slack || got > tops+slack {
			t.Errorf("%s: %d clipped, expected %d ± %d", name, got, tops, slack)
		}
	}
	noFault(t, "same without limiter", watchedFloats(y))
}

func TestClippedValidBits(t *testing.T) {
	// 24 valid bits in 32: the upper end code is 0x7fffff00.
	in := testInfo("ri32_le", 1)
	in.Bits = 24
	for top, want := range map[float64]Flags{1<<31 - 256: Clipped, 1<<31 - 512: 0, -1 << 31: Clipped} {
		m := NewMonitor(in)
		m.Planar([][]float64{{0, in.Scale[0] * top, 0.1, 0.2}}, 0)
		if f := m.Flags(0, 0, 4); f != want {
			t.Errorf("count %g: %q, expected %q", top, f, want)
		}
	}
}

// rests is a pickup among two tones of 400 samples a period in common, and their drive: the pickup rests for 2.3 periods
// at one level after another, with smooth moves between (fifth-order, as a body that starts and stops moves).
func rests(n, first int, size, sigma float64, rng *rand.Rand) (pickup, drive []float64) {
	const period, rest, move = 400, 920, 700
	level := 0.3 + rng.Float64()
	next := 0.3 + rng.Float64()
	for i := range n {
		at := (i + first) % (rest + move)
		if at == 0 {
			level, next = next, 0.3+rng.Float64()
		}
		u := max(0, float64(at-rest)/move)
		a := level + (next-level)*u*u*u*(10-15*u+6*u*u)
		turn := 2 * math.Pi * float64(i%period) / period
		pickup = append(pickup, size*a*(math.Sin(7*turn)+math.Sin(11*turn+1))+sigma*rng.NormFloat64())
		drive = append(drive, 3*size*(math.Sin(7*turn)+math.Sin(11*turn))+sigma*rng.NormFloat64())
	}
	return pickup, drive
}

// TestRestsWithoutNoise: a signal without noise repeats while nothing moves. It is not called repeated, whether the
// recording begins at rest or in motion; with a little noise, a block that comes twice is.
func TestRestsWithoutNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	const n = 30_000
	watch := func(size float64, pickup, drive []float64) map[string]*Monitor {
		d := make([]int16, 0, 2*n)
		coarse := [2][]float64{}
		for i := range pickup {
			d = append(d, quantise(pickup[i]), quantise(drive[i]))
			coarse[0] = append(coarse[0], float64(quantise(pickup[i]))/size)
			coarse[1] = append(coarse[1], float64(quantise(drive[i]))/size)
		}
		return map[string]*Monitor{"counts": watched(d, 2), "floats": watchedFloats(pickup, drive), "quantised floats": watchedFloats(coarse[0], coarse[1])}
	}
	for _, size := range []float64{100, 5000} {
		for _, first := range []int{0, 100, 600, 1000} {
			pickup, drive := rests(n, first, size, 0, rng)
			for name, m := range watch(size, pickup, drive) {
				noFault(t, fmt.Sprintf("%s of size %g, from sample %d", name, size, first), m)
			}
			pickup, drive = rests(n, first, size, 1, rng)
			for _, block := range []int{800, 1024} { // of whole periods, and not
				twice := func(x []float64) []float64 {
					x = append([]float64(nil), x...)
					copy(x[10_000:10_000+block], x[10_000-block:10_000])
					return x
				}
				for name, m := range watch(size, twice(pickup), twice(drive)) {
					if f := m.Flags(-1, 10_000, int64(10_000+block)); f != Repeated {
						t.Errorf("%s of size %g, noise of 1 code, %d samples twice: %q, expected repeated", name, size, block, f)
					}
				}
			}
		}
	}
}

func TestRepeatedBlocks(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 100_000
	for _, channels := range []int{1, 2, 3, 4, 8} {
		for _, block := range []int{640, 1024, 4410, 20_000} {
			for _, sigma := range []float64{0.5, 2, 500} {
				d := make([]int16, n*channels)
				for i := range d {
					d[i] = quantise(sigma * rng.NormFloat64())
				}
				const at = 50_000
				copy(d[at*channels:(at+block)*channels], d[(at-block)*channels:at*channels])
				x := make([][]float64, channels)
				for i, v := range d {
					x[i%channels] = append(x[i%channels], float64(v)/7)
				}
				for name, m := range map[string]*Monitor{"counts": watched(d, channels), "floats": watchedFloats(x...)} {
					what := fmt.Sprintf("%s: %d channels, %d samples twice, noise of %g codes", name, channels, block, sigma)
					events := m.Events()
					if len(events) == 0 {
						t.Errorf("%s: not found", what)
						continue
					}
					// By chance a few samples before and after are equal as well: each with probability 1/2 at most.
					start, stop := events[0].Start, events[len(events)-1].Stop
					if start < at-20 || start > at || stop < at+int64(block) || stop > at+int64(block)+20 ||
						m.Flags(0, 0, at-20) != 0 || m.Flags(-1, at, at+int64(block)) != Repeated {
						t.Errorf("%s: found [%d, %d)", what, start, stop)
					}
				}
			}
		}
	}
}

func TestStuck(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 60_000
	for _, channels := range []int{1, 3, 4} {
		for _, c := range []struct {
			start, length int
			value         int16
		}{{0, 5000, 0}, {12_345, 4096, 0}, {12_345, 4095, 0}, {20_000, 30_000, -7}, {50_000, 10_000, 123}} {
			d := make([]int16, n*channels)
			x := make([][]float64, channels)
			for i := range d {
				d[i] = 200 + int16(rng.IntN(100))
				if j := i / channels; i%channels == channels-1 && j >= c.start && j < c.start+c.length {
					d[i] = c.value
				}
				x[i%channels] = append(x[i%channels], float64(d[i]))
			}
			want := []Event{{Stuck, channels - 1, int64(c.start), int64(c.start + c.length)}}
			if c.length < StuckSamples {
				want = nil
			}
			for name, m := range map[string]*Monitor{"counts": watched(d, channels), "floats": watchedFloats(x...)} {
				if d := cmp.Diff(want, m.Events()); d != "" {
					t.Errorf("%s, %d channels, %+v (-want +got):\n%s", name, channels, c, d)
				}
			}
		}
	}
}

// TestDrift: a line with noise comes back within five standard deviations; of n samples of noise σ the change over the
// length has the standard deviation σ √12 / √n.
func TestDrift(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const n, sigma = 3_000_000, 0.5
	x := make([]float64, n)
	for i := range x {
		x[i] = 0.25 + 0.02*(float64(i)/n-0.5) + sigma*rng.NormFloat64()
	}
	got := watchedFloats(x).Channels()[0]
	expected := sigma * math.Sqrt(12.0/n)
	if math.Abs(got.DC-0.25) > 5*sigma/math.Sqrt(n) || math.Abs(got.Drift-0.02) > 5*expected {
		t.Errorf("DC %g, drift %g", got.DC, got.Drift)
	}
	// About 90 stretches leave the standard deviation known to 1/√(2·88) = 7.5 %; four of these.
	if ratio := got.DriftSigma / expected; ratio < 0.7 || ratio > 1.3 {
		t.Errorf("sigma of drift %g, expected %g", got.DriftSigma, expected)
	}
}

// TestForget: a monitor that forgets counts as one that does not, and knows the same of what is not past.
func TestForget(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	const n, channels, block = 400_000, 2, 1000
	d := make([]int16, n*channels)
	for i := range d {
		d[i] = quantise(300 * rng.NormFloat64())
	}
	for range 200 { // clipped samples
		d[rng.IntN(len(d))] = 32767
	}
	for i := 100_000; i < 190_000; i++ { // a stuck channel
		d[i*channels+1] = 5
	}
	copy(d[250_000*channels:260_000*channels], d[240_000*channels:250_000*channels]) // a block twice
	info := testInfo("ri16_le", channels)
	info.Samples = -1 // not known
	all, some := NewMonitor(info), NewMonitor(info)
	most := 0
	for at := 0; at < n; at += block {
		for _, m := range []*Monitor{all, some} {
			m.Int16(d[at*channels:(at+block)*channels], int64(at))
			if at%20_000 == 0 {
				m.NonFinite(0, int64(at+block), int64(at+block+2))
			}
		}
		const back = 3 * block
		before := int64(at + block - back)
		some.Forget(before)
		most = max(most, len(some.Events()))
		for c := -1; c < channels; c++ {
			if a, b := all.Flags(c, before+64, int64(at+block)), some.Flags(c, before+64, int64(at+block)); a != b {
				t.Fatalf("channel %d, from sample %d: %q, without forgetting %q", c, before, b, a)
			}
		}
	}
	if diff := cmp.Diff(all.Channels(), some.Channels()); diff != "" {
		t.Errorf("-all +forgetful:\n%s", diff)
	}
	if diff := cmp.Diff(all.Summary(), some.Summary()); diff != "" {
		t.Errorf("-all +forgetful:\n%s", diff)
	}
	if total := len(all.Events()); most > total/5 {
		t.Errorf("%d faults remembered at a time, of %d", most, total)
	}
}

// TestSecondPass: what is read again is not checked again.
func TestSecondPass(t *testing.T) {
	d := []int16{1, 2, 32767, 4, 5, -32768, 7, 8}
	typ := sampleType{'i', 2, false}
	x := make([][]float64, 1)
	for _, v := range d {
		x[0] = append(x[0], float64(v))
	}
	r := open(t, save(t, "bench.dat", interleave(t, typ, x)), Options{Format: "ri16_le", SampleRate: 1})
	m := NewMonitor(r.Info())
	r.Watch(m)
	for range 3 {
		readAll(t, r, 3)
		r.Rewind()
	}
	r.ReadInt16(make([]int16, 8))
	if c := m.Channels()[0]; c.Clipped != 2 || math.Abs(c.DC*32768-26.0/8) > 1e-12 {
		t.Errorf("%+v", c)
	}
}

// TestSpans against a plain row of marks.
func TestSpans(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		var s spans
		var marks [20_000]bool
		for range rng.IntN(40) {
			start := rng.IntN(len(marks))
			stop := min(len(marks), start+1+rng.IntN(300))
			s.add(span{int64(start), int64(stop)})
			for i := start; i < stop; i++ {
				marks[i] = true
			}
		}
		for i := 1; i < len(s.list); i++ {
			if s.list[i].start < s.list[i-1].stop+64 {
				t.Fatalf("%v too near", s.list)
			}
		}
		for i, marked := range marks {
			near := false // within slack of a mark: may be merged
			for j := max(0, i-64); j < min(len(marks), i+64); j++ {
				near = near || marks[j]
			}
			if got := s.overlap(int64(i), int64(i+1)); marked && !got || got && !near {
				t.Fatalf("sample %d: %v, marked %v", i, got, marked)
			}
		}
	}
	var many spans
	for i := range int64(100_000) {
		many.add(span{i * 1000, i*1000 + 1})
	}
	if len(many.list) > maxSpans {
		t.Errorf("%d spans", len(many.list))
	}
	for i := range int64(100_000) {
		if !many.overlap(i*1000, i*1000+1) {
			t.Fatalf("sample %d lost", i*1000)
		}
	}
}
