package assessment

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
)

// Precision splits the errors at stations as ISO 5725-1:1994 has it: trueness, how
// far the mean at a station is from the true value, and precision, how results
// scatter about their mean: from window to window of one stay (repeatability
// conditions), and from one stay to another at the same station too
// (reproducibility; of the same bench, so "intermediate precision" of ISO 5725-3).
// All are lengths over three axes, √(sum of the axes' variances).
type Precision struct {
	Stations int `json:"stations"`
	Visits   int `json:"visits"`
	Windows  int `json:"windows"`

	Trueness Split `json:"trueness"` // RMS over stations of the mean error there
	// Repeatability is s_r of ISO 5725-2; NaN when no visit has two windows.
	Repeatability Split `json:"repeatability"`
	// BetweenVisits is s_L: what coming back adds; NaN when no station was visited
	// twice, or repeatability is not known.
	BetweenVisits Split `json:"between_visits"`
	// Reproducibility is s_R = √(s_r² + s_L²).
	Reproducibility Split `json:"reproducibility"`
	// Limit of repeatability and of reproducibility: what two results differ by in
	// 5 of 100 cases along one axis, 2.8·s (ISO 5725-6:1994, 4.1), of the worst axis.
	RepeatabilityLimit   float64 `json:"repeatability_limit_m"`
	ReproducibilityLimit float64 `json:"reproducibility_limit_m"`

	ByStation []Station `json:"by_station"`
}

// Split is a part of the error in position and orientation.
type Split struct {
	Position    float64 `json:"position_m"`
	Orientation float64 `json:"orientation_rad"`
}

// Station is what was found at one position.
type Station struct {
	Station      int        `json:"station"`
	Visits       int        `json:"visits"`
	Windows      int        `json:"windows"`
	Truth        [3]float64 `json:"position_m"` // mean of the true positions
	PositionBias [3]float64 `json:"position_bias_m"`
	RotationBias [3]float64 `json:"orientation_bias_rad"`
	Spread       Split      `json:"sd"` // of single windows about the station's mean; NaN of one window
}

// visit is one stay: number of windows, mean and sum of squares about it.
type visit struct {
	station int
	sample  int // one of its samples
	n       int
	mean    [6]float64
	squares [6]float64
	truth   r3.Vec // mean of the true positions
}

// visits are sorted by station.
type visits []visit

func (p *Precision) plan(samples []Sample, all []Errors) visits {
	if p == nil {
		return nil
	}
	return visitsOf(samples, all)
}

func visitsOf(samples []Sample, all []Errors) visits {
	at := map[int]int{}
	var list visits
	for i, s := range samples {
		if s.Visit == 0 {
			continue
		}
		k, ok := at[s.Visit]
		if !ok {
			k = len(list)
			at[s.Visit] = k
			list = append(list, visit{station: s.Station, sample: i})
		}
		v := &list[k]
		v.n++
		v.truth = r3.Add(v.truth, r3.Scale(1/float64(v.n), r3.Sub(s.Truth.Position, v.truth)))
		// Welford's update.
		for c, e := range all[i].components() {
			d := e - v.mean[c]
			v.mean[c] += d / float64(v.n)
			v.squares[c] += d * (e - v.mean[c])
		}
	}
	slices.SortStableFunc(list, func(a, b visit) int { return a.station - b.station })
	return list
}

// stations yields the visits of one station after another.
func (list visits) stations(yield func(stays visits) bool) {
	for len(list) > 0 {
		n := 1
		for n < len(list) && list[n].station == list[0].station {
			n++
		}
		if !yield(list[:n]) {
			return
		}
		list = list[n:]
	}
}

// mean is that of all stays, each counting alike.
func (stays visits) mean() (mean [6]float64) {
	for _, v := range stays {
		for c := range mean {
			mean[c] += v.mean[c] / float64(len(stays))
		}
	}
	return mean
}

// variances are the estimates of one component of a nested design.
type variances struct {
	within, between, total float64 // s_r², s_L², s_R²
}

// analyse is the analysis of variance of visits nested in stations, with any
// number of windows; weight says how often each station counts.
//
// E(MS within) = σ_r², E(MS between) = σ_r² + n₀·σ_L² with
// n₀ = Σ_stations (N − Σn²/N) / Σ(visits − 1): ISO 5725-2:1994, 7.4.5, where the
// stations are its levels and the visits its laboratories.
func (list visits) analyse(c int, weight func(station visit) float64) (v variances) {
	var within, withinDOF, between, betweenDOF, spread float64
	for stays := range list.stations {
		var n, mean, squares float64
		for i := range stays {
			s := &stays[i]
			n += float64(s.n)
			mean += float64(s.n) * s.mean[c]
			squares += float64(s.n) * float64(s.n)
		}
		mean /= n
		w := weight(stays[0])
		for i := range stays {
			s := &stays[i]
			within += w * s.squares[c]
			withinDOF += w * float64(s.n-1)
			between += w * float64(s.n) * (s.mean[c] - mean) * (s.mean[c] - mean)
		}
		betweenDOF += w * float64(len(stays)-1)
		spread += w * (n - squares/n)
	}
	v = variances{math.NaN(), math.NaN(), math.NaN()}
	if withinDOF > 0 {
		v.within = within / withinDOF
	}
	if betweenDOF > 0 {
		ms, n0 := between/betweenDOF, spread/betweenDOF
		if withinDOF > 0 {
			v.between = max(0, (ms-v.within)/n0)
			v.total = v.within + v.between
		} else {
			v.total = ms // one window a visit: both at once
		}
	}
	return v
}

// split returns repeatability, reproducibility and trueness of the position under
// a resampling of stations or visits: drawn says how often a sample was drawn.
func (list visits) split(drawn func(sample int) float64) [3]float64 {
	var out [3]float64
	weight := func(v visit) float64 { return drawn(v.sample) }
	for c := range 3 {
		v := list.analyse(c, weight)
		out[0] += v.within
		out[1] += v.total
	}
	var total, sum float64
	for stays := range list.stations {
		mean, w := stays.mean(), weight(stays[0])
		total += w
		sum += w * (mean[0]*mean[0] + mean[1]*mean[1] + mean[2]*mean[2])
	}
	return [3]float64{math.Sqrt(out[0]), math.Sqrt(out[1]), math.Sqrt(sum / total)}
}

func precisionOf(samples []Sample, all []Errors) *Precision {
	list := visitsOf(samples, all)
	if len(list) == 0 {
		return nil
	}
	p := &Precision{Visits: len(list)}
	var parts [6]variances
	for c := range parts {
		parts[c] = list.analyse(c, func(visit) float64 { return 1 })
	}
	split := func(of func(variances) float64) Split {
		return Split{
			Position:    math.Sqrt(of(parts[0]) + of(parts[1]) + of(parts[2])),
			Orientation: math.Sqrt(of(parts[3]) + of(parts[4]) + of(parts[5])),
		}
	}
	p.Repeatability = split(func(v variances) float64 { return v.within })
	p.BetweenVisits = split(func(v variances) float64 { return v.between })
	p.Reproducibility = split(func(v variances) float64 { return v.total })
	worst := func(of func(variances) float64) float64 {
		return 2.8 * math.Sqrt(max(of(parts[0]), of(parts[1]), of(parts[2])))
	}
	p.RepeatabilityLimit = worst(func(v variances) float64 { return v.within })
	p.ReproducibilityLimit = worst(func(v variances) float64 { return v.total })
	for stays := range list.stations {
		st, bias := Station{Station: stays[0].station, Visits: len(stays)}, stays.mean()
		st.PositionBias, st.RotationBias = [3]float64(bias[:3]), [3]float64(bias[3:])
		var truth r3.Vec
		var squares [2]float64 // of single windows about the station's mean
		for _, v := range stays {
			st.Windows += v.n
			truth = r3.Add(truth, r3.Scale(float64(v.n), v.truth))
			for c, b := range bias {
				squares[c/3] += v.squares[c] + float64(v.n)*(v.mean[c]-b)*(v.mean[c]-b)
			}
		}
		truth = r3.Scale(1/float64(st.Windows), truth)
		st.Truth = [3]float64{truth.X, truth.Y, truth.Z}
		st.Spread = Split{math.Sqrt(squares[0] / float64(st.Windows-1)), math.Sqrt(squares[1] / float64(st.Windows-1))}
		p.Windows += st.Windows
		p.Trueness.Position += bias[0]*bias[0] + bias[1]*bias[1] + bias[2]*bias[2]
		p.Trueness.Orientation += bias[3]*bias[3] + bias[4]*bias[4] + bias[5]*bias[5]
		p.ByStation = append(p.ByStation, st)
	}
	p.Stations = len(p.ByStation)
	p.Trueness = Split{math.Sqrt(p.Trueness.Position / float64(p.Stations)), math.Sqrt(p.Trueness.Orientation / float64(p.Stations))}
	return p
}
