package tables

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"tonepose/cmd/tonepose/internal/verdict"

	"gonum.org/v1/gonum/num/quat"

	"tonepose/fieldmodels/rigid"
)

// commit writes one Set with the given rows and returns its directory.
func commit(t *testing.T, couplings []Coupling, poses []Pose) string {
	t.Helper()
	dir := t.TempDir()
	s, err := Create(dir, false, invented)
	if err != nil {
		t.Fatal(err)
	}
	s.Couplings.Write(couplings...)
	s.Poses.Write(poses...)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

func dump(t *testing.T, path string) *Dump {
	t.Helper()
	d, err := OpenDump(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

// Numbers that a printer with too few digits, or a careless one, would change.
var awkward = []float64{0.1, 1.0 / 3, 5e-324, math.MaxFloat64, -1e-9, 123456789.123456789, math.Nextafter(1, 2), 0}

func awkwardTables(t *testing.T) string {
	var couplings []Coupling
	for i, v := range awkward {
		couplings = append(couplings, Coupling{float64(i), 0.01, "e1, upper", `pro"be`, "rx\n1\u009b", v, math.NaN(), math.Inf(1), verdict.Gap | verdict.ReferenceLost})
	}
	return commit(t, couplings, nil)
}

func TestCSVReadsBackExactly(t *testing.T) {
	var out bytes.Buffer
	if err := dump(t, filepath.Join(awkwardTables(t), "couplings.parquet")).WriteCSV(&out); err != nil {
		t.Fatal(err)
	}
	records, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if have := strings.Join(records[0], " "); have != couplingColumns {
		t.Errorf("header %s", have)
	}
	if len(records) != len(awkward)+1 {
		t.Fatalf("%d lines", len(records))
	}
	for i, want := range awkward {
		r := records[i+1]
		if have, err := strconv.ParseFloat(r[5], 64); err != nil || have != want {
			t.Errorf("%q reads back as %g, want %g", r[5], have, want)
		}
		if r[2] != "e1, upper" || r[3] != `pro"be` || r[4] != "rx\n1\u009b" || r[6] != "" || r[7] != "" || r[8] != "gap;reference lost" {
			t.Errorf("%q", r)
		}
	}
}

func TestJSONReadsBackExactly(t *testing.T) {
	var out bytes.Buffer
	if err := dump(t, filepath.Join(awkwardTables(t), "couplings.parquet")).WriteJSON(&out); err != nil {
		t.Fatal(err)
	}
	var rows []struct {
		Emitter    string   `json:"emitter"`
		Channel    string   `json:"channel"`
		Coupling   *float64 `json:"coupling_h"`
		Quadrature *float64 `json:"quadrature_h"`
		Sigma      *float64 `json:"sigma_h"`
		Flags      string   `json:"flags"`
	}
	if strings.ContainsRune(out.String(), '\u009b') { // ISO 6429: begins a control sequence
		t.Error("a control character stands as it is")
	}
	decoder := json.NewDecoder(&out)
	decoder.UseNumber()
	if err := decoder.Decode(&rows); err != nil {
		t.Fatal(err)
	}
	if len(rows) != len(awkward) {
		t.Fatalf("%d rows", len(rows))
	}
	for i, want := range awkward {
		r := rows[i]
		if r.Coupling == nil || *r.Coupling != want || r.Quadrature != nil || r.Sigma != nil || r.Channel != "rx\n1\u009b" || r.Flags != "gap;reference lost" {
			t.Errorf("%+v, want coupling %g", r, want)
		}
	}
}

func TestDumpOfPoses(t *testing.T) {
	half := math.Sqrt(0.5)
	pose := rigid.Pose{Rotation: quat.Number{Real: half, Kmag: half}}
	dir := commit(t, nil, []Pose{
		{Time: 1.5, Duration: 0.25, Sensor: "probe", Estimate: &pose, Chi2: 0, DOF: 18, Iterations: 3, Status: "converged"},
		{Time: 2, Duration: 0.25, Sensor: "probe", Chi2: math.NaN(), Status: "failed", Flags: verdict.NotConverged},
	})
	var out bytes.Buffer
	if err := dump(t, filepath.Join(dir, "poses.parquet")).WriteCSV(&out); err != nil {
		t.Fatal(err)
	}
	none := strings.Repeat(",", 30) // tip, six sigmas and the covariance
	want := strings.ReplaceAll(poseColumns, " ", ",") + "\n" +
		"1.5,0.25,probe,0,0,0,0.7071067811865476,0,0,0.7071067811865476" + none + ",0,18,3,converged,,,\n" +
		"2,0.25,probe,,,,,,," + none + ",,0,0,failed,not converged,,\n"
	if out.String() != want {
		t.Errorf("have\n%s\nwant\n%s", out.String(), want)
	}
}

func TestEmptyTable(t *testing.T) {
	d := dump(t, filepath.Join(commit(t, nil, nil), "couplings.parquet"))
	var asCSV, asJSON bytes.Buffer
	if err := d.WriteCSV(&asCSV); err != nil {
		t.Fatal(err)
	}
	if err := d.WriteJSON(&asJSON); err != nil {
		t.Fatal(err)
	}
	if want := strings.ReplaceAll(couplingColumns, " ", ",") + "\n"; asCSV.String() != want {
		t.Errorf("CSV %q", asCSV.String())
	}
	if rows := []any{}; json.Unmarshal(asJSON.Bytes(), &rows) != nil || len(rows) != 0 {
		t.Errorf("JSON %q", asJSON.String())
	}
}

func TestMetadataText(t *testing.T) {
	d := dump(t, filepath.Join(commit(t, nil, nil), "couplings.parquet"))
	var out bytes.Buffer
	if err := d.WriteMetadataJSON(&out); err != nil {
		t.Fatal(err)
	}
	have := map[string]string{}
	if err := json.Unmarshal(out.Bytes(), &have); err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]string{
		"schema_version": "5", "tool_version": "0.1.0", "rig": invented.Rig,
		// sha256sum of the rig's text
		"rig_sha256":     "91dd630e7534a7608addefe3ed2696b4a60a0cae3ed4fda5512d6786a1d92089",
		"recording_name": "moving.sigmf-meta", "recording_size": "1234", "recording_start": "2026-03-04T05:06:07.89Z",
		"options": `{"clock":"common","window":"10ms"}`,
		"units":   `{"coupling_h":"H","duration_s":"s","quadrature_h":"H","sigma_h":"H","time_s":"s"}`,
	} {
		if have["tonepose."+key] != want {
			t.Errorf("%s = %q, want %q", key, have["tonepose."+key], want)
		}
	}
	out.Reset()
	if err := d.WriteMetadataCSV(&out); err != nil {
		t.Fatal(err)
	}
	records, err := csv.NewReader(&out).ReadAll()
	found := slices.ContainsFunc(records, func(r []string) bool { return r[0] == "tonepose.rig" && r[1] == invented.Rig })
	if err != nil || records[0][0] != "key" || !found {
		t.Errorf("%q, %v", records, err)
	}
}

// A damaged file gives an error or, where only values changed, rows; never a panic.
func TestDamagedFile(t *testing.T) {
	dir := commit(t, nil, inventedPoses(40))
	whole, err := os.ReadFile(filepath.Join(dir, "poses.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "damaged.parquet")
	mended := func(err error) {
		t.Helper()
		if text := err.Error(); !strings.HasPrefix(text, path) || !strings.Contains(text, "write it again, or name another") {
			t.Errorf("names no file, or no mend: %s", text)
		}
	}
	decoders := regexp.MustCompile(`thrift|EOF|magic|FIELD|decod`)
	plain := func(err error) {
		t.Helper()
		if text := strings.TrimPrefix(err.Error(), path); decoders.MatchString(text) {
			t.Errorf("speaks of the decoder: %s", text)
		}
	}
	failed := 0
	for i := -1; i < len(whole); i += 1 + len(whole)/150 {
		bytes := append([]byte(nil), whole...)
		if i < 0 {
			bytes = nil
		} else {
			bytes[i] ^= 0x55
		}
		if err := os.WriteFile(path, bytes, 0o644); err != nil {
			t.Fatal(err)
		}
		if d, err := OpenDump(path); err != nil {
			failed++
			plain(err)
		} else {
			if err := d.WriteCSV(new(strings.Builder)); err != nil {
				failed++
				mended(err)
				plain(err)
			}
			d.Close()
		}
		if r, err := Open[Pose](path); err == nil {
			for _, err := range r.All() {
				if err != nil {
					mended(err)
					plain(err)
					break
				}
			}
			r.Close()
		}
	}
	if failed == 0 {
		t.Error("no damage was noticed")
	}
}

// What the language says of a slice is for those who write the decoder.
func TestDecoderAstrayIsSaidInWords(t *testing.T) {
	short := make([]byte, 3)
	_, err := guard(func() (byte, error) { return short[:len(t.Name())][0], nil })
	if err == nil || strings.Contains(err.Error(), "runtime error") || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("a slice out of range: %v", err)
	}
	if _, err := guard(func() (byte, error) { panic("page of 3 bytes") }); err == nil || !strings.Contains(err.Error(), "page of 3 bytes") {
		t.Errorf("a panic in words: %v", err)
	}
}
