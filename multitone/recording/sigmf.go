package recording

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"crypto/sha512"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"time"
)

const (
	metaExt = ".sigmf-meta"
	dataExt = ".sigmf-data"
	// maxMeta bounds the metadata, which are read whole.
	maxMeta = 64 << 20
)

// sigmfMeta is what is needed of the core namespace (SigMF specification 1.2).
type sigmfMeta struct {
	Global struct {
		Datatype      string   `json:"core:datatype"`
		SampleRate    *float64 `json:"core:sample_rate"`
		NumChannels   *int     `json:"core:num_channels"`
		SHA512        string   `json:"core:sha512"`
		Offset        int64    `json:"core:offset"`
		Dataset       string   `json:"core:dataset"`
		TrailingBytes int64    `json:"core:trailing_bytes"`
		MetadataOnly  bool     `json:"core:metadata_only"`
	} `json:"global"`
	Captures []sigmfCapture `json:"captures"`
}

type sigmfCapture struct {
	SampleStart int64  `json:"core:sample_start"`
	GlobalIndex *int64 `json:"core:global_index"`
	HeaderBytes int64  `json:"core:header_bytes"`
	Datetime    string `json:"core:datetime"`
}

// sigmfStem is the name without the extension of either file.
func sigmfStem(name string) string {
	return strings.TrimSuffix(strings.TrimSuffix(name, metaExt), dataExt)
}

// sigmfPair finds metadata and data from either name or the stem.
func sigmfPair(name string, opt Options) (meta, data string, ok bool) {
	if opt.Format != "" && opt.Format != "sigmf" {
		return "", "", false
	}
	stem := sigmfStem(name)
	ok = stem != name
	if !ok {
		if st, err := os.Stat(name); err == nil && !st.IsDir() {
			return "", "", false // an archive, or some other file of that very name
		}
		_, errMeta := os.Stat(stem + metaExt)
		_, errData := os.Stat(stem + dataExt)
		ok = errMeta == nil || errData == nil
	}
	return stem + metaExt, stem + dataExt, ok
}

// Files are the files that Open reads of a recording: two of a SigMF pair. They need not
// exist.
func Files(name string, opt Options) []string {
	if meta, data, ok := sigmfPair(name, opt); ok {
		return []string{meta, data}
	}
	return []string{name}
}

func openSigMF(ctx context.Context, metaName, dataName string, opt Options) (*Reader, error) {
	base := filepath.Base(metaName)
	st, err := os.Stat(metaName)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: no such file beside the data; a SigMF recording is a pair, or give the format of "+
			"raw samples: %w", metaName, fs.ErrNotExist)
	case err != nil:
		return nil, err
	case st.Size() > maxMeta:
		return nil, fmt.Errorf("%s: %d bytes of metadata; at most %d are read", base, st.Size(), maxMeta)
	}
	text, err := os.ReadFile(metaName)
	if err != nil {
		return nil, err
	}
	m, err := parseMeta(text, base)
	if err != nil {
		return nil, err
	}
	if d := m.Global.Dataset; d != "" {
		if d != filepath.Base(d) || d == "." || d == ".." {
			return nil, fmt.Errorf("%s: core:dataset = %q: must be a file name in the same directory", base, d)
		}
		dataName = filepath.Join(filepath.Dir(metaName), d)
	}
	f, err := os.Open(dataName)
	if err != nil {
		return nil, fmt.Errorf("%s: the data of %s cannot be read; keep the pair together: %w", dataName, base, err)
	}
	var l *layout
	if st, err = f.Stat(); err == nil && !st.Mode().IsRegular() {
		err = fmt.Errorf("%s: not a regular file", dataName)
	}
	if err == nil {
		l, err = m.layout(base, filepath.Base(dataName), st.Size(), opt)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return newReader(ctx, f, filepath.Base(dataName), st.Size(), l, opt)
}

// parseMeta reads metadata; name is for messages.
func parseMeta(text []byte, name string) (*sigmfMeta, error) {
	m := new(sigmfMeta)
	err := json.Unmarshal(bytes.TrimPrefix(text, []byte(byteOrderMark)), m)
	var syntax *json.SyntaxError
	var typ *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		return nil, fmt.Errorf("%s:%d: not JSON: %v", name, 1+bytes.Count(text[:min(int(syntax.Offset), len(text))], []byte("\n")), err)
	case errors.As(err, &typ):
		return nil, fmt.Errorf("%s:%d: %s is a JSON %s: must be %s", name,
			1+bytes.Count(text[:min(int(typ.Offset), len(text))], []byte("\n")), cmp.Or(typ.Field, "the whole"), typ.Value, jsonKind(typ.Type))
	case err != nil:
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return m, nil
}

// jsonKind is what a value must be to be read as of a type.
func jsonKind(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Struct:
		return "an object in braces"
	case reflect.Slice:
		return "a list in brackets"
	case reflect.String:
		return "a text in quotes"
	case reflect.Bool:
		return "true or false"
	case reflect.Int, reflect.Int64:
		return "a whole number"
	}
	return "a number"
}

// layout lays out size bytes of data as the metadata say.
func (m *sigmfMeta) layout(meta, data string, size int64, opt Options) (*layout, error) {
	g := &m.Global
	if g.MetadataOnly {
		return nil, fmt.Errorf("%s: core:metadata_only: the samples were not distributed with it", meta)
	}
	if g.Datatype == "" {
		return nil, fmt.Errorf("%s: no core:datatype in global; add it, as \"ri16_le\"", meta)
	}
	typ, err := parseDatatype(g.Datatype)
	if err != nil {
		return nil, fmt.Errorf("%s: core:%w", meta, err)
	}
	l := &layout{format: "SigMF", typ: typ, bits: 8 * typ.size, channels: 1}
	if g.NumChannels != nil {
		l.channels = *g.NumChannels
	}
	if l.channels < 1 || l.channels > maxChannels {
		return nil, fmt.Errorf("%s: core:num_channels = %d: must be 1..%d", meta, l.channels, maxChannels)
	}
	if g.SampleRate != nil {
		l.rate = *g.SampleRate
		if err := CheckRate(l.rate); err != nil {
			return nil, fmt.Errorf("%s: core:sample_rate = %g: %w", meta, l.rate, err)
		}
	}
	if g.SHA512 != "" && !opt.IgnoreHash {
		l.stated = &stated{sum: g.SHA512, size: size, meta: meta, data: data}
	}
	if g.TrailingBytes < 0 || g.TrailingBytes > size {
		return nil, fmt.Errorf("%s: core:trailing_bytes = %d: must be 0..%d, the size of %s", meta, g.TrailingBytes, size, data)
	}
	if err := m.extents(l, meta, data, size-g.TrailingBytes); err != nil {
		return nil, err
	}
	rate := l.rate
	if rate == 0 {
		rate = opt.SampleRate
	}
	return l, m.timeline(l, meta, rate)
}

// extents follows the captures through the data: each may be preceded by bytes that are no samples.
func (m *sigmfMeta) extents(l *layout, meta, data string, size int64) error {
	frame := l.frameBytes()
	at, next := int64(0), int64(0) // byte in the file, index of the sample there
	for k, c := range m.Captures {
		first := c.SampleStart - m.Global.Offset
		if first < next || first-next > (size-at)/frame {
			return fmt.Errorf("%s: captures[%d] core:sample_start = %d: must rise, and %s holds %d samples to there", meta, k,
				c.SampleStart, data, next+(size-at)/frame)
		}
		if first > next {
			l.fill(data, at, (first-next)*frame)
			at += (first - next) * frame
		}
		if c.HeaderBytes < 0 || c.HeaderBytes > size-at {
			return fmt.Errorf("%s: captures[%d] core:header_bytes = %d: must be 0..%d, what is left of %s", meta, k,
				c.HeaderBytes, size-at, data)
		}
		at += c.HeaderBytes
		next = first
	}
	l.fill(data, at, size-at)
	return nil
}

// clockTolerance: a gap that the computer's time of day shows counts only beyond what the ADC's clock may be off
// (±200 ppm, as for the tones).
const clockTolerance = 200e-6

// timeline turns the captures' indices and times of day into captures with gaps.
func (m *sigmfMeta) timeline(l *layout, meta string, rate float64) error {
	var prev Capture
	var prevGlobal *int64
	var prevResolution time.Duration
	for k, c := range m.Captures {
		now := Capture{Start: c.SampleStart - m.Global.Offset}
		var resolution time.Duration
		if c.Datetime != "" {
			t, err := time.Parse(time.RFC3339Nano, c.Datetime)
			if err != nil {
				return fmt.Errorf("%s: captures[%d] core:datetime = %q: must be like 2024-01-31T12:00:00.123456Z", meta, k,
					c.Datetime)
			}
			now.Datetime, resolution = t.UTC(), stampResolution(c.Datetime)
		}
		if k == 0 && now.Start > 0 { // samples before the first capture
			l.captures = append(l.captures, Capture{})
			prev = Capture{}
		}
		if k > 0 || now.Start > 0 {
			count := now.Start - prev.Start
			switch {
			case c.GlobalIndex != nil && prevGlobal != nil:
				now.Missing = max(0, *c.GlobalIndex-*prevGlobal-count)
			case rate > 0 && !now.Datetime.IsZero() && !prev.Datetime.IsZero():
				elapsed := now.Datetime.Sub(prev.Datetime).Seconds()
				lost := elapsed - float64(count)/rate
				if lost > 0.5/rate+clockTolerance*elapsed+(resolution+prevResolution).Seconds() {
					now.Missing = int64(math.Round(lost * rate))
				}
			}
			if rate > 0 {
				now.Time = prev.Time + float64(count+now.Missing)/rate
			}
		}
		l.captures = append(l.captures, now)
		prev, prevGlobal, prevResolution = now, c.GlobalIndex, resolution
	}
	if len(l.captures) > 0 {
		l.start = l.captures[0].Datetime
	}
	return nil
}

// stampResolution is half a unit of the last digit of the seconds.
func stampResolution(s string) time.Duration {
	unit := time.Second
	if _, fraction, ok := strings.Cut(s, "."); ok {
		for _, c := range fraction {
			if c < '0' || c > '9' || unit == 1 {
				break
			}
			unit /= 10
		}
	}
	return unit / 2
}

// beginSigMF lets the metadata follow the samples, which have to be hashed (SigMF 1.2).
func (w *Writer) beginSigMF(data, meta io.Writer) {
	sum := sha512.New()
	w.data = bufio.NewWriterSize(io.MultiWriter(data, sum), 1<<18)
	w.finish = func() error { return w.describe(meta, hex.EncodeToString(sum.Sum(nil))) }
}

// Describe writes the metadata of a SigMF recording as far as it is there, without a hash: who does it at the start has a
// recording that can be read even where its end never comes.
func (w *Writer) Describe(meta io.Writer) error { return w.describe(meta, "") }

func (w *Writer) describe(meta io.Writer, hash string) error {
	global := map[string]any{
		"core:datatype":     w.typ.String(),
		"core:sample_rate":  w.SampleRate,
		"core:version":      "1.2.0",
		"core:num_channels": len(w.Names),
	}
	if hash != "" {
		global["core:sha512"] = hash
	}
	if w.Text != "" {
		global["core:description"] = w.Text
	}
	if w.Recorder != "" {
		global["core:recorder"] = w.Recorder
	}
	capture := map[string]any{"core:sample_start": 0}
	if !w.Start.IsZero() {
		capture["core:datetime"] = sigmfTime(w.Start)
	}
	e := json.NewEncoder(meta)
	e.SetIndent("", "  ")
	return e.Encode(map[string]any{"global": global, "captures": append([]any{capture}, w.captures...), "annotations": append([]any{}, w.annotations...)})
}

func sigmfTime(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000Z") }
