package verdict

import (
	"context"
	"fmt"
	"slices"

	"tonepose/solver/integrity"
)

// exchanges looks for channels that were exchanged between sensors, where a
// sensor has frames that no fault of its own explains.
func exchanges(ctx context.Context, guards []*Guard) error {
	for i, a := range guards {
		for _, b := range guards[i+1:] {
			if !(a.unexplained() || b.unexplained()) {
				continue
			}
			of := common(&a.kept, &b.kept)
			f, ok, err := integrity.Across(ctx, a.inspector, b.inspector, of[0].frames, of[1].frames, of[0].fits, of[1].fits)
			if err != nil {
				return err
			}
			if !ok {
				continue
			}
			found := &Fault{Words: exchangedWords(a, b, [2]int{f.A, f.B}), Frames: len(of[0].frames), Joint: true,
				Gain: 1, Before: f.ChiSquare, DOF: f.DOF, After: f.Left, Left: f.LeftDOF, across: true}
			for _, r := range f.Rivals {
				found.Rivals = append(found.Rivals, exchangedWords(a, b, r))
			}
			a.result.Faults, b.result.Faults = []*Fault{found}, []*Fault{found}
		}
	}
	return nil
}

func exchangedWords(a, b *Guard, coils [2]int) string {
	return fmt.Sprintf("channels %s and %s look exchanged", a.coils[coils[0]], b.coils[coils[1]])
}

// unexplained reports whether frames do not fit, and nothing of the sensor's own
// explains it but that a coil is odd.
func (g *Guard) unexplained() bool {
	return g.result.Distorted+g.result.WrongChannel > 0 &&
		!slices.ContainsFunc(g.result.Faults, func(f *Fault) bool { return f.fault.Kind != integrity.Odd })
}
