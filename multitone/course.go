package multitone

// Course tells the phases of tones along a recording, however their clock drifts.
type Course interface {
	// Cycles is how far a tone has turned at a time [s] since the recording's first
	// sample.
	Cycles(tone int, time float64) float64
	// HzAt is a tone's frequency at a time [s], in the ADC's clock.
	HzAt(tone int, time float64) float64
}

// turned is how far a tone has turned at a time [s] since the first sample
// [cycles].
func (c *Config) turned(tone int, t float64) float64 {
	if c.Course == nil {
		return c.Tones[tone].Hz * t
	}
	return c.Course.Cycles(tone, t)
}
