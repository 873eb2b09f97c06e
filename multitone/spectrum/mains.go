package spectrum

// Mains is the power line's frequency, as multitone.Mains finds it.
type Mains struct {
	Hz      float64 // fundamental; 0: no mains
	SigmaHz float64 // of it, with the grid's wander while a recording lasts
}

// MostHarmonics is the highest harmonic of a mains whose frequency is well known.
const MostHarmonics = 100

// MainsWanderHz is how far a grid moves while a recording lasts; harmonic n moves n
// times as far. Common practice: some 10 mHz within minutes.
const MainsWanderHz = 0.01
