package solver

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// plainDipole is a dipole that the solver does not know, so that it takes the
// way of any Source.
type plainDipole struct{ center, moment r3.Vec }

func (d plainDipole) Field(p r3.Vec) (r3.Vec, error) {
	b, _, err := d.Gradient(p)
	return b, err
}

func (d plainDipole) Gradient(p r3.Vec) (r3.Vec, fieldmodels.Jacobian, error) {
	r := r3.Sub(p, d.center)
	x, m := [3]float64{r.X, r.Y, r.Z}, [3]float64{d.moment.X, d.moment.Y, d.moment.Z}
	r2 := r3.Norm2(r)
	k := fieldmodels.Mu0 / (4 * math.Pi) / (r2 * r2 * math.Sqrt(r2))
	md := r3.Dot(r, d.moment)
	var b [3]float64
	var j fieldmodels.Jacobian
	for i := range 3 {
		b[i] = k * (3*md*x[i] - r2*m[i])
		for l := range 3 {
			j[i][l] = k * (3*(m[l]*x[i]+m[i]*x[l]) - 15*md*x[i]*x[l]/r2)
			if i == l {
				j[i][l] += k * 3 * md
			}
		}
	}
	return r3.Vec{X: b[0], Y: b[1], Z: b[2]}, j, nil
}

// task is one pose of the fixed problems.
type task struct {
	truth, start rigid.Pose
	couplings    Couplings
}

type geometry struct {
	Sigma  float64       `json:"sigma_uT"`
	Place  [][3]float64  `json:"emitter_position"`
	Moment [][3]float64  `json:"emitter_moment"`
	Offset [][3]float64  `json:"coil_offset"`
	Volume [3][2]float64 `json:"volume"`
}

func readGeometry(tb testing.TB) geometry {
	tb.Helper()
	var g geometry
	b, err := os.ReadFile("testdata/geometry.json")
	if err != nil {
		tb.Fatal(err)
	}
	if err := json.Unmarshal(b, &g); err != nil {
		tb.Fatal(err)
	}
	return g
}

// fixedProblem returns the array, the sensor and the tasks of pose6.csv or
// pose5.csv; source makes each emitter.
func fixedProblem(tb testing.TB, dof int, source func(center, moment r3.Vec) fieldmodels.Source) (Problem, []task) {
	tb.Helper()
	g := readGeometry(tb)
	var p Problem
	for i := range g.Place {
		c, m := vector(g.Place[i]), vector(g.Moment[i])
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{Source: source(c, m), Center: c, Axis: r3.Unit(m)})
	}
	if dof == 6 {
		for i, o := range g.Offset {
			a := [3]float64{}
			a[i] = 1
			p.Sensor.Coils = append(p.Sensor.Coils, mutual.Coil{Center: vector(o), Axis: vector(a), AreaTurns: 1})
		}
	} else {
		p.Sensor.Coils = []mutual.Coil{{Axis: r3.Vec{Z: 1}, AreaTurns: 1}}
	}
	p.Volume = Volume{
		Min: r3.Vec{X: g.Volume[0][0], Y: g.Volume[1][0], Z: g.Volume[2][0]},
		Max: r3.Vec{X: g.Volume[0][1], Y: g.Volume[1][1], Z: g.Volume[2][1]},
	}
	name := map[int]string{6: "testdata/pose6.csv", 5: "testdata/pose5.csv"}[dof]
	f, err := os.Open(name)
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		tb.Fatal(err)
	}
	coils, emitters := len(p.Sensor.Coils), len(p.Array.Emitters)
	variance := make([]float64, coils*emitters)
	for i := range variance {
		variance[i] = g.Sigma * g.Sigma * 1e-12
	}
	var tasks []task
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i, t := range row {
			if v[i], err = strconv.ParseFloat(t, 64); err != nil {
				tb.Fatal(err)
			}
		}
		read := func() rigid.Pose {
			pose := rigid.Pose{Position: r3.Vec{X: v[0], Y: v[1], Z: v[2]}}
			if dof == 6 {
				pose.Rotation = quat.Number{Real: v[3], Imag: v[4], Jmag: v[5], Kmag: v[6]}
				v = v[7:]
				return pose
			}
			pose.Rotation = between(r3.Vec{Z: 1}, r3.Vec{X: v[3], Y: v[4], Z: v[5]})
			v = v[6:]
			return pose
		}
		t := task{truth: read(), start: read()}
		y := make([]float64, coils*emitters)
		for c := range coils {
			for e := range emitters {
				y[e*coils+c] = v[c*emitters+e] * 1e-6
			}
		}
		t.couplings = Couplings{Value: y, Variance: variance}
		tasks = append(tasks, t)
	}
	return p, tasks
}

func anySource(c, m r3.Vec) fieldmodels.Source { return plainDipole{c, m} }

func knownDipole(c, m r3.Vec) fieldmodels.Source {
	return &fieldmodels.PlacedDipole{Center: c, Moment: m}
}

// only returns couplings with those marked missing whose entry in keep is false.
func only(c Couplings, keep []bool) Couplings {
	c = c.Clone()
	for i, k := range keep {
		if !k {
			c.Variance[i] = math.Inf(1)
		}
	}
	return c
}
