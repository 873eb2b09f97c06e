package recording

import "bytes"

// NotTable says, with the mend, why what begins so is no table in plain text, as files are that were given in place of
// one; empty if it may be one.
func NotTable(start []byte) string {
	start = start[:min(len(start), 512)]
	for _, kind := range []struct{ mark, words string }{
		{"\xff\xfe", utf16Text},
		{"\xfe\xff", utf16Text},
		{"PAR1", "is a Parquet file and no CSV; write it as CSV (tonepose export prints tables of this program so)"},
		{"PK\x03\x04", "is a zip archive, as spreadsheets are, and no CSV; save the sheet as CSV in UTF-8"},
		{"\x1f\x8b", "is compressed by gzip; unpack it"},
	} {
		if bytes.HasPrefix(start, []byte(kind.mark)) {
			return kind.words
		}
	}
	// Of UTF-16 without its mark, every other byte of digits and Latin letters is zero.
	var zeros [2]int
	for i, b := range start {
		if b == 0 {
			zeros[i%2]++
		}
	}
	if most := max(zeros[0], zeros[1]); most > 1 && most >= len(start)/2 && min(zeros[0], zeros[1]) == 0 {
		return utf16Text
	}
	if bytes.IndexByte(start, 0) >= 0 { // other control characters may stand in names
		return "is binary data and no CSV; name a table in plain text"
	}
	text := bytes.TrimSpace(start)
	if bytes.HasPrefix(text, []byte("{")) || bytes.HasPrefix(text, []byte("[")) &&
		(len(text) == 1 || bytes.IndexByte([]byte(" \r\n[{"), text[1]) >= 0) {
		return "is JSON and no CSV; write it as CSV, a header and a row for each entry"
	}
	return ""
}

const utf16Text = "is text in UTF-16; save it in UTF-8"
