package simulate

import (
	"fmt"
	"math"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/rigid"
)

// Play puts the metal of a scene near the bench and lets its events happen at their
// times. Those that lie behind happen at once.
func (g *Generator) Play(s *rig.Scene) error {
	number := make([]int, len(s.Metal))
	for i, m := range s.Metal {
		var err error
		if number[i], err = g.AddMetal(m); err != nil {
			return err
		}
		if !m.Absent {
			if _, err := g.Change(0, Metal{number[i], true}); err != nil {
				return err
			}
		}
	}
	for _, e := range s.Events {
		c, err := change(e, number)
		if err != nil {
			return err
		}
		if _, err := g.Change(int64(math.Round(e.TimeS*g.o.RateHz)), c); err != nil {
			return fmt.Errorf("event at %g s: %w", e.TimeS, err)
		}
	}
	return nil
}

// change is what an event does; number has the metal's.
func change(e rig.Event, number []int) (Change, error) {
	switch e.Key {
	case "drive":
		return Drive{e.Index, e.Number}, nil
	case "away":
		return Away{e.Index, e.On}, nil
	case "leads":
		return Leads{e.Index, e.Number}, nil
	case "position_m":
		return Move{e.Index, rigid.Pose{Position: e.PlaceM, Rotation: rigid.Exp(e.RotationRad)}, e.WithinS}, nil
	case "path":
		return Return{e.Index, e.WithinS}, nil
	case "present":
		return Metal{number[e.Index], e.On}, nil
	case "center_m":
		return Carry{number[e.Index], e.PlaceM, e.WithinS}, nil
	case "noise_v_per_rthz":
		return Noise{e.Number}, nil
	case "mains_v":
		return Mains{e.Number}, nil
	case "clock_ppm":
		return Clock{e.Number}, nil
	}
	return nil, fmt.Errorf("event at %g s: nothing is called %q", e.TimeS, e.Key)
}
