package registration

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/testdata/published"
)

func rows(x [][]float64) *mat.Dense {
	m := mat.NewDense(len(x), len(x[0]), nil)
	for i, r := range x {
		m.SetRow(i, r)
	}
	return m
}

func vecs(x [][]float64) (out []r3.Vec) {
	for _, r := range x {
		out = append(out, r3.Vec{X: r[0], Y: r[1], Z: r[2]})
	}
	return out
}

func matrix(x [][]float64) (m [3][3]float64) {
	for i, r := range x {
		copy(m[i][:], r)
	}
	return m
}

type registrationCase struct {
	Name  string
	X, Y  [][]float64
	R     [][]float64
	T     []float64
	Scale float64
	MSE   float64 `json:"mean_squared_error"`
}

// testdata/published/rigid_registration.json: Umeyama 1991, three points in a
// plane and their mirror image, with the exact answer; and rigid cases that are
// exact by construction or solved by SVD elsewhere.
func TestPublishedRegistrations(t *testing.T) {
	var file struct {
		Umeyama struct {
			X, Y       [][]float64
			Recomputed registrationCase
		} `json:"umeyama_example"`
		Cases []registrationCase
	}
	published.JSON(t, "rigid_registration.json", &file)

	// Ten roundings of numbers up to 2.
	const rounding = 1e-14
	u := file.Umeyama
	a := align(rows(u.X), rows(u.Y), nil, true)
	if !mat.EqualApprox(a.rotation, rows(u.Recomputed.R), rounding) {
		t.Errorf("rotation %v", mat.Formatted(a.rotation))
	}
	for i, want := range []float64{-0.8, 0.4} {
		if math.Abs(a.shift[i]-want) > rounding {
			t.Errorf("shift[%d] = %.17g, want %g", i, a.shift[i], want)
		}
	}
	if want := math.Sqrt(13) / 5; math.Abs(a.scale-want) > rounding {
		t.Errorf("scale %.17g, want √13/5", a.scale)
	}
	if math.Abs(a.mse-8./15) > rounding {
		t.Errorf("mean squared error %.17g, want 8/15", a.mse)
	}

	if len(file.Cases) != 3 {
		t.Fatalf("%d cases", len(file.Cases))
	}
	for _, c := range file.Cases {
		m, err := Points(vecs(c.X), vecs(c.Y), nil, Options{KeepAll: true})
		if err != nil {
			t.Errorf("%s: %v", c.Name, err)
			continue
		}
		// The noisy answer was found in double precision from rounded data; at a
		// minimum an error of the cost by 1e-16 is one of the place by 1e-8
		// relative, but the normal equations hold to 1e-12.
		got := rigid.Matrix(m.Rotation)
		for i := range 3 {
			for j := range 3 {
				if d := math.Abs(got[i][j] - c.R[i][j]); d > 1e-12 {
					t.Errorf("%s: R[%d][%d] off by %.2g", c.Name, i, j, d)
				}
			}
			if d := math.Abs(array3(m.Position)[i] - c.T[i]); d > 1e-12 {
				t.Errorf("%s: t[%d] off by %.2g", c.Name, i, d)
			}
		}
		if d := math.Abs(m.RMS*m.RMS - c.MSE); d > 1e-15 {
			t.Errorf("%s: mean squared error %.6g, want %.6g", c.Name, m.RMS*m.RMS, c.MSE)
		}
	}
}

// testdata/published/sphere_and_pivot.json: exact by construction.
func TestPublishedSphereAndPivot(t *testing.T) {
	var file struct {
		Spheres []struct {
			Points [][]float64 `json:"points_m"`
			Center []float64   `json:"centre_m"`
			Radius float64     `json:"radius_m"`
		} `json:"sphere_cases"`
		Pivots []struct {
			Poses []struct {
				R [][]float64
				T []float64 `json:"t_m"`
			}
			Tip   []float64 `json:"tip_offset_sensor_m"`
			Point []float64 `json:"pivot_point_world_m"`
		} `json:"pivot_cases"`
	}
	published.JSON(t, "sphere_and_pivot.json", &file)
	if len(file.Spheres) == 0 || len(file.Pivots) == 0 {
		t.Fatal("no cases")
	}
	for _, s := range file.Spheres {
		b, err := Sphere(vecs(s.Points), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if d := r3.Norm(r3.Sub(b.Center, vecs([][]float64{s.Center})[0])); d > 1e-13 || math.Abs(b.Radius-s.Radius) > 1e-13 {
			t.Errorf("sphere %v, radius %g", b.Center, b.Radius)
		}
	}
	for _, p := range file.Pivots {
		var poses []rigid.Pose
		for _, q := range p.Poses {
			poses = append(poses, rigid.Pose{Position: vecs([][]float64{q.T})[0], Rotation: rigid.FromMatrix(matrix(q.R))})
		}
		tip, err := Pivot(poses, nil, nil, Options{})
		if err != nil {
			t.Fatal(err)
		}
		want, point := vecs([][]float64{p.Tip})[0], vecs([][]float64{p.Point})[0]
		if r3.Norm(r3.Sub(tip.Tip, want)) > 1e-14 || r3.Norm(r3.Sub(tip.Point, point)) > 1e-14 {
			t.Errorf("tip %v, point %v", tip.Tip, tip.Point)
		}
	}
}

// Fifty real pairs of poses, a target on a robot's hand before a camera beside it, with
// their published answer, to 1 %, and an independent least squares over all pairs
// (testdata/published/hand_eye_real.json). Its residuals are 0.0016 rad and 0.0046 m, those
// of a mean of 50 thus 0.00023 rad and 0.00065 m. Four of these are allowed to Poses, which
// weighs rotations against shifts otherwise.
func TestHandEyeOfARealRobot(t *testing.T) {
	var file struct {
		Published struct {
			Translation []float64 `json:"translation_m"`
			Tolerance   float64   `json:"relative_tolerance"`
		}
		Computed struct {
			Translation []float64   `json:"translation_m"`
			Rotation    [][]float64 `json:"rotation"`
		}
		Pairs []struct {
			A [][]float64 `json:"effector_in_base"`
			B [][]float64 `json:"target_in_camera"`
		}
	}
	published.JSON(t, "hand_eye_real.json", &file)
	pose := func(x [][]float64) rigid.Pose { // a row of the rotation, then the shift's component
		return rigid.Pose{Position: r3.Vec{X: x[0][3], Y: x[1][3], Z: x[2][3]}, Rotation: rigid.FromMatrix(matrix(x))}
	}
	var a, b, moves, seen []rigid.Pose
	for i, p := range file.Pairs {
		a, b = append(a, pose(p.A)), append(b, pose(p.B))
		for k := range i {
			moves = append(moves, a[i].Compose(a[k].Inverse()))
			seen = append(seen, b[i].Compose(b[k].Inverse()))
		}
	}
	if len(a) != 50 {
		t.Fatalf("%d pairs", len(a))
	}
	want := rigid.Pose{Position: vecs([][]float64{file.Computed.Translation})[0], Rotation: rigid.FromMatrix(matrix(file.Computed.Rotation))}
	printed := vecs([][]float64{file.Published.Translation})[0]
	check := func(name string, got rigid.Pose, shift, turn float64) {
		t.Helper()
		dp, dr := got.Minus(want)
		t.Logf("%s: %.2g m and %.2g rad from the independent answer", name, r3.Norm(dp), r3.Norm(dr))
		if r3.Norm(dp) > shift || r3.Norm(dr) > turn {
			t.Errorf("%s: off by %.2g m and %.2g rad, want at most %.2g and %.2g", name, r3.Norm(dp), r3.Norm(dr), shift, turn)
		}
		if off := r3.Norm(r3.Sub(got.Position, printed)); off > file.Published.Tolerance*r3.Norm(printed) {
			t.Errorf("%s: %.2g m from the published place", name, off)
		}
	}
	m, err := Poses(a, b, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	check("poses", m.Frame.Inverse(), 4*0.00065, 4*0.00023)
	x, err := HandEye(moves, seen)
	if err != nil {
		t.Fatal(err)
	}
	// In closed form rotations rule, whose errors the shifts of a metre then carry.
	check("hand-eye", x, file.Published.Tolerance*r3.Norm(printed), file.Published.Tolerance)
}
