package recording

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
)

// TestStandardInput: every format that a file can have, through a pipe, read twice; no temporary file stays.
func TestStandardInput(t *testing.T) {
	dir := t.TempDir()
	t.Setenv(temporary(), dir)
	x := ramp(2, 300)
	samples := interleave(t, sampleType{'i', 2, false}, x)
	counts := scaled(x, 1.0/32768)
	for name, c := range map[string]struct {
		data []byte
		opt  Options
		want [][]float64
	}{
		"wav": {riff("RIFF", fmtChunk(1, 2, 1000, 2, 16, 0), chunk("data", samples)), Options{}, counts},
		"npy": {npy(1, "<i2", false, "(300, 2)", samples), Options{SampleRate: 1000}, counts},
		"raw": {samples, Options{Format: "ri16_le", SampleRate: 1000, Channels: 2}, counts},
		"csv": {[]byte("t,a\n0,1\n0.001,2\n0.002,3\n"), Options{}, [][]float64{{1, 2, 3}}},
	} {
		t.Run(name, func(t *testing.T) {
			c.opt.Stdin = iotest.OneByteReader(bytes.NewReader(c.data))
			r, err := Open(context.Background(), "-", c.opt)
			if err != nil {
				t.Fatal(err)
			}
			for range 2 {
				if d := cmp.Diff(c.want, readAll(t, r, 64)); d != "" {
					t.Errorf("-want +got:\n%s", d)
				}
				if err := r.Rewind(); err != nil {
					t.Fatal(err)
				}
			}
			if in := r.Info(); in.Name != "-" || in.SampleRate != 1000 || in.SizeBytes != int64(len(c.data)) {
				t.Errorf("info %+v", in)
			}
			if err := r.Close(); err != nil {
				t.Error(err)
			}
			if left, _ := os.ReadDir(dir); len(left) != 0 {
				t.Errorf("%d files left behind", len(left))
			}
		})
	}
}

func TestStandardInputErrors(t *testing.T) {
	openError(t, "-", Options{Stdin: bytes.NewReader(nil)}, "-: empty")
	openError(t, "-", Options{Stdin: bytes.NewReader([]byte{0x80, 1, 2, 3})}, "-: starts with", "ri16_le")
	broken := io.MultiReader(bytes.NewReader([]byte("t,a\n")), iotest.ErrReader(errors.New("broken pipe")))
	openError(t, "-", Options{Stdin: broken}, "4 bytes", "broken pipe")
	// The variable that the message names is the one that the system asks.
	t.Setenv(temporary(), filepath.Join(t.TempDir(), "none"))
	openError(t, "-", Options{Stdin: bytes.NewReader([]byte("t,a\n"))}, "set "+temporary())
}

// TestStandardInputFile: a file redirected to standard input is read in place and stays open for its owner.
func TestStandardInputFile(t *testing.T) {
	f, err := os.Open(save(t, "bench.csv", []byte("t,a\n0,1\n1,2\n")))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	t.Setenv(temporary(), filepath.Join(t.TempDir(), "none")) // no copy is made
	r, err := Open(context.Background(), "-", Options{Stdin: f})
	if err != nil {
		t.Fatal(err)
	}
	readAll(t, r, 10)
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	if _, err := f.Stat(); err != nil {
		t.Errorf("closed: %v", err)
	}
}
