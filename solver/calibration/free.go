package calibration

import (
	"fmt"
	"strings"
)

// Group is a set of parameters that Calibrate may move.
type Group uint16

// The groups. Parameters outside the free set stay as drawn.
const (
	EmitterPosition Group = 1 << iota // shift of the whole emitter [m]
	EmitterAxis                       // tilt about its centre [rad]
	EmitterStrength                   // relative
	CoilAxis                          // tilt of the pickup about its centre [rad]
	CoilPosition                      // shift in the sensor frame [m]
	CoilSensitivity                   // relative
	ChannelGain                       // relative
	ChannelPhase                      // [rad], the same at every tone
	ChannelDelay                      // [s]
	Frame                             // reference device's frame in the rig frame
	Marker                            // sensor in the marker's frame
	Crosstalk                         // straight from emitter to coil [H]

	numGroups = iota
)

// DefaultFree is what Calibrate moves when Options.Free is zero.
const DefaultFree = EmitterPosition | EmitterAxis | EmitterStrength | CoilAxis | CoilSensitivity

var groupNames = [numGroups]string{
	"emitter-place", "emitter-axis", "emitter-strength", "coil-axis", "coil-place", "coil-sensitivity",
	"channel-gain", "channel-phase", "channel-delay", "frame", "marker", "crosstalk",
}

// ParseFree reads a comma-separated list of group names, such as
// "emitter-place,emitter-axis". "default" stands for DefaultFree.
func ParseFree(list string) (Group, error) {
	var free Group
next:
	for word := range strings.SplitSeq(list, ",") {
		word = strings.TrimSpace(word)
		if word == "default" {
			free |= DefaultFree
			continue
		}
		for i, name := range groupNames {
			if word == name {
				free |= 1 << i
				continue next
			}
		}
		return 0, fmt.Errorf("calibration: free = %q: must be default or one of %s", word, strings.Join(groupNames[:], ", "))
	}
	return free, nil
}

// String lists the names in the form that ParseFree reads.
func (g Group) String() string {
	var names []string
	for i, name := range groupNames {
		if g&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return strings.Join(names, ",")
}

// complex reports whether the imaginary parts of the couplings are needed.
func (g Group) complex() bool { return g&(ChannelPhase|ChannelDelay) != 0 }
