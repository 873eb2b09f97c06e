package rig

import (
	"crypto/sha256"
	"encoding/hex"
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
	if e.err != nil {
		return nil, e.err
	}
	companions, err := e.companions(name)
	if err != nil {
		return nil, err
	}
	text, err := e.Text()
	if err != nil {
		return nil, err
	}
	saved, err := Parse(name, text, e.rig.opts)
	if err != nil {
		return nil, fmt.Errorf("rig: the changed file would not be valid: %w", err)
	}
	if c, s := e.calibration, saved.Calibration; c != nil &&
		(s == nil || s.ReferenceSHA256 != c.ReferenceSHA256 || s.CovarianceFile != c.CovarianceFile ||
			s.CovarianceSHA256 != c.CovarianceSHA256 || !slices.Equal(s.Parameters, c.Parameters) ||
			s.CorrectionFile != c.CorrectionFile || s.CorrectionSHA256 != c.CorrectionSHA256) {
		return nil, fmt.Errorf("rig: %s: the calibration block did not read back as written", name)
	}
	// The rig, which names the others, is created first and seen last.
	batch := files.Batch{Force: true}
	defer batch.Abort()
	err = batch.Write(name, text)
	for _, c := range companions {
		err = errors.Join(err, batch.Write(filepath.Join(filepath.Dir(name), c.file), c.text))
	}
	if err == nil {
		err = batch.Commit()
	}
	if err != nil {
		return nil, err
	}
	return saved, nil
}

// companion is a file beside a rig.
type companion struct {
	file string
	text []byte
}

// companions are the files to write beside the rig, whose names and hashes the
// calibration block takes up.
func (e *Edit) companions(name string) ([]companion, error) {
	var out []companion
	if e.calibration == nil {
		return e.inherited(name)
	}
	stem := strings.TrimSuffix(strings.TrimSuffix(filepath.Base(name), filepath.Ext(name)), ".rig")
	add := func(file string, text []byte) (string, string) {
		out = append(out, companion{file, text})
		sum := sha256.Sum256(text)
		return file, hex.EncodeToString(sum[:])
	}
	if e.cov != nil {
		text, err := e.cov.csv()
		if err != nil {
			return nil, err
		}
		e.calibration.CovarianceFile, e.calibration.CovarianceSHA256 = add(stem+".covariance.csv", text)
	}
	if e.correction != nil {
		text, err := e.correction.Encode()
		if err != nil {
			return nil, err
		}
		e.calibration.CorrectionFile, e.calibration.CorrectionSHA256 = add(stem+".correction.json", text)
	}
	return out, nil
}

// inherited are the files of a calibration that stays, where the rig goes to
// another folder.
func (e *Edit) inherited(name string) (out []companion, err error) {
	c := e.rig.Calibration
	if c == nil || filepath.Clean(filepath.Dir(name)) == filepath.Clean(filepath.Dir(e.rig.File)) {
		return nil, nil
	}
	for _, f := range []struct{ what, file, hash string }{{"covariance", c.CovarianceFile, c.CovarianceSHA256}, {"correction", c.CorrectionFile, c.CorrectionSHA256}} {
		if f.file == "" || filepath.IsAbs(f.file) {
			continue
		}
		text, err := e.rig.beside(f.what, f.file, f.hash)
		if err != nil {
			return nil, err
		}
		out = append(out, companion{f.file, text})
	}
	return out, nil
}
