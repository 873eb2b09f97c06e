package tables

import (
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gonum.org/v1/gonum/num/quat"
)

func intervalsOf(text string, sensors ...string) ([]Interval, error) {
	return distinct(readStations(strings.NewReader(text), "bench.csv", sensors, demand{timesOnly: true}))
}

func TestReadIntervals(t *testing.T) {
	const bench = "bench.csv"
	probe := []Interval{{0, 0.08, "probe", bench, 2}, {0.1, 0.18, "probe", bench, 3}}
	for name, c := range map[string]struct {
		text string
		want []Interval
	}{
		"plain":                           {"start_s,stop_s,sensor\n0,0.08,probe\n0.1,0.18,probe\n", probe},
		"BOM and CRLF":                    {"\xef\xbb\xbfstart_s,stop_s,sensor\r\n0,0.08,probe\r\n0.1,0.18,probe\r\n", probe},
		"no last newline":                 {"start_s,stop_s,sensor\n0,0.08,probe\n0.1,0.18,probe", probe},
		"any column order, others unread": {"note,stop_s,x_m,start_s,sensor\n\"a, b\",0.08,far,0,probe\n,0.18,,0.1,probe\n", probe},
		"spaces":                          {" start_s , stop_s,sensor\n 0, 0.08 , probe\n0.1,0.18,probe\n", probe},
		"semicolons, decimal comma":       {"start_s;stop_s;sensor\n0;0,08;probe\n0,1;0,18;probe\n", probe},
		"tabs":                            {"start_s\tstop_s\tsensor\n0\t0.08\tprobe\n0.1\t0.18\tprobe\n", probe},
		"every sensor":                    {"start_s,stop_s\n0,1\n", []Interval{{0, 1, "probe", bench, 2}, {0, 1, "tip", bench, 2}}},
		"empty sensor":                    {"start_s,stop_s,sensor\n0,1,\n", []Interval{{0, 1, "probe", bench, 2}, {0, 1, "tip", bench, 2}}},
		"equal rows once":                 {"start_s,stop_s\n0,1\n2,3\n0,1.0\n", []Interval{{0, 1, "probe", bench, 2}, {0, 1, "tip", bench, 2}, {2, 3, "probe", bench, 3}, {2, 3, "tip", bench, 3}}},
		"comments, blanks": {"# invented; by hand\n\n#\nstart_s,stop_s,sensor\n# a, b\n0,1,tip\n,,\n  \n2,3,tip\n",
			[]Interval{{0, 1, "tip", bench, 6}, {2, 3, "tip", bench, 9}}},
		"before the recording": {"start_s,stop_s,sensor\n-1,1e-1,tip\n", []Interval{{-1, 0.1, "tip", bench, 2}}},
		"no row":               {"start_s,stop_s\n", nil},
	} {
		have, err := intervalsOf(c.text, "probe", "tip")
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if diff := cmp.Diff(c.want, have); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	if have, err := intervalsOf("start_s,stop_s,sensor\n0,1,\n0,1,anyone\n"); err != nil || len(have) != 2 || have[1].Sensor != "anyone" {
		t.Errorf("without a rig: %v, %v", have, err)
	}
}

func TestIntervalErrorsNameValuePlaceAndMend(t *testing.T) {
	for text, want := range map[string]string{
		"":                                 "bench.csv: empty",
		"# only a comment\n":               "bench.csv: empty",
		"0,1\n2,3\n":                       "bench.csv:1: no column start_s among 0, 1",
		"#\n\nstart_s,end_s\n0,1\n":        "bench.csv:3: no column stop_s",
		"start_s,stop_s,start_s\n":         "bench.csv:1: column start_s stands twice",
		"start_s,stop_s\n0,one\n":          `bench.csv:2: stop_s = "one": must be a finite number`,
		"start_s,stop_s\n0,1\n\n2,NaN\n":   `bench.csv:4: stop_s = "NaN"`,
		"start_s,stop_s\n0,\n":             `bench.csv:2: stop_s is empty: fill in`,
		"start_s,stop_s\n0,1e999\n":        `bench.csv:2: stop_s = "1e999"`,
		"start_s,stop_s\n1,1\n":            "bench.csv:2: stop_s = 1: must exceed start_s = 1",
		"start_s,stop_s\n0,1,2\n":          "bench.csv:2: 3 fields: must be 2",
		"start_s,stop_s\n0,\"1\n":          "bench.csv:2:",
		"start_s,stop_s,sensor\n0,1,arm\n": `bench.csv:2: sensor = "arm": must be one of the rig's sensors: probe, tip`,
	} {
		_, err := intervalsOf(text, "probe", "tip")
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want %s", text, err, want)
		}
	}
}

func TestLongCommentKeepsLineNumbers(t *testing.T) {
	_, err := intervalsOf("# " + strings.Repeat("long ", 5000) + "\nstart_s;stop_s\nx;1\n")
	if err == nil || !strings.HasPrefix(err.Error(), "bench.csv:3: start_s") {
		t.Error(err)
	}
}

func TestReadFiles(t *testing.T) {
	dir := t.TempDir()
	file := func(text string) string {
		path := filepath.Join(dir, "f.csv")
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	const header = "station,start_s,stop_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz,sigma_position_m,sigma_rotation_rad\n"
	stations, err := ReadReference(file(header+"1,0,0.05,probe,-0.07,0.016,0.22,0.6,0,0.8,0,5e-05,0.00087\n"), []string{"probe"})
	if err != nil {
		t.Fatal(err)
	}
	s := stations[0]
	if len(stations) != 1 || s.Sensor != "probe" || s.Stop != 0.05 || s.Pose.Position.Y != 0.016 ||
		s.Pose.Rotation != (quat.Number{Real: 0.6, Jmag: 0.8}) || s.SigmaPosition != 5e-5 || s.SigmaRotation != 0.00087 {
		t.Errorf("%+v", stations)
	}
	if _, err := ReadIntervals(file("start_s,stop_s\n"), nil); err == nil || !strings.Contains(err.Error(), "no row") {
		t.Errorf("no row: %v", err)
	}
	if _, err := ReadTruth(filepath.Join(dir, "none.csv"), nil); err == nil {
		t.Error("a missing file gave no error")
	}
}

var reference, truth = demand{clocks: clocks[:1], sigmas: true}, demand{clocks: clocks[:2]}

func TestStations(t *testing.T) {
	parse := func(d demand, text string) ([]Station, error) {
		return readStations(strings.NewReader(text), "truth.csv", nil, d)
	}
	// Nine printed digits leave the norm off by 1e-9; the reader mends that.
	have, err := parse(truth, "time_s,x_m,y_m,z_m,qw,qx,qy,qz\n0.005,1,2,3,0.969957446,0.149329331,-0.189791187,0.0293702009\n")
	if err != nil {
		t.Fatal(err)
	}
	if s := have[0]; s.Start != 0.005 || s.Stop != 0.005 || !math.IsNaN(s.SigmaPosition) || math.Abs(quat.Abs(s.Pose.Rotation)-1) > 4e-16 {
		t.Errorf("%+v", s)
	}
	const q = ",0,0,0,1,0,0,0"
	for _, c := range []struct {
		demand     demand
		text, want string
	}{
		{truth, "x_m,y_m,z_m,qw,qx,qy,qz\n", "needed are start_s and stop_s, or time_s"},
		{truth, "time_s,x_m,y_m,z_m\n", "no column qw"},
		{truth, "time_s,x_m,y_m,z_m,qw,qx,qy,qz\n0,0,0,0,0.5,0.5,0.5,0.4\n", "truth.csv:2: quaternion qw qx qy qz = 0.5 0.5 0.5 0.4 has norm 0.954: must be 1"},
		{truth, "time_s,x_m,y_m,z_m,qw,qx,qy,qz,sigma_position_m\n0" + q + ",-1\n", "truth.csv:2: sigma_position_m = -1: must not be negative"},
		{reference, "start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n0,1" + q + "\n", "no column sigma_position_m"},
		{reference, "time_s,x_m,y_m,z_m,qw,qx,qy,qz\n0" + q + "\n", "no column says when among time_s, x_m, y_m, z_m, qw, qx, qy, qz: needed are start_s and stop_s"},
	} {
		if _, err := parse(c.demand, c.text); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: error %v, want %s", c.text, err, c.want)
		}
	}
	two := "time_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n0,a" + q + "\n0,b" + q + "\n1,a" + q + "\n"
	if have, err := parse(truth, two); err != nil || len(have) != 3 {
		t.Errorf("two sensors: %v, %v", have, err)
	}
}

// Whatever the bytes, the reader returns good rows or an error that names the file.
func FuzzReadStations(f *testing.F) {
	f.Add([]byte("start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n0,1,0,0,0,1,0,0,0\n"), 1)
	f.Add([]byte("\xef\xbb\xbf# note\r\ntime_s;x_m;y_m;z_m;qw;qx;qy;qz\r\n0,5;0;0;0;1;0;0;0\r\n"), 2)
	f.Add([]byte("#\n\"time_s\",\"x_m\n\"\n"), 0)
	f.Fuzz(func(t *testing.T, data []byte, k int) {
		stations, err := readStations(strings.NewReader(string(data)), "f.csv", nil, []demand{reference, truth, {}}[uint(k)%3])
		if err != nil && !strings.HasPrefix(err.Error(), "f.csv:") {
			t.Errorf("error %q does not name the file", err)
		}
		for _, s := range stations {
			if !(s.Stop >= s.Start) || math.Abs(quat.Abs(s.Pose.Rotation)-1) > 1e-12 {
				t.Errorf("accepted %+v", s)
			}
		}
		intervals, err := distinct(readStations(strings.NewReader(string(data)), "f.csv", []string{"a", "b"}, demand{timesOnly: true}))
		if err != nil && !strings.HasPrefix(err.Error(), "f.csv:") {
			t.Errorf("error %q does not name the file", err)
		}
		for i, iv := range intervals {
			iv.Line = 0
			repeated := slices.ContainsFunc(intervals[:i], func(o Interval) bool { o.Line = 0; return o == iv })
			if !(iv.Stop > iv.Start) || repeated {
				t.Errorf("accepted %+v", iv)
			}
		}
	})
}

type brokenReader struct{}

func (brokenReader) Read([]byte) (int, error) { return 0, io.ErrUnexpectedEOF }

func TestReadErrorIsPassedOn(t *testing.T) {
	_, err := readStations(io.MultiReader(strings.NewReader("start_s,stop_s\n0,1\n"), brokenReader{}), "f.csv", nil, demand{timesOnly: true})
	if !cmp.Equal(err, io.ErrUnexpectedEOF, cmpopts.EquateErrors()) {
		t.Error(err)
	}
}
