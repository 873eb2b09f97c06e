package recording

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf16"
)

// utf16Bytes is text in UTF-16 (RFC 2781), with its mark or without.
func utf16Bytes(order binary.ByteOrder, mark bool, text string) (b []byte) {
	if mark {
		text = "\ufeff" + text
	}
	for _, unit := range utf16.Encode([]rune(text)) {
		b = append(b, 0, 0)
		order.PutUint16(b[len(b)-2:], unit)
	}
	return b
}

// What is no CSV, though called so, is refused by what it is. The marks are those of RFC 2781 (UTF-16), RFC 1952 (gzip),
// the Parquet format's specification ("PAR1") and PKWARE's application note on zip, 4.3.7 (from memory).
func TestNoTable(t *testing.T) {
	const table = "time_s,a,b\n0,1,2\n0.5,3,4\n1,5,6\n1.5,7,8\n"
	for what, c := range map[string]struct{ text, want string }{
		"UTF-16 LE":              {string(utf16Bytes(binary.LittleEndian, true, table)), "text in UTF-16; save it in UTF-8"},
		"UTF-16 BE":              {string(utf16Bytes(binary.BigEndian, true, table)), "text in UTF-16; save it in UTF-8"},
		"UTF-16 LE, no mark":     {string(utf16Bytes(binary.LittleEndian, false, table)), "text in UTF-16; save it in UTF-8"},
		"UTF-16 BE, no mark":     {string(utf16Bytes(binary.BigEndian, false, table)), "text in UTF-16; save it in UTF-8"},
		"Parquet":                {"PAR1\x15\x06\x15\x10\nPAR1", "Parquet file"},
		"spreadsheet":            {"PK\x03\x04\x14\x00\x06\x00", "zip archive"},
		"gzip":                   {"\x1f\x8b\x08\x00abc\n", "unpack it"},
		"binary":                 {"\x7fELF\x02\x01\x01\x00\n", "binary data"},
		"JSON object":            {"{\n \"a\": [1, 2]\n}\n", "is JSON"},
		"JSON list":              {"[\n {\"a\": 1}\n]\n", "is JSON"},
		"JSON list in one line":  {"[{\"a\": 1, \"b\": 2}]\n", "is JSON"},
		"table":                  {table, ""},
		"table with a mark":      {byteOrderMark + table, ""},
		"names in brackets":      {"[V1],[V2]\n1,2\n1,4\n5,6\n", ""},
		"names with a degree":    {"time_s,\xb0C\n0,1\n0.5,2\n1,3\n", ""},
		"numbers alone":          {"1,2\n1,4\n5,6\n", ""},
		"column twice":           {"time_s,a,a\n0,1,2\n1,2,3\n2,3,4\n", `.csv:1: the header has "a" twice (fields 2 and 3); give every column a name of its own`},
		"columns without a name": {"time_s,,\n0,1,2\n0.5,2,3\n1,3,4\n", ""},
	} {
		name := filepath.Join(t.TempDir(), "given.csv")
		if err := os.WriteFile(name, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		check := func(how string, err error) {
			t.Helper()
			if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "given.csv:1: ")) {
				t.Errorf("%s, %s: error %v, want %q", what, how, err, c.want)
			}
		}
		r, err := Open(t.Context(), name, Options{SampleRate: 2})
		if err == nil {
			r.Close()
		}
		check("file", err)
		_, err = streamCSV(strings.NewReader(c.text), "given.csv", Options{})
		check("stream", err)
	}
}
