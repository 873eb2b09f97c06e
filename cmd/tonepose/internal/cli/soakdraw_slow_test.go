//go:build slow && linux

package cli

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// soakDraw draws the calls of one step, and makes what they read.
type soakDraw struct {
	t      *testing.T
	random *rand.Rand
	shelf  string
	dir    string // of the step: in/ and out/ are named from there
	made   int
}

// pick draws one of several.
func pick[T any](d *soakDraw, from ...T) T { return from[d.random.IntN(len(from))] }

func (d *soakDraw) chance(share float64) bool { return d.random.Float64() < share }

// put makes an input of a name that no other has.
func (d *soakDraw) put(name string, data []byte) string {
	name = filepath.Join("in", fmt.Sprintf("%d-%s", d.made, name))
	d.made++
	if err := os.WriteFile(filepath.Join(d.dir, name), data, 0o644); err != nil {
		d.t.Fatal(err)
	}
	return name
}

func (d *soakDraw) read(name string) []byte {
	data, err := os.ReadFile(filepath.Join(d.shelf, name))
	if err != nil {
		d.t.Fatal(err)
	}
	return data
}

// text is a file of the shelf, most often as it is.
func (d *soakDraw) text(name string) string {
	if d.chance(0.03) {
		return pick(d, "in/none.csv", "", ".", "in", d.put("binary.csv", d.read("chopper.wav")))
	}
	data := d.read(name)
	if d.chance(0.3) {
		data = nudged(d.random, data)
	} else {
		for d.chance(0.2) {
			data = spoilt(d.random, data)
		}
	}
	return d.put(name, data)
}

func (d *soakDraw) rig(name string) string {
	if d.chance(0.1) {
		name = pick(d, "pipe-bench", "square-bench", "four-probes", "micro-coil", "bobbin-bench", "sound-card", "ring-to-plan", "new0", "new1", "new2", "new3") + ".rig.yaml"
	}
	if made, _ := filepath.Glob(filepath.Join(d.dir, "out", "*.rig.yaml")); len(made) > 0 && d.chance(0.2) {
		return filepath.Join("out", filepath.Base(pick(d, made...)))
	}
	return d.text(name)
}

// recording is one of the shelf in one or two files, most often as it is.
func (d *soakDraw) recording(name string) string {
	for _, ext := range []string{"*.sigmf-meta", "*.wav", "*.npy"} {
		if made, _ := filepath.Glob(filepath.Join(d.dir, "out", ext)); len(made) > 0 && d.chance(0.3) {
			return filepath.Join("out", filepath.Base(pick(d, made...)))
		}
	}
	if d.chance(0.03) {
		return pick(d, "in/none.wav", "in", d.put("rig.wav", d.read("pipe-bench.rig.yaml")), d.put("table.npy", d.read("solved/poses.parquet")))
	}
	worse := func(data []byte) []byte {
		for d.chance(0.2) {
			data = damaged(d.random, data)
		}
		return data
	}
	stem, isPair := strings.CutSuffix(name, ".sigmf-meta")
	if !isPair {
		if filepath.Ext(name) == ".csv" {
			return d.text(name)
		}
		return d.put(name, worse(d.read(name)))
	}
	data := worse(d.read(stem + ".sigmf-data"))
	samples := d.put(stem+".sigmf-data", data)
	meta := d.read(name)
	for d.chance(0.2) {
		meta = spoilt(d.random, meta)
	}
	as := strings.TrimSuffix(samples, ".sigmf-data") + ".sigmf-meta"
	if err := os.WriteFile(filepath.Join(d.dir, as), meta, 0o644); err != nil {
		d.t.Fatal(err)
	}
	if d.chance(0.03) {
		os.Remove(filepath.Join(d.dir, samples))
	}
	return pick(d, as, as, samples, strings.TrimSuffix(as, ".sigmf-meta"))
}

// folder is one of tables, most often as it is.
func (d *soakDraw) folder(names ...string) string {
	var made []string
	all, _ := filepath.Glob(filepath.Join(d.dir, "out", "*"))
	for _, name := range all {
		if info, err := os.Stat(name); err == nil && info.IsDir() {
			made = append(made, filepath.Join("out", filepath.Base(name)))
		}
	}
	if len(made) > 0 && d.chance(0.5) {
		return pick(d, made...)
	}
	if d.chance(0.1) {
		names = soakFolders
	}
	name := pick(d, names...)
	to := filepath.Join("in", fmt.Sprintf("%d-%s", d.made, name))
	d.made++
	if err := os.CopyFS(filepath.Join(d.dir, to), os.DirFS(filepath.Join(d.shelf, name))); err != nil {
		d.t.Fatal(err)
	}
	files, _ := below(d.t, filepath.Join(d.dir, to))
	for file := range files {
		file = filepath.Join(d.dir, to, file)
		switch {
		case d.chance(0.05):
			data, err := os.ReadFile(file)
			if err != nil {
				d.t.Fatal(err)
			}
			os.WriteFile(file, damaged(d.random, data), 0o644)
		case d.chance(0.02):
			os.Remove(file)
		case d.chance(0.01):
			os.Rename(file, filepath.Join(filepath.Dir(file), "phasors.parquet"))
		}
	}
	return to
}

// list names recordings for a batch.
func (d *soakDraw) list() string {
	text := pick(d, "recording", "recording,name", "recording,rig", "recording,intervals,probe", "name,recording", "recording,baseline", "x") + "\n"
	columns := strings.Count(text, ",")
	for range d.random.IntN(4) {
		b := pick(d, soakBenches...)
		cells := []string{filepath.Base(d.recording(b.recording)), pick(d, soakTexts...), "7"}
		if b.rig != "" && strings.Contains(text, "rig") {
			cells[1] = filepath.Base(d.rig(b.rig))
		}
		text += strings.Join(cells[:columns+1], ",") + "\n"
	}
	data := []byte(text)
	if d.chance(0.2) {
		data = spoilt(d.random, data)
	}
	return d.put("list.csv", data)
}

// out names something to write: few names, so that they meet.
func (d *soakDraw) out(ext string, call *soakCall) string {
	if d.chance(0.03) { // what is read
		if read := slices.DeleteFunc(slices.Clone(call.args), func(a string) bool { return !strings.HasPrefix(a, "in/") }); len(read) > 0 {
			return pick(d, read...)
		}
	}
	if d.chance(0.03) {
		return filepath.Join("out", pick(d, "none/below", strings.Repeat("n", 300), "new\nline", "ünï", "a b", "-x", "a.csv", "x.tar"))
	}
	return filepath.Join("out", pick(d, "a", "b", "c")+ext)
}

var soakTree = newRoot(Streams{In: strings.NewReader(""), Out: io.Discard, Err: io.Discard})

// call draws a command line and what happens to it.
func (d *soakDraw) call() *soakCall {
	c := &soakCall{threads: pick(d, 1, 2, 3, 8)}
	d.words(c)
	if cmd, _, err := soakTree.Find(c.args); err == nil {
		d.flags(c, cmd)
	}
	c.args = slices.DeleteFunc(c.args, func(arg string) bool { return strings.ContainsAny(arg, "\x00") }) // no system takes these
	for i, arg := range c.args {
		c.args[i] = strings.ReplaceAll(arg, "\n", "\r") // by which process parts them
	}
	switch {
	case c.endless:
		c.signal, c.after = pick(d, endingSignals...), time.Duration(d.random.ExpFloat64()*float64(1500*time.Millisecond))
	case d.chance(0.25):
		c.signal, c.after = pick(d, append([]syscall.Signal{syscall.SIGKILL, syscall.SIGKILL}, endingSignals...)...), time.Duration(d.random.ExpFloat64()*float64(300*time.Millisecond))
		c.twice = d.chance(0.2)
	case c.long:
		c.signal, c.after = syscall.SIGTERM, soakLong
	}
	c.after = min(c.after, soakLong)
	c.unread = d.chance(0.03)
	if d.chance(0.02) {
		c.handles = 8 + d.random.IntN(30)
	}
	return c
}

// words are the command, its names, and the flags that it can't do without.
func (d *soakDraw) words(c *soakCall) {
	b := pick(d, soakBenches...)
	rigged := b
	for rigged.rig == "" {
		rigged = pick(d, soakBenches...)
	}
	timed := rigged
	for timed.stations == "" {
		timed = pick(d, soakBenches...)
	}
	window := pick(d, "5ms", "10ms", "20ms", "50ms")
	add := func(args ...string) { c.args = append(c.args, args...) }
	switch n := d.random.IntN(100); {
	case n < 1:
		add("demo", "--dir", "out/demo")
	case n < 3:
		add(pick(d, []string{"help", pick(d, "rig", "tables", "flags", "nosuch")}, []string{"help", "--man", "out/man"}, []string{"--version"}, []string{"completion", "bash"},
			[]string{"rig", "schema"}, []string{"nosuch"}, []string{"solve", "--help"})...)
	case n < 5:
		add("rig", "new", "--out", d.out(".rig.yaml", c))
	case n < 9:
		add("rig", "check", d.rig(rigged.rig))
		if d.chance(0.3) {
			add("--out", d.out("", c))
		}
	case n < 13:
		add("plan", d.rig(pick(d, rigged.rig, "new0.rig.yaml", "new1.rig.yaml", "new3.rig.yaml")))
		if d.chance(0.3) {
			add("--rig-out", d.out(".rig.yaml", c))
		}
		if d.chance(0.3) {
			add("--out", d.out("", c))
		}
	case n < 23: // may take as long as its rig and duration say
		add("simulate", d.rig(rigged.rig), "--path", pick(d, "sweep", "stations", d.text(rigged.truth)),
			"--duration", pick(d, "100ms", "300ms", "1s"), "--out", d.out(pick(d, "", ".sigmf-meta", ".wav", ".npy", ".csv"), c))
		c.long = true
	case n < 27:
		add("simulate", "pair", pick(d, "bridge", "chopper", "acoustic"), "--duration", pick(d, "100ms", "1s"), "--out", d.out(pick(d, ".sigmf-meta", ".wav", ".npy", ".csv"), c))
		c.long = true // so may this, by its rate
	case n < 37:
		add("inspect", d.recording(b.recording))
		if b.rig != "" && d.chance(0.7) {
			add("--rig", d.rig(b.rig))
		}
		if d.chance(0.3) {
			add("--out", d.out("", c))
		}
	case n < 46:
		add("measure", d.recording(b.recording), "--out", d.out("", c))
		if b.rig != "" {
			add("--rig", d.rig(b.rig), "--window", window)
		} else {
			add("--signal", b.signal, "--reference", b.reference)
		}
	case n < 60:
		add("solve", d.recording(rigged.recording), "--rig", d.rig(rigged.rig), "--out", d.out("", c), "--window", window)
	case n < 66:
		add("calibrate", d.recording(timed.recording), "--rig", d.rig(timed.rig), "--intervals", d.text(timed.stations), "--out", d.out(".rig.yaml", c))
	case n < 68:
		add("calibrate", "channels", d.recording(rigged.recording), "--rig", d.rig(rigged.rig), "--reference", pick(d, "rx1", "rx2", "drive"), "--out", d.out(".rig.yaml", c))
	case n < 74:
		add("assess", d.folder("solved", "smoothed", "lived"))
		if d.chance(0.8) {
			add("--truth", pick(d, d.text("pipe-bench-stations.truth.csv"), d.text("pipe-bench-moving.truth.csv"), d.folder("solved")))
		} else {
			add("--pivot")
		}
	case n < 79:
		add("report", d.folder("solved", "smoothed", "lived"), "--out", d.out(".html", c))
		if d.chance(0.3) {
			add("--truth", d.text("pipe-bench-moving.truth.csv"))
		}
	case n < 85:
		folder := d.folder(soakFolders...)
		if d.chance(0.7) {
			folder = filepath.Join(folder, pick(d, "poses", "phasors", "couplings", "integrity", "demodulated", "poses-000001")+".parquet")
		}
		add("export", folder)
		if d.chance(0.5) {
			add("--out", d.out(".csv", c))
		}
	case n < 91:
		add("batch", pick(d, d.list(), d.list(), d.folder("set"), "in"), "--rig", d.rig(rigged.rig), "--out", d.out("", c), "--window", window)
	case n < 97:
		d.source(c, rigged)
	default:
		c.endless = true
		add("workbench")
		switch d.random.IntN(4) {
		case 0:
			add(d.folder("solved", "smoothed", "lived"))
		case 1:
			add(d.recording(rigged.recording), "--rig", d.rig(rigged.rig))
		case 2:
			add("play:"+d.recording(rigged.recording), "--rig", d.rig(rigged.rig))
		}
	}
}

// source draws a stream for live.
func (d *soakDraw) source(c *soakCall, b soakBench) {
	c.args = append(c.args, "live")
	switch name := d.recording(b.recording); d.random.IntN(6) {
	case 0:
		c.args = append(c.args, "-", "--rig", d.rig(b.rig), "--format", pick(d, "ri16_le", "rf32_le", "csv", "wav"))
		c.stdin, _ = os.ReadFile(filepath.Join(d.dir, name))
		if c.stdin == nil {
			c.stdin = []byte{}
		}
	case 1:
		c.args = append(c.args, "growing:"+name, "--rig", d.rig(b.rig), "--idle", "200ms")
	case 2:
		c.args, c.endless = append(c.args, "bench:", "--pace", pick(d, "1", "10", "max")), true
	case 3:
		c.args, c.endless = append(c.args, pick(d, "tcp://127.0.0.1:1", "tcp-listen://127.0.0.1:0", "tcp://", "udp://127.0.0.1:1", "instrument"), "--rig", d.rig(b.rig), "--format", "ri16_le"), true
	default:
		c.args = append(c.args, "play:"+name, "--rig", d.rig(b.rig), "--pace", "max")
	}
	c.args = append(c.args, "--window", pick(d, "10ms", "20ms"))
	if d.chance(0.6) {
		c.args = append(c.args, "--out", d.out("", c), "--part", "100ms")
	}
	if d.chance(0.3) {
		c.args = append(c.args, "--record", d.out(pick(d, "", ".wav"), c))
	}
}

// flags adds a few of the command's other flags.
func (d *soakDraw) flags(c *soakCall, cmd *cobra.Command) {
	var all []*pflag.Flag
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		if !slices.Contains([]string{"open", "allow-remote", "help", "force", "dir", "man"}, f.Name) && !slices.Contains(c.args, "--"+f.Name) {
			all = append(all, f)
		}
	})
	if cmd.Flags().Lookup("force") != nil && d.chance(0.5) {
		c.args = append(c.args, "--force")
	}
	for d.chance(0.55) && len(all) > 0 {
		f := pick(d, all...)
		text, ok := d.value(f, c)
		if !ok {
			continue
		}
		if f.Value.Type() == "bool" {
			c.args = append(c.args, "--"+f.Name)
			continue
		}
		c.args = append(c.args, "--"+f.Name+"="+text)
		if f.Name == "script" {
			c.unread = false
		}
	}
	if slices.ContainsFunc(c.args, func(a string) bool { return strings.HasPrefix(a, "--duration=") || strings.HasPrefix(a, "--idle=") }) {
		c.long = true
	}
}

// soakValues are sound values of flags by their kinds; what else there is has words in its help.
var soakValues = map[string][]string{
	"I/N": {"1/2", "2/2", "3/2", "0/1"}, "channels": {"amplifier", "emitter", "e1+e2"}, "current": {"0.5", "100mA", "2A"}, "decibels": {"60", "120dB"},
	"degrees": {"0.1", "30", "45°"}, "density": {"5e-9", "10nV/√Hz", "0"}, "duration": {"1ms", "5ms", "20ms", "50ms", "100ms", "0s"}, "factor": {"1", "10", "max"},
	"fit": {"none", "rigid", "hand-eye"}, "float": {"0.5", "0.99"}, "form": {"json", "csv"}, "formats": {"svg", "png", "pdf", "none", "png,svg,pdf"},
	"frequencies": {"2e3,5e3", "5125,6325"}, "frequency": {"10", "50", "1000", "5125", "20kHz", "100000", "48k"}, "gain": {"0.5", "1"}, "goal": {"worst", "mean"},
	"int": {"0", "1", "2", "3", "5", "8", "16", "24"}, "intSlice": {"1", "1,3", "2,4,6"}, "kind": {"cascade1", "cascade4", "butterworth2", "butterworth8", "fir", "filter", "smooth", "spline", "none", "slurm", "kubernetes"},
	"layout": {"ring", "grid", "plate"}, "length": {"0.1mm", "30mm", "100mm", "e1,e5,400mm,0.1mm"}, "lengths": {"0.5m", "100mm,200mm"},
	"list": {"default", "frame", "50", "50,60", "both", "none", "gain,delay"}, "loss": {"huber", "cauchy", "tukey", "none"}, "mode": {"common", "each", "none"},
	"model": {"acceleration", "velocity"}, "name": {"hann", "rectangular", "nuttall4c", "blackman-harris"}, "point": {"origin", "tip"}, "ppm": {"25", "-100ppm", "200", "1000"},
	"ppm/s": {"0.1", "-1"}, "recorder": {"adc", "sound-card"}, "resistance": {"1e-6", "1mΩ"}, "scale": {"2V", "1A"}, "share": {"1%", "0.01"}, "temperature": {"20", "-10°C"},
	"time": {"2026-01-01T00:00:00Z", "1970-01-01T00:00:00Z"}, "uint64": {"0", "7", "18446744073709551615"}, "voltage": {"1", "10mV"}, "volts": {"2.5", "1,2,3,4", "1mV"},
	"wire": {"0.5mm", "awg24", "awg40"}, "x,y,z": {"0,0,0.1", "1,2,3"}, "bool": {"true"},
}

var lastNumber = regexp.MustCompile(`[0-9.]+`)

// value draws a flag's value.
func (d *soakDraw) value(f *pflag.Flag, c *soakCall) (text string, ok bool) {
	_, isRead := f.Annotations[read]
	hostile := d.chance(0.2)
	switch f.Name {
	case "out", "record", "rig-out", "drive", "save-rig", "save-transform":
		return d.out(map[string]string{"rig-out": ".rig.yaml", "save-rig": ".rig.yaml", "drive": pick(d, ".wav", ".npy", ".csv"), "save-transform": ".json", "record": pick(d, "", ".wav")}[f.Name], c), true
	case "stations":
		if !isRead {
			return d.out(".csv", c), true
		}
		return d.text("pipe-bench-stations.truth.csv"), true
	case "rig":
		return d.rig("pipe-bench.rig.yaml"), true
	case "recording", "baseline":
		return d.recording(pick(d, "moving.sigmf-meta", "stations.sigmf-meta")), true
	case "truth", "intervals", "suggest":
		return d.text(pick(d, "pipe-bench-stations.truth.csv", "pipe-bench-moving.truth.csv", "pipe-bench-calibration.reference.csv")), true
	case "path":
		return pick(d, "sweep", "stations", d.text("pipe-bench-moving.truth.csv")), true
	case "scene":
		return d.text("over-plate.scene.yaml"), true
	case "transform", "calibration":
		return d.put("in.json", spoilt(d.random, []byte(`{"rotation": {"w": 1, "x": 0, "y": 0, "z": 0}, "translation_m": [0.1, 0, 0]}`+"\n"))), true
	case "plan":
		return d.folder("solved"), true
	case "address":
		return pick(d, "127.0.0.1:0", "localhost:0", "127.0.0.1", ":", "127.0.0.1:99999", "x"), true
	case "format":
		return pick(d, "sigmf", "wav", "npy", "csv", "ri16_le", "rf32_le", "ri8", "cf32_le", "json", "x"), true
	case "jobs", "shards", "emitters", "levels", "resamples", "channels":
		return pick(d, "1", "2", "3", "0", "-1", "64", "1000000", "x"), true
	case "duration", "part", "idle", "output-rate", "rate", "hold", "pace", "spacing", "size", "drive-rate", "drive-length":
		if hostile {
			return pick(d, "0s", "-1s", "1e9s", "1e300s", "1h", "1", "0", "-5", "1e9", "1e300", "1mm", "1km", "1ns", "0.001"), true
		}
	}
	if hostile {
		return pick(d, append(soakNumbers, soakTexts...)...), true
	}
	values := soakValues[f.Value.Type()]
	if f.Value.Type() == "string" {
		values = []string{"probe", "rx1", "drive", "signal", "reference", "hann", "default"}
	}
	if values == nil {
		d.t.Fatalf("--%s is of the kind %s, of which no values are known here", f.Name, f.Value.Type())
	}
	text = pick(d, values...)
	if d.chance(0.1) {
		text = string(bytes.TrimSpace(lastNumber.ReplaceAll([]byte(text), []byte(pick(d, soakNumbers...)))))
	}
	return text, true
}
