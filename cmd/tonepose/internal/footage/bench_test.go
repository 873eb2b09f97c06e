package footage

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/recording"
)

// Twenty seconds of sixteen channels, heard as a whole and in part.
func BenchmarkHear(b *testing.B) {
	const rate, seconds = 200_000, 20
	r, err := rig.Load(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "four-probes.rig.yaml"), rig.Options{})
	if err != nil {
		b.Fatal(err)
	}
	channels := len(r.Channels)
	name := filepath.Join(b.TempDir(), "noise.raw")
	file, err := os.Create(name)
	if err != nil {
		b.Fatal(err)
	}
	random := rand.New(rand.NewPCG(1, 2))
	out := bufio.NewWriterSize(file, 1<<20)
	var four [8]byte // samples, evenly spread over an eighth of the range
	for range seconds * rate * channels / 4 {
		binary.LittleEndian.PutUint64(four[:], random.Uint64()&0x0fff0fff0fff0fff)
		out.Write(four[:])
	}
	if err := out.Flush(); err != nil {
		b.Fatal(err)
	}
	if err := file.Close(); err != nil {
		b.Fatal(err)
	}
	reader, err := recording.Open(b.Context(), name, recording.Options{Format: "ri16_le", SampleRate: rate, Channels: channels})
	if err != nil {
		b.Fatal(err)
	}
	defer reader.Close()
	f := OfRecording(reader)
	var all []int
	for c := range channels {
		all = append(all, c)
	}
	for _, to := range []float64{1, seconds} {
		b.Run(fmt.Sprintf("seconds=%g", to), func(b *testing.B) {
			for b.Loop() {
				if _, err := f.Hear(b.Context(), r, all, 0, to); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
