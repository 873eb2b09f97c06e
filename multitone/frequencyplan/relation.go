package frequencyplan

import "math"

// relation ties quantities together: solve returns one from the others, NaN
// where that is not possible. The first of them is always possible.
type relation struct {
	of              []Quantity
	formula, source string
	solve           func(want Quantity, v func(Quantity) float64) float64
}

// factor is a power of a quantity in a product.
type factor struct {
	q     Quantity
	power float64
}

// logarithm is ln q; decibels count as the ratio of amplitudes, bits as the number of
// steps, so that they too are factors.
func (q Quantity) logarithm(v float64) float64 {
	if unit := q.logarithmic(); unit > 0 {
		return v * unit
	}
	return math.Log(v)
}

// ofLogarithm is the quantity with that logarithm.
func (q Quantity) ofLogarithm(l float64) float64 {
	if unit := q.logarithmic(); unit > 0 {
		return l / unit
	}
	return math.Exp(l)
}

// logarithmic is the natural logarithm of a unit of a logarithmic quantity, else 0.
func (q Quantity) logarithmic() float64 {
	switch {
	case q == Bits:
		return math.Ln2
	case q.Unit() == "dB":
		return math.Ln10 / 20
	}
	return 0
}

// productOf is the relation constant = Π q^power.
func productOf(formula, source string, constant float64, factors ...factor) relation {
	r := relation{formula: formula, source: source}
	for _, f := range factors {
		r.of = append(r.of, f.q)
	}
	r.solve = func(want Quantity, v func(Quantity) float64) float64 {
		rest, power := math.Log(constant), 0.0
		for _, f := range factors {
			if f.q == want {
				power = f.power
				continue
			}
			rest -= f.power * f.q.logarithm(v(f.q))
		}
		return want.ofLogarithm(rest / power)
	}
	return r
}

const (
	practice = "common practice"
	ieee1241 = "IEEE Std 1241-2010"
)

// relations lists what holds of any averaging.
func relations() []relation {
	return []relation{
		productOf("N = n·√B", practice, 1, factor{NoiseDensity, 1}, factor{NoiseBandwidth, 0.5}, factor{BroadbandNoise, -1}),
		productOf("SNR_in = S/N", practice, 1, factor{Signal, 1}, factor{BroadbandNoise, -1}, factor{InputSNR, -1}),
		productOf("σ = n·√E", practice, 1, factor{NoiseDensity, 1}, factor{ENBW, 0.5}, factor{OutputNoise, -1}),
		productOf("SNR = S/σ", practice, 1, factor{Signal, 1}, factor{OutputNoise, -1}, factor{SNR, -1}),
		productOf("G = SNR/SNR_in", practice, 1, factor{SNR, 1}, factor{InputSNR, -1}, factor{Improvement, -1}),
		productOf("R = B/E", practice, 1, factor{NoiseBandwidth, 1}, factor{ENBW, -1}, factor{BandwidthRatio, -1}),
		productOf("G = √R", practice, 1, factor{BandwidthRatio, 0.5}, factor{Improvement, -1}),
		productOf("Q = f/(2E)", practice, 0.5, factor{Q, 1}, factor{ENBW, 1}, factor{ToneHz, -1}),
		productOf("SNR_dB = 20·lg SNR", practice, 1, factor{SNR, 1}, factor{SNRDecibel, -1}),
		sumOfSquares("n² = a² + q²", practice, NoiseDensity, AnalogDensity, QuantDensity),
		// The ADC.
		productOf("LSB = 2·FS/2^b", ieee1241, 2, factor{Step, 1}, factor{FullScale, -1}, factor{Bits, 1}),
		productOf("N_q = LSB/√12", ieee1241, 1/math.Sqrt(12), factor{QuantNoise, 1}, factor{Step, -1}),
		productOf("q = N_q/√(f_s/2)", practice, math.Sqrt2, factor{QuantDensity, 1}, factor{SampleRate, 0.5}, factor{QuantNoise, -1}),
		productOf("SNR_ADC = 20·lg(2^b·√(3/2)) = 6.02·b + 1.76 dB", ieee1241, math.Sqrt(1.5), factor{Bits, -1}, factor{IdealSNR, 1}),
		productOf("PG = 10·lg(f_s/(2E))", practice, 2, factor{SampleRate, 1}, factor{ENBW, -1}, factor{ProcessGain, -2}),
		productOf("SNR_avg = SNR_ADC + PG", practice, 1, factor{AveragedSNR, 1}, factor{IdealSNR, -1}, factor{ProcessGain, -1}),
		// Whatever the low-pass, a plain mean of some time has its noise bandwidth.
		productOf("E = 1/(2T)", practice, 0.5, factor{ENBW, 1}, factor{AveragingTime, 1}),
	}
}

// sumOfSquares is the relation total² = a² + b².
func sumOfSquares(formula, source string, total, a, b Quantity) relation {
	return relation{[]Quantity{total, a, b}, formula, source, func(want Quantity, v func(Quantity) float64) float64 {
		switch want {
		case total:
			return math.Hypot(v(a), v(b))
		case a:
			return math.Sqrt(v(total)*v(total) - v(b)*v(b))
		}
		return math.Sqrt(v(total)*v(total) - v(a)*v(a))
	}}
}
