package rig

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Save writes the changed rig, and beside it the covariance of its calibration
// as <stem>.covariance.csv. Each file appears whole or not at all, the rig file
// last. The rig is read back as written.
func (e *Edit) Save(name string) (*Rig, error) {
	var covText []byte
	covName := ""
	if e.cov != nil && e.err == nil {
		var err error
		if covText, err = e.cov.csv(); err != nil {
			return nil, err
		}
		stem := strings.TrimSuffix(strings.TrimSuffix(filepath.Base(name), filepath.Ext(name)), ".rig")
		sum := sha256.Sum256(covText)
		e.calibration.CovarianceFile = stem + ".covariance.csv"
		e.calibration.CovarianceSHA256 = hex.EncodeToString(sum[:])
		covName = filepath.Join(filepath.Dir(name), e.calibration.CovarianceFile)
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
			s.CovarianceSHA256 != c.CovarianceSHA256 || !slices.Equal(s.Parameters, c.Parameters)) {
		return nil, fmt.Errorf("rig: %s: the calibration block did not read back as written", name)
	}
	if covText != nil {
		if err := writeWhole(covName, covText); err != nil {
			return nil, err
		}
	}
	if err := writeWhole(name, text); err != nil {
		return nil, err
	}
	return saved, nil
}

// writeWhole writes a file that appears whole or not at all.
func writeWhole(name string, data []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+"-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if _, err = f.Write(data); err != nil {
		return err
	}
	// A temporary file is private; a rig file is as readable as any other.
	if err = f.Chmod(0o644); err != nil {
		return err
	}
	if err = f.Sync(); err != nil {
		return err
	}
	if err = f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), name)
}
