package recording

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

func TestCSVForms(t *testing.T) {
	want := [][]float64{{1.5, -2e-6, 3}, {4, 5.25, -6}}
	for name, c := range map[string]struct {
		text  string
		opt   Options
		names []string
	}{
		"time, comma":      {"time_s,a,b\n0,1.5,4\n0.1,-2e-6,5.25\n0.2,3,-6\n", Options{}, []string{"a", "b"}},
		"T in capitals":    {"T,a,b\n0,1.5,4\n0.1,-2e-6,5.25\n0.2,3,-6", Options{}, []string{"a", "b"}},
		"no header":        {"0,1.5,4\n0.1,-2e-6,5.25\n0.2,3,-6\n", Options{}, []string{"ch1", "ch2"}},
		"evenly rising":    {"x,a,b\n0,1.5,4\n0.1,-2e-6,5.25\n0.2,3,-6\n", Options{}, []string{"a", "b"}},
		"no time":          {"a,b\n1.5,4\n-2e-6,5.25\n3,-6\n", Options{SampleRate: 10}, []string{"a", "b"}},
		"bare numbers":     {"1.5,4\n-2e-6,5.25\n3,-6\n", Options{SampleRate: 10}, []string{"ch1", "ch2"}},
		"row counter":      {"n,a,b\n0,1.5,4\n1,-2e-6,5.25\n2,3,-6\n", Options{SampleRate: 10}, []string{"a", "b"}},
		"decimal comma":    {"t;a;b\n0;1,5;4\n0,1;-2e-6;5,25\n0,2;3;-6\n", Options{}, []string{"a", "b"}},
		"tabs":             {"t\ta\tb\n0\t1.5\t4\n0.1\t-2e-6\t5.25\n0.2\t3\t-6\n", Options{}, []string{"a", "b"}},
		"tabs and commas":  {"t\ta\tb\n0\t1,5\t4\n0,1\t-2e-6\t5,25\n0,2\t3\t-6\n", Options{}, []string{"a", "b"}},
		"CR LF, mark":      {"\ufefft,a,b\r\n0,1.5,4\r\n0.1,-2e-6,5.25\r\n0.2,3,-6\r\n", Options{}, []string{"a", "b"}},
		"comments, blanks": {"# bench, invented data\n\nt, a ,b\n0, 1.5 ,4\n\n# pause\n0.1,-2e-6,5.25\n0.2,3,-6\n\n", Options{}, []string{"a", "b"}},
		"quotes":           {"\"t\",\"a\",\"b\"\n\"0\",\"1.5\",\"4\"\n\"0.1\",\"-2e-6\",\"5.25\"\n0.2,3,-6\n", Options{}, []string{"a", "b"}},
		"named, swapped":   {"t,b,spare,a\n0,4,9,1.5\n0.1,5.25,9,-2e-6\n0.2,-6,9,3\n", Options{Names: []string{"a", "b"}}, []string{"a", "b"}},
		"named by order":   {"t,x,y\n0,1.5,4\n0.1,-2e-6,5.25\n0.2,3,-6\n", Options{Names: []string{"a", "b"}}, []string{"a", "b"}},
		"channel first":    {"a,b\n1.5,4\n-2e-6,5.25\n3,-6\n", Options{SampleRate: 10, Names: []string{"a", "b"}}, []string{"a", "b"}},
	} {
		t.Run(name, func(t *testing.T) {
			for _, file := range []string{"bench.csv", "bench"} { // by name, and by content
				r := open(t, save(t, file, []byte(c.text)), c.opt)
				in := r.Info()
				if in.SampleRate != 10 || in.Samples != 3 || !in.Volts || len(in.Warnings) > 0 {
					t.Errorf("info %+v", in)
				}
				if d := cmp.Diff(c.names, in.Names); d != "" {
					t.Errorf("names (-want +got):\n%s", d)
				}
				for _, block := range []int{2, 100} {
					r.Rewind()
					if d := cmp.Diff(want, readAll(t, r, block)); d != "" {
						t.Errorf("-want +got:\n%s", d)
					}
				}
			}
		})
	}
}

// TestCSVRate: the rate comes back from printed stamps as exactly as they tell it.
func TestCSVRate(t *testing.T) {
	for _, c := range []struct {
		rate   float64
		format string // of the stamps
		rows   int
		want   float64
	}{
		{500000, "%.6f", 20000, 500000},
		{500000, "%.9g", 20000, 500000},
		{48000, "%.6f", 20000, 48000},         // 20.833 µs printed to 1 µs
		{44100, "%.7f", 20000, 44100},         // 22.676 µs
		{1000.0 / 3, "%.3f", 300, 1000.0 / 3}, // exactly 3 ms: the step is the round number
		{60, "%.4f", 5000, 60},
		{99998, "%.7f", 20000, 99998}, // 20 ppm off a round number, and kept apart
		{0.5, "%.0f", 10, 0.5},
	} {
		var b strings.Builder
		b.WriteString("time_s,a\n")
		for i := range c.rows {
			fmt.Fprintf(&b, c.format+",1\n", 12+float64(i)/c.rate) // loggers need not start at zero
		}
		in := open(t, save(t, "bench.csv", []byte(b.String())), Options{}).Info()
		if math.Abs(in.SampleRate/c.want-1) > 1e-15 || len(in.Captures) != 1 {
			t.Errorf("%v: %v Hz, expected %v, in %d captures", c, in.SampleRate, c.want, len(in.Captures))
		}
	}
}

// TestCSVRateWithin: random jitter of a tenth of a step leaves the slope of a fit through n stamps with the relative
// standard deviation 0.1 √12 / (√3 n^1.5) (uniform jitter of ±0.1: σ = 0.1/√3; σ_slope = σ √12 / n^1.5). Five of these.
func TestCSVJitter(t *testing.T) {
	const n, rate = 5000, 12345.678
	rng := rand.New(rand.NewPCG(1, 2))
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "%.12f,%d\n", (float64(i)+0.1*(2*rng.Float64()-1))/rate, i%7)
	}
	in := open(t, save(t, "bench.csv", []byte("time_s,a\n"+b.String())), Options{}).Info()
	if off := in.SampleRate/rate - 1; math.Abs(off) > 5*2*0.1*math.Sqrt(12)/math.Sqrt(3)/math.Pow(n, 1.5) {
		t.Errorf("%.9g Hz, off by %.3g", in.SampleRate, off)
	}
	if len(in.Warnings) != 1 {
		t.Errorf("warnings %v", in.Warnings)
	} else {
		contains(t, in.Warnings[0], "bench.csv:", "% of a step", "evenly spaced")
	}
	// The stated rate wins within 20 ppm and is refused beyond.
	path := save(t, "bench.csv", []byte("time_s,a\n"+b.String()))
	if in := open(t, path, Options{SampleRate: rate * (1 + 10e-6)}).Info(); in.SampleRate != rate*(1+10e-6) {
		t.Errorf("stated rate not used: %v", in.SampleRate)
	}
	openError(t, path, Options{SampleRate: 12350}, "bench.csv", "12345.6", "12350 Hz", "mend")
}

func TestCSVGaps(t *testing.T) {
	var b strings.Builder
	b.WriteString("time_s,a\n")
	n := 0
	lost := map[int]int{10: 1, 4500: 3, 7000: 100_000} // within the first look and behind it
	at := 0
	for row := range 9000 {
		at += lost[row]
		fmt.Fprintf(&b, "%.5f,%d\n", float64(at)/4000, row)
		at++
		n++
	}
	r := open(t, save(t, "bench.csv", []byte(b.String())), Options{})
	in := r.Info()
	want := []Capture{{}, {Start: 10, Missing: 1, Time: 11.0 / 4000}, {Start: 4500, Missing: 3, Time: 4504.0 / 4000},
		{Start: 7000, Missing: 100_000, Time: 107_004.0 / 4000}}
	if d := cmp.Diff(want, in.Captures, cmpopts.EquateApprox(0, 1e-5)); d != "" { // printed to 10 µs
		t.Errorf("captures (-want +got):\n%s", d)
	}
	if in.SampleRate != 4000 {
		t.Errorf("%v Hz across gaps", in.SampleRate)
	}
	if f := NewMonitor(in).Flags(0, 4400, 4600); f != Gap {
		t.Errorf("flags %q", f)
	}
	readAll(t, r, 1000)
}

func TestCSVMissingValues(t *testing.T) {
	r := open(t, save(t, "bench.csv", []byte("t,a,b\n0,1,2\n1,,nan\n2,3,-inf\n3,4,5\n")), Options{})
	m := NewMonitor(r.Info())
	r.Watch(m)
	if d := cmp.Diff([][]float64{{1, 1, 3, 4}, {2, 2, 2, 5}}, readAll(t, r, 3)); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if seen := m.Channels(); seen[0].NonFinite != 1 || seen[1].NonFinite != 2 {
		t.Errorf("%+v, expected 1 and 2 replaced", seen)
	}
}

func TestCSVErrors(t *testing.T) {
	for _, c := range []struct {
		text  string
		opt   Options
		parts []string
	}{
		{"a,b\n1,2\n", Options{}, []string{"CSV has no sample rate", "sample_rate_hz"}},
		{"# nothing\n", Options{}, []string{"no row of numbers", "empty"}},
		{"t,a\n", Options{}, []string{"a header and no row", "empty"}},
		{"t\n0\n1\n", Options{}, []string{"bench.csv:2", "no channel"}},
		{"t,a\n0,1,2\n", Options{}, []string{"bench.csv:2", "3 fields, the header has 2 (t, a)"}},
		{"t,a\n0,1\n1,1\n1,2\n", Options{}, []string{"bench.csv:4", "time 1 s after 1 s", "must rise"}},
		{"t,a\n0,1\n1,1\n2,2\n2.2,3\n", Options{}, []string{"bench.csv:5", "2.2 s is 0.8 s early", "resample"}},
		{"t,a\n3,1\n2,1\n1,2\n", Options{}, []string{"bench.csv:3", "does not rise", "3 s, then 2 s"}},
		{"t,a\n0,1\nx,1\n1,2\n", Options{}, []string{"bench.csv:3", `"x"`, "leave the column out"}},
		{"t,a,b\n0,1,2\n1,2,3\n2,3,4\n", Options{Names: []string{"a", "rx2"}}, []string{"(t, a, b)", "lacks the channel rx2"}},
		{"t,a,b\n0,1,2\n1,2,3\n2,3,4\n", Options{Names: []string{"rx1"}}, []string{"2 channels, expected 1 (rx1)"}},
		{"t,a,a\n0,1,2\n1,2,3\n2,3,4\n", Options{Names: []string{"a"}}, []string{`"a" twice`}},
		{"t,a\n" + strings.Repeat(" ", maxLine+200_000), Options{}, []string{"bench.csv:2", "no table"}},
	} {
		openError(t, save(t, "bench.csv", []byte(c.text)), c.opt, append(c.parts, "bench.csv")...)
	}
	for _, c := range []struct {
		text  string
		parts []string
	}{
		{"# note\nt,a\n0,1\n1,volts\n2,3\n", []string{"bench.csv:4", "column 2 (a)", `"volts"`, "plain decimals"}},
		{"t,a\n0,1\n1,1.2.3\n", []string{"bench.csv:3", `"1.2.3"`}},
		{"t,a\n0,1\n1,2,3\n", []string{"bench.csv:3", "3 fields, expected 2", "mend the row"}},
		{"t,a\n0,1\n1\n", []string{"bench.csv:3", "1 field, expected 2"}},
	} {
		r := open(t, save(t, "bench.csv", []byte(c.text)), Options{})
		dst := [][]float64{make([]float64, 10)}
		_, err := r.ReadPlanar(dst)
		if err == nil {
			t.Errorf("%q: read", c.text)
			continue
		}
		contains(t, err, c.parts...)
	}
}

// TestParseNumber against strconv, which rounds correctly.
func TestParseNumber(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	check := func(s string) {
		t.Helper()
		want, err := strconv.ParseFloat(s, 64)
		got, ok := parseNumber([]byte(s))
		if err != nil || !ok || math.Float64bits(got) != math.Float64bits(want) {
			t.Errorf("%q: %v %v, expected %v %v", s, got, ok, want, err)
		}
	}
	for range 20_000 {
		check(strconv.FormatFloat(math.Float64frombits(rng.Uint64()&^(1<<62)), 'g', 1+rng.IntN(17), 64))
		check(strconv.FormatFloat(rng.NormFloat64()*math.Pow(10, float64(rng.IntN(12)-9)), 'f', rng.IntN(18), 64))
	}
	for _, s := range []string{"0", "-0", "+1", "1.", ".5", "1e5", "1E-5", "9007199254740993", "0.30000000000000004",
		"123456789012345678901234567890", "1e22", "1e23", "1e-22", "1e-23", "4.9e-324", "1.7976931348623157e308"} {
		check(s)
	}
	for _, s := range []string{"-", "e5", "1e", "1e+", "0x10", "1_000", "1,2,3", "1.2,3", "abc", "1 2", "--1", "1e5x", "infinite"} {
		if v, ok := parseNumber([]byte(s)); ok {
			t.Errorf("%q read as %v", s, v)
		}
	}
	for s, want := range map[string]float64{"1,5": 1.5, " 2 ": 2, `"3"`: 3, "-0,25e1": -2.5, "1e999": math.Inf(1)} {
		if v, ok := parseNumber([]byte(s)); !ok || v != want {
			t.Errorf("%q: %v %v, expected %v", s, v, ok, want)
		}
	}
	for _, s := range []string{"", " ", "nan", "NaN"} {
		if v, ok := parseNumber([]byte(s)); !ok || !math.IsNaN(v) {
			t.Errorf("%q: %v %v, expected NaN", s, v, ok)
		}
	}
}
