package rig

import (
	"errors"
	"reflect"
	"strings"
	"testing"
)

// instrument is a source of bench.
const instrument = `source:
  address: 192.0.2.7:5025
  identity: bench scope
  start: ["ACQ:RATE 100000", "ACQ:START"]
  errors: "SYST:ERR?"
  block: "ACQ:NEXT?"
  joined: true
  format: ri16_le
  count_v: 7.6e-5
  timeout_s: 2
`

func TestInstrument(t *testing.T) {
	rg, err := Parse("bench.rig.yaml", []byte(instrument+bench), Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := Instrument{Address: "192.0.2.7:5025", Identity: "bench scope", Start: []string{"ACQ:RATE 100000", "ACQ:START"}, Errors: "SYST:ERR?",
		Block: "ACQ:NEXT?", Joined: true, Format: "ri16_le", CountV: 7.6e-5, TimeoutS: 2}
	if !reflect.DeepEqual(*rg.Source, want) {
		t.Errorf("source is %+v", rg.Source)
	}
	rg, err = Parse("bench.rig.yaml", []byte("source: {address: 'localhost:5025', block: 'READ?', format: rf32_be}\n"+bench), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if want := (Instrument{Address: "localhost:5025", Block: "READ?", Format: "rf32_be"}); !reflect.DeepEqual(*rg.Source, want) {
		t.Errorf("source is %+v", rg.Source)
	}
	if rg, err = Parse("bench.rig.yaml", []byte(bench), Options{}); err != nil || rg.Source != nil {
		t.Errorf("source is %+v, error %v", rg.Source, err)
	}
}

func TestBadInstrument(t *testing.T) {
	for _, c := range []struct{ old, new, want, hint string }{
		{"192.0.2.7:5025", "192.0.2.7", "2: source.address = 192.0.2.7: must be host and port", "host and port of the instrument, such as 192.0.2.7:5025"},
		{"192.0.2.7:5025", "'192.0.2.7:'", "2: source.address = \"192.0.2.7:\": must be host and port", "host and port of the instrument, such as 192.0.2.7:5025"},
		{"  address: 192.0.2.7:5025\n", "", "2: source.address: is missing", "host and port of the instrument, such as 192.0.2.7:5025"},
		{"  block: \"ACQ:NEXT?\"\n", "", "2: source.block: is missing", "the query that the instrument answers by a block of samples, such as \"READ?\""},
		{"ACQ:NEXT?", "ACQ:NEXT", "6: source.block = \"ACQ:NEXT\": must be a query", "a query has a question mark"},
		{"SYST:ERR?", "SYST:ERR", "5: source.errors = \"SYST:ERR\": must be a query", "a query has a question mark"},
		{"ACQ:START\"", "ACQ:START\\nACQ:STOP\"", "4: source.start[1] = \"ACQ:START\\nACQ:STOP\": must be one line without spaces at its ends", ""},
		{"[\"ACQ:RATE 100000\", \"ACQ:START\"]", "ACQ:START", "4: source.start = ACQ:START: must be a list", "begin each element with a dash"},
		{"ri16_le", "ri17_le", "8: source.format = ri17_le: is no type of samples", "give one of ri8 ru8 ri16_le ru16_le ri24_le ri32_le ru32_le rf32_le rf64_le, or _be for big-endian"},
		{"ri16_le", "ri16", "8: source.format = ri16: is no type of samples", "write ri16_le or ri16_be"},
		{"ri16_le", "rf32_le", "9: source.count_v = 7.6e-5: stands beside a format of floats", "remove it: float samples are volts"},
		{"7.6e-5", "0", "9: source.count_v = 0: must be positive", "the voltage of one count, in volts"},
		{"count_v: 7.6e-5", "count_uv: 76", "9: source.count_uv = 76: unknown key", "write count_v: 7.6e-05"},
		{"timeout_s: 2", "timeout_ms: 2000", "10: source.timeout_ms = 2000: unknown key", "write timeout_s: 2"},
		{"timeout_s: 2", "timeout_s: -1", "10: source.timeout_s = -1: must be positive", "the longest silence before an answer, in seconds"},
		{"joined: true", "joined: yes", "7: source.joined = yes: must be true or false", ""},
		{"joined: true", "baud: 9600", "7: source.baud = 9600: unknown key", "known here: address, block, count_v, errors, format, identity, joined, start, timeout_s"},
	} {
		if !strings.Contains(instrument, c.old) {
			t.Errorf("the instrument has no %q", c.old)
			continue
		}
		_, err := Parse("bench.rig.yaml", []byte(strings.Replace(instrument, c.old, c.new, 1)+bench), Options{})
		var first *Error
		if !errors.As(err, &first) || first.Error() != "bench.rig.yaml:"+c.want || first.Hint != c.hint {
			t.Errorf("%q:\n got %v\nwant %s\nhint %q, want %q", c.new, err, c.want, first.Hint, c.hint)
		}
	}
}
