//go:build slow && linux

package cli

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"syscall"
	"testing"
	"time"
)

var hourRate = flag.Int("hour.rate", 0, "sample rate of TestMemoryOfAnHour in hertz, above twice the highest tone (default that of the bench)")

// peak runs a command by itself and returns the most memory that it held [MiB].
func peak(t *testing.T, args ...string) int64 {
	t.Helper()
	cmd := process(t, args...)
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v\n%s", args, err, text)
	}
	mib := cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss >> 10
	t.Logf("%v: %d MiB, %v of processors", args, mib, (cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()).Round(time.Second))
	return mib
}

// A simulation holds as much memory for ten minutes as for ten seconds, but for what a
// collector leaves behind by chance.
func TestMemoryOfSimulations(t *testing.T) {
	dir := t.TempDir()
	simulated := func(duration string) int64 {
		return peak(t, "simulate", rigFile("pipe-bench.rig.yaml"), "--rate", "30000", "--path", "sweep", "--duration", duration,
			"--mains", "50", "--out", filepath.Join(dir, duration), "--quiet")
	}
	if short, long := simulated("10s"), simulated("10m"); long > short+10 {
		t.Errorf("%d MiB for ten minutes, %d MiB for ten seconds", long, short)
	}
}

// Memory is bounded whatever the length of a recording: a file of 4 GB, all
// holes, in less than 100 MiB.
func TestMemoryIsBounded(t *testing.T) {
	dir := t.TempDir()
	big := filepath.Join(dir, "big.raw")
	f, err := os.Create(big)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(4 << 30); err != nil {
		t.Fatal(err)
	}
	f.Close()
	common := []string{"--rig", rigFile("pipe-bench.rig.yaml"), "--format", "ri16_le", "--clock", "none", "--quiet"}
	for _, args := range [][]string{
		{"measure", big, "--window", "20ms", "--hop", "10ms"},
		{"measure", big},
		{"solve", big, "--window", "50ms"},
	} {
		args = append(append(args, common...), "--out", filepath.Join(dir, args[0]), "--force")
		if mib := peak(t, args...); mib > 100 {
			t.Errorf("%v: %d MiB", args, mib)
		}
	}
}

// An hour of the pipe bench goes through every command in less than 150 MiB: 2.9 GB of samples at
// its own rate, 360,000 poses. A lower rate is cheaper, and leaves the poses.
func TestMemoryOfAnHour(t *testing.T) {
	const most = 150 // MiB
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	text, err := os.ReadFile(rigFile("pipe-bench.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if *hourRate > 0 {
		text = regexp.MustCompile(`(?m)^sample_rate_hz: .*$`).ReplaceAll(text, fmt.Appendf(nil, "sample_rate_hz: %d", *hourRate))
	}
	rig := in("bench.rig.yaml")
	if err := os.WriteFile(rig, text, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"simulate", rig, "--path", "sweep", "--duration", "1h", "--mains", "50", "--out", in("hour")},
		{"inspect", in("hour"), "--rig", rig, "--out", in("look")},
		{"measure", in("hour"), "--rig", rig, "--window", "10ms", "--out", in("measured")},
		{"solve", in("hour"), "--rig", rig, "--window", "10ms", "--out", in("solved")},
		{"solve", in("hour"), "--rig", rig, "--window", "10ms", "--trajectory", "smooth", "--out", in("joined")},
		{"batch", dir, "--rig", rig, "--window", "10ms", "--out", in("set")},
	} {
		if mib := peak(t, append(args, "--quiet")...); mib > most {
			t.Errorf("%v: %d MiB, want at most %d", args, mib, most)
		}
		os.RemoveAll(in("measured"))
	}
}
