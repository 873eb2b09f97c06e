package recording

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// pass reads all samples of a recording, and calls half-way.
func pass(t *testing.T, r *Reader, halfway func()) {
	t.Helper()
	if err := r.Rewind(); err != nil {
		t.Fatal(err)
	}
	dst := [][]float64{make([]float64, 1000), make([]float64, 1000)}
	for done := int64(0); ; {
		n, err := r.ReadPlanar(dst)
		if err == io.EOF {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if before := done; halfway != nil && before < r.info.Samples/2 && before+int64(n) >= r.info.Samples/2 {
			halfway()
		}
		done += int64(n)
	}
}

// A recording that is written to while it is read is noticed: by its size, by its times, or,
// where they are as before, by what was read of it. Being touched does no harm.
func TestChangedWhileRead(t *testing.T) {
	counts := make([]byte, 400000) // 100000 samples of two channels
	for i := range counts {
		counts[i] = byte(i * i >> 5)
	}
	for kind, bytes := range map[string][]byte{"raw": counts, "csv": []byte("a,b\n" + strings.Repeat("1.25,2.25\n", 40000))} { // several blocks each
		opt := Options{SampleRate: 1000}
		if kind == "raw" {
			opt.Format, opt.Channels = "ri16_le", 2
		}
		at := func(f *os.File, old time.Time, text string, offset int64) {
			if _, err := f.WriteAt([]byte(text), offset); err != nil {
				t.Fatal(err)
			}
			if err := os.Chtimes(f.Name(), old, old); err != nil { // as a coarse clock may leave it
				t.Fatal(err)
			}
		}
		last := int64(len(bytes)) - 3
		for name, c := range map[string]struct {
			during, after func(f *os.File, old time.Time)
			changed       string // what of it is said; empty: it is no change
		}{
			"untouched":                 {nil, nil, ""},
			"touched":                   {func(f *os.File, _ time.Time) { os.Chtimes(f.Name(), time.Now(), time.Now()) }, nil, ""},
			"under another name":        {func(f *os.File, _ time.Time) { os.Rename(f.Name(), f.Name()+".moved") }, nil, ""},
			"grown":                     {func(f *os.File, _ time.Time) { f.WriteAt([]byte("1.25,2.25\n"), int64(len(bytes))) }, nil, "bytes and has"},
			"other bytes ahead":         {func(f *os.File, old time.Time) { at(f, old, "7", last) }, nil, "not the same each time it was read"},
			"other bytes behind":        {func(f *os.File, old time.Time) { at(f, old, "7", 20) }, nil, "not the same each time it was read"},
			"and then as before":        {func(f *os.File, old time.Time) { at(f, old, "7", last) }, func(f *os.File, old time.Time) { at(f, old, string(bytes[last:last+1]), last) }, "not the same each time it was read"},
			"other bytes after reading": {nil, func(f *os.File, old time.Time) { at(f, old, "7", 20) }, "other bytes are in it now"},
		} {
			if name == "other bytes after reading" && changeTimeUnknown() {
				continue
			}
			t.Run(kind+", "+name, func(t *testing.T) {
				file := filepath.Join(t.TempDir(), "recording")
				if err := os.WriteFile(file, bytes, 0o644); err != nil {
					t.Fatal(err)
				}
				f, err := os.OpenFile(file, os.O_RDWR, 0)
				if err != nil {
					t.Fatal(err)
				}
				defer f.Close()
				info, err := f.Stat()
				if err != nil {
					t.Fatal(err)
				}
				r, err := Open(t.Context(), file, opt)
				if err != nil {
					t.Fatal(err)
				}
				defer r.Close()
				r.Hash()
				<-r.hashing.sha256.done
				pass(t, r, nil)
				pass(t, r, func() {
					if c.during != nil {
						c.during(f, info.ModTime())
					}
				})
				if strings.HasPrefix(name, "other bytes behind") { // seen by the next pass
					pass(t, r, nil)
				}
				if c.after != nil {
					c.after(f, info.ModTime())
				}
				_, err = r.SHA256()
				if c.changed == "" && err != nil || c.changed != "" && (!errors.Is(err, ErrChanged) || !strings.Contains(err.Error(), c.changed)) {
					t.Errorf("%v, want %q", err, c.changed)
				}
			})
		}
	}
}

// changeTimeUnknown tells whether this system lets times be set back unseen.
func changeTimeUnknown() bool {
	info, err := os.Stat(".")
	return err == nil && changeTime(info).IsZero()
}
