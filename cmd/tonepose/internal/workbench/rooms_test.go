package workbench

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"math/cmplx"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/document"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/recording"
)

// What the cursor shows is what the tables have.
func TestCursorReadsTheTables(t *testing.T) {
	address := servedRun(t)
	dir, _ := solved()
	poses, err := tables.Open[tables.Pose](filepath.Join(dir, "poses.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer poses.Close()
	_, series := decoded(t, address+"api/series?columns=x_m,sigma_m,chi2,true_error_m")
	i := 0
	for p, err := range poses.All() {
		if err != nil {
			t.Fatal(err)
		}
		sigma := math.Sqrt(p.Covariance.At(0, 0) + p.Covariance.At(1, 1) + p.Covariance.At(2, 2))
		for name, want := range map[string]float64{"time_s": p.Time, "x_m": p.Estimate.Position.X, "sigma_m": sigma, "chi2": p.Chi2} {
			if have := series[name][i]; math.Abs(have-want) > math.Abs(want)*1e-7 { // 32 bits
				t.Errorf("%s of row %d is %g, want %g", name, i, have, want)
			}
		}
		if i%97 == 0 {
			at := object(t, fmt.Sprintf("%sapi/at?time=%g", address, p.Time+1e-4))["sensors"].([]any)[0].(map[string]any)
			x, q := at["position_m"].([]any), at["quaternion"].([]any)
			if at["time_s"] != p.Time || x[0] != p.Estimate.Position.X || x[2] != p.Estimate.Position.Z || q[0] != p.Estimate.Rotation.Real || at["chi2"] != p.Chi2 {
				t.Errorf("row %d: %v, want %+v", i, at, p)
			}
			// The truth is known, and errors are about what is stated: under five sigmas in
			// all but one of a million.
			if off := at["truth"].(map[string]any)["error_m"].(float64); off > 5*sigma {
				t.Errorf("row %d is off by %g, sigma %g", i, off, sigma)
			}
		}
		i++
	}
	if i != len(series["time_s"]) || i != 300 {
		t.Errorf("%d rows of the table, %d of the series", i, len(series["time_s"]))
	}
}

// Trying a window gives the numbers of measure with the same options.
func TestTrialIsMeasure(t *testing.T) {
	address := servedRun(t)
	status, answer := post(t, address+"api/whatif", map[string]any{"from_s": 1.0, "to_s": 1.5, "window_s": 0.02, "hop_s": 0.005, "taper": "blackman-harris"})
	if status != http.StatusOK {
		t.Fatal(answer)
	}
	job := measure.Job{Out: filepath.Join(t.TempDir(), "out")}
	job.Recording, job.Rig = recorded, rigFile
	var err error
	ask := subject.Averaging{Window: 0.02, Hop: 0.005, Taper: "blackman-harris"}
	if job.Windows, _, err = ask.Windows(100e3); err != nil {
		t.Fatal(err)
	}
	if _, err := measure.Tones(t.Context(), job); err != nil {
		t.Fatal(err)
	}
	rows, err := tables.Open[tables.Phasor](filepath.Join(job.Out, "phasors.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	_, trial := decoded(t, fmt.Sprintf("%sapi/whatif/phasors?id=%s&channel=1&emitter=3", address, answer["id"]))
	i := 0
	for p, err := range rows.All() {
		if err != nil {
			t.Fatal(err)
		}
		if p.Channel != "rx2" || p.Tone != "e4" || p.Time < 1 || p.Time > 1.5 {
			continue
		}
		if trial["time_s"][i] != p.Time || trial["re_v"][i] != float64(float32(p.InPhase)) || trial["im_v"][i] != float64(float32(p.Quadrature)) || trial["sigma_v"][i] != float64(float32(p.Sigma)) {
			t.Fatalf("window %d: %g s, %g + j%g V, sigma %g V, want %+v", i, trial["time_s"][i], trial["re_v"][i], trial["im_v"][i], trial["sigma_v"][i], p)
		}
		i++
	}
	if i != len(trial["time_s"]) || i != 100 {
		t.Errorf("%d windows of measure, %d of the trial, want 100", i, len(trial["time_s"]))
	}
	// Harris, Proc. IEEE 66(1), 1978, table I: the minimum 4-term Blackman–Harris has an
	// equivalent noise bandwidth of 2.00 bins of 1/T; one-sided, as a low-pass, half of it.
	if enbw := answer["trial"].(map[string]any)["enbw_hz"].(float64); math.Abs(enbw*0.02*2-2.00) > 0.01 {
		t.Errorf("noise bandwidth %g Hz", enbw)
	}
	for _, bad := range []map[string]any{{"from_s": 1, "to_s": 1.5, "window_s": 1e-6}, {"from_s": 1, "to_s": 1.5, "window_s": 0.01, "taper": "none"},
		{"from_s": 1, "to_s": 1, "window_s": 0.01}, {"from_s": 1, "to_s": 2, "lowpass": map[string]any{"kind": "cascade", "order": 99, "bandwidth_hz": 10}}, {"nosuch": 1}} {
		if status, answer := post(t, address+"api/whatif", bad); status != http.StatusBadRequest || answer["error"] == "" {
			t.Errorf("%v: %d %v", bad, status, answer)
		}
	}
}

// Without an emitter and a coil the pose stays within what is stated, and is known less
// well; with nothing left out it is that of solve.
func TestLeavingOut(t *testing.T) {
	address := servedRun(t)
	ask := func(emitters, coils []int) (map[string]any, map[string]any, map[string]any) {
		status, answer := post(t, address+"api/leaveout", map[string]any{"time_s": 1.2, "sensor": 0, "emitters": emitters, "coils": coils})
		if status != http.StatusOK {
			t.Fatal(answer)
		}
		return answer, answer["before"].(map[string]any), answer["after"].(map[string]any)
	}
	all, before, after := ask([]int{}, []int{})
	have := object(t, address+"api/at?time=1.2")["sensors"].([]any)[0].(map[string]any)
	if all["moved_m"] != 0.0 || before["chi2"] != after["chi2"] {
		t.Errorf("with all: moved by %v", all["moved_m"])
	}
	for axis := range 3 {
		// Solve takes the motion inside of the window off: half the acceleration, up to
		// 0.1 m·(2π·0.7 Hz)² on this path, times the variance of time under a Hann window,
		// (10 ms)²·(1/12 − 1/2π²), which is 3.2 µm; turning may do as much again.
		x, want := after["position_m"].([]any)[axis].(float64), have["position_m"].([]any)[axis].(float64)
		if math.Abs(x-want) > 2*3.2e-6 {
			t.Errorf("axis %d: %g with all, %g by solve", axis, x, want)
		}
	}
	part, before, after := ask([]int{2, 5}, []int{1})
	if after["dof"].(float64) != 6*2-6 || before["dof"].(float64) != 8*3-6 {
		t.Errorf("%v of %v degrees of freedom are left", after["dof"], before["dof"])
	}
	// What is left out adds information, so the sigma grows; the two poses differ by no
	// more than the larger, four times over.
	if after["sigma_m"].(float64) <= before["sigma_m"].(float64) || part["moved_m"].(float64) > 4*after["sigma_m"].(float64) || part["moved_m"] == 0.0 {
		t.Errorf("moved by %v, sigma %v → %v", part["moved_m"], before["sigma_m"], after["sigma_m"])
	}
	residual := after["couplings"].(map[string]any)["residual_sigma"].([]any)
	if residual[2].([]any)[0] != nil || residual[3].([]any)[1] != nil || residual[3].([]any)[0] == nil {
		t.Errorf("what is left out has residuals, or the rest has none: %v", residual)
	}
	if status, answer := post(t, address+"api/leaveout", map[string]any{"time_s": 1.2, "sensor": 0, "emitters": []int{0, 1, 2, 3, 4, 5}, "coils": []int{1}}); status != http.StatusUnprocessableEntity {
		t.Errorf("four couplings for six unknowns: %d %v", status, answer)
	}
	if status, _ := post(t, address+"api/leaveout", map[string]any{"time_s": 1.2, "sensor": 0, "emitters": []int{9}}); status != http.StatusBadRequest {
		t.Errorf("emitter 9 of 8: %d", status)
	}
}

// Traces at any zoom have the least and largest samples, read here from the recording.
func TestTracesAreTheSamples(t *testing.T) {
	address := servedRun(t)
	raw, err := os.ReadFile(strings.TrimSuffix(recorded, "meta") + "data")
	if err != nil {
		t.Fatal(err)
	}
	const channels, rate, scale = 4, 100e3, 2.5 / 32768
	volts := func(channel, i int) float64 {
		return scale * float64(int16(binary.LittleEndian.Uint16(raw[2*(i*channels+channel):])))
	}
	for _, c := range []struct{ from, to float64 }{{0, 3}, {1, 1.5}, {1.2, 1.21}, {1.2, 1.205}} {
		head, v := decoded(t, fmt.Sprintf("%sapi/traces?channels=1,3&from=%g&to=%g&points=600", address, c.from, c.to))
		low, high := math.Inf(1), math.Inf(-1)
		for i := int(c.from * rate); i < int(c.to*rate)-64; i++ { // the last entry may not be full
			low, high = min(low, volts(1, i)), max(high, volts(1, i))
		}
		gotLow, gotHigh := math.Inf(1), math.Inf(-1)
		names := []string{"C1.min", "C1.max"}
		if head["exact"] == true {
			names = []string{"C1"}
			if n := len(v["C1"]); n != int(math.Round((c.to-c.from)*rate)) {
				t.Errorf("%v: %d samples", c, n)
			}
			for i, x := range v["C1"] {
				if want := volts(1, int(math.Round(c.from*rate))+i); math.Abs(x-want) > 1e-7 {
					t.Fatalf("%v: sample %d is %g V, want %g", c, i, x, want)
				}
			}
		}
		for _, name := range names {
			for _, x := range v[name] {
				if !math.IsNaN(x) {
					gotLow, gotHigh = min(gotLow, x), max(gotHigh, x)
				}
			}
		}
		if gotLow > low+1e-7 || gotHigh < high-1e-7 {
			t.Errorf("%v: %g to %g V, want at least %g to %g", c, gotLow, gotHigh, low, high)
		}
	}
}

// clockOf is how far the recording's clock is off [ppm], from how the drive of the first
// tone, mixed with its nominal frequency, turns from the first tenth of a second to the last.
func clockOf(t *testing.T) float64 {
	rec, err := recording.Open(t.Context(), recorded, recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	info := rec.Info()
	const hz, drive = 5125.0, 3 // of the rig
	n := int(info.Samples)
	x := make([][]float64, info.Channels)
	for c := range x {
		x[c] = make([]float64, n)
	}
	for got := 0; got < n; {
		part := make([][]float64, len(x))
		for c := range x {
			part[c] = x[c][got:]
		}
		more, err := rec.ReadPlanar(part)
		if err != nil {
			t.Fatal(err)
		}
		got += more
	}
	length := int(info.SampleRate / 10)
	phase := func(first int) float64 {
		var sum complex128
		for i := range length {
			hann := math.Pow(math.Sin(math.Pi*(float64(i)+0.5)/float64(length)), 2)
			sum += cmplx.Rect(hann*x[drive][first+i], -2*math.Pi*hz*float64(first+i)/info.SampleRate)
		}
		return cmplx.Phase(sum)
	}
	turned := math.Remainder(phase(n-length)-phase(0), 2*math.Pi)
	return 1e6 * turned / (2 * math.Pi * hz * float64(n-length) / info.SampleRate)
}

// The tones stand in the spectrum where the recording has them, with their names.
func TestSpectrumNamesTheTones(t *testing.T) {
	address := servedRun(t)
	head, v := decoded(t, address+"api/spectrum?channels=0,1,2,3&from=0&to=3&points=800&scale=log")
	found := map[string]float64{}
	for _, l := range head["lines"].([]any) {
		l := l.(map[string]any)
		if l["kind"] == "tone" {
			found[l["name"].(string)] = l["hz"].(float64)
		}
	}
	facts, clock := object(t, address+"api/session"), clockOf(t)
	for _, e := range facts["emitters"].([]any) {
		e := e.(map[string]any)
		want := e["nominal_hz"].(float64) * (1 + 1e-6*clock)
		if have := found[e["name"].(string)]; math.Abs(have-want) > head["resolution_hz"].(float64)/2 {
			t.Errorf("%s is at %g Hz, want %g", e["name"], have, want)
		}
	}
	if ppm := facts["clock"].(map[string]any)["ppm"].(float64); math.Abs(ppm-clock) > 0.01 { // a tone's phase to 0.3 mrad
		t.Errorf("the clock is off by %g ppm, want %g", ppm, clock)
	}
	if n := len(v["hz"]); n < 100 || n > 800 || len(v["C3"]) != n {
		t.Errorf("%d bins", n)
	}
}

// Predicted accuracy over a plane agrees with what the poses state at the same place.
func TestSliceMeetsThePoses(t *testing.T) {
	address := servedRun(t)
	at := object(t, address+"api/at?time=1.2")["sensors"].([]any)[0].(map[string]any)
	z := at["position_m"].([]any)[2].(float64)
	s := object(t, fmt.Sprintf("%sapi/slices?axis=z&at_m=%g&cells=60&time=1.2", address, z))
	nearest := func(side string, x float64) (best int) {
		list := s[side].(map[string]any)["values_m"].([]any)
		for i, v := range list {
			if math.Abs(v.(float64)-x) < math.Abs(list[best].(float64)-x) {
				best = i
			}
		}
		return best
	}
	u, v := nearest("u", at["position_m"].([]any)[0].(float64)), nearest("v", at["position_m"].([]any)[1].(float64))
	have, want := s["sigma_m"].([]any)[v].([]any)[u].(float64), at["sigma_m"].(float64)
	// Half a cell is 2.6 mm away, some 150 mm above the coils: sigma goes with the third
	// power of the distance at least, and by half as much again at most.
	if have < want/1.5 || have > want*1.5 {
		t.Errorf("predicted %g at the pose, which states %g", have, want)
	}
}

// The page answers the five questions, and lists findings, as the report does: the page
// from columns of the tables, the report from their rows. The page has not looked at the
// range of the samples.
func TestPageAnswersAsTheReportDoes(t *testing.T) {
	dir, err := solved()
	if err != nil {
		t.Fatal(err)
	}
	for _, truth := range []string{"", truthful} {
		r, err := document.ReadRun(t.Context(), dir, document.RunOptions{Truth: cmp.Or(truth, "none"), Recording: "none",
			Assess: assess.Options{Resamples: -1, Reach: 0.5, Confidence: 0.95, Seed: 1}})
		if err != nil {
			t.Fatal(err)
		}
		s := wait(t, served(t, Options{Run: subject.RunOptions{Dir: dir, Recording: recorded, Truth: truth}}), func(s map[string]any) bool { return len(s["answers"].([]any)) > 0 })
		for i, want := range r.Evidence().Answers() {
			have := s["answers"].([]any)[i].(map[string]any)
			if have["question"] != want.Question || have["answer"] != want.Answer || have["short"] != want.Short || have["why"] != want.Why {
				t.Errorf("%s the page answers %q, %q, %q; the report %q, %q, %q", want.Question, have["answer"], have["short"], have["why"], want.Answer, want.Short, want.Why)
			}
		}
		findings := s["findings"].([]any)
		if len(findings) != len(r.Findings) {
			t.Errorf("the page has %d findings, the report %d", len(findings), len(r.Findings))
		}
	}
}
