package recording

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Open finds out what name holds and reads its description; no sample is read yet, except that a CSV's lines are
// counted and its time column checked. A SigMF dataset whose hash is stated is hashed beside the first pass, and a pass to
// its end fails with ErrHash if it is another (see Reader.Hash). The name "-" is standard input. A SigMF recording may be named by its .sigmf-meta, its .sigmf-data or their stem.
//
// Every error names the file, what was found and how to mend it. When the context ends, Open returns its error within
// 100 ms, also while a pipe gives nothing.
func Open(ctx context.Context, name string, opt Options) (*Reader, error) {
	if name == "-" {
		if opt.Stdin == nil {
			return nil, errors.New("-: no standard input to read; give a file")
		}
		return openStream(ctx, opt.Stdin, "-", opt)
	}
	if meta, data, ok := sigmfPair(name, opt); ok {
		return openSigMF(ctx, meta, data, opt)
	}
	st, err := os.Stat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: no such file, nor %s.sigmf-meta beside it; check the name: %w", name,
			filepath.Base(name), fs.ErrNotExist)
	case err != nil:
		return nil, err
	case st.IsDir():
		return nil, fmt.Errorf("%s: a directory; name the recording in it", name)
	case !st.Mode().IsRegular():
		return openStream(ctx, &pipe{name: name}, filepath.Base(name), opt)
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	return openFile(ctx, f, filepath.Base(name), st.Size(), opt)
}

// openFile takes over f, also when it fails.
func openFile(ctx context.Context, f file, name string, size int64, opt Options) (*Reader, error) {
	l, err := parse(interruptible{ctx, f}, name, size, opt)
	if err != nil {
		f.Close()
		return nil, err
	}
	return newReader(ctx, f, name, size, l, opt)
}

// interruptible is a file that cannot be read any more once its context has ended.
type interruptible struct {
	ctx context.Context
	io.ReaderAt
}

func (p interruptible) ReadAt(b []byte, at int64) (int, error) {
	if err := p.ctx.Err(); err != nil {
		return 0, err
	}
	return p.ReaderAt.ReadAt(b, at)
}

func parse(f io.ReaderAt, name string, size int64, opt Options) (*layout, error) {
	switch opt.Format {
	case "":
	case "sigmf":
		return parseArchive(f, name, size, opt)
	case "wav":
		return parseWAV(f, name, size)
	case "npy":
		return parseNPY(f, name, size, opt)
	case "csv":
		return parseCSV(f, name, size, opt)
	default:
		return parseRaw(name, size, opt)
	}
	head := make([]byte, 4096)
	n, err := f.ReadAt(head, 0)
	if err != nil && err != io.EOF {
		return nil, err
	}
	head = head[:n]
	ext := strings.ToLower(filepath.Ext(name))
	switch {
	case isWAV(head) || ext == ".wav" || ext == ".rf64" || ext == ".bw64":
		return parseWAV(f, name, size)
	case bytes.HasPrefix(head, []byte(npyMagic)) || ext == ".npy":
		return parseNPY(f, name, size, opt)
	case isTar(head):
		return parseArchive(f, name, size, opt)
	case ext == ".csv" || ext == ".tsv" || n > 0 && isText(head):
		return parseCSV(f, name, size, opt)
	case n == 0:
		return nil, fmt.Errorf("%s: empty; record again", name)
	}
	return nil, fmt.Errorf("%s: starts with %q, which is none of SigMF, WAV, NumPy or CSV; if the samples are raw, give "+
		"their format (as ri16_le), rate and channels", name, head[:min(n, 8)])
}

// isText tells a table of numbers from raw samples: printable bytes only.
func isText(head []byte) bool {
	for _, c := range bytes.TrimPrefix(head, []byte(byteOrderMark)) {
		if c < ' ' && c != '\t' && c != '\n' && c != '\r' || c == 0x7f {
			return false
		}
	}
	return true
}
