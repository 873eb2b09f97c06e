package recording

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tonepose/testdata/published"
)

// headerCase is one tiny file, byte for byte, with its expected decode. Each case names its specification: RIFF WAVE
// 1991, WAVEFORMATEXTENSIBLE, EBU Tech 3306, NumPy lib.format, SigMF 1.x.
type headerCase struct {
	Name     string          `json:"name"`
	Hex      string          `json:"bytes_hex"`
	Meta     json.RawMessage `json:"meta_json"`
	DataHex  string          `json:"data_hex"`
	Expected struct {
		Channels int             `json:"channels"`
		Rate     float64         `json:"rate_Hz"`
		Bits     int             `json:"bits"`
		Valid    int             `json:"valid_bits"`
		Frames   *int64          `json:"frames"`
		Samples  json.RawMessage `json:"samples"`
		Signed   json.RawMessage `json:"samples_signed"`
		Values   json.RawMessage `json:"values"`
		Shape    []int           `json:"shape"`
		Offset   int64           `json:"data_offset"`
		Error    bool            `json:"error"`
	} `json:"expect"`
}

func headerCases(t testing.TB) (cases []headerCase) {
	t.Helper()
	var all struct{ Cases []headerCase }
	published.JSON(t, "file_headers/file_headers.json", &all)
	if len(all.Cases) != 16 {
		t.Fatalf("%d cases, expected 16", len(all.Cases))
	}
	return all.Cases
}

func (c headerCase) bytes(t testing.TB) []byte {
	t.Helper()
	b, err := hex.DecodeString(c.Hex + c.DataHex)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// rows of numbers, whether the file lists them flat (one channel) or by channel.
func rows(t *testing.T, raw json.RawMessage) [][]float64 {
	t.Helper()
	var table [][]float64
	if json.Unmarshal(raw, &table) == nil {
		return table
	}
	table = nil
	var flat []float64
	if err := json.Unmarshal(raw, &flat); err != nil {
		t.Fatal(err)
	}
	for _, v := range flat {
		table = append(table, []float64{v})
	}
	return table
}

func TestPublishedHeaders(t *testing.T) {
	for _, c := range headerCases(t) {
		t.Run(c.Name, func(t *testing.T) {
			dir := t.TempDir()
			name := filepath.Join(dir, "case")
			if c.Meta != nil {
				name = filepath.Join(dir, "case.sigmf-data")
				if err := os.WriteFile(filepath.Join(dir, "case.sigmf-meta"), c.Meta, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			if err := os.WriteFile(name, c.bytes(t), 0o600); err != nil {
				t.Fatal(err)
			}
			opt := Options{}
			if len(c.Name) > 3 && c.Name[:3] == "npy" {
				opt = Options{SampleRate: 1000, Format: "npy"}
			}
			r, err := Open(context.Background(), name, opt)
			// A single number is no recording; the contract reads 1-D and 2-D.
			if c.Expected.Error || c.Expected.Shape != nil && len(c.Expected.Shape) == 0 {
				if err == nil {
					t.Fatal("opened, expected an error")
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			in := r.Info()
			if c.Expected.Offset != 0 { // only the header of a large file: its tail is missing
				l, err := parseWAV(r.file, name, 6_000_000_000)
				if err != nil {
					t.Fatal(err)
				}
				if got := l.extents[0]; got != (extent{count: *c.Expected.Frames, offset: c.Expected.Offset}) {
					t.Errorf("samples at %+v, expected %d at byte %d", got, *c.Expected.Frames, c.Expected.Offset)
				}
				if len(in.Warnings) != 1 || in.Samples != 0 {
					t.Errorf("cut off: %d samples, warnings %v", in.Samples, in.Warnings)
				}
				return
			}
			if c.Expected.Channels != 0 && in.Channels != c.Expected.Channels {
				t.Errorf("%d channels, expected %d", in.Channels, c.Expected.Channels)
			}
			if c.Expected.Rate != 0 && in.SampleRate != c.Expected.Rate {
				t.Errorf("%g Hz, expected %g", in.SampleRate, c.Expected.Rate)
			}
			if c.Expected.Bits != 0 && in.Bits != c.Expected.Bits {
				t.Errorf("%d bits, expected %d", in.Bits, c.Expected.Bits)
			}
			if c.Expected.Frames != nil && in.Samples != *c.Expected.Frames {
				t.Errorf("%d samples, expected %d", in.Samples, *c.Expected.Frames)
			}
			var want [][]float64
			switch {
			case c.Expected.Signed != nil:
				want = rows(t, c.Expected.Signed)
			case c.Expected.Values != nil:
				want = rows(t, c.Expected.Values)
			default:
				want = rows(t, c.Expected.Samples)
			}
			if in.Datatype[:2] == "ru" && c.Expected.Signed == nil { // design: offset binary loses its offset first
				for _, row := range want {
					for i := range row {
						row[i] -= 128
					}
				}
			}
			got := transpose(readAll(t, r, 2))
			for _, row := range got { // volts back to counts
				for i := range row {
					row[i] /= in.Scale[i]
				}
			}
			if len(want) == 0 {
				want = nil
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("samples (-want +got):\n%s", d)
			}
		})
	}
}

// readAll reads a Reader or a Stream to the end in blocks.
func readAll(t testing.TB, r interface {
	Info() Info
	ReadPlanar([][]float64) (int, error)
}, block int) [][]float64 {
	t.Helper()
	all := make([][]float64, r.Info().Channels)
	dst := make([][]float64, len(all))
	for c := range dst {
		dst[c] = make([]float64, block)
	}
	for {
		n, err := r.ReadPlanar(dst)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for c := range dst {
			all[c] = append(all[c], dst[c][:n]...)
		}
	}
	if n := int64(len(all[0])); r.Info().Samples >= 0 && n != r.Info().Samples {
		t.Fatalf("read %d samples, Info says %d", n, r.Info().Samples)
	}
	return all
}

func transpose(x [][]float64) (rows [][]float64) {
	for i := range x[0] {
		row := make([]float64, len(x))
		for c := range x {
			row[c] = x[c][i]
		}
		rows = append(rows, row)
	}
	return rows
}
