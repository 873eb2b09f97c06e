package rig

import "time"

// Calibration says where a rig's calibrated values come from.
type Calibration struct {
	Date             time.Time
	ReferenceSHA256  string   // of the file of reference poses; may be empty
	Parameters       []string // rows and columns of the covariance
	CovarianceFile   string   // relative to the rig file; empty when there is none
	CovarianceSHA256 string
}
