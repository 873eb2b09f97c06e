package campaign

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
)

// cause is one thing wrong with a recording: a bench that is not as its rig says, or
// what happens to the samples.
type cause struct {
	name    string
	both    func(r *rig.Rig)                    // what rig and bench have in common beside what is drawn; nil: nothing
	real    func(r *rig.Rig, random *rand.Rand) // what the bench really is; nil: as the rig says
	disturb func(b *bench.Bench, poses []rigid.Pose, random *rand.Rand) Disturbance
	some    bool   // that not every drawn bench shows
	words   string // what must be said
	mended  bool   // with the fault left out, poses are as good as they say
	common  bool   // and share the error of one factor
}

// The rests of a recording, each a station.
const (
	stations       = 10
	stationSeconds = 60e-3
	moveSeconds    = 20e-3 // see Rests
	clockPPM       = 20
)

// start is when a station begins [s].
func start(station int) float64 { return float64(station) * (stationSeconds + moveSeconds) }

// outcome is what solving gave.
type outcome struct {
	said    string
	sound   bool  // no pose is flagged
	poses   int   // of them with a pose
	flagged Score // those that are
	rest    Score
}

// solve simulates a recording of stations with a cause and solves it as the rig says.
func (c *cause) solve(t *testing.T, seed uint64, leaveOut bool) (out outcome) {
	t.Helper()
	random := rand.New(rand.NewPCG(seed, 90))
	draw := func() *rig.Rig {
		r := Draw(t, rand.New(rand.NewPCG(seed, 89)))
		if c.both != nil {
			c.both(r)
		}
		return r
	}
	stated, real := draw(), draw()
	if c.real != nil {
		c.real(real, random)
	}
	var truth []rigid.Pose
	for range stations {
		truth = append(truth, Pose(random))
	}
	b := bench.New(real)
	var disturb Disturbance
	if c.disturb != nil {
		disturb = c.disturb(b, truth, random)
	}
	how := simulate.Options{DurationS: start(stations) - moveSeconds, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: clockPPM, Seed: seed}
	name := Record(t, b, Rests(t, b, stationSeconds, truth...), how, disturb)
	var w stream.Windows
	for i := range truth {
		w.Intervals = append(w.Intervals, stream.Interval{Start: start(i), Stop: start(i) + stationSeconds, Origin: fmt.Sprint(i)})
	}
	b = bench.New(stated)
	rec, err := b.Open(t.Context(), name, recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	e, err := engine.New(b, engine.Options{Windows: w, Verdict: verdict.Options{LeaveOut: leaveOut}})
	if err != nil {
		t.Fatal(err)
	}
	for again := true; again; again = e.Again() {
		out = outcome{sound: true}
		station := 0
		survey, _, err := e.Run(t.Context(), rec, func(seen *engine.Observation) error {
			v := &seen.Sensors[0]
			out.sound = out.sound && v.Flags == 0
			if v.Solved && v.Fit.Covariance[0][0] > 0 {
				out.poses++
				if v.Flags&^verdict.Motion == 0 {
					out.rest.Add(t, v.Fit.Pose, &v.Fit.Covariance, truth[station])
				} else {
					out.flagged.Add(t, v.Fit.Pose, &v.Fit.Covariance, truth[station])
				}
			}
			station++
			return nil
		}, nil)
		if err != nil {
			t.Fatal(err)
		}
		verdicts, err := e.Conclude(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		out.said = strings.Join(append(survey.Faults(), verdicts[0].Lines()...), "\n")
	}
	return out
}

// samplesOf are the first and last sample of a station at a rate [Hz].
func samplesOf(station int, rate float64) (from, to int) {
	return int(start(station) * rate), int((start(station) + stationSeconds) * rate)
}

// limited lets one channel saturate in some stations, for the share of each that is
// given: a voltage v becomes L·tanh(v/L), L half of the peak.
func limited(share float64) func(*bench.Bench, []rigid.Pose, *rand.Rand) Disturbance {
	return func(_ *bench.Bench, _ []rigid.Pose, random *rand.Rand) Disturbance {
		return func(rate float64, volts [][]float64) [][]float64 {
			for _, station := range random.Perm(stations)[:4] {
				x := volts[random.IntN(3)]
				from, to := samplesOf(station, rate)
				peak := 0.0
				for _, v := range x[from:to] {
					peak = max(peak, math.Abs(v))
				}
				for i := from; i < from+int(share*float64(to-from)); i++ {
					x[i] = peak / 2 * math.Tanh(x[i]/(peak/2))
				}
			}
			return volts
		}
	}
}

// sphere is metal near a third of the stations: a small conducting sphere in the
// field of a dipole has the moment −2πa³·H₀·(…)/…, of which here the limit of a perfect
// conductor (Jackson, Classical Electrodynamics, 3rd ed., section 5.12 with μ = 0;
// the limit agrees with a public copy).
func sphere(b *bench.Bench, poses []rigid.Pose, random *rand.Rand) Disturbance {
	return func(rate float64, volts [][]float64) [][]float64 {
		r := b.Rig()
		array, err := r.Array()
		if err != nil {
			panic(err)
		}
		coils := r.Sensor(0).Coils
		for _, station := range random.Perm(stations)[:4] {
			pose := poses[station]
			direction := r3.Unit(r3.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: -math.Abs(random.NormFloat64())})
			centre, radius := r3.Add(pose.Position, r3.Scale(0.06+0.04*random.Float64(), direction)), 0.01+0.01*random.Float64()
			from, to := samplesOf(station, rate)
			for e, emitter := range array.Emitters {
				field, err := emitter.Source.Field(centre)
				if err != nil {
					panic(err)
				}
				moment := r3.Scale(-2*math.Pi*radius*radius*radius/fieldmodels.Mu0, field)
				omega := 2 * math.Pi * r.Emitters[e].ToneHz * (1 + clockPPM*1e-6)
				reference := r.Emitters[e].Reference
				drive := volts[reference.Channel][from:to]
				var sum complex128
				weight := 0.0
				for i, v := range drive {
					w := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(len(drive)))
					sum += complex(w*v, 0) * cmplx.Rect(1, -omega*float64(from+i)/rate)
					weight += w
				}
				current := sum * complex(2/weight/(reference.TransimpedanceOhm*r.Channels[reference.Channel].Gain), 0)
				for k, coil := range coils {
					back, err := (&fieldmodels.PlacedDipole{Center: centre, Moment: moment}).Field(pose.Apply(coil.Center))
					if err != nil {
						panic(err)
					}
					more := coil.AreaTurns * r3.Dot(pose.Rotate(coil.Axis), back) // [H]
					channel := r.Sensors[0].Coils[k].Channel
					c := &r.Channels[channel]
					phasor := complex(0, -omega*more) * current * complex(c.Gain, 0) * cmplx.Rect(1, -omega*c.DelayS)
					for i := from; i < to; i++ {
						volts[channel][i] += real(phasor * cmplx.Rect(1, omega*float64(i)/rate))
					}
				}
			}
		}
		return volts
	}
}

func gains(factor float64) func(*rig.Rig, *rand.Rand) {
	return func(r *rig.Rig, _ *rand.Rand) {
		for i := range 3 {
			r.Channels[i].Gain *= factor
		}
	}
}

var causes = []cause{
	{name: "gain of a sensor", real: gains(0.9), words: "all couplings are 0.", mended: true, common: true},
	{name: "gross gain of a sensor", real: gains(0.28), words: "all couplings are 0.2", mended: true, common: true},
	{name: "axes reversed", real: gains(-1), words: "all couplings have the wrong sign: ", mended: true, common: true},
	{name: "a coil off by half a per cent", real: func(r *rig.Rig, _ *rand.Rand) { r.Sensors[0].Coils[1].AreaTurnsM2 *= 1.005 }, words: "coil rx2 reads 1.00", mended: true},
	{name: "an emitter three per cent strong", real: func(r *rig.Rig, _ *rand.Rand) { r.Emitters[2].Model.Turns *= 1.03 }, words: "emitter e3 is 1.0", mended: true},
	{name: "a tone 25 Hz off", real: func(r *rig.Rig, _ *rand.Rand) { r.Emitters[2].ToneHz += 25 }, words: "tone e3 is at ", mended: true},
	{name: "drive in another column", disturb: func(*bench.Bench, []rigid.Pose, *rand.Rand) Disturbance {
		return func(_ float64, x [][]float64) [][]float64 { return [][]float64{x[3], x[1], x[2], x[0]} }
	}, words: "channel rx1 carries the drives that the rig expects on channel drive"},
	{name: "no drive recorded", disturb: func(*bench.Bench, []rigid.Pose, *rand.Rand) Disturbance {
		return func(_ float64, x [][]float64) [][]float64 {
			for i, v := range x[0] {
				x[3][i] = 1e-3 * v
			}
			return x
		}
	}, words: "no drive is recorded"},
	{name: "an amplifier saturates", disturb: limited(1)},
	{name: "an amplifier saturates in the middle of a station", disturb: limited(0.5)},
	{name: "converter clips", some: true, both: func(r *rig.Rig) {
		for i := range 3 {
			r.Channels[i].Gain *= 20
		}
	}},
	{name: "metal", disturb: sphere},
}

// bounded holds what is flagged to its stated errors: nine in ten within their 95 %
// ellipsoids, less three sampling errors.
func bounded(t *testing.T, s *Score) {
	t.Helper()
	if s.N == 0 {
		return
	}
	s.Log(t)
	position, _ := s.Coverage()
	if loose := 3 * math.Sqrt(0.9*0.1/float64(s.N)); position < 0.9-loose {
		t.Errorf("%.3f of %d flagged poses inside their 95 %% ellipsoids, want 0.9 − %.3f", position, s.N, loose)
	}
}

// check plays a cause from so many seeds.
func (c *cause) check(t *testing.T, seeds int) {
	var flagged, mended Score
	silent := 0
	for seed := range seeds {
		out := c.solve(t, uint64(seed+1), false)
		if out.sound && !c.some {
			t.Errorf("seed %d: no pose is flagged", seed+1)
		}
		if !strings.Contains(out.said, c.words) {
			silent++
			t.Logf("seed %d: said %q, want %q", seed+1, out.said, c.words)
		}
		flagged.Join(&out.flagged)
		if c.mended {
			out := c.solve(t, uint64(seed+1), true)
			mended.Join(&out.flagged)
			mended.Join(&out.rest)
		}
	}
	// A twentieth may go by another name where the drawn bench tells little.
	if silent > seeds/20 {
		t.Errorf("%d of %d recordings do not name the cause", silent, seeds)
	}
	bounded(t, &flagged)
	if c.mended {
		mended.Log(t)
		// A mean of 6n unit squares: four sampling errors. A factor that is off by three of
		// its sigmas adds at most nine to the six of each pose.
		loose := 4 * math.Sqrt(2/float64(6*mended.N))
		if z := mended.Normalised(); z < 1-loose || z > 1+loose && !(c.common && z < 1+loose+9./6) {
			t.Errorf("without the fault the squared errors are %.2f of what is stated", z)
		}
	}
}

// What is wrong with a bench or a recording is named, poses that do not fit for it
// state errors that hold, and without what is at fault they are as good as ever.
func TestCausesOfMisfit(t *testing.T) {
	for _, c := range causes {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.check(t, 1)
		})
	}
	t.Run("nothing", func(t *testing.T) {
		t.Parallel()
		soundBenches(t, 2)
	})
}

// soundBenches are not flagged, and their sigmas are those of noise.
func soundBenches(t *testing.T, seeds int) {
	var all Score
	for seed := range seeds {
		out := (&cause{}).solve(t, uint64(seed+1), true)
		if !out.sound || strings.Contains(out.said, "probe: ") {
			t.Errorf("seed %d: flagged without cause: %s", seed+1, out.said)
		}
		all.Join(&out.rest)
	}
	all.Log(t)
	if z := all.Normalised(); math.Abs(z-1) > 4*math.Sqrt(2/float64(6*all.N)) {
		t.Errorf("squared errors are %.2f of what is stated", z)
	}
}
