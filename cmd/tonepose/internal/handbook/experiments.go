package handbook

// Experiment is a small piece of coursework on the virtual bench: it sets the bench up,
// says what to do and what to watch, what theory says, and what the page should read.
type Experiment struct {
	ID       string         `json:"id"` // part of an address: lower case and hyphens
	Title    string         `json:"title"`
	Question string         `json:"question"`
	Minutes  int            `json:"minutes"`
	Setup    map[string]any `json:"setup"` // knobs of the virtual bench, by their names; others stand as at first
	Steps    []Step         `json:"steps"`
	Theory   Theory         `json:"theory"`
	Readings []Reading      `json:"readings"`
}

// Step is one thing to do.
type Step struct {
	Do    string         `json:"do"`
	Watch string         `json:"watch"`
	Set   map[string]any `json:"set,omitempty"` // knobs that do it; none: a person does
}

// Theory is what an experiment rests on.
type Theory struct {
	Words   string `json:"words"`
	Formula string `json:"formula"`
	Source  string `json:"source"`
}

// Reading is what the page should read when the last step is done.
type Reading struct {
	ID        string  `json:"id"` // quantity, as the page names it
	Words     string  `json:"words"`
	Expected  float64 `json:"expected"`
	Unit      string  `json:"unit"`
	Tolerance float64 `json:"tolerance"` // relative
}

// Experiments are those of the virtual bench.
func Experiments() []Experiment { return experiments }

// at puts the sensor of the virtual bench at rest where most experiments want it, and
// turns some knobs besides.
func at(knobs map[string]any) map[string]any {
	set := map[string]any{"follow_path": false, "sensor_position": []float64{-0.02, 0.03, 0.15}}
	for name, v := range knobs {
		set[name] = v
	}
	return set
}

// The numbers expected are those of the formula beside them, for the invented bench of
// the virtual one; TestExperiments works each out, and reads the page. Noise is known to
// some 6 % from seconds of it, and flicker adds 2.4 % to it at 6 kHz: 15 % holds twice that.
var experiments = []Experiment{
	{
		ID: "below-the-noise", Title: "A tone below the noise", Minutes: 5,
		Question: "Samples look like noise alone. How well is a tone known that is weaker than the noise beside it?",
		Setup:    at(nil),
		Steps: []Step{
			{Do: "Raise the noise to 1 µV/√Hz.", Watch: "In the room recording the tones drown: 22 mV rms of noise at the converter, over its whole band of 50 kHz. In the spectrum they still stand out.", Set: map[string]any{"noise": 1e-6}},
			{Do: "Lengthen window and hop to 200 ms.", Watch: "In the room tones e2 is 16 mV on rx3, weaker than the noise, and yet known to 2 %: all but 3.75 Hz of the noise averages away.", Set: map[string]any{"window": 0.2, "hop": 0.2}},
		},
		Theory: Theory{Words: "Mixing and averaging keeps of white noise what falls into the equivalent noise bandwidth of the averaging, 1.5/(2T) of a Hann window of length T. " +
			"Each part of a peak phasor then has the standard deviation σ, here at the converter behind a gain of 100. The amplitude is that of the voltage which the coupling M induces.",
			Formula: "σ = 100 · d · √(2 · 1.5/(2T)),  A = 100 · 2πf · I · M",
			Source:  "ENBW of windows: Heinzel, Rüdiger, Schilling 2002; checked: windows_heinzel2002.csv"},
		Readings: []Reading{
			{ID: "tones.1.levels.2.sigma_v", Words: "σ of e2 on rx3", Expected: 2.739e-4, Unit: "V", Tolerance: 0.15},
			{ID: "tones.1.levels.2.amplitude_v", Words: "amplitude of e2 on rx3", Expected: 1.597e-2, Unit: "V", Tolerance: 0.06},
		},
	},
	{
		ID: "window-and-bandwidth", Title: "Window and noise bandwidth", Minutes: 5,
		Question: "What does a window four times as long buy, and what does its shape cost?",
		Setup:    at(map[string]any{"noise": 1e-7, "taper": "rectangular"}),
		Steps: []Step{
			{Do: "Read σ of the tones with a rectangular window of 10 ms: 10 µV.", Watch: "Its noise bandwidth is 1/(2T), 50 Hz."},
			{Do: "Choose the Hann taper.", Watch: "σ grows by √1.5, to 12.2 µV. What it buys is a response that falls faster beside the tone: look at what if in the room tones.", Set: map[string]any{"taper": "hann"}},
			{Do: "Lengthen window and hop to 40 ms.", Watch: "Four times the time, half the noise; and a row comes 25 times a second instead of 100.", Set: map[string]any{"window": 0.04, "hop": 0.04}},
		},
		Theory: Theory{Words: "The variance of what is averaged is the density of the noise times the noise bandwidth of the window, and that is inverse to its length.",
			Formula: "σ = 100 · d · √(2 · NENBW/(2T)),  NENBW = 1 (rectangular), 1.5 (Hann)",
			Source:  "Harris 1978; Heinzel, Rüdiger, Schilling 2002; checked: windows_harris1978.csv, windows_heinzel2002.csv"},
		Readings: []Reading{{ID: "tones.4.levels.0.sigma_v", Words: "σ of e5 on rx1", Expected: 6.124e-5, Unit: "V", Tolerance: 0.15}},
	},
	{
		ID: "close-tones", Title: "Two tones too close", Minutes: 5,
		Question: "Two emitters are driven 65 Hz apart, and a window of 10 ms tells 100 Hz apart at best. What becomes of them?",
		Setup:    at(map[string]any{"variant": "close tones", "noise": 1e-7, "window": 0.04, "hop": 0.04}),
		Steps: []Step{
			{Do: "Compare σ of e1 and e2 with that of e3, all on rx1.", Watch: "In 40 ms they are 2.6 periods apart: all tones have the same σ, 61 µV."},
			{Do: "Shorten window and hop to 10 ms.", Watch: "Each σ doubles, as the time demands, and those of e1 and e2 grow by another quarter: they are told apart by least squares, at the price of noise. No value is wrong.", Set: map[string]any{"window": 0.01, "hop": 0.01}},
		},
		Theory: Theory{Words: "Tones estimated together from weighted samples, G X = H'Wx, have the covariance G⁻¹ Q G⁻¹; g and q are the transforms of the window and of its square at the distance of the two tones, in parts of their values at zero. " +
			"Here Δf · T = 0.65: g = 0.756, q = 0.845.",
			Formula: "σ² = ½ σ₀² ((1+q)/(1+g)² + (1−q)/(1−g)²) = 1.60 σ₀²",
			Source:  "covariance of weighted least squares: common practice; Hann window in closed form"},
		Readings: []Reading{{ID: "tones.0.levels.0.sigma_v", Words: "σ of e1 on rx1", Expected: 1.549e-4, Unit: "V", Tolerance: 0.15}},
	},
	{
		ID: "clock-ignored", Title: "A clock offset ignored", Minutes: 5,
		Question: "Generator and converter differ by 200 ppm. What if the tones are sought where the rig says?",
		Setup:    at(map[string]any{"window": 0.2, "hop": 0.2}),
		Steps: []Step{
			{Do: "Read the amplitude of e8 on rx3.", Watch: "10.0 mV. The clock is found from the drives: see the facts at the left."},
			{Do: "Set the clock offset to 200 ppm and ignore it.", Watch: "e8 turns by 0.57 periods within a window, and a fifth of it averages away; e1, lower in frequency, loses less. The pose hardly moves: the drive channel is measured with the same error, and couplings are ratios. That is why currents are digitised.", Set: map[string]any{"clock": 200.0, "clock_ignored": true}},
		},
		Theory: Theory{Words: "Off by Δf, the phase runs through x = Δf · T periods in a window. What is left of the amplitude is the transform of the window there.",
			Formula: "A/A₀ = sin(πx)/(πx) / (1 − x²),  x = 14 125 Hz · 200 ppm · 0.2 s = 0.565",
			Source:  "transform of the Hann window: Harris 1978; checked: windows_harris1978.csv"},
		Readings: []Reading{{ID: "tones.7.levels.2.amplitude_v", Words: "amplitude of e8 on rx3", Expected: 8.139e-3, Unit: "V", Tolerance: 0.01}},
	},
	{
		ID: "dipole-or-loop", Title: "Dipole or loop close by", Minutes: 8,
		Question: "Far off a coil is a dipole. How wrong is that at three radii?",
		Setup:    at(map[string]any{"sensor_position": []float64{0.07469, 0.09807, 0.08973}, "sensor_rotation": []float64{-0.35578, 0.14432, 0}}),
		Steps: []Step{
			{Do: "The coil rx3 lies on the axis of e2, 100 mm from it. Read their coupling.", Watch: "95.9 nH, as the formula of a loop has it. A dipole of the same moment would couple 111 nH, 16 % more."},
			{Do: "Choose the bench that is solved as if loops were dipoles.", Watch: "The coupling stays what it is, and nothing fits: χ² is enormous, the pose is off by millimetres, and the page says that it is distorted.", Set: map[string]any{"variant": "dipoles", "follow_path": false, "sensor_position": []float64{0.07469, 0.09807, 0.08973}, "sensor_rotation": []float64{-0.35578, 0.14432, 0}}},
		},
		Theory: Theory{Words: "On the axis of a loop of N turns and radius a, at the distance z, a small coil of turns × area S couples M. The dipole leaves a² out of the root, 1.5 (a/z)² of M at first order.",
			Formula: "M = μ₀ N a² S / (2 (a² + z²)^(3/2))",
			Source:  "Simpson, Lane, Immer, Youngquist, NASA 2001, on the axis; checked: field_circular_loop.csv"},
		Readings: []Reading{{ID: "couplings.value_h.1.2", Words: "M of e2 and rx3", Expected: 9.605e-8, Unit: "H", Tolerance: 0.005}},
	},
	{
		ID: "five-degrees", Title: "One coil: five degrees of freedom", Minutes: 8,
		Question: "A sensor of one coil is turned about the coil's own axis. What changes?",
		Setup:    at(map[string]any{"variant": "one coil"}),
		Steps: []Step{
			{Do: "Read the degrees of freedom of χ².", Watch: "3: eight couplings, less three numbers of a place and two of a direction."},
			{Do: "Turn the sensor about x by 1.5 rad.", Watch: "No coupling changes, so no pose can tell. The rotation shown is the smallest that points the axis where it points.", Set: map[string]any{"sensor_rotation": []float64{1.5, 0, 0}}},
			{Do: "Turn it about z by 0.5 rad.", Watch: "This is seen. Were all emitters in one plane and parallel, a coil mirrored in that plane with its leads exchanged would couple alike; these are tilted, so that only one of the two twins fits.", Set: map[string]any{"sensor_rotation": []float64{0, 0, 0.5}}},
		},
		Theory: Theory{Words: "The flux through a small coil depends on its place and on the direction of its axis alone. With K couplings and five numbers χ² has K − 5 degrees of freedom.",
			Formula: "M = n · B(p),  8 − 5 = 3",
			Source:  "flux through a small coil: textbook; checked: dipole_dipole_mutual.csv; degrees of freedom: common practice"},
		Readings: []Reading{{ID: "dof", Words: "degrees of freedom of χ²", Expected: 3, Unit: "1", Tolerance: 0}},
	},
	{
		ID: "ellipsoid", Title: "Covariance and ellipsoid", Minutes: 8,
		Question: "How large is the region that holds the position in 95 of 100 windows?",
		Setup:    at(nil),
		Steps: []Step{
			{Do: "Raise the noise to 100 nV/√Hz.", Watch: "σ grows with it in every direction, the shape of the ellipsoid stays.", Set: map[string]any{"noise": 1e-7}},
			{Do: "Follow the cross of the true position in the three views beside the space.", Watch: "It jumps from window to window and stays inside the ellipsoid, but for one window in twenty. χ² stays about 18."},
		},
		Theory: Theory{Words: "Couplings of variance V and the derivatives J by the pose give the covariance C. The half axes of the ellipsoid are √7.815 times the roots of the eigenvalues of its part of the position; 7.815 is the 95 % point of χ² with three degrees of freedom.",
			Formula: "C = (Jᵀ V⁻¹ J)⁻¹,  σ of position = √(C₁₁ + C₂₂ + C₃₃)",
			Source:  "Gauss–Markov: common practice; 7.815: NIST/SEMATECH e-Handbook, table 1.3.6.7.4"},
		Readings: []Reading{
			{ID: "sigma_m", Words: "σ of position", Expected: 2.660e-4, Unit: "m", Tolerance: 0.1},
			{ID: "ellipsoid.radii_m.2", Words: "longest half axis", Expected: 5.666e-4, Unit: "m", Tolerance: 0.1},
		},
	},
	{
		ID: "metal", Title: "Metal and quadrature", Minutes: 8,
		Question: "An aluminium ball comes near. How can it be told from a sensor that moved?",
		Setup:    at(map[string]any{"window": 0.05, "hop": 0.05}),
		Steps: []Step{
			{Do: "Bring the ball near: radius 30 mm, 64 mm from the sensor.", Watch: "Couplings change in phase and in quadrature. In air nothing lags, so quadrature is noise: χ² of the quadrature is thousands instead of 15, and the page names eddy currents.", Set: map[string]any{"metal": true, "metal_position": []float64{0.02, 0.03, 0.1}, "metal_radius": 0.03}},
		},
		Theory: Theory{Words: "A field H induces the magnetic moment m in a ball of radius R; k holds the skin depth δ, 1.1 mm at 6 kHz in aluminium. Thin skins leave the ball almost a perfect conductor, in phase, with a quadrature part of about δ/R.",
			Formula: "m = −2πR³ (1 − 3/(kR)² + 3 cot(kR)/(kR)) H,  k = (1−j)/δ for time as e^(jωt)",
			Source:  "Landau, Lifshitz, Electrodynamics of Continuous Media, section 59, problem 1, not checked against the original; checked: conducting_sphere_dipole.csv, from the boundary values"},
		Readings: []Reading{{ID: "couplings.quadrature_h.1.2", Words: "quadrature of e2 and rx3", Expected: -2.162e-10, Unit: "H", Tolerance: 0.05}},
	},
	{
		ID: "reversed-coil", Title: "A reversed coil", Minutes: 5,
		Question: "Somebody exchanged the leads of rx2. Does the program notice, and which coil does it blame?",
		Setup:    at(nil),
		Steps: []Step{
			{Do: "Reverse rx2.", Watch: "Its column changes sign, χ² jumps, and the page says: coil rx2 looks reversed. The pose is not to be trusted.", Set: map[string]any{"reversed": map[string]bool{"1": true}}},
			{Do: "Leave rx2 out in the room couplings.", Watch: "Of 24 couplings 16 remain, so χ² has 10 degrees of freedom, and the pose is right again."},
		},
		Theory: Theory{Words: "Exchanged leads change the sign of a voltage and nothing else.",
			Formula: "M′ = −M", Source: "common practice"},
		Readings: []Reading{{ID: "couplings.value_h.1.1", Words: "coupling of e2 and rx2", Expected: 6.236e-9, Unit: "H", Tolerance: 0.01}},
	},
	{
		ID: "calibration", Title: "What calibration is worth", Minutes: 8,
		Question: "The coils sit 1 mm beside where the rig says, each in another direction. What does that do to a pose that noise blurs by 0.02 mm?",
		Setup:    at(nil),
		Steps: []Step{
			{Do: "Read the error of the position as built.", Watch: "About 0.015 mm, as σ says."},
			{Do: "Choose the bench whose coils sit 1 mm beside.", Watch: "The error is 1.1 mm, nearly a hundred times as much, the same in every window: averaging does not help. χ² tells that the model is wrong; calibrate tells where the coils are.", Set: at(map[string]any{"variant": "not calibrated"})},
		},
		Theory: Theory{Words: "Couplings off by δM pull the pose by δp, to first order. Tilts and shifts of the emitters are systematic, noise is not.",
			Formula: "δp = (Jᵀ V⁻¹ J)⁻¹ Jᵀ V⁻¹ δM",
			Source:  "linear least squares: common practice"},
		Readings: []Reading{{ID: "true_error_m", Words: "error of position", Expected: 1.154e-3, Unit: "m", Tolerance: 0.3}},
	},
}
