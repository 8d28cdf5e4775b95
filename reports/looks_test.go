package reports

import (
	"math"
	"testing"

	"rimeyard/internal/fleet"

	"github.com/stretchr/testify/require"
)

// sees turns linear RGB into what a dichromat sees. Source: Machado, Oliveira & Fernandes 2009, "A physiologically-based
// model for simulation of color vision deficiency", IEEE TVCG 15(6), severity 1.0; the figures are from memory, held by
// the law that each row sums to 1, so that greys stay grey.
var sees = map[string][3][3]float64{
	"full colour": {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia":  {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranopia": {
		{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881},
	},
	"tritanopia": {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
}

func TestColourBlindnessMatricesKeepGrey(t *testing.T) {
	for name, m := range sees {
		for _, row := range m {
			require.InDelta(t, 1, row[0]+row[1]+row[2], 1e-5, name)
		}
	}
}

func linear(hex string) [3]float64 {
	c := colour(hex)
	var out [3]float64
	for i, v := range []uint8{c.R, c.G, c.B} {
		s := float64(v) / 255 // IEC 61966-2-1, the sRGB transfer function
		if s <= 0.04045 {
			out[i] = s / 12.92
		} else {
			out[i] = math.Pow((s+0.055)/1.055, 2.4)
		}
	}
	return out
}

func luminance(rgb [3]float64) float64 { return 0.2126*rgb[0] + 0.7152*rgb[1] + 0.0722*rgb[2] }

// contrast is WCAG 2.2's contrast ratio.
func contrast(a, b string) float64 {
	la, lb := luminance(linear(a)), luminance(linear(b))
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func TestContrastAgainstPublishedPairs(t *testing.T) {
	require.InDelta(t, 21, contrast("#000000", "#FFFFFF"), 1e-9) // WCAG 2.2: black on white is 21:1
	require.InDelta(t, 4.54, contrast("#767676", "#FFFFFF"), 0.005)
}

// lab is CIE L*a*b* under D65.
func lab(rgb [3]float64) [3]float64 {
	for i := range rgb {
		rgb[i] = min(max(rgb[i], 0), 1)
	}
	x := (0.4124564*rgb[0] + 0.3575761*rgb[1] + 0.1804375*rgb[2]) / 0.95047
	y := 0.2126729*rgb[0] + 0.7151522*rgb[1] + 0.0721750*rgb[2]
	z := (0.0193339*rgb[0] + 0.1191920*rgb[1] + 0.9503041*rgb[2]) / 1.08883
	f := func(t float64) float64 {
		if t > 216.0/24389 {
			return math.Cbrt(t)
		}
		return (24389.0/27*t + 16) / 116
	}
	return [3]float64{116*f(y) - 16, 500 * (f(x) - f(y)), 200 * (f(y) - f(z))}
}

func TestBandColoursStayApartForEveryEye(t *testing.T) {
	const plainly = 15 // CIE76 ΔE; about 2.3 is just noticeable (Mahy et al. 1994)
	for eye, m := range sees {
		looks := Looks()
		for i, a := range looks {
			for _, b := range looks[i+1:] {
				la, lb := lab(seen(m, a.Fill)), lab(seen(m, b.Fill))
				d := math.Hypot(math.Hypot(la[0]-lb[0], la[1]-lb[1]), la[2]-lb[2])
				require.Greater(t, d, float64(plainly), "%s: %s against %s", eye, a.Word, b.Word)
				la, lb = lab(seen(m, a.DarkFill)), lab(seen(m, b.DarkFill))
				d = math.Hypot(math.Hypot(la[0]-lb[0], la[1]-lb[1]), la[2]-lb[2])
				require.Greater(t, d, float64(plainly), "%s, in dark mode: %s against %s", eye, a.Word, b.Word)
			}
		}
	}
}

func seen(m [3][3]float64, hex string) (out [3]float64) {
	in := linear(hex)
	for i, row := range m {
		out[i] = row[0]*in[0] + row[1]*in[1] + row[2]*in[2]
	}
	return out
}

func TestBandColoursStayApartInGreyPrint(t *testing.T) {
	looks := Looks()
	for i := 1; i < len(looks); i++ { // from the most urgent, darkest, to unknown, paper white
		darker, lighter := lab(linear(looks[i-1].Fill))[0], lab(linear(looks[i].Fill))[0]
		require.Greater(t, lighter-darker, 10.0, "lightness of %s against %s", looks[i].Word, looks[i-1].Word)
	}
}

func TestContrasts(t *testing.T) {
	for name, pair := range map[string][2]string{
		"ink": {Ink, Ground}, "quiet ink": {QuietInk, Ground}, "warm": {Warm, Ground}, "warm on its wash": {Warm, WarmWash},
		"steel": {Steel, Ground}, "dark ink": {PaleInk, DarkCloth}, "dark quiet": {DarkQuiet, DarkCloth}, "dark warm": {DarkWarm, DarkCloth},
		"dark steel": {DarkSteel, DarkCloth}, "dark warm on its wash": {DarkWarm, DarkWash}, "dark ink on frost": {PaleInk, DarkFrost},
	} {
		require.GreaterOrEqual(t, contrast(pair[0], pair[1]), 4.5, "WCAG 2.2, 1.4.3: %s", name)
	}
	for _, l := range Looks() {
		require.GreaterOrEqual(t, contrast(l.Edge, Ground), 4.5, "word and outline of %s", l.Word)
		require.GreaterOrEqual(t, contrast(l.DarkInk, DarkCloth), 4.5, "word of %s in dark mode", l.Word)
	}
}

func TestEveryBandHasItsOwnWordAndShape(t *testing.T) {
	words, shapes := map[string]bool{}, map[string]bool{}
	for _, l := range Looks() {
		require.Equal(t, string(l.Band), l.Word)
		words[l.Word], shapes[l.Shape] = true, true
	}
	require.Len(t, words, 5)
	require.Len(t, shapes, 5)
	require.Equal(t, "unknown", LookOf(fleet.Band("frobnicated")).Word)
	require.Contains(t, StyleVariables(), "--rime-swap-fill: #BC5226;")
}
