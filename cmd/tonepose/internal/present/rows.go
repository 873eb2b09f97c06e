package present

import (
	"math"
	"strconv"

	"tonepose/cmd/tonepose/internal/tables"
)

// Lines are rows as they are written while they come, one a line, each complete by
// itself. They do not allocate once their buffers have grown.
//
// LinesJSON writes an object a row: numbers and poses have the form that they have in
// every JSON. LinesCSV writes the columns of the table under their names, without the
// covariances.
type Lines int

const (
	LinesJSON Lines = iota
	LinesCSV
)

const poseHead = "time_s,duration_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz,tip_x_m,tip_y_m,tip_z_m," +
	"sigma_x_m,sigma_y_m,sigma_z_m,sigma_rx_rad,sigma_ry_rad,sigma_rz_rad,chi2,dof,status,flags,latency_s,skipped_windows\n"

const pairHead = "time_s,duration_s,signal,reference,harmonic,harmonic_hz,in_phase_v,quadrature_v,amplitude_v," +
	"phase_deg,unwrapped_deg,sigma_v,sigma_phase_deg,flags,latency_s,skipped_windows\n"

// Head is what stands before the first pose, or the first row of a pair.
func (l Lines) Head(pair bool) []byte {
	switch {
	case l != LinesCSV:
		return nil
	case pair:
		return []byte(pairHead)
	}
	return []byte(poseHead)
}

// Pair appends the row of a signal against its reference: the columns of its table under
// their names.
func (l Lines) Pair(b []byte, row *tables.Demodulated, live tables.Live) []byte {
	numbers := [...]float64{row.Hz, row.InPhase, row.Quadrature, row.Amplitude, row.Phase, row.Unwrapped, row.Sigma, row.SigmaPhase}
	if l == LinesCSV {
		b = append(appendNumber(b, row.Time, ""), ',')
		b = append(appendNumber(b, row.Duration, ""), ',')
		b = append(appendField(b, row.Signal), ',')
		b = append(appendField(b, row.Reference), ',')
		b = strconv.AppendInt(b, int64(row.Harmonic), 10)
		for _, v := range numbers {
			b = appendNumber(append(b, ','), v, "")
		}
		b = append(appendField(append(b, ','), row.Flags.String()), ',')
		b = append(appendNumber(b, live.Latency, ""), ',')
		return append(strconv.AppendInt(b, int64(live.Skipped), 10), '\n')
	}
	b = appendNumber(append(b, `{"time_s":`...), row.Time, "null")
	b = appendNumber(append(b, `,"duration_s":`...), row.Duration, "null")
	b = appendText(append(b, `,"signal":`...), row.Signal)
	b = appendText(append(b, `,"reference":`...), row.Reference)
	b = strconv.AppendInt(append(b, `,"harmonic":`...), int64(row.Harmonic), 10)
	for i, name := range [...]string{"harmonic_hz", "in_phase_v", "quadrature_v", "amplitude_v", "phase_deg", "unwrapped_deg", "sigma_v", "sigma_phase_deg"} {
		b = appendNumber(append(append(append(b, `,"`...), name...), `":`...), numbers[i], "null")
	}
	b = appendText(append(b, `,"flags":`...), row.Flags.String())
	b = appendNumber(append(b, `,"latency_s":`...), live.Latency, "null")
	b = strconv.AppendInt(append(b, `,"skipped_windows":`...), int64(live.Skipped), 10)
	return append(b, "}\n"...)
}

// Pose appends the row of a pose.
func (l Lines) Pose(b []byte, row *tables.Pose) []byte {
	if l == LinesCSV {
		return appendPoseCSV(b, row)
	}
	return appendPoseJSON(b, row)
}

// numbersOf are a row's pose, tip and sigmas; NaN: none.
func numbersOf(row *tables.Pose) (v [16]float64) {
	for i := range v {
		v[i] = math.NaN()
	}
	if p := row.Estimate; p != nil {
		v[0], v[1], v[2] = p.Position.X, p.Position.Y, p.Position.Z
		v[3], v[4], v[5], v[6] = p.Rotation.Real, p.Rotation.Imag, p.Rotation.Jmag, p.Rotation.Kmag
	}
	if t := row.Tip; t != nil {
		v[7], v[8], v[9] = t.X, t.Y, t.Z
	}
	if c := row.Covariance; c != nil {
		for i := range 6 {
			v[10+i] = c.Sigma(i)
		}
	}
	return v
}

func appendPoseCSV(b []byte, row *tables.Pose) []byte {
	b = append(appendNumber(b, row.Time, ""), ',')
	b = append(appendNumber(b, row.Duration, ""), ',')
	b = appendField(b, row.Sensor)
	for _, v := range numbersOf(row) {
		b = appendNumber(append(b, ','), v, "")
	}
	b = append(appendNumber(append(b, ','), row.Chi2, ""), ',')
	b = append(strconv.AppendInt(b, int64(row.DOF), 10), ',')
	b = append(appendField(b, row.Status), ',')
	b = append(appendField(b, row.Flags.String()), ',')
	if live := row.Live; live != nil {
		b = append(appendNumber(b, live.Latency, ""), ',')
		b = strconv.AppendInt(b, int64(live.Skipped), 10)
	} else {
		b = append(b, ',')
	}
	return append(b, '\n')
}

func appendPoseJSON(b []byte, row *tables.Pose) []byte {
	b = appendNumber(append(b, `{"time_s":`...), row.Time, "null")
	b = appendNumber(append(b, `,"duration_s":`...), row.Duration, "null")
	b = appendText(append(b, `,"sensor":`...), row.Sensor)
	b = append(b, `,"pose":`...)
	v := numbersOf(row)
	if row.Estimate == nil {
		b = append(b, "null"...)
	} else {
		b = appendList(append(b, `{"position_m":`...), v[:3])
		b = appendList(append(b, `,"quaternion":`...), v[3:7])
		if row.Covariance != nil {
			b = appendList(append(b, `,"sigma_position_m":`...), v[10:13])
			b = appendList(append(b, `,"sigma_rotation_rad":`...), v[13:16])
		}
		b = append(b, '}')
	}
	if row.Tip != nil {
		b = appendList(append(b, `,"tip_m":`...), v[7:10])
	}
	b = appendNumber(append(b, `,"chi2":`...), row.Chi2, "null")
	b = strconv.AppendInt(append(b, `,"dof":`...), int64(row.DOF), 10)
	b = appendText(append(b, `,"status":`...), row.Status)
	b = appendText(append(b, `,"flags":`...), row.Flags.String())
	if live := row.Live; live != nil {
		b = appendNumber(append(b, `,"latency_s":`...), live.Latency, "null")
		b = strconv.AppendInt(append(b, `,"skipped_windows":`...), int64(live.Skipped), 10)
	}
	return append(b, "}\n"...)
}

func appendList(b []byte, list []float64) []byte {
	b = append(b, '[')
	for i, v := range list {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendNumber(b, v, "null")
	}
	return append(b, ']')
}

// appendNumber appends the shortest text that reads back as v, as encoding/json does;
// none where v is no number.
func appendNumber(b []byte, v float64, none string) []byte {
	if !tables.IsNumber(v) {
		return append(b, none...)
	}
	return strconv.AppendFloat(b, v, 'g', -1, 64)
}

// appendText appends a JSON string.
func appendText(b []byte, s string) []byte {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' || s[i] == '"' || s[i] == '\\' {
			return appendQuoted(b, s)
		}
	}
	return append(append(append(b, '"'), s...), '"')
}

// appendField appends a field of CSV.
func appendField(b []byte, s string) []byte {
	s = tables.Cell(s)
	for i := range len(s) {
		if s[i] < ' ' || s[i] == '"' || s[i] == ',' {
			b = append(b, '"')
			for k := range len(s) {
				if s[k] == '"' {
					b = append(b, '"')
				}
				b = append(b, s[k])
			}
			return append(b, '"')
		}
	}
	return append(b, s...)
}
