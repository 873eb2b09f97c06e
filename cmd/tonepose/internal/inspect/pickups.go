package inspect

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// pickups fits what shifts the couplings' phases.
func (in *Inspection) pickups(info recording.Info, s *toneSeries) {
	reference := stream.References(in.tones, info.Channels)
	for c := range info.Channels {
		if reference[c] {
			continue
		}
		var x, y, weight []float64 // Im M·ω = R − delay·ω²·Re M
		var real2, imag2 float64
		for k, t := range in.tones {
			e := in.rig.Emitters[k]
			drive, ok := t.Reference.Channel()
			if !ok || e.Reference == nil {
				continue
			}
			played, seen := s.sound[k*info.Channels+drive], s.sound[k*info.Channels+c]
			ref, refErr := in.rig.Channels[drive].Response(in.toneHz[k])
			own, ownErr := in.rig.Channels[c].Response(in.toneHz[k])
			current := played.phasor / complex(played.frames, 0) / (complex128(ref) * complex(e.Reference.TransimpedanceOhm, 0))
			if refErr != nil || ownErr != nil || current == 0 || played.frames == 0 || seen.frames == 0 {
				continue
			}
			omega := 2 * math.Pi * in.toneHz[k]
			per := -1i * complex(omega, 0) * current * complex128(own)
			m := seen.phasor / complex(seen.frames, 0) / per
			sigma := math.Sqrt(seen.variance/seen.frames) / cmplx.Abs(per)
			real2, imag2 = real2+real(m)*real(m), imag2+imag(m)*imag(m)
			x, y = append(x, -omega*omega*real(m)), append(y, omega*imag(m))
			weight = append(weight, 1/(omega*sigma*omega*sigma))
		}
		if len(x) < 3 {
			continue
		}
		look := Pickup{Channel: info.Names[c], QuadratureDeg: math.Atan(math.Sqrt(imag2/real2)) * 180 / math.Pi}
		look.CrosstalkOhm, look.DelayS = stat.LinearRegression(x, y, weight, false)
		mean, total := stat.Mean(x, weight), floats.Sum(weight)
		spread := total * stat.MomentAbout(2, x, mean, weight)
		if !(spread > 0) {
			continue
		}
		// The model's misfit counts: eddy currents and motion are not in it.
		var left float64
		for i, w := range weight {
			off := y[i] - look.CrosstalkOhm - look.DelayS*x[i]
			left += w * off * off
		}
		scale := math.Sqrt(max(1, left/float64(len(x)-2)))
		look.SigmaDelayS, look.SigmaCrosstalk = scale/math.Sqrt(spread), scale*math.Sqrt(1/total+mean*mean/spread)
		if math.Abs(look.CrosstalkOhm) > 5*look.SigmaCrosstalk {
			in.find("channel %s: phases of the couplings are shifted as by crosstalk of %.3g Ω from the drive: measure a baseline with the sensor far away", look.Channel, look.CrosstalkOhm)
		}
		if math.Abs(look.DelayS) > 5*look.SigmaDelayS {
			in.find("channel %s: phases of the couplings are shifted as by a delay beyond the rig's, %.3g s", look.Channel, look.DelayS)
		}
		if look.QuadratureDeg > 1 {
			in.find("channel %s: phases of the couplings are off by %.2g° rms: motion, metal nearby, crosstalk or a wrong delay", look.Channel, look.QuadratureDeg)
		}
		in.Pickups = append(in.Pickups, look)
	}
}
