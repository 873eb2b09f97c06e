package cli

import (
	"fmt"
	"math"
	"math/cmplx"

	"github.com/spf13/cobra"
)

func newDemo(s Streams) *cobra.Command {
	return &cobra.Command{
		Use:   "demo",
		Short: "Demodulate an invented tone",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			const rate, hz, n = 100e3, 5e3, 1000
			var sum complex128
			for i := range n {
				phase := 2 * math.Pi * hz * float64(i) / rate
				sum += complex(0.5*math.Cos(phase+1), 0) * cmplx.Exp(complex(0, -phase))
			}
			a := 2 * sum / n
			_, err := fmt.Fprintf(s.Out, "invented tone at %g Hz: amplitude %.6f V, phase %.4f°\n", hz, cmplx.Abs(a), cmplx.Phase(a)*180/math.Pi)
			return err
		},
	}
}
