package report

import (
	"math"
	"testing"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
)

// The figure of couplings shows each in the row of its emitter and the column of its
// channel, whatever the order of rows, channels and coils; of the first window alone, and
// of the sensor asked for.
func TestCouplingsStandUnderTheirChannels(t *testing.T) {
	dir := t.TempDir()
	s, err := tables.Create(dir, true, tables.Metadata{}, tables.CouplingsName)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []tables.Coupling{
		{Time: 0.1, Sensor: "other", Emitter: "e1", Channel: "rx4", Value: 9e-9},
		{Time: 0.1, Sensor: "probe", Emitter: "e2", Channel: "rx1", Value: 21e-9},
		{Time: 0.1, Sensor: "probe", Emitter: "e1", Channel: "rx3", Value: 13e-9},
		{Time: 0.1, Sensor: "probe", Emitter: "e1", Channel: "rx1", Value: 11e-9},
		{Time: 0.1, Sensor: "probe", Emitter: "e2", Channel: "rx2", Value: 22e-9},
		{Time: 0.1, Sensor: "probe", Emitter: "e1", Channel: "rx2", Value: 12e-9},
		{Time: 0.2, Sensor: "probe", Emitter: "e2", Channel: "rx3", Value: 99e-9},
	} {
		if err := s.Couplings.Write(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r := &rig.Rig{Channels: []rig.Channel{{Name: "drive"}, {Name: "rx1"}, {Name: "rx2"}, {Name: "rx3"}, {Name: "rx4"}},
		Emitters: []rig.Emitter{{Name: "e1"}, {Name: "e2"}},
		Sensors:  []rig.Sensor{{Name: "other", Coils: []rig.Coil{{Channel: 4}}}, {Name: "probe", Coils: []rig.Coil{{Channel: 3}, {Channel: 1}, {Channel: 2}}}}}
	d, err := couplings(dir, r, 1)
	if err != nil {
		t.Fatal(err)
	}
	want := map[[2]string]float64{{"e1", "rx1"}: 11e-9, {"e1", "rx2"}: 12e-9, {"e1", "rx3"}: 13e-9, {"e2", "rx1"}: 21e-9, {"e2", "rx2"}: 22e-9, {"e2", "rx3"}: math.NaN()}
	if len(d.Value) != len(want) || d.Unit != "H" {
		t.Fatalf("%d values in %s", len(d.Value), d.Unit)
	}
	for i, row := range d.Rows {
		for j, column := range d.Columns {
			have, want := d.Value[i*len(d.Columns)+j], want[[2]string{row, column}]
			if have != want && !(math.IsNaN(have) && math.IsNaN(want)) {
				t.Errorf("%s, %s: %g H, want %g", row, column, have, want)
			}
		}
	}
}
