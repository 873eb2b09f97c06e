package tables

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
)

// Every text reads back as it was, and none begins as a formula does: = + - @, by "CSV
// Injection" of the OWASP community pages, which also names tab and carriage return (from
// memory). Negative numbers stay numbers.
func TestCellsAreNoFormulas(t *testing.T) {
	for _, text := range []string{"", "rx1", "'", "=1+1", "+1", "-x", "@sum", "\t=1", "'=1", "''-2", "a=b", "'rx'"} {
		cell := Cell(text)
		if cell != "" && strings.Contains("=+-@\t\r", cell[:1]) {
			t.Errorf("%q becomes %q", text, cell)
		}
		if back := cellText(cell); back != text {
			t.Errorf("%q becomes %q and reads back as %q", text, cell, back)
		}
	}
	name := filepath.Join(commit(t, []Coupling{{Time: 1, Duration: 0.01, Emitter: "e1", Sensor: "-probe", Channel: `=HYPERLINK("x")`, Value: -2.5e-9}}, nil), "couplings.parquet")
	var out bytes.Buffer
	if err := dump(t, name).WriteCSV(&out); err != nil {
		t.Fatal(err)
	}
	if row := strings.Split(out.String(), "\n")[1]; !strings.HasPrefix(row, `1,0.01,e1,'-probe,"'=HYPERLINK(""x"")",-2.5e-09,`) {
		t.Errorf("%s", row)
	}
	in := "start_s,stop_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n0,1," + Cell("-probe") + ",0,0,0,1,0,0,0\n"
	rows, err := readStations(strings.NewReader(in), "in.csv", []string{"-probe"}, demand{clocks: clocks[:2]})
	if err != nil || len(rows) != 1 || rows[0].Sensor != "-probe" {
		t.Errorf("%v, %v", rows, err)
	}
}
