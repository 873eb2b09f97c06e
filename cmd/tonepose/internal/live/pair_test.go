package live

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"testing"

	"tonepose/cmd/tonepose/internal/pair"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
)

// skippedRows are rows of how many windows were skipped.
type skippedRows struct{ plain }

func (skippedRows) Pair(b []byte, _ *tables.Demodulated, l tables.Live) []byte {
	return fmt.Appendf(b, "%d\n", l.Skipped)
}

// Every window of a pair is shown or counted as skipped. Those after the last row are
// among them: windows are longer here than what reading is ahead by, so that none fits in
// behind what was skipped while nobody read rows.
func TestPairCountsWindowsSkippedAtItsEnd(t *testing.T) {
	const rate, hz, seconds, write = 20000, 1001.3, 6, 200
	const length, hop = 10000, 2000 // samples
	in, feed := io.Pipe()
	rows, out := io.Pipe()
	o := Options{Source: source.Options{}, Rows: skippedRows{}, Stdout: out}
	o.Recording = "-"
	o.Reading.Stdin, o.Reading.Format, o.Reading.SampleRate, o.Reading.Channels = in, "ri16_le", rate, 2
	o.Windows = stream.Windows{Length: float64(length) / rate, Hop: float64(hop) / rate}
	type ended struct {
		res *Result
		err error
	}
	done := make(chan ended, 1)
	go func() {
		res, err := RunPair(t.Context(), o, pair.Options{Signal: "ch2", Reference: "ch1"})
		in.Close()
		out.Close()
		done <- ended{res, err}
	}()
	// Of writes so short no more than 0.1 s wait between here and the ring.
	for at := 0; at < rate*seconds; at += write {
		var raw []byte
		for i := at; i < at+write; i++ {
			phase := 2 * math.Pi * hz * float64(i) / rate
			for _, v := range [2]float64{math.Cos(phase), 0.1 * math.Cos(phase+0.5)} {
				raw = binary.LittleEndian.AppendUint16(raw, uint16(int16(math.Round(20000*v))))
			}
		}
		if _, err := feed.Write(raw); err != nil {
			t.Fatal(err, (<-done).err)
		}
	}
	feed.Close()
	lines := bufio.NewScanner(rows)
	lines.Scan() // the header
	shown, before := 0, 0
	for lines.Scan() {
		n := 0
		if _, err := fmt.Sscan(lines.Text(), &n); err != nil {
			t.Fatal(err)
		}
		shown, before = shown+1, before+n
	}
	end := <-done
	if end.err != nil {
		t.Fatal(end.err)
	}
	all := (rate*seconds-length)/hop + 1
	if c := end.res.Counts; c.Frames != shown || shown+c.Skipped != all || before > c.Skipped {
		t.Errorf("%d of %d rows with %d windows skipped before them, %d skipped in all, want %d windows", shown, c.Frames, before, c.Skipped, all)
	}
}
