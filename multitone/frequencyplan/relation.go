package frequencyplan

import "math"

// relation ties quantities together: solve returns one from the others, NaN
// where that is not possible.
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
			rest -= f.power * math.Log(v(f.q))
		}
		return math.Exp(rest / power)
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
		decibels("SNR_dB = 20·lg SNR", practice, SNR, SNRDecibel),
		sumOfSquares("n² = a² + q²", practice, NoiseDensity, AnalogDensity, QuantDensity),
		// The ADC.
		power2("LSB = 2·FS/2^b", ieee1241, Step, FullScale, Bits),
		productOf("N_q = LSB/√12", ieee1241, 1/math.Sqrt(12), factor{QuantNoise, 1}, factor{Step, -1}),
		productOf("q = N_q/√(f_s/2)", practice, math.Sqrt2, factor{QuantDensity, 1}, factor{SampleRate, 0.5}, factor{QuantNoise, -1}),
		decibelsOfBits("SNR_ADC = 20·lg(2^b·√(3/2)) = 6.02·b + 1.76 dB", ieee1241, Bits, IdealSNR),
		gain("PG = 10·lg(f_s/(2E))", practice, SampleRate, ENBW, ProcessGain),
		sum("SNR_avg = SNR_ADC + PG", practice, AveragedSNR, IdealSNR, ProcessGain),
		// Whatever the low-pass, a plain mean of some time has its noise bandwidth.
		productOf("E = 1/(2T)", practice, 0.5, factor{ENBW, 1}, factor{AveragingTime, 1}),
	}
}

func decibels(formula, source string, ratio, dB Quantity) relation {
	return relation{[]Quantity{ratio, dB}, formula, source, func(want Quantity, v func(Quantity) float64) float64 {
		if want == dB {
			return 20 * math.Log10(v(ratio))
		}
		return math.Pow(10, v(dB)/20)
	}}
}

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

func power2(formula, source string, step, full, bits Quantity) relation {
	return relation{[]Quantity{step, full, bits}, formula, source, func(want Quantity, v func(Quantity) float64) float64 {
		switch want {
		case step:
			return 2 * v(full) * math.Exp2(-v(bits))
		case full:
			return v(step) / 2 * math.Exp2(v(bits))
		}
		return math.Log2(2 * v(full) / v(step))
	}}
}

func decibelsOfBits(formula, source string, bits, dB Quantity) relation {
	return relation{[]Quantity{bits, dB}, formula, source, func(want Quantity, v func(Quantity) float64) float64 {
		if want == dB {
			return 20 * (v(bits)*math.Log10(2) + math.Log10(1.5)/2)
		}
		return (v(dB)/20 - math.Log10(1.5)/2) / math.Log10(2)
	}}
}

func gain(formula, source string, rate, enbw, dB Quantity) relation {
	return relation{[]Quantity{rate, enbw, dB}, formula, source, func(want Quantity, v func(Quantity) float64) float64 {
		switch want {
		case dB:
			return 10 * math.Log10(v(rate)/(2*v(enbw)))
		case rate:
			return 2 * v(enbw) * math.Pow(10, v(dB)/10)
		}
		return v(rate) / 2 / math.Pow(10, v(dB)/10)
	}}
}

func sum(formula, source string, total, a, b Quantity) relation {
	return relation{[]Quantity{total, a, b}, formula, source, func(want Quantity, v func(Quantity) float64) float64 {
		switch want {
		case total:
			return v(a) + v(b)
		case a:
			return v(total) - v(b)
		}
		return v(total) - v(a)
	}}
}
