//go:build slow && linux

package cli

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"

	"tonepose/cmd/tonepose/internal/skeleton"
)

// soakBench is a recording with what is known of it; all are names on the shelf.
type soakBench struct {
	recording, rig, truth, stations string
	signal, reference               string // of a pair
}

// soakBenches are the sound recordings of a soak; those that have only a rig are simulated.
var soakBenches = []soakBench{
	{recording: "moving.sigmf-meta", rig: "pipe-bench.rig.yaml", truth: "pipe-bench-moving.truth.csv"},
	{recording: "stations.sigmf-meta", rig: "pipe-bench.rig.yaml", truth: "pipe-bench-stations.truth.csv", stations: "pipe-bench-stations.truth.csv"},
	{recording: "calibration.sigmf-meta", rig: "pipe-bench.rig.yaml", truth: "pipe-bench-calibration.reference.csv", stations: "pipe-bench-calibration.reference.csv"},
	{recording: "pipe-bench-metal.npy", rig: "pipe-bench.rig.yaml", truth: "pipe-bench-metal.truth.csv", stations: "pipe-bench-metal.truth.csv"},
	{recording: "micro.wav", rig: "micro-coil.rig.yaml", truth: "micro-coil-below-noise.truth.csv", stations: "micro-coil-below-noise.truth.csv"},
	{recording: "square.sigmf-meta", rig: "square-bench.rig.yaml", truth: "square.truth.csv"},
	{recording: "probes.wav", rig: "four-probes.rig.yaml", truth: "probes.truth.csv"},
	{recording: "bobbin.npy", rig: "bobbin-bench.rig.yaml", truth: "bobbin.truth.csv"},
	{recording: "card.wav", rig: "sound-card.rig.yaml", truth: "card.truth.csv"},
	{recording: "swept.csv", rig: "square-bench.rig.yaml", truth: "swept.truth.csv"},
	{recording: "bridge.csv", signal: "signal", reference: "reference"},
	{recording: "chopper.wav", signal: "signal", reference: "reference"},
	{recording: "microvolt.csv", signal: "signal_v", reference: "reference_v"},
}

// soakFolders are the sound folders of tables of a soak.
var soakFolders = []string{"solved", "smoothed", "measured", "paired", "lived", "set"}

// soakShelf makes what is sound, once, whatever the seeds are.
func soakShelf(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	names, err := filepath.Glob(rigFile("*.yaml"))
	csvs, _ := filepath.Glob(recordingFile("pipe-bench-*.csv"))
	if err != nil || len(names) == 0 || len(csvs) == 0 {
		t.Fatal(err, names, csvs)
	}
	copied(t, dir, slices.Concat(names, csvs, []string{recordingFile("pipe-bench-metal.npy"), recordingFile("micro-coil-below-noise.truth.csv")})...)
	write := func(name string, text []byte) {
		if err := os.WriteFile(in(name), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	read := func(name string, most int) []byte {
		text, err := os.ReadFile(recordingFile(name))
		if err != nil {
			t.Fatal(err)
		}
		return text[:min(len(text), most)]
	}
	hash := regexp.MustCompile(`,\s*"core:sha512": *"[0-9a-f]*"`)
	for name, most := range map[string]int{"moving": 240_000, "stations": 480_000, "calibration": 600_000} {
		write(name+".sigmf-data", read("pipe-bench-"+name+".sigmf-data", most))
		write(name+".sigmf-meta", hash.ReplaceAll(read("pipe-bench-"+name+".sigmf-meta", 1<<20), nil))
	}
	micro := read("micro-coil-below-noise.wav", 300_044)
	binary.LittleEndian.PutUint32(micro[4:], uint32(len(micro)-8)) // both sizes of a WAV that ends there
	if at := bytes.Index(micro, []byte("data")); at > 0 {
		binary.LittleEndian.PutUint32(micro[at+4:], uint32(len(micro)-at-8)/6*6)
	}
	write("micro.wav", micro)
	microvolt := read("one-microvolt.csv", 100_000)
	write("microvolt.csv", microvolt[:bytes.LastIndexByte(microvolt, '\n')+1])
	for i, o := range []skeleton.Options{
		{Name: "ring", Layout: skeleton.Ring, Emitters: 8, SizeM: 0.3, Coils: 3, RateHz: 100e3},
		{Name: "grid", Layout: skeleton.Grid, Emitters: 4, SizeM: 0.2, Coils: 1, RateHz: 20e3},
		{Name: "plate", Layout: skeleton.Plate, Emitters: 16, SizeM: 0.4, Coils: 2, RateHz: 200e3},
		{Name: "card", Layout: skeleton.Ring, Emitters: 6, SizeM: 0.3, Coils: 2, RateHz: 48e3, SoundCard: true},
	} {
		write(fmt.Sprintf("new%d.rig.yaml", i), []byte(skeleton.Rig(o)))
	}
	run := func(args ...string) {
		for i, arg := range args {
			if strings.HasPrefix(arg, "IN/") {
				args[i] = in(arg[3:])
			}
		}
		tonepose(t, append(args, "--quiet")...)
	}
	for name, rig := range map[string]string{"square.sigmf-meta": "square-bench", "probes.wav": "four-probes", "bobbin.npy": "bobbin-bench", "card.wav": "sound-card", "swept.csv": "square-bench"} {
		duration := "300ms"
		if filepath.Ext(name) == ".csv" {
			duration = "100ms"
		}
		run("simulate", "IN/"+rig+".rig.yaml", "--path", "sweep", "--duration", duration, "--mains", "50", "--out", "IN/"+name)
	}
	run("simulate", "pair", "bridge", "--duration", "1s", "--out", "IN/bridge.csv")
	run("simulate", "pair", "chopper", "--duration", "1s", "--out", "IN/chopper.wav")
	run("solve", "IN/stations.sigmf-meta", "--rig", "IN/pipe-bench.rig.yaml", "--window", "40ms", "--out", "IN/solved", "--figures", "none")
	run("solve", "IN/moving.sigmf-meta", "--rig", "IN/pipe-bench.rig.yaml", "--window", "10ms", "--trajectory", "smooth", "--out", "IN/smoothed")
	run("measure", "IN/moving.sigmf-meta", "--rig", "IN/pipe-bench.rig.yaml", "--window", "10ms", "--out", "IN/measured")
	run("measure", "IN/bridge.csv", "--signal", "signal", "--reference", "reference", "--window", "50ms", "--out", "IN/paired", "--figures", "none")
	run("live", "play:"+in("moving.sigmf-meta"), "--rig", "IN/pipe-bench.rig.yaml", "--window", "10ms", "--pace", "max", "--part", "100ms", "--out", "IN/lived")
	write("list.csv", []byte("recording,name,pipe\nmoving.sigmf-meta,a,A1\nstations.sigmf-meta,b,A2\nnone.wav,c,A2\n"))
	if err := process(t, "batch", in("list.csv"), "--rig", in("pipe-bench.rig.yaml"), "--window", "20ms", "--out", in("set"), "--quiet").Run(); err == nil {
		t.Fatal("a batch with a recording that is not there succeeds")
	}
	return dir
}

// soakNumbers are values that are hardly meant, or no numbers.
var soakNumbers = []string{"0", "-1", "1", "-0", "1e-300", "1e300", "1e18", "1e13", "1e9", "-1e9", "4096", "65536", "2147483648", "9223372036854775807", "9223372036854775808",
	"NaN", ".nan", "inf", ".inf", "-.inf", "1e400", "0x10", "1_000", "1,5", "abc", "", "null", "true", "[1,2]", "{}", "''", "5e-324"}

// soakTexts are texts that are hardly meant.
var soakTexts = []string{"", " ", "-", "--", ".", "..", "../x", "none", "nosuch", "\x1b[2J", "a\nb", "ä", "\u202e", "=1+1", "@x", "\x00x", "\xff\xfe", strings.Repeat("x", 5000), "1ms,2ms", "10", "ms", "%s%n", "/", "e1", "rx1", "drive", "probe"}

var numberInText = regexp.MustCompile(`[-+]?[0-9]+\.?[0-9]*(?:[eE][-+]?[0-9]+)?`)

// nudged changes one number of a text by up to a factor of two.
func nudged(random *rand.Rand, text []byte) []byte {
	return renumbered(random, text, func(old string) string {
		var v float64
		fmt.Sscan(old, &v)
		return fmt.Sprintf("%.9g", v*math.Exp2(2*random.Float64()-1))
	})
}

// renumbered replaces one number of a text.
func renumbered(random *rand.Rand, text []byte, by func(old string) string) []byte {
	all := numberInText.FindAllIndex(text, -1)
	if len(all) == 0 {
		return text
	}
	at := all[random.IntN(len(all))]
	return slices.Concat(text[:at[0]], []byte(by(string(text[at[0]:at[1]]))), text[at[1]:])
}

// spoilt is a text that somebody, or something, has damaged.
func spoilt(random *rand.Rand, text []byte) []byte {
	lines := bytes.SplitAfter(text, []byte("\n"))
	i, j := random.IntN(len(lines)), random.IntN(len(lines))
	switch random.IntN(14) {
	case 0, 1, 2, 3:
		return renumbered(random, text, func(string) string { return soakNumbers[random.IntN(len(soakNumbers))] })
	case 4:
		return bytes.Join(slices.Delete(slices.Clone(lines), i, i+1), nil)
	case 5:
		return bytes.Join(slices.Insert(slices.Clone(lines), i, lines[j]), nil)
	case 6:
		lines[i], lines[j] = lines[j], lines[i]
		return bytes.Join(lines, nil)
	case 7:
		return text[:random.IntN(len(text)+1)]
	case 8: // a word
		words := bytes.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" \t\r\n,:;{}[]\"", r) })
		if len(words) == 0 {
			return text
		}
		return bytes.Replace(text, words[random.IntN(len(words))], []byte(soakTexts[random.IntN(len(soakTexts))]), 1+random.IntN(3))
	case 9:
		return bytes.Repeat(text, 2+random.IntN(20))
	case 10:
		var wide []byte
		for _, u := range utf16.Encode([]rune(string(text))) {
			wide = binary.LittleEndian.AppendUint16(wide, u)
		}
		return append([]byte{0xff, 0xfe}, wide...)
	case 11:
		return bytes.ReplaceAll(text, []byte("\n"), [][]byte{[]byte("\r\n"), []byte("\r"), []byte(" "), []byte("\n\n"), []byte("\n\t")}[random.IntN(5)])
	case 12:
		return nil
	}
	return damaged(random, text)
}

// damaged are bytes that a medium or a transfer has damaged.
func damaged(random *rand.Rand, data []byte) []byte {
	data = slices.Clone(data)
	if len(data) == 0 {
		return data
	}
	at := random.IntN(len(data))
	if random.IntN(2) == 0 {
		at = random.IntN(min(len(data), 300)) // in the head
	}
	stretch := data[at:min(len(data), at+1+random.IntN(1+len(data)/4))]
	switch random.IntN(9) {
	case 0:
		return data[:at]
	case 1:
		for range 1 + random.IntN(20) {
			data[random.IntN(len(data))] ^= 1 << random.IntN(8)
		}
	case 2:
		for range 1 + random.IntN(3) {
			data[random.IntN(min(len(data), 300))] = byte(random.Uint32())
		}
	case 3:
		clear(stretch)
	case 4:
		for i := range stretch {
			stretch[i] = 0xff
		}
	case 5:
		return slices.Delete(data, at, at+len(stretch))
	case 6:
		return slices.Insert(data, at, slices.Clone(stretch)...)
	case 7: // numbers that are none, where the samples are floats
		for i := 0; i+4 <= len(stretch); i += 4 {
			binary.LittleEndian.PutUint32(stretch[i:], math.Float32bits([]float32{float32(math.NaN()), float32(math.Inf(1)), 3e38, -3e38}[random.IntN(4)]))
		}
	case 8:
		for i := range stretch {
			stretch[i] = byte(random.Uint32())
		}
	}
	return data
}
