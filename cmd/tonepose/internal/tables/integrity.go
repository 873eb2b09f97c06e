package tables

// IntegrityName is the table of what the fits of poses are worth.
const IntegrityName = "integrity"

// Integrity judges one pose. NaN in a number stands for "no value" and is NULL
// in the table.
type Integrity struct {
	Time           float64 // centre of the window [s]
	Duration       float64 // [s]
	Sensor         string
	Chi2           float64 // of the in-phase parts' fit
	DOF            int
	QuadratureChi2 float64 // of the quadrature parts, less what motion and delays explain
	QuadratureDOF  int
	Spread         float64 // of the position over fits without one emitter each [m]
	PositionError  float64 // radius that holds the true position about 95 times in 100, distortion included [m]
	RotationError  float64 // alike [rad]
	Finding        string  // what is wrong, in words; empty: nothing known
	Flags          Flags
}

// OpenIntegrity opens a table of judged poses; see OpenPhasors.
func OpenIntegrity(path string) (*Reader[Integrity], error) {
	return open(path, (*integrityRow).get)
}

type integrityRow struct {
	Time           float64  `parquet:"time_s,split,zstd"`
	Duration       float64  `parquet:"duration_s,dict,zstd"`
	Sensor         string   `parquet:"sensor,dict,zstd"`
	Chi2           *float64 `parquet:"chi2,split,zstd,optional"`
	DOF            int32    `parquet:"dof,dict,zstd"`
	QuadratureChi2 *float64 `parquet:"quadrature_chi2,split,zstd,optional"`
	QuadratureDOF  int32    `parquet:"quadrature_dof,dict,zstd"`
	Spread         *float64 `parquet:"spread_m,split,zstd,optional"`
	PositionError  *float64 `parquet:"position_error_m,split,zstd,optional"`
	RotationError  *float64 `parquet:"rotation_error_rad,split,zstd,optional"`
	Finding        string   `parquet:"finding,dict,zstd"`
	Flags          string   `parquet:"flags,dict,zstd"`

	values [5]float64
}

func (r *integrityRow) put(v *Integrity) error {
	*r = integrityRow{Time: v.Time, Duration: v.Duration, Sensor: v.Sensor, DOF: int32(v.DOF), QuadratureDOF: int32(v.QuadratureDOF),
		Finding: v.Finding, Flags: v.Flags.String(), values: [5]float64{v.Chi2, v.QuadratureChi2, v.Spread, v.PositionError, v.RotationError}}
	for i, dst := range []**float64{&r.Chi2, &r.QuadratureChi2, &r.Spread, &r.PositionError, &r.RotationError} {
		*dst = known(&r.values[i])
	}
	return nil
}

func (r *integrityRow) get(v *Integrity) error {
	flags, err := ParseFlags(r.Flags)
	*v = Integrity{r.Time, r.Duration, r.Sensor, orNaN(r.Chi2), int(r.DOF), orNaN(r.QuadratureChi2), int(r.QuadratureDOF),
		orNaN(r.Spread), orNaN(r.PositionError), orNaN(r.RotationError), r.Finding, flags}
	return err
}
