package cli

import (
	"io"
	"path/filepath"
	"strings"
	"testing"
)

// A flag that would say nothing is refused rather than passed over.
func TestFlagsThatNeedOthers(t *testing.T) {
	bench, ring := rigFile("pipe-bench.rig.yaml"), rigFile("ring-to-plan.rig.yaml")
	moving, out := recordingFile("pipe-bench-moving.sigmf-meta"), filepath.Join(t.TempDir(), "out")
	solve := []string{"solve", moving, "--rig", bench, "--window", "10ms", "--out", out}
	for _, c := range []struct {
		args []string
		want string
	}{
		{append(solve, "--knots", "20ms"), "--knots needs --trajectory spline"},
		{append(solve, "--knots", "20ms", "--trajectory", "smooth"), "--knots needs --trajectory spline"},
		{append(solve, "--motion", "velocity", "--trajectory", "none"), "--motion needs --trajectory"},
		{[]string{"live", "play:" + moving, "--rig", bench, "--window", "10ms", "--motion", "velocity"}, "--motion needs --trajectory or --lag"},
		{[]string{"live", "play:" + moving, "--rig", bench, "--window", "10ms", "--path", "sweep"}, "play:" + moving + ": is no simulated bench: leave out its path and its scene, or name bench:"},
		{[]string{"calibrate", moving, "--rig", bench, "--intervals", "none.csv", "--out", out, "--map-degree", "3"}, "--map-degree needs --map-metal"},
		{[]string{"plan", ring, "--tilt", "10"}, "--tilt needs --optimise"},
		{[]string{"plan", ring, "--hold", "1s"}, "--hold needs --pace"},
		{[]string{"plan", ring, "--pace", "5s"}, "--pace needs --stations"},
		{[]string{"plan", ring, "--drive-bits", "24"}, "--drive-bits needs --drive"},
		{[]string{"simulate", bench, "--path", "sweep", "--out", out, "--mains-level", "1e-5"}, "--mains-level needs --mains"},
	} {
		var said strings.Builder
		if code := Run(t.Context(), c.args, Streams{Out: io.Discard, Err: &said}); code != 2 || !strings.Contains(said.String(), "error: "+c.want+"\n") {
			t.Errorf("%v: exit %d, %s, want 2 and %q", c.args, code, said.String(), c.want)
		}
	}
}
