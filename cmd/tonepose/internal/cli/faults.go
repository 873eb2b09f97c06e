package cli

import "fmt"

// reportFaults says what was wrong with the samples, on which channel and when.
func reportFaults(s Streams, faults []string) {
	for _, line := range faults {
		fmt.Fprintf(s.Err, "tonepose: warning: %s\n", line)
	}
}
