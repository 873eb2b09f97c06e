package batch

import (
	"context"
	"math"
	"slices"
	"time"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
)

// Quality is what the tables of a recording are worth.
// Quantiles are of the rows' values, to 1 %; 0 where there are none.
type Quality struct {
	Start     time.Time      `json:"start,omitzero"` // of the first sample; zero: not known
	DurationS float64        `json:"duration_s"`
	Rows      int            `json:"rows"` // of poses
	Unsolved  int            `json:"unsolved"`
	Flagged   int            `json:"flagged"`
	InDoubt   int            `json:"in_doubt"`
	Flags     map[string]int `json:"flags,omitempty"` // rows of poses that have each

	// Of the position, the rms length of its stated error, and the radius that holds 95 %,
	// distortion by metal included.
	SigmaM          float64 `json:"sigma_position_median_m"`
	Sigma95M        float64 `json:"sigma_position_95_m"`
	EstimatedM      float64 `json:"estimated_error_median_m"`
	WorstEstimatedM float64 `json:"estimated_error_worst_m"`
	SigmaRad        float64 `json:"sigma_rotation_median_rad"`
	Chi2PerDOF      float64 `json:"chi2_per_dof_median"`

	Accuracy *assess.Accuracy `json:"accuracy,omitempty"` // against the truth; nil: none is known at their times

	// Of the phasors on the pickups' channels, one standard deviation of a component.
	NoiseV        float64 `json:"noise_median_v"`
	NoisyChannelV float64 `json:"noisiest_channel_v"`
	NoisyChannel  string  `json:"noisiest_channel"`

	ClockPPM      float64  `json:"clock_ppm"`       // offset of the tones, mean over the windows
	ClockRangePPM float64  `json:"clock_range_ppm"` // between its lowest and its highest window
	MainsHz       float64  `json:"mains_hz"`        // 0: not seen
	Faults        []string `json:"faults,omitempty"`
	Findings      []string `json:"findings,omitempty"`
}

// mostWords bounds how many faults and findings an outcome has.
const mostWords = 20

// quality reads a partition's poses and what they are worth to their ends.
func (s *dataSet) quality(ctx context.Context, p *tables.Partition, res *solve.Result, watched *levels, truth *assess.Truth) (*Quality, error) {
	q := &Quality{Start: res.Info.Start, DurationS: res.Info.Duration(), Flags: map[string]int{}, MainsHz: res.Survey.MainsHz, InDoubt: res.InDoubt}
	q.Faults = append(q.Faults, res.Survey.Faults()...)
	for _, err := range res.Unjoined {
		q.Findings = append(q.Findings, err.Error())
	}
	for _, v := range res.Verdicts {
		q.Findings = append(q.Findings, v.Lines()...)
	}
	q.Faults, q.Findings = q.Faults[:min(len(q.Faults), mostWords)], q.Findings[:min(len(q.Findings), mostWords)]

	var sigma, turn, estimated, chi2 quantiles
	var counts verdict.Counts
	var tally *assess.Tally
	if truth != nil {
		tally = assess.NewTally(truth)
	}
	err := rows(ctx, s.file(p, tables.PosesName), func(row *tables.Pose) {
		counts.Add(row.Flags)
		if tally != nil {
			tally.Add(row)
		}
		if row.Estimate == nil {
			q.Unsolved++
		}
		if c := row.Covariance; c != nil {
			sigma.add(math.Sqrt(max(0, c.At(0, 0)+c.At(1, 1)+c.At(2, 2))))
			turn.add(math.Sqrt(max(0, c.At(3, 3)+c.At(4, 4)+c.At(5, 5))))
		}
		if row.DOF > 0 {
			chi2.add(row.Chi2 / float64(row.DOF))
		}
	})
	if err != nil {
		return nil, err
	}
	err = rows(ctx, s.file(p, tables.IntegrityName), func(row *tables.Integrity) { estimated.add(row.PositionError) })
	if err != nil {
		return nil, err
	}
	q.hold(tally)
	watched.fill(q)
	q.Rows, q.Flagged = counts.Rows, counts.Flagged
	for name, n := range counts.All {
		q.Flags[name] = n
	}
	q.SigmaM, q.Sigma95M, q.SigmaRad, q.Chi2PerDOF = sigma.at(0.5), sigma.at(0.95), turn.at(0.5), chi2.at(0.5)
	q.EstimatedM, q.WorstEstimatedM = estimated.at(0.5), estimated.most
	return q, nil
}

// hold says how far the poses are from their truth; nil: none is known.
func (q *Quality) hold(tally *assess.Tally) {
	const apart = "no pose lies within the times of the truth"
	q.Accuracy = nil
	q.Findings = slices.DeleteFunc(q.Findings, func(words string) bool { return words == apart })
	if tally == nil {
		return
	}
	if a := tally.Accuracy(); a.N > 0 {
		q.Accuracy = &a
		return
	}
	q.Findings = append([]string{apart}, q.Findings[:min(len(q.Findings), mostWords-1)]...)
}

// levels gathers the noise of the pickups and the clock's offset, frame by frame.
type levels struct {
	channels  []int // of the pickups
	names     []string
	hz        []float64 // nominal, of the tones
	noise     quantiles
	each      []quantiles // of channels
	window    []float64   // reused
	windows   int
	sum       float64 // of the offsets of the windows [ppm]
	low, high float64
}

func newLevels(r *rig.Rig) *levels {
	l := &levels{low: math.Inf(1), high: math.Inf(-1)}
	for _, sensor := range r.Sensors {
		for _, coil := range sensor.Coils {
			if !slices.Contains(l.channels, coil.Channel) {
				l.channels, l.names = append(l.channels, coil.Channel), append(l.names, r.Channels[coil.Channel].Name)
			}
		}
	}
	for _, e := range r.Emitters {
		l.hz = append(l.hz, e.ToneHz)
	}
	l.each = make([]quantiles, len(l.channels))
	return l
}

func (l *levels) add(f *stream.Measured) {
	l.window = l.window[:0]
	for k, hz := range f.Hz {
		l.window = append(l.window, (hz/l.hz[k]-1)*1e6)
		for i, c := range l.channels {
			_, variance := f.At(k, c)
			sigma := math.Sqrt(variance)
			l.noise.add(sigma)
			l.each[i].add(sigma)
		}
	}
	slices.Sort(l.window)
	ppm := l.window[len(l.window)/2]
	l.windows, l.sum, l.low, l.high = l.windows+1, l.sum+ppm, min(l.low, ppm), max(l.high, ppm)
}

func (l *levels) fill(q *Quality) {
	if l.windows > 0 {
		q.ClockPPM, q.ClockRangePPM = l.sum/float64(l.windows), l.high-l.low
	}
	q.NoiseV = l.noise.at(0.5)
	for i := range l.each {
		if v := l.each[i].at(0.5); v > q.NoisyChannelV {
			q.NoisyChannel, q.NoisyChannelV = l.names[i], v
		}
	}
}

// rows calls each with the rows of a table.
func rows[T tables.Row](ctx context.Context, file string, each func(*T)) error {
	r, err := tables.Open[T](file)
	if err != nil {
		return err
	}
	defer r.Close()
	for row, err := range r.All() {
		if err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		each(&row)
	}
	return nil
}

// quantiles counts positive numbers in steps of 1 %, in memory that does not grow with how
// many they are; others are left out.
type quantiles struct {
	steps map[int]int
	n     int
	most  float64
}

const step = 0.01 // relative

func (q *quantiles) add(v float64) {
	if !(v > 0) || math.IsInf(v, 1) {
		return
	}
	if q.steps == nil {
		q.steps = map[int]int{}
	}
	q.steps[int(math.Floor(math.Log(v)/math.Log1p(step)))]++
	q.n++
	q.most = max(q.most, v)
}

// at is the value that a share of them does not exceed, to half a step; 0 of none.
func (q *quantiles) at(share float64) float64 {
	var keys []int
	for k := range q.steps {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	before := 0
	for _, k := range keys {
		if before += q.steps[k]; float64(before) >= share*float64(q.n) {
			return math.Exp((float64(k) + 0.5) * math.Log1p(step))
		}
	}
	return 0
}
