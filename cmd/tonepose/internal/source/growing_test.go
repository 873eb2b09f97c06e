package source

import (
	"context"
	"encoding/binary"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tonepose/multitone/recording"
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

// Metadata of a SigMF recording (SigMF specification 1.2, core namespace) as they are when the recording begins.
const growingMeta = `{"global": {"core:datatype": "ri16_le", "core:sample_rate": 1000, "core:num_channels": 2, "core:version": "1.2.0"},
"captures": [{"core:sample_start": 0, "core:datetime": "2026-03-04T05:06:07Z"}], "annotations": []}`

// The metadata of a SigMF recording that still grows say what its samples are, by whichever name. They may be written anew
// meanwhile, with a hash, an annotation or a capture that goes on without a gap; what they say of the samples must
// stay, and they are not read until they are whole.
func TestGrowingSigMF(t *testing.T) {
	for name, c := range map[string]struct {
		ext, before, after, want string // before: nothing, if empty
	}{
		"data":      {ext: ".sigmf-data"},
		"meta":      {ext: ".sigmf-meta"},
		"stem":      {},
		"finished":  {before: growingMeta[:40], after: strings.Replace(growingMeta, `"core:version"`, `"core:sha512": "12", "core:version"`, 1)},
		"annotated": {after: strings.Replace(growingMeta, `"annotations": []`, `"annotations": [{"core:sample_start": 3}]`, 1)},
		"goes on":   {after: strings.Replace(growingMeta, `Z"}`, `Z"}, {"core:sample_start": 10, "core:datetime": "2026-03-04T05:06:07.010Z"}`, 1)},
		"channels":  {after: strings.Replace(growingMeta, `channels": 2`, `channels": 3`, 1), want: "bench.sigmf-meta: while the data grew it came to say 3 channels of ri16_le at 1000 Hz, before it said 2 channels of ri16_le at 1000 Hz: begin anew"},
		"rate":      {after: strings.Replace(growingMeta, `1000`, `2000`, 1), want: "bench.sigmf-meta: while the data grew it came to say 2 channels of ri16_le at 2000 Hz"},
		"gap":       {after: strings.Replace(growingMeta, `Z"}`, `Z"}, {"core:sample_start": 10, "core:datetime": "2026-03-04T05:06:08.010Z"}`, 1), want: "while the data grew: bench.sigmf-meta: 1000 samples are missing before sample 10"},
		"header":    {after: strings.Replace(growingMeta, `Z"}`, `Z", "core:header_bytes": 4}`, 1), want: "while the data grew: bench.sigmf-meta: captures[0] core:header_bytes = 4: data that grow are samples alone"},
	} {
		synctest.Test(t, func(t *testing.T) {
			stem := filepath.Join(t.TempDir(), "bench")
			write := func(ext string, b []byte) {
				if err := os.WriteFile(stem+ext, b, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			write(".sigmf-meta", []byte(growingMeta))
			write(".sigmf-data", counts(2*20))
			src := open(t, "growing:"+stem+c.ext, Options{Idle: time.Second})
			if in := src.Info(); in.Channels != 2 || in.SampleRate != 1000 || in.Name != "bench.sigmf-data" || in.Datatype != "ri16_le" {
				t.Errorf("%s: info %+v", name, in)
			}
			dst := make([]int16, 40)
			if n, err := src.ReadInt16(dst); n != 20 || err != nil || dst[39] != 39 {
				t.Fatalf("%s: %d samples, %v, error %v", name, n, dst, err)
			}
			for _, text := range []string{c.before, c.after} {
				if text != "" {
					time.AfterFunc(100*time.Millisecond, func() { write(".sigmf-meta", []byte(text)) })
					time.Sleep(200 * time.Millisecond)
				}
			}
			if n, err := src.ReadInt16(dst); n != 0 || c.want == "" && err != io.EOF {
				t.Errorf("%s: %d samples, error %v", name, n, err)
			} else if c.want != "" {
				wantError(t, err, c.want)
			}
		})
	}
}

func TestGrowingSigMFErrors(t *testing.T) {
	for want, c := range map[string]struct {
		meta    string
		reading recording.Options
	}{
		"bench.sigmf-meta: file does not exist; a SigMF recording that grows has its metadata from the beginning": {},
		"bench.sigmf-meta:1: not JSON": {meta: `{"global": `},
		"bench.sigmf-meta: 1000 samples are missing before sample 10: what grows is taken to be whole; play: the recording once it is complete": {
			meta: strings.Replace(growingMeta, `Z"}`, `Z"}, {"core:sample_start": 10, "core:datetime": "2026-03-04T05:06:08.010Z"}`, 1)},
		"bench.sigmf-meta: core:dataset or core:trailing_bytes":            {meta: strings.Replace(growingMeta, `"core:version"`, `"core:dataset": "other.bin", "core:version"`, 1)},
		"bench.sigmf-data: the recording states 1000 Hz, expected 1001 Hz": {meta: growingMeta, reading: recording.Options{SampleRate: 1001}},
		"bench.sigmf-data: 2 channels, expected 1 (a)":                     {meta: growingMeta, reading: recording.Options{Names: []string{"a"}}},
	} {
		stem := filepath.Join(t.TempDir(), "bench")
		if err := os.WriteFile(stem+".sigmf-data", counts(4), 0o644); err != nil {
			t.Fatal(err)
		}
		if c.meta != "" {
			if err := os.WriteFile(stem+".sigmf-meta", []byte(c.meta), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		_, err := Open(t.Context(), "growing:"+stem+".sigmf-data", Options{Reading: c.reading})
		wantError(t, err, want)
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
