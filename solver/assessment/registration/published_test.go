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
