package tables

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// schemaVersion counts changes of the columns that a reader must know of. All
// earlier ones are read.
//
//   - 1: poses outside the working volume are flagged "outside volume"; tables of
//     what fits are worth may end before the runner-up.
//   - 2: that flag is "outside working volume".
//   - 3: tables of what fits are worth tell by what a misfit multiplies variances;
//     the sigmas of poses have it.
//   - 4: poses of live streams tell their latency and the windows skipped before them.
//   - 5: what fits are worth is told in a word, too.
const schemaVersion = 5

// added are the columns that tables of earlier schemas may lack.
var added = []string{
	"runner_up_x_m", "runner_up_y_m", "runner_up_z_m", "runner_up_qw", "runner_up_qx", "runner_up_qy", "runner_up_qz", "runner_up_ratio",
	"nonlinearity", "low_x_m", "high_x_m", "low_y_m", "high_y_m", "low_z_m", "high_z_m",
	"misfit_growth",
	"latency_s", "skipped_windows",
	"state",
}

// Metadata says where a table comes from. It is stored with each table, with
// the schema's version and the columns' units.
type Metadata struct {
	Tool      string // version of the tool
	Rig       string // the whole text of the rig file; empty: run without one
	Recording Recording
	Options   map[string]string // every option of the run, defaults included
}

// Recording identifies the samples a table was made from.
type Recording struct {
	Name   string
	Size   int64     // [bytes]
	SHA256 string    // of its bytes, hexadecimal
	Start  time.Time // of the first sample; zero: not known
}

const keyPrefix = "tonepose."

// pairs returns keys and values.
func (m Metadata) pairs(columns [][]string) [][2]string {
	units := make(map[string]string)
	for _, c := range columns {
		if u := unitOf(c[0]); u != "" {
			units[c[0]] = u
		}
	}
	options := m.Options
	if options == nil {
		options = map[string]string{}
	}
	p := [][2]string{
		{"schema_version", strconv.Itoa(schemaVersion)},
		{"tool_version", m.Tool},
		{"rig", m.Rig},
		{"rig_sha256", ""},
		{"recording_name", m.Recording.Name},
		{"recording_size", strconv.FormatInt(m.Recording.Size, 10)},
		{"recording_sha256", m.Recording.SHA256},
		{"recording_start", ""},
		{"options", jsonText(options)},
		{"units", jsonText(units)},
	}
	if m.Rig != "" {
		p[3][1] = fmt.Sprintf("%x", sha256.Sum256([]byte(m.Rig)))
	}
	if !m.Recording.Start.IsZero() {
		p[7][1] = m.Recording.Start.UTC().Format(time.RFC3339Nano)
	}
	for i := range p {
		p[i][0] = keyPrefix + p[i][0]
	}
	return p
}

// jsonText is the JSON of a text, or of a map of texts, keys sorted.
func jsonText(v any) string {
	text, err := json.Marshal(v)
	if err != nil {
		panic(err) // texts always have JSON
	}
	return string(text)
}

// parseMetadata reads the pairs back, and the schema that the table follows.
func parseMetadata(lookup func(key string) (string, bool)) (m Metadata, schema int, err error) {
	get := func(key string) string {
		v, _ := lookup(keyPrefix + key)
		return v
	}
	version, ok := lookup(keyPrefix + "schema_version")
	if !ok {
		return m, 0, errors.New("no " + keyPrefix + "schema_version in its metadata: not a table of tonepose")
	}
	schema, err = strconv.Atoi(version)
	if err != nil || schema < 1 || schema > schemaVersion {
		return m, 0, fmt.Errorf("schema version %s: must be 1 to %d; read it with the version that wrote it, tonepose %s",
			version, schemaVersion, get("tool_version"))
	}
	m = Metadata{Tool: get("tool_version"), Rig: get("rig"),
		Recording: Recording{Name: get("recording_name"), SHA256: get("recording_sha256")}}
	if m.Recording.Size, err = strconv.ParseInt(get("recording_size"), 10, 64); err != nil {
		return m, 0, fmt.Errorf("metadata recording_size = %q: must be a whole number of bytes", get("recording_size"))
	}
	if start := get("recording_start"); start != "" {
		if m.Recording.Start, err = time.Parse(time.RFC3339Nano, start); err != nil {
			return m, 0, fmt.Errorf("metadata recording_start = %q: must be a time in RFC 3339", start)
		}
	}
	if err := json.Unmarshal([]byte(get("options")), &m.Options); err != nil {
		return m, 0, fmt.Errorf("metadata options: %w", err)
	}
	return m, schema, nil
}

var unitSuffixes = [...]struct{ suffix, unit string }{
	{"_rad", "rad"}, {"_deg", "°"}, {"_hz", "Hz"}, {"_s", "s"}, {"_v", "V"}, {"_h", "H"}, {"_m", "m"},
}

// unitOf returns the unit of a column as its name states it, "1" for a plain
// number and "" for text.
func unitOf(column string) string {
	switch column {
	case "qw", "qx", "qy", "qz", "chi2", "dof", "iterations", "harmonic", "misfit_growth", "skipped_windows", "quadrature_chi2", "quadrature_dof",
		"runner_up_qw", "runner_up_qx", "runner_up_qy", "runner_up_qz", "runner_up_ratio", "nonlinearity":
		return "1"
	}
	if of, ok := strings.CutPrefix(column, "cov_"); ok {
		switch strings.Count(of, "r") {
		case 0:
			return "m²"
		case 1:
			return "m·rad"
		default:
			return "rad²"
		}
	}
	for _, s := range unitSuffixes {
		if strings.HasSuffix(column, s.suffix) {
			return s.unit
		}
	}
	return ""
}
