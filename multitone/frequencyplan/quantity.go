package frequencyplan

// Quantity is one of those that averaging ties together.
type Quantity int

// The quantities of Average. Voltages are rms unless they say peak; densities
// and bandwidths are one-sided.
const (
	Signal         Quantity = iota // tone at the ADC's input [V rms]
	AnalogDensity                  // of noise before the ADC [V/√Hz]
	QuantDensity                   // of quantising noise [V/√Hz]
	NoiseDensity                   // of all noise at the tone [V/√Hz]
	NoiseBandwidth                 // of the noise before averaging [Hz]
	BroadbandNoise                 // in NoiseBandwidth [V rms]
	InputSNR                       // Signal to BroadbandNoise, ratio of rms
	ENBW                           // of the averaging [Hz]
	AveragingTime                  // of the plain mean of the same ENBW [s]
	OutputNoise                    // after averaging [V rms]
	SNR                            // Signal to OutputNoise, ratio of rms
	SNRDecibel                     // the same [dB]
	Improvement                    // of the signal-to-noise ratio by averaging
	BandwidthRatio                 // NoiseBandwidth to ENBW
	ToneHz                         // frequency of the tone [Hz]
	Q                              // of the band-pass that averaging is round the tone
	Bits                           // of the ADC; effective ones if not whole
	FullScale                      // of the ADC, peak: ± this [V]
	SampleRate                     // [Hz]
	Step                           // of the ADC [V]
	QuantNoise                     // in half the sample rate [V rms]
	IdealSNR                       // full-scale sine to QuantNoise [dB]
	ProcessGain                    // of QuantNoise by averaging [dB]
	AveragedSNR                    // full-scale sine to averaged quantising noise [dB]
	numberOfQuantities
)

var quantities = [numberOfQuantities]struct{ name, symbol, unit string }{
	Signal:         {"signal", "S", "V"},
	AnalogDensity:  {"analog noise density", "a", "V/√Hz"},
	QuantDensity:   {"quantising noise density", "q", "V/√Hz"},
	NoiseDensity:   {"noise density", "n", "V/√Hz"},
	NoiseBandwidth: {"noise bandwidth", "B", "Hz"},
	BroadbandNoise: {"broadband noise", "N", "V"},
	InputSNR:       {"input signal-to-noise", "SNR_in", ""},
	ENBW:           {"equivalent noise bandwidth", "E", "Hz"},
	AveragingTime:  {"averaging time", "T", "s"},
	OutputNoise:    {"averaged noise", "σ", "V"},
	SNR:            {"signal-to-noise", "SNR", ""},
	SNRDecibel:     {"signal-to-noise in dB", "SNR_dB", "dB"},
	Improvement:    {"improvement", "G", ""},
	BandwidthRatio: {"bandwidth ratio", "R", ""},
	ToneHz:         {"tone", "f", "Hz"},
	Q:              {"equivalent filter Q", "Q", ""},
	Bits:           {"ADC bits", "b", ""},
	FullScale:      {"ADC full scale", "FS", "V"},
	SampleRate:     {"sample rate", "f_s", "Hz"},
	Step:           {"ADC step", "LSB", "V"},
	QuantNoise:     {"quantising noise", "N_q", "V"},
	IdealSNR:       {"ideal ADC signal-to-noise", "SNR_ADC", "dB"},
	ProcessGain:    {"process gain", "PG", "dB"},
	AveragedSNR:    {"averaged ADC signal-to-noise", "SNR_avg", "dB"},
}

// String is the quantity's name in words.
func (q Quantity) String() string { return quantities[q].name }

// Symbol is its symbol in formulas.
func (q Quantity) Symbol() string { return quantities[q].symbol }

// Unit is its SI unit, empty for a ratio or a count.
func (q Quantity) Unit() string { return quantities[q].unit }
