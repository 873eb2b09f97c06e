package batch

import (
	"fmt"
	"math"
	"path/filepath"

	"tonepose/cmd/tonepose/internal/figure"
)

// Figure draws what the recordings are worth over the time at which they began or, where this
// is not known of all, in the order of their names.
func (s *Summary) Figure() *figure.Figure {
	d := figure.CampaignData{Title: filepath.Base(filepath.Clean(s.Dir)) + ": what the recordings are worth", AtName: "hours since the first began"}
	list, timed := s.inTime()
	if !timed {
		d.AtName = "recording"
	}
	for i, o := range list {
		at := float64(i + 1)
		q := o.Quality
		if q == nil {
			d.Failed = append(d.Failed, at)
			continue
		}
		if timed {
			at = q.Start.Sub(list[0].Quality.Start).Hours()
		}
		d.At = append(d.At, at)
		d.Sigma, d.Estimated = append(d.Sigma, known(q.SigmaM)), append(d.Estimated, known(q.EstimatedM))
		rms := math.NaN()
		if q.Accuracy != nil {
			rms = q.Accuracy.PositionRMS
		}
		d.TrueError = append(d.TrueError, rms)
		d.Noise, d.Clock = append(d.Noise, known(q.NoiseV)), append(d.Clock, q.ClockPPM)
		d.Flagged, d.InDoubt = append(d.Flagged, q.FlaggedShare()), append(d.InDoubt, float64(q.InDoubt)/float64(max(q.Rows, 1)))
	}
	d.Note = fmt.Sprintf("%d recordings, %d of them failed; noise: sigma of phasors on the pickups", len(list), s.Failed)
	return figure.Campaign(d)
}

// known is a number, NaN for the 0 of none.
func known(v float64) float64 {
	if v == 0 {
		return math.NaN()
	}
	return v
}
