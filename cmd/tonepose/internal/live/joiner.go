package live

import (
	"fmt"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/solver"
	"tonepose/solver/trajectory"
)

// joiner joins the poses of one sensor. Its windows wait in order until their states are
// complete.
type joiner struct {
	sensor   *bench.Sensor
	follower *trajectory.Follower
}

// held is a frame that waits for the states of its sensors.
type held struct {
	*frame
	states int // there by now
}

func newJoiner(o *Options, b *bench.Bench, i int) (*joiner, error) {
	s, err := b.Solver(i)
	if err != nil {
		return nil, err
	}
	motion, w := o.Motion, &o.Windows
	motion.WindowSpread, motion.WindowKurtosis, motion.Correlation = w.Spread(), w.Kurtosis(), w.Correlation()
	f, err := trajectory.NewFollower(s, motion, w.Hop, o.Lag)
	if err != nil {
		return nil, fmt.Errorf("--lag: %w", err)
	}
	return &joiner{sensor: &b.Sensors()[i], follower: f}, nil
}

// join holds a frame back until all its poses are joined, and hands on those that are.
func (p *pipeline) join(f *frame, seen *engine.Observation) error {
	p.held = append(p.held, held{frame: f})
	for i := range seen.Sensors {
		v := &seen.Sensors[i]
		window := trajectory.Frame{Time: f.rows[i].Time, Couplings: v.Fitted}
		if v.Fit.Status == solver.Converged {
			p.pose = v.Fit.Pose
			window.Pose = &p.pose
		}
		states, err := p.joiners[i].follower.Add(p.run, window)
		if err != nil {
			return err
		}
		p.fill(i, states)
	}
	return p.release()
}

// flush hands on the frames that still wait.
func (p *pipeline) flush() error {
	for i, j := range p.joiners {
		states, err := j.follower.Flush()
		if err != nil {
			return err
		}
		p.fill(i, states)
	}
	return p.release()
}

// fill puts the states of one sensor into the rows that wait for them.
func (p *pipeline) fill(sensor int, states []trajectory.State) {
	if len(states) == 0 {
		return
	}
	for k := range p.held {
		row := &p.held[k].rows[sensor]
		if row.Time != states[0].Time {
			continue
		}
		row.Join(p.joiners[sensor].sensor, &states[0])
		p.held[k].states++
		if states = states[1:]; len(states) == 0 {
			return
		}
	}
}

// release hands on the frames whose states are all there.
func (p *pipeline) release() error {
	n := 0
	for n < len(p.held) && p.held[n].states == len(p.joiners) {
		if err := p.hand(p.held[n].frame); err != nil {
			return err
		}
		n++
	}
	p.held = append(p.held[:0], p.held[n:]...)
	return nil
}
