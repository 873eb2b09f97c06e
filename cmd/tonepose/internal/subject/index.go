package subject

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"path/filepath"
	"slices"
	"sync"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/document"
	"tonepose/cmd/tonepose/internal/footage"
	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
)

// The columns that tracks are made of: of some seventy in both tables.
var (
	poseNumbers = []string{"time_s", "duration_s", "x_m", "y_m", "z_m", "qw", "qx", "qy", "qz",
		"cov_x_x", "cov_y_y", "cov_z_z", "cov_rx_rx", "cov_ry_ry", "cov_rz_rz", "chi2", "dof", "latency_s", "skipped_windows"}
	poseWords    = []string{"sensor", "flags"}
	worthNumbers = []string{"time_s", "chi2", "dof", "quadrature_chi2", "quadrature_dof", "spread_m", "position_error_m", "rotation_error_rad"}
	worthWords   = []string{"sensor", "finding"}
)

// index makes the tracks from the tables of poses and of what they are worth, which have
// one order. What it has read so far is shown meanwhile.
func (r *Run) index(ctx context.Context) error {
	poses, err := tables.OpenScan[tables.Pose](filepath.Join(r.dir, tables.PosesName+".parquet"), poseNumbers, poseWords)
	if err != nil {
		return err
	}
	defer poses.Close()
	worth := &worths{found: document.Findings{}}
	if r.tables.Worth != nil {
		scan, err := tables.OpenScan[tables.Integrity](filepath.Join(r.dir, tables.IntegrityName+".parquet"), worthNumbers, worthWords)
		if err != nil {
			return err
		}
		defer scan.Close()
		next, stop := iter.Pull2(blocks(ctx, scan))
		defer stop()
		worth.next = next
	}
	in := intake{run: r, worth: worth, late: make([][]lateRow, len(r.Tracks))}
	for i := range r.Tracks {
		in.evidence = append(in.evidence, document.NewSensorEvidence(r.Roster.sensors[i].name))
		in.by = append(in.by, &rowsBy{values: make([][]float32, Columns)})
	}
	for b, err := range blocks(ctx, poses) {
		if err == nil {
			err = in.take(b)
		}
		if err != nil {
			return err
		}
	}
	if r.read == 0 {
		return fmt.Errorf("%s: its table of poses has no row", r.dir)
	}
	if r.truth != nil && in.known == 0 {
		return fmt.Errorf("%s: none of its %d poses lies within the times of the truth", r.dir, r.read)
	}
	for i, rows := range in.late {
		if rows != nil {
			r.Tracks[i].merge(rows)
		}
	}
	r.evidence = document.Evidence{Rows: r.counts.Rows, Unsolved: r.none, Flags: r.counts, Sensors: in.evidence}
	r.note(func() { r.findings = worth.found.Listed() })
	return nil
}

// ahead is how many blocks of a table are read while those before them are taken in.
const ahead = 2

// blocks yields the blocks of a scan in their order; each is valid until the next.
func blocks(ctx context.Context, s *tables.Scan) iter.Seq2[*tables.Block, error] {
	type read struct {
		tables.Block
		err error
	}
	return func(yield func(*tables.Block, error) bool) {
		var reading sync.WaitGroup
		defer reading.Wait()
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		order, free := make(chan chan *read, ahead), make(chan *read, ahead+2) // with those at hand at both ends
		for range cap(free) {
			free <- new(read)
		}
		reading.Go(func() {
			defer close(order)
			for i := range s.Blocks() {
				done := make(chan *read, 1)
				select {
				case order <- done:
				case <-ctx.Done():
					return
				}
				b := <-free
				reading.Go(func() {
					b.err = s.Read(i, &b.Block)
					done <- b
				})
			}
		})
		for done := range order {
			b := <-done
			if !yield(&b.Block, cmp.Or(b.err, ctx.Err())) {
				return
			}
			free <- b
		}
	}
}

// rowsBy are rows of one sensor by column.
type rowsBy struct {
	time   []float64
	flags  []uint32
	values [][]float32
	table  []int32
}

// intake makes tracks of the poses' rows.
type intake struct {
	run   *Run
	worth *worths
	by    []*rowsBy   // sensor
	late  [][]lateRow // by sensor: of intervals, which come in any order
	known int         // rows of which the truth is known

	evidence  []*document.SensorEvidence // by sensor
	durations []float64
}

// enough durations tell what is usual.
const enoughDurations = 1000

func (in *intake) take(b *tables.Block) error {
	r := in.run
	sensors, err := in.sensors(b)
	if err != nil {
		return err
	}
	flags, err := flagsIn(&b.Words[1])
	if err != nil {
		return err
	}
	var (
		counts     = r.counts // which nobody else changes
		row        [Columns]float32
		start, end = math.Inf(1), math.Inf(-1)
		none, some int
	)
	for i := range b.Rows {
		var estimate rigid.Pose
		var covariance tables.Covariance
		p := poseAt(b, i, &estimate, &covariance)
		sensor := b.Words[0].At[i]
		if sensor < 0 {
			return fmt.Errorf("%s: a pose at %g s is of no sensor", r.dir, p.Time)
		}
		at := sensors[sensor]
		p.Sensor, p.Flags = r.Roster.sensors[at].name, flags[b.Words[1].At[i]]
		v, err := in.worth.of(&p)
		if err != nil {
			return err
		}
		known := r.knownAt(at, &p)
		if known != nil {
			in.known++
		}
		fill(&row, &p, v, known)
		marks := marksOf(&p, v)
		in.evidence[at].Row(&p, v, marks == InDoubt)
		to := in.by[at]
		to.time, to.flags, to.table = append(to.time, p.Time), append(to.flags, marks), append(to.table, int32(r.read)+int32(i))
		for k, value := range row {
			to.values[k] = append(to.values[k], value)
		}
		if len(in.durations) < enoughDurations {
			in.durations = append(in.durations, p.Duration)
		}
		counts.Add(p.Flags)
		if p.Estimate == nil {
			none++
		}
		if marks == InDoubt {
			some++
		}
		start, end = min(start, p.Time-p.Duration/2), max(end, p.Time+p.Duration/2)
	}
	for i, rows := range in.by {
		n := 0
		if in.late[i] == nil {
			n = r.Tracks[i].add(rows)
		}
		for k := n; k < len(rows.time); k++ {
			in.late[i] = append(in.late[i], rows.row(k))
		}
		rows.clear()
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.read += int64(b.Rows)
	r.counts, r.none, r.doubtful = counts, r.none+none, r.doubtful+some
	r.start, r.end, r.window = min(r.start, start), max(r.end, end), footage.Median(in.durations)
	return nil
}

// sensors are the numbers of a block's sensors in the rig, by their words.
func (in *intake) sensors(b *tables.Block) (all []int, err error) {
	for _, name := range b.Words[0].All {
		i := in.run.sensorOf(name)
		if i < 0 {
			return nil, fmt.Errorf("%s: sensor %s is not in the rig stored with it", in.run.dir, name)
		}
		all = append(all, i)
	}
	return all, nil
}

// flagsIn are the flags of a column's words.
func flagsIn(w *tables.Words) (all []verdict.Flags, err error) {
	for _, names := range w.All {
		f, err := verdict.ParseFlags(names)
		if err != nil {
			return nil, err
		}
		all = append(all, f)
	}
	return all, nil
}

// poseAt is a row of the table of poses, without its names; of the covariance the diagonal.
func poseAt(b *tables.Block, i int, estimate *rigid.Pose, covariance *tables.Covariance) tables.Pose {
	v := func(column int) float64 { return b.Numbers[column][i] }
	p := tables.Pose{Time: v(0), Duration: v(1), Chi2: v(15), DOF: whole(v(16))}
	if x, w := v(2), v(5); !math.IsNaN(x) && !math.IsNaN(w) {
		*estimate = rigid.Pose{Position: r3.Vec{X: x, Y: v(3), Z: v(4)}, Rotation: quat.Number{Real: w, Imag: v(6), Jmag: v(7), Kmag: v(8)}}
		p.Estimate = estimate
	}
	if !math.IsNaN(v(9)) {
		for k := range 6 {
			covariance.Set(k, k, v(9+k))
		}
		p.Covariance = covariance
	}
	if skipped := v(18); !math.IsNaN(skipped) {
		p.Live = &tables.Live{Latency: v(17), Skipped: whole(skipped)}
	}
	return p
}

// whole is a whole number; 0: there is none.
func whole(v float64) int {
	if math.IsNaN(v) {
		return 0
	}
	return int(v)
}

// worths goes through what poses are worth, beside them.
type worths struct {
	next func() (*tables.Block, error, bool) // nil: the run kept none
	b    *tables.Block
	at   int // next row of the block
	one  tables.Integrity

	found document.Findings
}

// of is what a pose is worth; nil: not known. Poses are asked for in their order.
func (w *worths) of(p *tables.Pose) (*tables.Integrity, error) {
	for w.next != nil && (w.b == nil || w.at == w.b.Rows) {
		b, err, more := w.next()
		if err != nil {
			return nil, err
		}
		if w.b, w.at = b, 0; !more {
			w.next = nil
		}
	}
	if w.next == nil {
		return nil, nil
	}
	v := func(column int) float64 { return w.b.Numbers[column][w.at] }
	sensor := w.b.Words[0].At[w.at]
	if v(0) != p.Time || sensor < 0 || w.b.Words[0].All[sensor] != p.Sensor {
		return nil, nil
	}
	w.one = tables.Integrity{Verdict: verdict.Verdict{Chi2: v(1), DOF: whole(v(2)), QuadratureChi2: v(3), QuadratureDOF: whole(v(4)),
		Spread: v(5), PositionError: v(6), RotationError: v(7)}}
	if f := w.b.Words[1].At[w.at]; f >= 0 {
		w.found.Add(w.b.Words[1].All[f])
	}
	w.at++
	return &w.one, nil
}

// lateRow is a row that came after later ones.
type lateRow struct {
	time  float64
	flags uint32
	row   [Columns]float32
	table int32
}

func (b *rowsBy) row(i int) lateRow {
	l := lateRow{time: b.time[i], flags: b.flags[i], table: b.table[i]}
	for k := range b.values {
		l.row[k] = b.values[k][i]
	}
	return l
}

func (b *rowsBy) clear() {
	b.time, b.flags, b.table = b.time[:0], b.flags[:0], b.table[:0]
	for k := range b.values {
		b.values[k] = b.values[k][:0]
	}
}

// add adds rows to a track up to the first whose time falls, and returns how many.
func (t *Track) add(rows *rowsBy) int {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := t.Rows.AppendAll(rows.time, rows.flags, rows.values)
	t.table = append(t.table, rows.table[:n]...)
	return n
}

// inTable is the number of a row in the table of poses.
func (t *Track) inTable(row int) int64 {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return int64(t.table[row])
}

// merge puts rows that came late among those of a track.
func (t *Track) merge(rows []lateRow) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range t.Rows.Len() {
		have := t.Rows.Number(i)
		rows = append(rows, lateRow{have.Time, have.Flags, [Columns]float32(have.Values), t.table[i]})
	}
	slices.SortStableFunc(rows, func(a, b lateRow) int { return cmp.Compare(a.time, b.time) })
	sorted := pyramid.NewRows(Columns, 0)
	t.table = t.table[:0]
	for _, l := range rows {
		sorted.Append(l.time, l.flags, l.row[:])
		t.table = append(t.table, l.table)
	}
	t.Rows.Replace(sorted)
}
