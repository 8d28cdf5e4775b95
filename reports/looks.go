package reports

import (
	"fmt"
	"strings"
	"sync"

	"rimeyard/internal/fleet"
)

// The colours of pictures, letters and pages: the greys and blues of rime, and one warm tone that is kept for warnings.
// A test holds the contrasts, and the distances between bands as people with each kind of colour blindness see them.
const (
	Ground    = "#FBFCFD" // behind everything
	Ink       = "#1E2B37" // text
	QuietInk  = "#51626F" // second to text: units, captions
	Hairline  = "#D5DEE5" // grids and borders, never the only carrier of meaning
	Frost     = "#C6D8E4" // past winters
	Steel     = "#35617F" // fitted lines
	Warm      = "#AD451B" // what needs doing
	WarmWash  = "#F8E6DC" // an area in which units will not start
	DarkCloth = "#17202A" // behind everything, in dark mode
	PaleInk   = "#E6EDF2" // text in dark mode
	DarkHair  = "#3A4855" // borders in dark mode
	DarkWarm  = "#F2A279" // what needs doing, in dark mode
	DarkQuiet = "#A9B7C2" // second to text, in dark mode
	DarkFrost = "#3F5A6C" // past winters, in dark mode
	DarkSteel = "#9CC4DF" // fitted lines, in dark mode
	DarkWash  = "#3B2A22" // an area in which units will not start, in dark mode
)

// Look is how a band is shown: by word, shape and colour together, so that any one of them may be lost.
type Look struct {
	Band    fleet.Band
	Word    string
	Means   string // one sentence for a legend
	Shape   string // one character that mail programs and browsers have
	Named   string // the shape, for people who hear the page
	Fill    string // inside of the shape
	Edge    string // its outline, and the word's colour on Ground
	DarkInk string // the word's colour on DarkCloth, and the shape's outline there
	// DarkFill is the inside of the shape on DarkCloth: from the most urgent, lightest, to unknown.
	DarkFill string
}

// Looks lists the bands' looks, most urgent first.
func Looks() [5]Look {
	return [5]Look{
		{fleet.Down, "down", "does not start now", "■", "square", "#27323D", "#27323D", "#E6EDF2", "#E6EDF2"},
		{fleet.Swap, "swap", "change the suspect part before the frost", "▲", "triangle", "#BC5226", "#A3421A", "#F2A279", "#F2A279"},
		{fleet.Watch, "watch", "test it again, decide later", "◆", "diamond", "#6C9ABA", "#2F5F82", "#8FBBD9", "#6C9ABA"},
		{fleet.Sound, "sound", "should start all winter", "●", "disc", "#B9CBD6", "#4A6474", "#BBCFDB", "#4A6474"},
		{fleet.UnknownBand, "unknown", "too little data to judge", "○", "ring", "#FFFFFF", "#616E78", "#A9B7C2", DarkCloth},
	}
}

// LookOf returns the look of a band; anything unheard of looks unknown.
func LookOf(b fleet.Band) Look {
	looks := Looks()
	for _, l := range looks {
		if l.Band == b {
			return l
		}
	}
	return looks[len(looks)-1]
}

// urgent tells whether a band asks for work before the frost.
func urgent(b fleet.Band) bool { return b == fleet.Swap || b == fleet.Down }

// darkStyle is what an SVG carries to show itself in dark mode: every colour of the palette is given its counterpart where the reader asks for
// dark pages. On paper, and where styles are not let, a picture is light.
var darkStyle = sync.OnceValue(func() string {
	pairs := [][2]string{
		{Ground, DarkCloth}, {Ink, PaleInk}, {QuietInk, DarkQuiet}, {Hairline, DarkHair}, {Frost, DarkFrost}, {Steel, DarkSteel}, {Warm, DarkWarm}, {WarmWash, DarkWash},
	}
	for _, l := range Looks() {
		pairs = append(pairs, [2]string{l.Edge, l.DarkInk})
		if l.Fill != l.Edge {
			pairs = append(pairs, [2]string{l.Fill, l.DarkFill})
		}
	}
	var b strings.Builder
	b.WriteString("<style>@media screen and (prefers-color-scheme:dark){")
	for _, p := range pairs {
		fmt.Fprintf(&b, `[fill="%s"]{fill:%s}[stroke="%[1]s"]{stroke:%[2]s}`, p[0], p[1])
	}
	b.WriteString("}</style>")
	return b.String()
})

// StyleVariables is the palette as CSS custom properties (--rime-ink, --rime-swap-fill, …), for pages to build on.
func StyleVariables() string {
	light := [][2]string{
		{"ground", Ground},
		{"ink", Ink},
		{"quiet", QuietInk},
		{"hairline", Hairline},
		{"frost", Frost},
		{"steel", Steel},
		{"warm", Warm},
		{"wash", WarmWash},
	}
	dark := [][2]string{{"ground", DarkCloth}, {"ink", PaleInk}, {"quiet", DarkQuiet}, {"hairline", DarkHair}, {"warm", DarkWarm}}
	for _, l := range Looks() {
		light = append(light, [2]string{l.Word + "-fill", l.Fill}, [2]string{l.Word + "-ink", l.Edge})
		dark = append(dark, [2]string{l.Word + "-ink", l.DarkInk})
	}
	var b strings.Builder
	write := func(open, end string, pairs [][2]string) {
		b.WriteString(open)
		for _, p := range pairs {
			fmt.Fprintf(&b, "  --rime-%s: %s;\n", p[0], p[1])
		}
		b.WriteString(end)
	}
	write(":root {\n", "}\n", light)
	write("@media (prefers-color-scheme: dark) { :root {\n", "} }\n", dark)
	return b.String()
}
