package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/solver/assessment"
)

func newAssess(s Streams) *cobra.Command {
	var truth string
	var offset time.Duration
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "assess DIR --truth CSV",
		Short: "Errors of solved poses against known ones, and whether the stated sigmas are honest",
		Long: `Assess compares DIR/poses.parquet with known poses: rows of start_s, stop_s or
of time_s, with x_m y_m z_m qw qx qy qz and, if wanted, sensor.

Exit code: 0 done, 1 no pose could be compared, 2 the call or a file was wrong.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := needed("truth", truth, "name the CSV of known poses"); err != nil {
				return err
			}
			a, err := pipeline.Assess(args[0], truth, offset.Seconds())
			if errors.Is(err, pipeline.ErrNothingToCompare) {
				return fmt.Errorf("%w: %w", errNoRow, err)
			}
			if err != nil {
				return err
			}
			report, _ := assessment.Summarise(a.Samples)
			if a.Beyond > 0 || a.Unsolved > 0 {
				fmt.Fprintf(s.Err, "tonepose: %d poses lie outside of the truth's times, %d rows have no pose\n", a.Beyond, a.Unsolved)
			}
			if asJSON {
				return json.NewEncoder(s.Out).Encode(report)
			}
			return printReport(s, report)
		},
	}
	f := cmd.Flags()
	f.StringVar(&truth, "truth", "", "CSV of known poses")
	f.DurationVar(&offset, "time-offset", 0, "added to the poses' times before they are compared")
	f.BoolVar(&asJSON, "json", false, "print the result as JSON")
	return cmd
}

func printReport(s Streams, r assessment.Report) error {
	const deg = 180 / math.Pi
	rows := []struct {
		name          string
		position, rot float64
	}{
		{"RMS", r.PositionRMS, r.OrientationRMS},
		{"median", r.PositionMedian, r.OrientationMedian},
		{"95 %", r.PositionP95, r.OrientationP95},
		{"99 %", r.PositionP99, r.OrientationP99},
		{"largest", r.PositionMax, r.OrientationMax},
		{"predicted RMS", r.PredictedPosition, r.PredictedRotation},
	}
	fmt.Fprintf(s.Out, "%d poses      position [mm]  orientation [°]\n", r.N)
	for _, row := range rows {
		fmt.Fprintf(s.Out, "%-13s %12.4f %16.4f\n", row.name, row.position*1e3, row.rot*deg)
	}
	_, err := fmt.Fprintf(s.Out, "squared error over prediction: mean %.2f, median %.2f; %.1f %% of positions inside their 95 %% ellipsoid\n",
		r.NormalisedMean, r.NormalisedMedian, 100*r.Coverage95)
	return err
}
