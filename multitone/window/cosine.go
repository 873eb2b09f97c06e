package window

// cosineSums are the named sums w(v) = Σ aₖ cos(πkv), before division by Σaₖ.
//
// Sources: Harris, Proc. IEEE 66(1), 1978 (hann, hamming, blackman and relatives);
// Nuttall, IEEE Trans. ASSP 29(1), 1981 (nuttall…, named as by Heinzel: the last
// letter tells the rank of sidelobe level among those of equal decay);
// Heinzel, Rüdiger, Schilling, Spectrum and spectral density estimation by the
// DFT, MPI für Gravitationsphysik, 2002, Appendix C and D (sft…: flat-tops of
// Salvatore and Trotta, F for fastest decay, M for lowest sidelobe; hft…: flat-tops
// named by sidelobe level in dB, D where the edges are also differentiable).
var cosineSums = map[string][]float64{
	"boxcar":             {1},
	"hann":               {0.5, 0.5},
	"hamming":            {0.54, 0.46},
	"blackman":           {0.42, 0.5, 0.08},
	"blackman-exact":     {7938, 9240, 1430},
	"blackman-harris-3":  {0.42323, 0.49755, 0.07922},
	"blackman-harris":    {0.35875, 0.48829, 0.14128, 0.01168},
	"blackman-harris-74": {0.40217, 0.49703, 0.09892, 0.00183},
	"nuttall3":           {0.375, 0.5, 0.125},
	"nuttall3a":          {0.40897, 0.5, 0.09103},
	"nuttall3b":          {0.4243801, 0.4973406, 0.0782793},
	"nuttall4":           {0.3125, 0.46875, 0.1875, 0.03125},
	"nuttall4a":          {0.338946, 0.481973, 0.161054, 0.018027},
	"nuttall4b":          {0.355768, 0.487396, 0.144232, 0.012604},
	"nuttall4c":          {0.3635819, 0.4891775, 0.1365995, 0.0106411},
	"sft3f":              {0.26526, 0.5, 0.23474},
	"sft4f":              {0.21706, 0.42103, 0.28294, 0.07897},
	"sft5f":              {0.1881, 0.36923, 0.28702, 0.13077, 0.02488},
	"sft3m":              {0.28235, 0.52105, 0.19659},
	"sft4m":              {0.241906, 0.460841, 0.255381, 0.041872},
	"sft5m":              {0.209671, 0.407331, 0.281225, 0.092669, 0.0091036},
	"hft70":              {1, 1.90796, 1.07349, 0.18199},
	"hft90d":             {1, 1.942604, 1.340318, 0.440811, 0.043097},
	"hft95":              {1, 1.9383379, 1.3045202, 0.4028270, 0.0350665},
	"hft116d":            {1, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288},
	"hft144d":            {1, 1.96760033, 1.57983607, 0.81123644, 0.22583558, 0.02773848, 0.00090360},
	"hft169d":            {1, 1.97441843, 1.65409889, 0.95788187, 0.33673420, 0.06364622, 0.00521942, 0.00010599},
	"hft196d":            {1, 1.979280420, 1.710288951, 1.081629853, 0.448734314, 0.112376628, 0.015122992, 0.000871252, 0.000011896},
	"hft223d":            {1, 1.98298997309, 1.75556083063, 1.19037717712, 0.56155440797, 0.17296769663, 0.03233247087, 0.00324954578, 0.00013801040, 0.00000132725},
	"hft248d":            {1, 1.985844164102, 1.791176438506, 1.282075284005, 0.667777530266, 0.240160796576, 0.056656381764, 0.008134974479, 0.000624544650, 0.000019808998, 0.000000132974},
}
