package inspect

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/multitone"
	"tonepose/multitone/recording"
)

// pickups fits what turns the couplings' phases.
func (in *Inspection) pickups(info recording.Info, s *toneSeries) {
	frames := float64(len(s.time))
	reference := engine.References(in.tones, info.Channels)
	for c := range info.Channels {
		if reference[c] {
			continue
		}
		var rows, right []float64
		var real2, imag2 float64
		for k, t := range in.tones {
			e := in.rig.Emitters[k]
			if t.Reference == multitone.NoReference || e.Reference == nil {
				continue
			}
			i := k*info.Channels + c
			ref, refErr := in.rig.Channels[t.Reference].Response(in.toneHz[k])
			own, ownErr := in.rig.Channels[c].Response(in.toneHz[k])
			current := s.sums[k*info.Channels+t.Reference] / complex(frames, 0) / (complex128(ref) * complex(e.Reference.TransimpedanceOhm, 0))
			if refErr != nil || ownErr != nil || current == 0 {
				continue
			}
			omega := 2 * math.Pi * in.toneHz[k]
			per := -1i * complex(omega, 0) * current * complex128(own)
			m := s.sums[i] / complex(frames, 0) / per
			sigma := math.Sqrt(s.variance[i]/frames) / cmplx.Abs(per)
			real2, imag2 = real2+real(m)*real(m), imag2+imag(m)*imag(m)
			rows = append(rows, -omega*real(m)/sigma, 1/(omega*sigma))
			right = append(right, imag(m)/sigma)
		}
		if len(right) < 3 {
			continue
		}
		look := PickupLook{Channel: info.Names[c], QuadratureDeg: math.Atan(math.Sqrt(imag2/real2)) * 180 / math.Pi}
		a := mat.NewDense(len(right), 2, rows)
		var normal mat.SymDense
		normal.SymOuterK(1, a.T())
		var chol mat.Cholesky
		if !chol.Factorize(&normal) {
			continue
		}
		var atb, x mat.VecDense
		atb.MulVec(a.T(), mat.NewVecDense(len(right), right))
		var inv mat.SymDense
		if chol.SolveVecTo(&x, &atb) != nil || chol.InverseTo(&inv) != nil {
			continue
		}
		// The model's misfit counts: eddy currents and motion are not in it.
		var left mat.VecDense
		left.MulVec(a, &x)
		left.SubVec(mat.NewVecDense(len(right), right), &left)
		scale := math.Sqrt(math.Max(1, mat.Dot(&left, &left)/math.Max(1, float64(len(right)-2))))
		look.DelayS, look.SigmaDelayS = x.AtVec(0), scale*math.Sqrt(inv.At(0, 0))
		look.CrosstalkOhm, look.SigmaCrosstalk = x.AtVec(1), scale*math.Sqrt(inv.At(1, 1))
		if math.Abs(look.CrosstalkOhm) > 5*look.SigmaCrosstalk {
			in.find("channel %s: couplings turned as by crosstalk of %.3g Ω from the drive: measure a baseline with the sensor far away", look.Channel, look.CrosstalkOhm)
		}
		if math.Abs(look.DelayS) > 5*look.SigmaDelayS {
			in.find("channel %s: couplings turned as by a delay that the rig does not know, %.3g s", look.Channel, look.DelayS)
		}
		if look.QuadratureDeg > 1 {
			in.find("channel %s: couplings are turned by %.2g° rms: motion, metal nearby, crosstalk or a wrong delay", look.Channel, look.QuadratureDeg)
		}
		in.Pickups = append(in.Pickups, look)
	}
}
