package calibrate

import (
	"errors"
	"fmt"
	"math"
	"os"
	"time"

	"gonum.org/v1/gonum/mat"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/solver/calibration"
)

// edit writes what a calibration moved into the rig's own text: emitters, coils,
// gains and delays, and the covariance of emitters and coils. hash is that of the
// file of reference poses, empty without one.
func (s *Stations) edit(r *rig.Rig, res *calibration.Result, free calibration.Group, hash string) (*rig.Edit, error) {
	e := r.Edit()
	for i := range r.Emitters {
		m := res.Emitter(i)
		if free&(calibration.EmitterPosition|calibration.EmitterAxis|calibration.EmitterStrength) != 0 {
			e.MoveEmitter(i, m.Shift, m.Tilt, m.Strength)
		}
	}
	for i := range r.Sensors {
		found := res.Sensor(i)
		for k, coil := range found.Coils {
			path := fmt.Sprintf("sensors[%d].coils[%d].", i, k)
			if free&calibration.CoilAxis != 0 {
				e.SetVector(path+"axis", coil.Axis)
			}
			if free&calibration.CoilPosition != 0 {
				e.SetVector(path+"center_m", coil.Center)
			}
			if free&calibration.CoilSensitivity != 0 {
				e.SetNumber(path+"area_turns_m2", coil.AreaTurns)
			}
		}
	}
	if free&(calibration.ChannelGain|calibration.ChannelPhase|calibration.ChannelDelay) != 0 {
		for i, channel := range s.channels {
			if err := editChannel(e, r, channel, res.Channel(i)); err != nil {
				return nil, err
			}
		}
	}
	names, cov, err := covariance(r, res)
	if err != nil {
		return nil, err
	}
	e.SetCalibration(rig.Calibration{Date: time.Now().UTC().Truncate(time.Second), ReferenceSHA256: hash, Parameters: names}, cov)
	return e, nil
}

// covariance gathers what the calibration says of emitters and coils, block by
// block; nil when it says nothing.
func covariance(r *rig.Rig, res *calibration.Result) (names []string, cov *mat.SymDense, err error) {
	array, err := res.Array()
	if err != nil {
		return nil, nil, err
	}
	var blocks []*mat.SymDense
	if array.Covariance != nil {
		blocks = append(blocks, array.Covariance)
		for i := range r.Emitters {
			p := rig.EmitterParameters(r.Emitters[i].Name)
			names = append(names, p[:]...)
		}
	}
	for i, s := range r.Sensors {
		block, err := res.SensorCovariance(i)
		if err != nil {
			return nil, nil, err
		}
		if block == nil {
			continue
		}
		blocks = append(blocks, block)
		for _, c := range s.Coils {
			p := rig.CoilParameters(s.Name, r.Channels[c.Channel].Name)
			names = append(names, p[:]...)
		}
	}
	if len(names) == 0 {
		return nil, nil, nil
	}
	cov = mat.NewSymDense(len(names), nil)
	at := 0
	for _, b := range blocks {
		n := b.SymmetricDim()
		for i, v := range clean(b) {
			cov.SetSym(at+i/n, at+i%n, v)
		}
		at += n
	}
	return names, cov, nil
}

// clean is a covariance with zero rows for what does not move at all, whose
// variances rounding can leave slightly negative. The blocks have seven
// parameters for each thing.
func clean(c *mat.SymDense) []float64 {
	const kinds = 7
	n := c.SymmetricDim()
	out := make([]float64, n*n)
	var largest [kinds]float64
	for i := range n {
		largest[i%kinds] = max(largest[i%kinds], c.At(i, i))
	}
	exact := func(i int) bool { return c.At(i, i) <= 1e-14*largest[i%kinds] }
	for i := range n {
		for j := range n {
			if !exact(i) && !exact(j) {
				bound := math.Sqrt(c.At(i, i)) * math.Sqrt(c.At(j, j))
				out[i*n+j] = max(-bound, min(bound, c.At(i, j)))
			}
		}
	}
	return out
}

// ErrPhase reports a channel whose phase can't be written as gain and delay.
var ErrPhase = errors.New("a gain and a delay can't hold a phase")

// editChannel corrects a channel: its gain by a factor, its phase, its delay.
func editChannel(e *rig.Edit, r *rig.Rig, channel int, m calibration.ChannelMove) error {
	ch := &r.Channels[channel]
	path := fmt.Sprintf("channels[%d].", channel)
	if len(ch.Table) == 0 {
		if m.Phase != 0 {
			return fmt.Errorf("channel %s, phase %.3g rad: %w: give the channel a response table, or free channel-delay alone", ch.Name, m.Phase, ErrPhase)
		}
		if m.Gain != 1 {
			e.SetNumber(path+"gain", ch.Gain*m.Gain)
		}
		if m.Delay != 0 {
			e.SetNumber(path+"delay_s", ch.DelayS+m.Delay)
		}
		return nil
	}
	gain, phase := m.Gain, m.Phase
	if gain < 0 {
		gain, phase = -gain, phase+math.Pi
	}
	for k, p := range ch.Table {
		at := fmt.Sprintf("%sresponse[%d].", path, k)
		if gain != 1 {
			e.SetNumber(at+"gain", p.Gain*gain)
		}
		if turn := phase*180/math.Pi - 360*p.Hz*m.Delay; turn != 0 {
			e.SetNumber(at+"phase_deg", p.PhaseDeg+turn)
		}
	}
	return nil
}

// newRigFree says whether a rig may be written: never over its own source, over
// another file only when forced.
func newRigFree(name, source string, force bool) error {
	if from, err := os.Stat(source); err == nil {
		if err := files.Distinct(name, "the rig to start from", from); err != nil {
			return err
		}
	}
	return files.Refuse(name, force)
}
