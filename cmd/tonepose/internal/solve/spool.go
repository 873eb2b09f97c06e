package solve

import (
	"encoding/binary"
	"math"
	"os"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver"
	"tonepose/solver/trajectory"
)

// spool keeps one sensor's windows in a file until the recording's end, as they can be
// joined when all are known.
type spool struct {
	file    *os.File
	windows int
	size    int    // of a window [bytes]; 0: there is none yet
	unsaved []byte // of the last windows
}

// saved is how many bytes go to the file at once, or come from there.
const saved = 1 << 16

// window is what rows and trajectories need of one.
type window struct {
	measured stream.Measured
	sensed   engine.Sensed
}

// each goes through the numbers of a window in their order in the file.
func (w *window) each(visit func(*float64)) {
	fit := &w.sensed.Fit
	position, rotation := &fit.Pose.Position, &fit.Pose.Rotation
	for _, v := range [...]*float64{
		&w.measured.Time, &w.measured.Duration, &fit.ChiSquare,
		&position.X, &position.Y, &position.Z, &rotation.Real, &rotation.Imag, &rotation.Jmag, &rotation.Kmag,
	} {
		visit(v)
	}
	for i := range fit.Covariance {
		for k := range fit.Covariance[i] {
			visit(&fit.Covariance[i][k])
		}
	}
	fitted := &w.sensed.Fitted
	for _, list := range [...][]float64{fitted.Value, fitted.Variance, fitted.Common} {
		for i := range list {
			visit(&list[i])
		}
	}
	solved := 0.0
	if w.sensed.Solved {
		solved = 1
	}
	judged := &w.sensed.Verdict
	for _, v := range [...]*float64{&judged.PositionError, &judged.Chi2, &judged.QuadratureChi2} {
		visit(v)
	}
	whole := [...]float64{float64(fit.DOF), float64(fit.Iterations), float64(fit.Status), float64(w.sensed.Flags), solved, float64(judged.DOF), float64(judged.QuadratureDOF)}
	for i := range whole {
		visit(&whole[i])
	}
	fit.DOF, fit.Iterations = int(whole[0]), int(whole[1])
	fit.Status, w.sensed.Flags, w.sensed.Solved = solver.Status(whole[2]), verdict.Flags(whole[3]), whole[4] == 1
	judged.DOF, judged.QuadratureDOF = int(whole[5]), int(whole[6])
}

// keep adds a window.
func (s *spool) keep(m *stream.Measured, v *engine.Sensed) error {
	w := window{stream.Measured{Time: m.Time, Duration: m.Duration}, engine.Sensed{Fitted: v.Fitted, Fit: v.Fit, Solved: v.Solved, Flags: v.Flags, Verdict: v.Verdict}}
	before := len(s.unsaved)
	w.each(func(x *float64) { s.unsaved = binary.LittleEndian.AppendUint64(s.unsaved, math.Float64bits(*x)) })
	s.size = len(s.unsaved) - before
	s.windows++
	if len(s.unsaved) < saved {
		return nil
	}
	return s.save()
}

// save has all windows in the file.
func (s *spool) save() error {
	_, err := s.file.Write(s.unsaved)
	s.unsaved = s.unsaved[:0]
	return err
}

// spooled reads windows of a spool that is saved. It is a trajectory.Windows.
type spooled struct {
	*spool
	one  window
	read []byte // windows one after the other
	from int    // number of the first of them
}

func (s *spool) reader(of *solver.Solver) *spooled {
	p := of.Problem()
	emitters, coils := len(p.Array.Emitters), len(p.Sensor.Coils)
	r := &spooled{spool: s}
	r.one.sensed.Fitted = solver.Couplings{Value: make([]float64, emitters*coils), Variance: make([]float64, emitters*coils), Common: make([]float64, emitters)}
	return r
}

// Len is how many windows there are.
func (r *spooled) Len() int { return r.windows }

// Read makes a frame window i.
func (r *spooled) Read(i int, to *trajectory.Frame) error {
	w, err := r.window(i)
	if err != nil {
		return err
	}
	from := trajectory.Frame{Time: w.measured.Time, Couplings: w.sensed.Fitted}
	if w.sensed.Fit.Status == solver.Converged {
		from.Pose = &w.sensed.Fit.Pose
	}
	to.Copy(&from)
	return nil
}

// window returns window i, which the next call overwrites.
func (r *spooled) window(i int) (*window, error) {
	at := (i - r.from) * r.size
	if at < 0 || at >= len(r.read) {
		n := min(max(1, saved/r.size), r.windows-i) * r.size
		if cap(r.read) < n {
			r.read = make([]byte, n)
		}
		r.read, r.from, at = r.read[:n], i, 0
		if _, err := r.file.ReadAt(r.read, int64(i)*int64(r.size)); err != nil {
			r.read = r.read[:0]
			return nil, err
		}
	}
	bytes := r.read[at:]
	r.one.each(func(x *float64) {
		*x = math.Float64frombits(binary.LittleEndian.Uint64(bytes))
		bytes = bytes[8:]
	})
	return &r.one, nil
}
