package tables

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func knownFile(t *testing.T, text string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "truth.csv")
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

func TestReadKnown(t *testing.T) {
	origin := time.Date(2026, 3, 1, 12, 0, 0, 500_000_000, time.UTC)
	list, err := ReadKnown(knownFile(t, "station,datetime,x_m,y_m,z_m\nA1,2026-03-01T13:00:01.75+01:00,0.1,0.2,0.3\n"), []string{"probe"}, origin)
	if err != nil {
		t.Fatal(err)
	}
	k := list[0]
	if k.Start != 1.25 || k.Stop != 1.25 || k.Label != "A1" || !k.PositionOnly || k.Sensor != "probe" || k.Pose.Rotation.Real != 1 || !math.IsNaN(k.SigmaPosition) {
		t.Errorf("%+v", k)
	}
	list, err = ReadKnown(knownFile(t, "start_datetime;stop_datetime;x_m;y_m;z_m;qw;qx;qy;qz;sigma_position_m\n2026-03-01T12:00:00Z;2026-03-01T12:00:02.5Z;0;0;0,1;0;1;0;0;5e-5\n"), nil, origin)
	if err != nil {
		t.Fatal(err)
	}
	if k := list[0]; k.Start != -0.5 || k.Stop != 2 || k.PositionOnly || k.Pose.Rotation.Imag != 1 || k.SigmaPosition != 5e-5 {
		t.Errorf("%+v", k)
	}
}

func TestReadKnownErrors(t *testing.T) {
	origin := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct{ text, want string }{
		{"x_m,y_m,z_m\n0,0,0\n", "no column says when"},
		{"datetime,x_m,y_m,z_m\n2026-03-01 12:00:00,0,0,0\n", ":2: datetime = \"2026-03-01 12:00:00\": must be a time in RFC 3339 with its zone"},
		{"start_datetime,stop_datetime,x_m,y_m,z_m\n2026-03-01T12:00:02Z,2026-03-01T12:00:01Z,0,0,0\n", "must be later than start_datetime"},
		{"start_datetime,x_m,y_m,z_m\n2026-03-01T12:00:02Z,0,0,0\n", "no column stop_datetime"},
		{"time_s,x_m,y_m,z_m,qw\n0,0,0,0,1\n", "no column qx"},
		{"time_s,x_m,y_m\n0,0,0\n", "no column z_m"},
		{"time_s,x_m,y_m,z_m\n0,0,0,1e9\n1,0,-9.91E37,0\n", ":3: y_m = -9.91E37: must not be larger than 1e+09 in size: positions are in metres; where there is none, leave the row out"},
	} {
		if _, err := ReadKnown(knownFile(t, c.text), nil, origin); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %q", c.text, err, c.want)
		}
	}
	_, err := ReadKnown(knownFile(t, "datetime,x_m,y_m,z_m\n2026-03-01T12:00:00Z,0,0,0\n"), nil, time.Time{})
	if err == nil || !strings.Contains(err.Error(), "states no start time") {
		t.Errorf("without a start: %v", err)
	}
}
