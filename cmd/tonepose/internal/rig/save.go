package rig

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"tonepose/cmd/tonepose/internal/files"
)

// Save writes the changed rig, and beside it the covariance of its calibration
// as <stem>.covariance.csv and its correction as <stem>.correction.json. The
// files of a calibration that stays as it was go along to another folder. They
// appear together, or not at all. The rig is read back as written.
func (e *Edit) Save(name string) (*Rig, error) {
	batch := files.Batch{Force: true}
	defer batch.Abort()
	saved, err := e.Add(&batch, name)
	if err != nil {
		return nil, err
	}
	return saved, batch.Commit()
}

// Add adds the files of Save to others, with which they appear.
func (e *Edit) Add(to *files.Batch, name string) (*Rig, error) {
	if e.err != nil {
		return nil, e.err
	}
	companions, err := e.companions(name)
	if err != nil {
		return nil, err
	}
	saved, err := e.changed(name)
	if err != nil {
		return nil, err
	}
	if c, s := e.calibration, saved.Calibration; c != nil &&
		(s == nil || s.ReferenceSHA256 != c.ReferenceSHA256 || s.Covariance != c.Covariance || s.Correction != c.Correction ||
			!slices.Equal(s.Parameters, c.Parameters)) {
		return nil, fmt.Errorf("rig: %s: the calibration block did not read back as written", name)
	}
	// The rig, which names the others, is created first and seen last.
	err = to.Write(name, saved.Text)
	for file, text := range companions {
		err = errors.Join(err, to.Write(filepath.Join(filepath.Dir(name), file), text))
	}
	if err != nil {
		return nil, err
	}
	return saved, nil
}

// companions are the texts of the files to write beside the rig. Their names and
// hashes are entered in the calibration block.
func (e *Edit) companions(name string) (map[string][]byte, error) {
	out := map[string][]byte{}
	if e.calibration == nil {
		return e.inherited(name)
	}
	stem := strings.TrimSuffix(strings.TrimSuffix(filepath.Base(name), filepath.Ext(name)), ".rig")
	add := func(file string, text []byte, err error) (Companion, error) {
		out[file] = text
		return Companion{file, sha256Of(text)}, err
	}
	var err error
	if e.cov != nil {
		text, failed := e.cov.csv()
		e.calibration.Covariance, err = add(stem+".covariance.csv", text, failed)
	}
	if e.correction != nil && err == nil {
		text, failed := e.correction.Encode()
		e.calibration.Correction, err = add(stem+".correction.json", text, failed)
	}
	return out, err
}

// inherited are the files of a calibration that stays, where the rig goes to
// another folder.
func (e *Edit) inherited(name string) (map[string][]byte, error) {
	out := map[string][]byte{}
	c := e.rig.Calibration
	if c == nil || filepath.Clean(filepath.Dir(name)) == filepath.Clean(filepath.Dir(e.rig.File)) {
		return nil, nil
	}
	for what, f := range c.companions {
		if filepath.IsAbs(f.File) {
			continue
		}
		text, err := e.rig.beside(what, f)
		if err != nil {
			return nil, err
		}
		if text != nil {
			out[f.File] = text
		}
	}
	return out, nil
}

func sha256Of(text []byte) string { return fmt.Sprintf("%x", sha256.Sum256(text)) }
