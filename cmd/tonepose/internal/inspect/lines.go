package inspect

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone"
	"tonepose/multitone/recording"
	"tonepose/multitone/spectrum"
)

// Mains is the mains as all channels show it.
type Mains struct {
	Hz        float64         `json:"hz"`
	SigmaHz   float64         `json:"sigma_hz"`
	Family    int             `json:"family_hz"` // 50 or 60
	Harmonics []MainsHarmonic `json:"harmonics"`
}

// MainsHarmonic is one harmonic on the channel that shows it most.
type MainsHarmonic struct {
	Number  int     `json:"harmonic"`
	Hz      float64 `json:"hz"`
	Peak    float64 `json:"peak"`
	Channel string  `json:"channel"`
}

// Line is a line that is neither a tone of the rig nor a harmonic of the
// mains, on the channel that shows it most.
type Line struct {
	Channel string  `json:"channel"`
	Hz      float64 `json:"hz"`
	SigmaHz float64 `json:"sigma_hz"`
	Peak    float64 `json:"peak"`
	OverDB  float64 `json:"over_noise_db"` // of the noise in a bin
	Name    string  `json:"name"`          // "2 × e1 − e4"; empty: nothing known
	Kind    string  `json:"kind"`
	Chance  float64 `json:"chance"` // that a line anywhere would be named as simply
}

// Sideband is the kind of a line that a tone of changing level has beside it.
const Sideband = "sideband of a changing level"

// lookAtMains takes the mains that the survey found. Levels are those of the
// spectra's lines; where these are too coarse to have one, they are unknown.
func (in *Inspection) lookAtMains(lines [][]spectrum.Line, s *stream.Survey, info recording.Info) {
	// one harmonic alone may be any line
	if len(s.Lines) == 0 || len(s.Lines) == 1 && s.Lines[0].Hz > 1.5*s.MainsHz {
		return
	}
	// A grid wanders while the recording lasts.
	in.mains = spectrum.Mains{Hz: s.MainsHz, SigmaHz: math.Hypot(s.MainsSigmaHz, spectrum.MainsWanderHz)}
	look := &Mains{Hz: in.mains.Hz, SigmaHz: in.mains.SigmaHz, Family: 10 * int(math.Round(s.MainsHz/10))}
	best := map[int]MainsHarmonic{}
	for c, list := range lines {
		for _, l := range list {
			if tone, away := in.nearestTone(l.Hz); tone >= 0 && math.Abs(away) < l.ToleranceHz+2e-7*l.Hz {
				continue
			}
			n, ok := in.harmonic(l.Hz, l.ToleranceHz)
			if h, seen := best[n]; ok && (!seen || l.PeakV > h.Peak) {
				best[n] = MainsHarmonic{n, l.Hz, l.PeakV, info.Names[c]}
			}
		}
	}
	for _, l := range s.Lines {
		n := int(math.Round(l.Hz / s.MainsHz))
		if _, seen := best[n]; !seen {
			best[n] = MainsHarmonic{Number: n, Hz: l.Hz}
		}
	}
	for _, h := range best {
		look.Harmonics = append(look.Harmonics, h)
	}
	slices.SortFunc(look.Harmonics, func(a, b MainsHarmonic) int { return cmp.Compare(a.Number, b.Number) })
	in.Mains = look
}

// loudest is the strongest line of all channels.
func (in *Inspection) loudest(lines [][]spectrum.Line) (best spectrum.Line, ok bool) {
	for c, list := range lines {
		for _, l := range list {
			if _, mains := in.harmonic(l.Hz, l.ToleranceHz); !mains && l.Hz > 3*in.Densities[c].StepHz && l.PeakV > best.PeakV {
				best, ok = l, true
			}
		}
	}
	return best, ok
}

// harmonic is the number of the mains harmonic that a line is, if it is one.
func (in *Inspection) harmonic(hz, tolerance float64) (number int, ok bool) {
	if in.mains.Hz == 0 {
		return 0, false
	}
	n := math.Round(hz / in.mains.Hz)
	apart := min(tolerance+3*n*in.mains.SigmaHz, in.mains.Hz/4)
	return int(n), n >= 1 && n <= spectrum.MostHarmonics && math.Abs(hz-n*in.mains.Hz) < apart
}

// nearestTone returns the tone of the rig next to hz, −1 without any.
func (in *Inspection) nearestTone(hz float64) (tone int, away float64) {
	tone, away = -1, math.Inf(1)
	for k, t := range in.toneHz {
		if math.Abs(hz-t) < math.Abs(away) {
			tone, away = k, hz-t
		}
	}
	return tone, away
}

// nearest is the distance of a tone to the next one, or to either end [Hz].
func (in *Inspection) nearest(k int) float64 {
	d := min(in.toneHz[k], in.SampleRate/2-in.toneHz[k])
	for j, hz := range in.toneHz {
		if j != k {
			d = min(d, math.Abs(hz-in.toneHz[k]))
		}
	}
	return d
}

// shownLines bounds the list of lines.
const shownLines = 12

// doubtfulChance is how often a line anywhere may find an explanation that is still
// taken before a high harmonic of the mains.
const doubtfulChance = 0.05

// lookAtLines lists the strongest lines that are no tone and no mains harmonic,
// each once; those beside a tone are also the survey's.
func (in *Inspection) lookAtLines(lines [][]spectrum.Line, s *stream.Survey, info recording.Info) {
	var tones []spectrum.Tone
	if strongest, ok := in.loudest(lines); ok && len(in.tones) == 0 {
		tones = append(tones, spectrum.Tone{Name: "f1", Hz: strongest.Hz, ToleranceHz: strongest.SigmaHz})
	}
	for k, t := range in.tones {
		tones = append(tones, spectrum.Tone{Name: t.Name, Hz: in.toneHz[k], ToleranceHz: 2e-7 * in.toneHz[k]})
	}
	catalogue := spectrum.NewCatalogue(info.SampleRate, tones, in.mains)
	var all []Line
	for c, list := range lines {
		d := in.Densities[c]
		for _, l := range list {
			if l.Hz < 3*d.StepHz { // drift, not a line
				continue
			}
			look := Line{Channel: info.Names[c], Hz: l.Hz, SigmaHz: l.SigmaHz, Peak: l.PeakV, OverDB: 10 * math.Log10(l.SignalToNoise)}
			near, away := in.nearestTone(l.Hz)
			if near >= 0 && math.Abs(away) < 3*in.Resolution {
				continue // the tone itself, of changing amplitude
			}
			if _, mains := in.harmonic(l.Hz, l.ToleranceHz); mains {
				continue
			}
			var e spectrum.Explanation
			if all := catalogue.Explain(l.Hz, l.ToleranceHz); len(all) > 0 {
				e = all[0]
			}
			if o := e.Origin; !e.Alias && (o == spectrum.KnownTone && len(in.tones) > 0 || o == spectrum.MainsHarmonic) {
				continue
			}
			mains := ""
			if in.mains.Hz > 0 {
				mains = s.Harmonic(l.Hz, l.SigmaHz)
			}
			switch {
			// What tones make is where it is to a hundredth of a hertz, a high harmonic of
			// the mains to a few: the former first, unless it would be anywhere.
			case mains != "" && (e.Origin == 0 || e.Origin == spectrum.MainsSideband || e.Chance > doubtfulChance):
				look.Name, look.Kind = mains, spectrum.MainsHarmonic.String()
			case near >= 0 && math.Abs(away) < 0.1*in.nearest(near) && in.sideband(near, c, l, list):
				look.Name, look.Kind = fmt.Sprintf("%s %+.4g Hz", in.tones[near].Name, away), Sideband
			case e.Origin != 0:
				look.Name, look.Kind, look.Chance = e.Text, e.Origin.String(), e.Chance
				if e.Alias {
					look.Kind = "alias"
				}
			}
			all = append(all, look)
		}
	}
	for _, l := range s.Foreign {
		if _, mains := in.harmonic(l.Hz, 3*l.SigmaHz); !mains {
			all = append(all, in.foreign(l, s, info))
		}
	}
	slices.SortFunc(all, func(a, b Line) int { return cmp.Compare(b.Peak, a.Peak) })
	for _, l := range all {
		near := func(o Line) bool { return math.Abs(o.Hz-l.Hz) < 2*in.Resolution }
		if len(in.Lines) < shownLines && !slices.ContainsFunc(in.Lines, near) {
			in.Lines = append(in.Lines, l)
		}
	}
}

// sideband tells whether a line beside a tone is one of a pair that the tone's changing
// level makes: as far on the other side is another, of about the same size.
func (in *Inspection) sideband(tone, channel int, l spectrum.Line, all []spectrum.Line) bool {
	if i := tone*len(in.Channels) + channel; i >= len(in.moves) || !in.moves[i] {
		return false
	}
	return slices.ContainsFunc(all, func(o spectrum.Line) bool {
		return math.Abs(o.Hz+l.Hz-2*in.toneHz[tone]) < in.Resolution+o.ToleranceHz+l.ToleranceHz && o.PeakV < 2*l.PeakV && l.PeakV < 2*o.PeakV
	})
}

// foreign is a line that the survey found beside a tone.
func (in *Inspection) foreign(l multitone.Line, s *stream.Survey, info recording.Info) Line {
	loudest := 0
	for c, p := range l.Power {
		if p > l.Power[loudest] {
			loudest = c
		}
	}
	look := Line{Channel: info.Names[loudest], Hz: l.Hz, SigmaHz: l.SigmaHz, Peak: math.Sqrt(l.Power[loudest]), Name: s.Name(l.Hz, l.SigmaHz)}
	if s.Harmonic(l.Hz, l.SigmaHz) != "" {
		look.Kind = spectrum.MainsHarmonic.String()
	}
	// The noise in a bin of the spectrum: a white sample's variance over half the rate.
	look.OverDB = 10 * math.Log10(l.Power[loudest]/2/(l.Noise[loudest]*2/in.SampleRate*in.Resolution))
	return look
}

// shared names the tones that the recording cannot tell from a harmonic of the mains,
// and those with a line beside them that a spectrum does not tell from them.
func (in *Inspection) shared(s *stream.Survey) {
	for k, t := range in.tones {
		if what := s.Shares(k); what != "" {
			in.find("tone %s at %.6g Hz: %s, and cannot be told from what that adds", t.Name, in.toneHz[k], what)
		}
		for _, l := range s.Foreign {
			if away := l.Hz - in.toneHz[k]; math.Abs(away) < 3*in.Resolution {
				in.find("tone %s: a line of %.3g V at %.3f Hz lies %.3g Hz beside it", t.Name, math.Sqrt(slices.Max(l.Power)), l.Hz, math.Abs(away))
			}
		}
	}
}
