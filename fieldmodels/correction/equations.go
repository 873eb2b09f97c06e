package correction

import (
	"fmt"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"

	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// Row is one residual of a calibration without correction, predicted less
// observed in sigmas, with its derivatives at the bench and the poses found.
type Row struct {
	Emitter, Pickup int // of a coupling; Pickup −1: of none, such as a reference's
	Residual        float64
	ByCoupling      float64    // by the coupling's model [1/H]
	Columns         []int      // parameters of the bench that move it
	By              []float64  // by each of them
	ByPose          [6]float64 // by the pose of the station's sensor, in its units
}

// Station is what a sensor read in one pose, and what is known of the pose.
type Station struct {
	Pickups [][]mutual.Point
	Rows    []Row
}

// equations are the normal equations of the coefficients of some emitters,
// followed by some of the bench's parameters, when every station's own pose is
// eliminated: an error of a pose moves all couplings of its station together.
type equations struct {
	terms  int
	first  []int // unknown of each emitter's first coefficient; −1: its rows are left out
	column []int // unknown of each of the bench's parameters; −1: held
	n      int
	a      []float64 // n × n, upper triangle
	g      []float64
	yy     float64          // sum of squares of the residuals
	read   []blas64.General // by emitter: the coefficients' derivatives that a lacks, a row in each of Cols columns
}

// poses is how many numbers a station's pose has.
const poses = 6

const (
	// batch is how many stations are eliminated at a time.
	batch = 32
	// together is how many rows of an emitter are squared at a time.
	together = 96
)

// newEquations lays out those of the emitters and the parameters marked.
func newEquations(terms int, emitters, columns []bool) *equations {
	q := &equations{terms: terms, read: make([]blas64.General, len(emitters))}
	for e, in := range emitters {
		q.first = append(q.first, -1)
		if in {
			q.first[e] = q.n
			q.n += terms
			q.read[e] = blas64.General{Rows: terms, Stride: together, Data: make([]float64, terms*together)}
		}
	}
	for _, in := range columns {
		q.column = append(q.column, -1)
		if in {
			q.column[len(q.column)-1] = q.n
			q.n++
		}
	}
	q.a, q.g = make([]float64, q.n*q.n), make([]float64, q.n)
	return q
}

// block is a station while its pose is eliminated.
type block struct {
	mixed []float64 // poses × n
	c     [poses][poses]float64
	g     [poses]float64
}

// gather fills the equations from stations, whose terms' reads are given, and
// from rows without a station.
func (q *equations) gather(stations []Station, reads [][]float64, known []Row) {
	blk := &block{mixed: make([]float64, poses*q.n)}
	w := blas64.General{Rows: q.n, Cols: poses * batch, Stride: poses * batch, Data: make([]float64, q.n*poses*batch)}
	y := blas64.Vector{N: poses * batch, Inc: 1, Data: make([]float64, poses*batch)}
	flush := func() {
		if q.n > 0 {
			addSquare(-1, blas64.Symmetric{N: q.n, Stride: q.n, Data: q.a, Uplo: blas.Upper}, w)
			blas64.Gemv(blas.NoTrans, -1, w, y, 1, blas64.Vector{N: q.n, Inc: 1, Data: q.g})
		}
		clear(w.Data)
		clear(y.Data)
	}
	var l rigid.Factor
	for s := range stations {
		clear(blk.mixed)
		blk.c, blk.g = [poses][poses]float64{}, [poses]float64{}
		for i := range stations[s].Rows {
			q.add(&stations[s].Rows[i], reads[s], blk)
		}
		l.Decompose(&blk.c, 0)
		at := s % batch * poses
		l.Forward(&blk.g)
		copy(y.Data[at:], blk.g[:])
		for _, v := range blk.g {
			q.yy -= v * v
		}
		for i := range q.n {
			var b [poses]float64
			for k := range b {
				b[k] = blk.mixed[k*q.n+i]
			}
			l.Forward(&b)
			copy(w.Data[i*w.Stride+at:], b[:])
		}
		if s%batch == batch-1 {
			flush()
		}
	}
	flush()
	for e := range q.read {
		q.square(e)
	}
	q.across()
	for i := range known {
		q.add(&known[i], nil, nil)
	}
}

// across brings above the diagonal what coefficients have with the bench's parameters.
func (q *equations) across() {
	for _, c := range q.column {
		if c < 0 {
			continue
		}
		for _, at := range q.first {
			if at < 0 {
				continue
			}
			for i, v := range q.a[c*q.n+at:][:q.terms] {
				q.a[(at+i)*q.n+c] += v
			}
			clear(q.a[c*q.n+at:][:q.terms])
		}
	}
}

// square brings into the equations what an emitter has read.
func (q *equations) square(emitter int) {
	at, read := q.first[emitter], &q.read[emitter]
	if read.Cols > 0 {
		addSquare(1, blas64.Symmetric{N: q.terms, Stride: q.n, Data: q.a[at*q.n+at:], Uplo: blas.Upper}, *read)
		read.Cols = 0
	}
}

// add adds one row, of a station unless blk is nil; then it is of no coupling. What its
// coefficients' derivatives give among each other waits for square.
func (q *equations) add(rw *Row, reads []float64, blk *block) {
	at := -1
	if rw.Pickup >= 0 {
		if at = q.first[rw.Emitter]; at < 0 {
			return
		}
	}
	r := rw.Residual
	q.yy += r * r
	if at >= 0 {
		x := reads[rw.Pickup*q.terms : (rw.Pickup+1)*q.terms]
		floats.AddScaled(q.g[at:at+q.terms], rw.ByCoupling*r, x)
		for k, p := range rw.ByPose {
			floats.AddScaled(blk.mixed[k*q.n+at:][:q.terms], rw.ByCoupling*p, x)
		}
		read := &q.read[rw.Emitter]
		if read.Cols == together {
			q.square(rw.Emitter)
		}
		for i, v := range x {
			read.Data[i*together+read.Cols] = v * rw.ByCoupling
		}
		read.Cols++
		for k, c := range rw.Columns {
			if c = q.column[c]; c >= 0 {
				// Below the diagonal, where they lie side by side, until across.
				floats.AddScaled(q.a[c*q.n+at:][:q.terms], rw.ByCoupling*rw.By[k], x)
			}
		}
	}
	for k, c := range rw.Columns {
		if c = q.column[c]; c < 0 {
			continue
		}
		v := rw.By[k]
		q.g[c] += v * r
		if blk != nil {
			for k, p := range rw.ByPose {
				blk.mixed[k*q.n+c] += v * p
			}
		}
		for l, d := range rw.Columns {
			if d = q.column[d]; d >= c {
				q.a[c*q.n+d] += v * rw.By[l]
			}
		}
	}
	if blk != nil {
		for i, p := range rw.ByPose {
			blk.g[i] += p * r
			for k := i; k < poses; k++ {
				blk.c[i][k] += p * rw.ByPose[k]
			}
		}
	}
}

// check returns what is wrong with a station's rows.
func (st *Station) check(emitters, shared int) error {
	for i := range st.Rows {
		rw := &st.Rows[i]
		if len(rw.By) != len(rw.Columns) {
			return fmt.Errorf("row %d: %d derivatives of %d columns", i, len(rw.By), len(rw.Columns))
		}
		sum := rw.Residual + rw.ByCoupling
		for _, v := range rw.ByPose {
			sum += v
		}
		for k, c := range rw.Columns {
			if c < 0 || c >= shared {
				return fmt.Errorf("row %d: column %d: must be one of %d", i, c, shared)
			}
			sum += rw.By[k]
		}
		if !usual(sum) {
			return fmt.Errorf("row %d: residual %g, by coupling %g, by pose %v: must be finite", i, rw.Residual, rw.ByCoupling, rw.ByPose)
		}
		if rw.Pickup >= len(st.Pickups) || rw.Pickup >= 0 && (rw.Emitter < 0 || rw.Emitter >= emitters) {
			return fmt.Errorf("row %d is of emitter %d and pickup %d: there are %d and %d", i, rw.Emitter, rw.Pickup, emitters, len(st.Pickups))
		}
	}
	return nil
}
