package verdict

import (
	"fmt"
	"math"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/integrity"
)

// Summary is what a run shows of one sensor, its channels and the
// emitters.
type Summary struct {
	Sensor       string `json:"sensor"`
	Frames       int    `json:"frames"` // with a pose
	Distorted    int    `json:"distorted"`
	Eddy         int    `json:"eddy"` // of these, by their quadrature parts
	WrongChannel int    `json:"wrong_channel"`
	// Largest of the estimated errors, distortion included, and when [s].
	WorstPositionErrorM   float64 `json:"worst_position_error_m"`
	WorstRotationErrorRad float64 `json:"worst_rotation_error_rad"`
	WorstTimeS            float64 `json:"worst_time_s"`

	Faults []*Fault `json:"faults,omitempty"`
	// Nearest is the single fault that explains most where none explains all.
	Nearest   *Fault       `json:"nearest,omitempty"`
	Disturbed []*Disturbed `json:"disturbed,omitempty"`
	Delays    []Delay      `json:"delays,omitempty"`

	volumeM float64 // diagonal of the working volume
}

// Fault is one fault with its evidence, over the frames that show it.
type Fault struct {
	Words  string   `json:"fault"`
	Rivals []string `json:"or,omitempty"` // explain the same couplings as well
	Frames int      `json:"frames"`
	Gain   float64  `json:"gain"` // mean; 1 for an exchange
	Sigma  float64  `json:"sigma_gain"`
	Before float64  `json:"chi2_before"`
	DOF    int      `json:"dof_before"`
	After  float64  `json:"chi2_after"`
	Left   int      `json:"dof_after"`
	// Joint: only frames taken together show it.
	Joint bool `json:"joint,omitempty"`
	// Next is the next best explanation, with what it leaves.
	Next     string  `json:"next,omitempty"`
	NextChi2 float64 `json:"chi2_next,omitempty"`
	NextDOF  int     `json:"dof_next,omitempty"`

	across         bool // between two sensors
	fault          integrity.Fault
	shown          *rigid.Pose // of the last frame that showed it
	wait, patience int
	weight         float64
}

// Delay is a channel's lag beyond what the rig says.
type Delay struct {
	Channel string  `json:"channel"`
	DelayS  float64 `json:"delay_s"`
	SigmaS  float64 `json:"sigma_s"`
}

// Lines words the findings for a reader.
func (g *Summary) Lines() []string {
	var out []string
	for _, f := range g.Faults {
		text := f.Words
		for _, r := range f.Rivals {
			text += ", or " + r
		}
		out = append(out, fmt.Sprintf("%s: %s (%s)", g.Sensor, text, f.evidence()))
	}
	for _, d := range g.Disturbed {
		out = append(out, fmt.Sprintf("%s: %v", g.Sensor, d))
	}
	for _, d := range g.Delays {
		out = append(out, fmt.Sprintf("%s: channel %s lags %.4g ± %.2g ns beyond its delay in the rig", g.Sensor, d.Channel, d.DelayS*1e9, d.SigmaS*1e9))
	}
	if g.Distorted > 0 {
		text := fmt.Sprintf("%s: %d of %d frames are distorted", g.Sensor, g.Distorted, g.Frames)
		switch {
		case g.Eddy > 0:
			text += fmt.Sprintf(", %d with the lag of eddy currents: metal near", g.Eddy)
		case g.Distorted == g.Frames && g.Frames > 1:
			text += ", all of them: a bench that differs from its rig everywhere needs calibration, metal disturbs nearby"
		}
		if f := g.Nearest; f != nil && len(g.Faults) == 0 && g.Eddy == 0 {
			text += fmt.Sprintf("; no single fault explains it: the nearest, that %s, leaves chi-square %.4g of %d, before %.4g of %d", f.Words, f.After, f.Left, f.Before, f.DOF)
		}
		out = append(out, fmt.Sprintf("%s; %s at %.4g s", text, g.worst(), g.WorstTimeS))
	}
	return out
}

// evidence words what speaks for a fault.
func (f *Fault) evidence() string {
	text := fmt.Sprintf("%d frames", f.Frames)
	if f.Joint {
		text += " together"
	}
	text += fmt.Sprintf("; chi-square %.4g of %d before, %.4g of %d after", f.Before, f.DOF, f.After, f.Left)
	if f.Next != "" && len(f.Rivals) == 0 {
		text += fmt.Sprintf("; next best, %.4g of %d: %s", f.NextChi2, f.NextDOF, f.Next)
	}
	return text
}

// worst words the largest estimated error. A position known to no more than ten
// working volumes, or an orientation to no more than half a turn, is not known.
func (g *Summary) worst() string {
	if g.volumeM > 0 && g.WorstPositionErrorM > 10*g.volumeM || g.WorstRotationErrorRad > math.Pi {
		return "not located"
	}
	return fmt.Sprintf("estimated error up to %.3g mm and %.3g°", g.WorstPositionErrorM*1e3, g.WorstRotationErrorRad*180/math.Pi)
}
