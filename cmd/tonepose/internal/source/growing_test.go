package source

import (
	"context"
	"encoding/binary"
	"io"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"
)

// A file that another writes is read as it grows, and ends when it has rested.
func TestGrowing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		name := filepath.Join(t.TempDir(), "bench.raw")
		file, err := os.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		src := open(t, "growing:"+name, Options{Reading: raw})
		began := time.Now()
		go func() {
			data := counts(2 * 100)
			for at := 0; at < len(data); at += 7 {
				time.Sleep(4 * time.Second) // less than what ends it
				file.Write(data[at:min(at+7, len(data))])
			}
		}()
		if n := readAll(t, src); n != 100 {
			t.Errorf("%d samples", n)
		}
		last := began.Add(58 * 4 * time.Second) // ⌈400/7⌉ writes
		if late := src.Arrived().Sub(last); late < 0 || late > lookAgain {
			t.Errorf("the last sample came %v late", late)
		}
		if rest := time.Since(src.Arrived()); rest != idleDefault {
			t.Errorf("ended %v after the last sample", rest)
		}
	})
}

// The length in the header of a file that still grows does not count, be it what was written when the header was.
func TestGrowingWAV(t *testing.T) {
	header := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\xe8\x03\x00\x00\xa0\x0f\x00\x00\x04\x00\x10\x00data\x00\x00\x00\x00")
	for _, length := range []uint32{0, 40, 0xffffffff} {
		synctest.Test(t, func(t *testing.T) {
			name := filepath.Join(t.TempDir(), "bench.wav")
			binary.LittleEndian.PutUint32(header[len(header)-4:], length)
			o := Options{Idle: time.Second}
			o.Reading.FullScale = []float64{32768}
			if err := os.WriteFile(name, append(header, counts(2*20)...), 0o644); err != nil {
				t.Fatal(err)
			}
			src := open(t, "growing:"+name, o)
			if in := src.Info(); in.Channels != 2 || in.SampleRate != 1000 || in.Name != "bench.wav" {
				t.Errorf("info %+v", in)
			}
			if n := readAll(t, src); n != 20 || len(src.Lost()) != 0 {
				t.Errorf("length %d: %d samples, lost %v", length, n, src.Lost())
			}
		})
	}
}

func TestGrowingEnds(t *testing.T) {
	for name, want := range map[string]error{"closed": io.EOF, "cancelled": context.Canceled} {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			src, err := Open(ctx, "growing:"+save(t, nil), Options{Reading: raw})
			if err != nil {
				t.Fatal(err)
			}
			go func() {
				time.Sleep(time.Second)
				if name == "closed" {
					src.Close()
				} else {
					cancel()
				}
			}()
			began := time.Now()
			if n, err := src.ReadInt16(make([]int16, 100)); n != 0 || err != want || time.Since(began) != time.Second {
				t.Errorf("%s: %d samples, error %v after %v", name, n, err, time.Since(began))
			}
			src.Close()
		})
	}
}

func TestGrowingErrors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		name := save(t, counts(2*20))
		src := open(t, "growing:"+name, Options{Reading: raw})
		dst := make([]int16, 100)
		if n, err := src.ReadInt16(dst); n != 20 || err != nil {
			t.Fatalf("%d samples, error %v", n, err)
		}
		os.Truncate(name, 10)
		_, err := src.ReadInt16(dst)
		wantError(t, err, "bench.raw: 10 bytes are left of 80 that were read: it was cut")
		_, err = Open(t.Context(), "growing:"+t.TempDir(), Options{Reading: raw})
		if err == nil {
			t.Error("a directory was opened")
		}
		_, err = Open(t.Context(), "growing:/nonexistent", Options{})
		wantError(t, err, "open /nonexistent: no such file")
		_, err = Open(t.Context(), "growing:"+save(t, nil), Options{Idle: time.Second})
		wantError(t, err, "bench.raw: empty; nothing was sent")
	})
}
