package assessment

import (
	"math"
	"slices"
)

// Precision splits the errors at stations as ISO 5725-1:1994 has it: trueness, how
// far the mean at a place is from the true value, and precision, how results
// scatter about their mean: from window to window of one stay (repeatability
// conditions), and from one stay to another at the same place too
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

// Station is what was found at one place.
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
	for from := 0; from < len(list); {
		to := from
		var n, mean, squares, stays float64
		for ; to < len(list) && list[to].station == list[from].station; to++ {
			s := &list[to]
			n += float64(s.n)
			mean += float64(s.n) * s.mean[c]
			squares += float64(s.n) * float64(s.n)
			stays++
		}
		mean /= n
		w := weight(list[from])
		for _, s := range list[from:to] {
			within += w * s.squares[c]
			withinDOF += w * float64(s.n-1)
			between += w * float64(s.n) * (s.mean[c] - mean) * (s.mean[c] - mean)
		}
		betweenDOF += w * (stays - 1)
		spread += w * (n - squares/n)
		from = to
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
// a resampling of stations or visits.
func (list visits) split(counts []int) [3]float64 {
	var out [3]float64
	weight := func(v visit) float64 { return float64(counts[v.sample]) }
	for c := range 3 {
		v := list.analyse(c, weight)
		out[0] += v.within
		out[1] += v.total
	}
	var total, sum float64
	list.means(func(first visit, _ int, mean [6]float64) {
		w := weight(first)
		total += w
		sum += w * (mean[0]*mean[0] + mean[1]*mean[1] + mean[2]*mean[2])
	})
	return [3]float64{math.Sqrt(out[0]), math.Sqrt(out[1]), math.Sqrt(sum / total)}
}

// means yields every station's mean over its visits.
func (list visits) means(yield func(first visit, visits int, mean [6]float64)) {
	for from := 0; from < len(list); {
		var mean [6]float64
		to := from
		for ; to < len(list) && list[to].station == list[from].station; to++ {
			for c := range mean {
				mean[c] += list[to].mean[c]
			}
		}
		for c := range mean {
			mean[c] /= float64(to - from)
		}
		yield(list[from], to-from, mean)
		from = to
	}
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
	var place, turn float64
	list.means(func(first visit, stays int, m [6]float64) {
		s := Station{Station: first.station, Visits: stays,
			PositionBias: [3]float64{m[0], m[1], m[2]}, RotationBias: [3]float64{m[3], m[4], m[5]}}
		place += m[0]*m[0] + m[1]*m[1] + m[2]*m[2]
		turn += m[3]*m[3] + m[4]*m[4] + m[5]*m[5]
		p.ByStation = append(p.ByStation, s)
	})
	p.Stations = len(p.ByStation)
	p.Trueness = Split{math.Sqrt(place / float64(p.Stations)), math.Sqrt(turn / float64(p.Stations))}
	p.describe(samples, all)
	return p
}

// describe fills what the stations' tables show beside their bias.
func (p *Precision) describe(samples []Sample, all []Errors) {
	at := map[int]*Station{}
	for i := range p.ByStation {
		at[p.ByStation[i].Station] = &p.ByStation[i]
	}
	squares := map[int]*[2]float64{}
	for i, s := range samples {
		if s.Visit == 0 {
			continue
		}
		p.Windows++
		st := at[s.Station]
		st.Windows++
		x := s.Truth.Position
		for k, v := range [3]float64{x.X, x.Y, x.Z} {
			st.Truth[k] += (v - st.Truth[k]) / float64(st.Windows)
		}
		if squares[s.Station] == nil {
			squares[s.Station] = new([2]float64)
		}
		for k, v := range all[i].components() {
			bias := [6]float64{st.PositionBias[0], st.PositionBias[1], st.PositionBias[2], st.RotationBias[0], st.RotationBias[1], st.RotationBias[2]}
			squares[s.Station][k/3] += (v - bias[k]) * (v - bias[k])
		}
	}
	for i := range p.ByStation {
		st := &p.ByStation[i]
		q := squares[st.Station]
		st.Spread = Split{math.Sqrt(q[0] / float64(st.Windows-1)), math.Sqrt(q[1] / float64(st.Windows-1))}
	}
}
