package live

import (
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/motion"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
)

// errorsOf are the RMS error of positions [m] after the first second and the share of
// them inside their 95 % ellipsoids.
func errorsOf(t *testing.T, rows []tables.Pose, truth string) (rms, inside float64) {
	t.Helper()
	known, err := tables.ReadTruth(truth, []string{"probe"})
	if err != nil {
		t.Fatal(err)
	}
	var times []float64
	var poses []rigid.Pose
	for i := range known {
		times, poses = append(times, known[i].Start), append(poses, known[i].Pose)
	}
	path, err := motion.Through(times, poses)
	if err != nil {
		t.Fatal(err)
	}
	n := 0.0
	for i := range rows {
		row := &rows[i]
		if row.Time < 1 || row.Time > path.Last {
			continue
		}
		at, _, _ := path.At(row.Time)
		e := r3.Sub(row.Estimate.Position, at.Position)
		c := mat.NewSymDense(3, nil)
		for a := range 3 {
			for b := a; b < 3; b++ {
				c.SetSym(a, b, row.Covariance.At(a, b))
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(c) {
			t.Fatalf("row %d: its covariance is none", i)
		}
		v, x := mat.NewVecDense(3, []float64{e.X, e.Y, e.Z}), mat.NewVecDense(3, nil)
		if err := chol.SolveVecTo(x, v); err != nil {
			t.Fatal(err)
		}
		// 95 % of chi-square with three degrees of freedom (NIST/SEMATECH e-Handbook,
		// table 1.3.6.7.4)
		if mat.Dot(v, x) < 7.815 {
			inside++
		}
		rms += r3.Norm2(e)
		n++
	}
	return math.Sqrt(rms / n), inside / n
}

// lagFactor is by how much the RMS error of an optimal estimate with a lag exceeds that of
// the smoother of all: of a path whose third derivative is white noise of density q, seen in
// white noise of density S, ω_c = (q/S)^(1/6), a lag of τ/ω_c. The smoother's variance is
// S·ω_c/3. Each part of the past of 1/(s³·B(−s)), B Butterworth's polynomial of third order,
// that the lag leaves out adds its square: without a lag 5/3·S·ω_c, a factor of √6.
//
// Source: the realisable Wiener filter with delay, Van Trees, Detection, Estimation, and
// Modulation Theory, part I (1968), 6.2 (not checked against the original; √6 is also Yovits and Jackson's
// formula, 2·3 times the smoother's variance).
func lagFactor(tau float64) float64 {
	poles := [3]complex128{1, cmplx.Exp(1i * math.Pi / 3), cmplx.Exp(-1i * math.Pi / 3)}
	var residue [3]complex128
	for i, p := range poles {
		residue[i] = 1 / (p * p * p)
		for j, other := range poles {
			if j != i {
				residue[i] /= p - other
			}
		}
	}
	var added complex128
	for i, p := range poles {
		for j, other := range poles {
			added += residue[i] * residue[j] / (p + other) * cmplx.Exp(complex(-tau, 0)*(p+other))
		}
	}
	return math.Sqrt(1 + 3*real(added))
}

// A stream that is joined with a lag, or with none, is as accurate beside the smoothed
// recording as theory has it. Windows side by side hold less than windows that overlap by
// half: under a Hann window 1.5 times the density of noise, of which the smoother keeps the
// power of 5/12 in its RMS, 1.18 times, whatever joins them.
func TestPosesWithALag(t *testing.T) {
	if unlagged := lagFactor(0); math.Abs(unlagged-math.Sqrt(6)) > 1e-12 {
		t.Fatalf("without a lag %g times the smoother, want √6", unlagged)
	}
	truth := testdata("recordings", "pipe-bench-moving.truth.csv")
	const seconds = 2 // after the first
	// Densities of Hann windows' noise, beside the samples': equivalent noise bandwidth 1.5,
	// correlation at half an overlap 1/6 (Harris, Proc. IEEE 66(1), 1978, table 1).
	for _, c := range []struct{ hop, density float64 }{{5e-3, 1.5 / 2 * (1 + 2.0/6)}, {10e-3, 1.5}} {
		solved := func(how solve.Trajectory) float64 {
			of := moving()
			o := solve.Options{Job: of.Job, Trajectory: how}
			o.Recording = testdata("recordings", "pipe-bench-moving.sigmf-meta")
			o.Windows.Hop, o.Out = c.hop, t.TempDir()
			if _, err := solve.Run(t.Context(), o); err != nil {
				t.Fatal(err)
			}
			rms, _ := errorsOf(t, posesOf(t, o.Out), truth)
			return rms
		}
		alone, smoothed := solved(solve.Unjoined), solved(solve.Smoothed)
		// alone²/1.5 is the density of the samples' noise over the window's length.
		cutoff := 3 * smoothed * smoothed / (alone * alone / 1.5 * c.density * 10e-3)
		// Independent errors in so much time of a spectrum 1/(1 + (ω/ω_c)⁶), of three axes:
		// T/π·(∫)²/∫² of it from 0 on, π/3 and 5π/18 times ω_c.
		n := 3 * seconds * cutoff / math.Pi * (math.Pi / 3) * (math.Pi / 3) / (5 * math.Pi / 18)
		for _, lag := range []float64{0, 50e-3} {
			o := moving()
			o.Windows.Hop = c.hop
			o.Out, o.Joined, o.Lag = t.TempDir(), true, lag
			if _, err := Run(t.Context(), o); err != nil {
				t.Fatal(err)
			}
			rows := posesOf(t, o.Out)
			rms, inside := errorsOf(t, rows, truth)
			// What a lag leaves out adds an error of its own, independent of the smoother's:
			// chance has it in its square and in its product with that. Four sigmas.
			theory := lagFactor(lag * cutoff)
			more := theory*theory - 1
			most := smoothed * math.Sqrt(1+more+4*math.Sqrt(2*more*more/n+4*more/n))
			t.Logf("hop %g s, lag %g s: RMS %.4f mm, %.3f inside; smoothed %.4f mm (ω_c %.0f/s), of which theory has %.3f times", c.hop, lag, 1e3*rms, inside, 1e3*smoothed, cutoff, theory)
			if rms > most {
				t.Errorf("hop %g s, lag %g s: RMS %.4f mm: want at most %.4f mm", c.hop, lag, 1e3*rms, 1e3*most)
			}
			if few := 4 * math.Sqrt(0.95*0.05/(n/3)); inside < 0.95-few {
				t.Errorf("hop %g s, lag %g s: %.3f inside, want 0.95 − %.3f", c.hop, lag, inside, few)
			}
			for i := 1; i < len(rows); i++ {
				if d := rows[i].Time - rows[i-1].Time; math.Abs(d-c.hop) > 1e-9 {
					t.Fatalf("row %d is %g s after the one before", i, d)
				}
			}
		}
	}
}
