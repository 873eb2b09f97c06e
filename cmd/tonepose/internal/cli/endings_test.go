package cli

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// endable is a command that writes below a folder, and nothing else.
type endable struct {
	name string
	args []string // OUT stands for the folder
	time time.Duration
	left string           // a folder with what a whole run leaves
	made map[string]int64 // names and sizes of that
}

// endables are one call of every command, on what they can end soon with.
func endables(t *testing.T) []*endable {
	t.Helper()
	dir := t.TempDir()
	moving, stations, bench := recordingFile("pipe-bench-moving.sigmf-meta"), recordingFile("pipe-bench-stations.sigmf-meta"), rigFile("pipe-bench.rig.yaml")
	run := filepath.Join(dir, "run")
	tonepose(t, "solve", stations, "--rig", bench, "--window", "50ms", "--out", run, "--figures", "none")
	common := filepath.Join(dir, "common.npy")
	commonSignal(t, common, []float64{2000, 5125, 11675}, []float64{100, 100, 100, 1}, []float64{0, 0, 0, 0}, 1e-5)
	bridge := filepath.Join(dir, "bridge.csv")
	tonepose(t, "simulate", "pair", "bridge", "--duration", "1s", "--out", bridge, "--quiet")
	var all []*endable
	add := func(name string, args ...string) { all = append(all, &endable{name: name, args: args}) }
	add("demo", "demo", "--dir", "OUT/demo")
	add("rig new", "rig", "new", "--out", "OUT/new.rig.yaml")
	add("rig check", "rig", "check", bench, "--out", "OUT/drawing")
	add("plan", "plan", rigFile("ring-to-plan.rig.yaml"), "--stations", "OUT/board.csv", "--out", "OUT/plan")
	add("inspect", "inspect", stations, "--rig", bench, "--out", "OUT/look")
	add("measure", "measure", moving, "--rig", bench, "--window", "10ms", "--out", "OUT/measured")
	add("solve", "solve", moving, "--rig", bench, "--window", "10ms", "--trajectory", "smooth", "--out", "OUT/solved")
	add("calibrate", "calibrate", recordingFile("pipe-bench-calibration.sigmf-meta"), "--rig", bench, "--intervals", recordingFile("pipe-bench-calibration.reference.csv"), "--figures", "svg", "--out", "OUT/built.rig.yaml")
	add("calibrate channels", "calibrate", "channels", common, "--rig", bench, "--reference", "rx1", "--tones", "2000,5125,11675", "--out", "OUT/matched.rig.yaml")
	add("assess", "assess", run, "--truth", recordingFile("pipe-bench-stations.truth.csv"), "--out", "OUT/figures")
	add("report", "report", run, "--truth", recordingFile("pipe-bench-stations.truth.csv"), "--recording", stations, "--out", "OUT/run.html")
	add("simulate", "simulate", bench, "--path", "stations", "--duration", "2s", "--out", "OUT/simulated")
	add("simulate pair", "simulate", "pair", "bridge", "--out", "OUT/bridge.csv")
	add("simulate wav", "simulate", bench, "--path", "sweep", "--duration", "500ms", "--scene", rigFile("over-plate.scene.yaml"), "--bits", "24", "--out", "OUT/swept.wav")
	add("measure pair", "measure", bridge, "--signal", "signal", "--reference", "reference", "--window", "50ms", "--out", "OUT/pair")
	add("export", "export", filepath.Join(run, "phasors.parquet"), "--out", "OUT/phasors.csv")
	add("batch", batchArgs(batchList(t, 2), "OUT/set")...)
	add("help", "help", "--man", "OUT/man")
	return all
}

// command is the command, that writes below out, over what is there.
func (e *endable) command(t *testing.T, out string) *exec.Cmd {
	var args []string
	for _, arg := range e.args {
		args = append(args, strings.Replace(arg, "OUT", out, 1))
	}
	if e.name != "demo" && e.name != "help" { // which replace anyway
		args = append(args, "--force")
	}
	return process(t, args...)
}

// whole runs the command to its end, and learns how long that takes and what it leaves.
func (e *endable) whole(t *testing.T) {
	t.Helper()
	e.left = t.TempDir()
	begin := time.Now()
	if text, err := e.command(t, e.left).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v, %s", e.name, err, text)
	}
	e.time = time.Since(begin)
	e.made, _ = below(t, e.left)
}

// folders are those below one.
func folders(t *testing.T, dir string) (all []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err == nil && e.IsDir() {
			all = append(all, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// below are the files below a folder with their sizes, and those that are hidden.
func below(t *testing.T, dir string) (made map[string]int64, hidden []string) {
	t.Helper()
	made = map[string]int64{}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		name, err := filepath.Rel(dir, path)
		made[name] = info.Size()
		if strings.HasPrefix(e.Name(), ".") {
			delete(made, name)
			hidden = append(hidden, name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return made, hidden
}

// halves are the files of an ended run that are none of a whole one. Pages and rigs state
// when they were made, and a few numbers differ in length with it.
func (e *endable) halves(made map[string]int64) (bad []string) {
	for name, size := range made {
		whole, ok := e.made[name]
		if slack := int64(200); !ok || size < whole-slack || size > whole+slack {
			bad = append(bad, fmt.Sprintf("%s: %d bytes, %d of a whole run", name, size, whole))
		}
	}
	return bad
}

// interrupted ends the command with a signal after a while, and looks at what it leaves.
func (e *endable) interrupted(t *testing.T, after time.Duration, sig syscall.Signal) (took time.Duration) {
	t.Helper()
	out := t.TempDir()
	c := e.command(t, out)
	var errs bytes.Buffer
	c.Stderr = &errs
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(after)
	begin := time.Now()
	if err := c.Process.Signal(sig); errors.Is(err, os.ErrProcessDone) {
		begin = time.Now()
	}
	c.Wait()
	took = time.Since(begin)
	made, hidden := below(t, out)
	where := fmt.Sprintf("%s, %v after %v of %v", e.name, sig, after.Round(time.Millisecond), e.time.Round(time.Millisecond))
	if len(hidden) > 0 {
		t.Errorf("%s: left behind: %v", where, hidden)
	}
	if bad := e.halves(made); len(bad) > 0 {
		t.Errorf("%s: %v", where, bad)
	}
	status, _ := c.ProcessState.Sys().(syscall.WaitStatus)
	switch code := c.ProcessState.ExitCode(); {
	case code == 0:
		if len(made) != len(e.made) {
			t.Errorf("%s: done, with %v", where, made)
		}
	case status.Signaled(): // before it looked for signals
		if len(made) > 0 {
			t.Errorf("%s: killed, with %v", where, made)
		}
	case code != 128+int(sig):
		t.Errorf("%s: exit code %d, %s", where, code, errs.String())
	case len(made) == 0 && !strings.HasSuffix(errs.String(), "tonepose: interrupted, nothing written\n"):
		t.Errorf("%s: nothing is there, and it says %q", where, errs.String())
	case len(made) > 0 && !strings.Contains(errs.String(), "tonepose: interrupted; complete: "):
		t.Errorf("%s: %v are there, and it says %q", where, made, errs.String())
	}
	return took
}

var endingSignals = []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP}

// unignored lets processes that are started here be interrupted although this one ignores it,
// as one in the background may.
func unignored() {
	for _, sig := range endingSignals {
		if signal.Ignored(sig) {
			signal.Notify(make(chan os.Signal, 1), sig)
		}
	}
}

// Every command ends with a signal at a moment of its own, says what there is, and leaves
// nothing else.
func TestCommandsEndWithSignals(t *testing.T) {
	random := rand.New(rand.NewPCG(15, 1))
	for i, e := range endables(t) {
		if slices.Contains([]string{"demo", "plan", "assess"}, e.name) {
			continue // take seconds: slow tests end them
		}
		e.whole(t)
		// How long it takes to end is measured in slow tests.
		e.interrupted(t, time.Duration(random.Float64()*float64(e.time)), endingSignals[i%3])
	}
}

// A signal ends what waits: for samples that don't come, and for a reader that doesn't read.
func TestStalledCommandsEndWithSignals(t *testing.T) {
	table := filepath.Join(t.TempDir(), "run")
	tonepose(t, "solve", recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "10ms", "--out", table, "--figures", "none")
	for i, c := range []struct {
		args  []string
		says  string
		ready func() bool
	}{
		{[]string{"inspect", "-", "--format", "ri16_le", "--rate", "1000", "--channels", "2"}, "tonepose: interrupted, nothing written\n", nil},
		{[]string{"solve", "-", "--rig", rigFile("pipe-bench.rig.yaml"), "--out", filepath.Join(t.TempDir(), "out")}, "tonepose: interrupted, nothing written\n", nil},
		{[]string{"export", filepath.Join(table, "phasors.parquet")}, "tonepose: interrupted: the table on standard output is cut short\n", nil},
	} {
		sig := endingSignals[i%3]
		p := process(t, c.args...)
		in, err := p.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		defer in.Close()
		out, err := p.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		var errs bytes.Buffer
		p.Stderr = &errs
		if err := p.Start(); err != nil {
			t.Fatal(err)
		}
		if c.args[0] == "export" { // its first row tells that it is at it
			out.Read(make([]byte, 1))
		} else { // more than a pipe holds: what is written is read
			in.Write(make([]byte, 1<<18))
		}
		time.Sleep(100 * time.Millisecond)
		p.Process.Signal(sig)
		ended := make(chan error, 1)
		go func() { ended <- p.Wait() }()
		select {
		case <-ended:
		case <-time.After(time.Minute):
			p.Process.Kill()
			t.Fatalf("%v: goes on", c.args)
		}
		if code := p.ProcessState.ExitCode(); code != 128+int(sig) || errs.String() != c.says {
			t.Errorf("%v: exit code %d, %q, want %d, %q", c.args, code, errs.String(), 128+int(sig), c.says)
		}
	}
}

// The page ends in good order, also while the recording is solved that it is to show, and
// leaves nothing of that.
func TestWorkbenchEndsWithSignals(t *testing.T) {
	for i, args := range [][]string{
		{"workbench"},
		{"workbench", recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml")},
		{"workbench", recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "2ms"},
	} {
		temp := t.TempDir()
		c := process(t, args...)
		c.Env = append(c.Env, "TMPDIR="+temp)
		var errs bytes.Buffer
		c.Stderr = &errs
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		if i < 2 { // until it serves
			out.Read(make([]byte, 1))
		} else { // until it solves
			for begun := false; !begun; time.Sleep(time.Millisecond) {
				list, _ := filepath.Glob(filepath.Join(temp, "*", "*", ".*"))
				begun = len(list) > 0
			}
		}
		c.Process.Signal(endingSignals[i])
		if err := c.Wait(); err != nil {
			t.Errorf("%v, %v: %v, %s", args, endingSignals[i], err, errs.String())
		}
		if left, _ := filepath.Glob(filepath.Join(temp, "*")); len(left) > 0 {
			t.Errorf("%v: left behind: %v", args, left)
		}
	}
}

// A process that was started to ignore hang-ups, as by nohup, goes on.
func TestIgnoredSignalsStayIgnored(t *testing.T) {
	out := filepath.Join(t.TempDir(), "sim")
	c := process(t, "simulate", rigFile("pipe-bench.rig.yaml"), "--path", "stations", "--duration", "1s", "--out", out)
	c.Path, c.Args = "/bin/sh", []string{"sh", "-c", `trap "" HUP; exec "$0"`, os.Args[0]}
	if err := c.Start(); err != nil {
		t.Skip("no /bin/sh here, which ignores a signal for what it starts: ", err)
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	for {
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("%v", err)
			}
			if _, err := os.Stat(out + ".sigmf-data"); err != nil {
				t.Error(err)
			}
			return
		case <-time.After(20 * time.Millisecond):
			if _, err := os.Stat(filepath.Dir(out)); err == nil {
				if left, _ := filepath.Glob(filepath.Join(filepath.Dir(out), ".*")); len(left) > 0 { // well under way
					c.Process.Signal(syscall.SIGHUP)
				}
			}
		}
	}
}
