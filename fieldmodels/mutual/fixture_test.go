package mutual

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/testdata/published"
)

// tableMu0 is the magnetic constant of the published tables [H/m], the exact
// one until 2019.
const tableMu0 = 4 * math.Pi * 1e-7

func published3(row published.Row, prefix, suffix string) r3.Vec {
	return r3.Vec{X: row.Number(prefix + "x" + suffix), Y: row.Number(prefix + "y" + suffix), Z: row.Number(prefix + "z" + suffix)}
}

// meanField is the plain sum over the nodes, the disc's centre and orientation
// given by place.
func meanField(src fieldmodels.Source, nodes []discNode, place rigid.Pose) (r3.Vec, error) {
	var mean r3.Vec
	for _, n := range nodes {
		b, err := src.Field(place.Apply(r3.Vec{X: n.X, Y: n.Y}))
		if err != nil {
			return r3.Vec{}, err
		}
		mean = r3.Add(mean, r3.Scale(n.Weight, b))
	}
	return mean, nil
}

func randomQuat(r *rand.Rand) quat.Number {
	return rigid.Normalize(quat.Number{Real: r.NormFloat64(), Imag: r.NormFloat64(), Jmag: r.NormFloat64(), Kmag: r.NormFloat64()})
}

// models are sources about the size of 35 mm round the origin, axis Z.
func models() map[string]fieldmodels.Source {
	const a = 0.035
	corners := []r3.Vec{{X: a, Y: -a, Z: 0.004}, {X: a, Y: a}, {X: -a, Y: 0.8 * a, Z: -0.003}, {X: -0.7 * a, Y: -a}}
	return map[string]fieldmodels.Source{
		"own dipole":  fieldmodels.Dipole{Moment: r3.Vec{X: 0.02, Y: -0.01, Z: 0.15}},
		"dipole":      &fieldmodels.PlacedDipole{Center: r3.Vec{X: 0.003}, Moment: r3.Vec{X: 0.02, Y: -0.01, Z: 0.15}},
		"loop":        fieldmodels.Loop{Radius: a, Turns: 40},
		"winding":     fieldmodels.Winding{InnerRadius: 0.6 * a, OuterRadius: a, Length: 0.5 * a, Turns: 300},
		"sheet":       fieldmodels.Sheet{Radius: a, Length: 0.8 * a, Turns: 100},
		"rectangle":   fieldmodels.Rectangle{Width: 2 * a, Height: 1.4 * a, Turns: 20},
		"polyline":    fieldmodels.Polyline{Points: corners, Closed: true, Turns: 10},
		"sum":         fieldmodels.Sum{fieldmodels.Loop{Radius: a, Turns: 40}, fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: a / 2, Turns: 20}, r3.Vec{Z: 0.01}, r3.Vec{X: 0.1, Z: 1})},
		"placed":      fieldmodels.Place(fieldmodels.Rectangle{Width: a, Height: a, Turns: 20}, rigid.Pose{Position: r3.Vec{X: 0.005}, Rotation: rigid.Exp(r3.Vec{X: 0.3, Y: -0.2, Z: 1})}),
		"placed loop": fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: a, Turns: 40}, r3.Vec{Y: 0.01}, r3.Vec{X: 0.2, Z: 1}),
	}
}
