package calibration

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
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

// bundle is the bench of testdata/bundle.json: invented data.
type bundle struct {
	K        float64      `json:"k"`
	Sigma    float64      `json:"sigma_uT"`
	SigmaP   float64      `json:"sigma_p"`
	SigmaR   float64      `json:"sigma_r"`
	SigmaG   float64      `json:"sigma_g"`
	Position [][3]float64 `json:"nominal_position"`
	Axis     [][3]float64 `json:"axis0"`
	Coils    [][3]float64 `json:"coil_offset"`

	TruePosition [][3]float64 `json:"true_position"`
	TrueAxis     [][3]float64 `json:"true_axis"`
	TrueMoment   []float64    `json:"true_moment"`
	TrueGain     []float64    `json:"true_gain"`
}

// loadBundle reads the invented bench, its stations repeated the given number
// of times. Fields there are in microtesla, of dipoles with B = k·(...)/r³; with
// moment k·4π/μ0 and coils of area 1 m², couplings are in "henry" of the same
// number.
func loadBundle(t testing.TB, repeat int) (*Problem, *bundle) {
	t.Helper()
	text, err := os.ReadFile("testdata/bundle.json")
	if err != nil {
		t.Fatal(err)
	}
	b := new(bundle)
	if err := json.Unmarshal(text, b); err != nil {
		t.Fatal(err)
	}
	p := &Problem{}
	for i, c := range b.Position {
		axis := r3.Unit(vecAt(b.Axis[i][:], 0))
		p.Emitters = append(p.Emitters, Emitter{Emitter: fieldmodels.Emitter{
			Name: fmt.Sprintf("e%d", i+1), Center: vecAt(c[:], 0), Axis: axis,
			Source: &fieldmodels.PlacedDipole{Center: vecAt(c[:], 0), Moment: r3.Scale(b.K*4*math.Pi/fieldmodels.Mu0, axis)},
		}})
	}
	s := Sensor{Name: "probe"}
	for i, c := range b.Coils {
		var axis [3]float64
		axis[i] = 1
		s.Coils = append(s.Coils, Coil{
			Coil:      mutual.Coil{Center: vecAt(c[:], 0), Axis: vecAt(axis[:], 0), AreaTurns: 1},
			Tolerance: CoilTolerance{Sensitivity: b.SigmaG},
		})
	}
	p.Sensors = []Sensor{s}
	rows := bundleStations(t)
	for range repeat {
		for i, v := range rows {
			st := Station{
				Name:          strconv.Itoa(i + 1),
				Reference:     poseOf(v[:7]),
				SigmaPosition: b.SigmaP, SigmaRotation: b.SigmaR,
			}
			for e := range p.Emitters {
				for c := range s.Coils {
					st.Couplings.Value = append(st.Couplings.Value, v[14+8*c+e])
					st.Couplings.Variance = append(st.Couplings.Variance, b.Sigma*b.Sigma)
				}
			}
			p.Stations = append(p.Stations, st)
		}
	}
	return p, b
}

// bundleStations returns the rows of testdata/bundle_stations.csv: the stated pose,
// the true one, then the couplings, coil by coil.
func bundleStations(t testing.TB) (rows [][]float64) {
	t.Helper()
	file, err := os.Open("testdata/bundle_stations.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	cells, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range cells[1:] {
		v := make([]float64, len(row))
		for k := range row {
			if v[k], err = strconv.ParseFloat(row[k], 64); err != nil {
				t.Fatal(err)
			}
		}
		rows = append(rows, v)
	}
	return rows
}

// poseOf reads x y z qw qx qy qz.
func poseOf(v []float64) rigid.Pose {
	return rigid.Pose{Position: r3.Vec{X: v[0], Y: v[1], Z: v[2]}, Rotation: quat.Number{Real: v[3], Imag: v[4], Jmag: v[5], Kmag: v[6]}}
}

const bundleFree = EmitterPosition | EmitterAxis | EmitterStrength | CoilSensitivity

func BenchmarkCalibrate(b *testing.B) {
	for _, repeat := range []int{1, 10, 50} {
		p, _ := loadBundle(b, repeat)
		b.Run(fmt.Sprintf("stations=%d", len(p.Stations)), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				res, err := Calibrate(p, Options{Free: bundleFree})
				if err != nil || res.Status != Converged {
					b.Fatal(err, res)
				}
				b.ReportMetric(float64(res.Iterations), "iterations")
				b.ReportMetric(res.Cost, "cost")
			}
		})
	}
}
