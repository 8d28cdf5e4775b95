package reports

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"rimeyard/internal/fleet"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// hostile is a unit name that would break out of markup, attributes and header lines.
const hostile = `<b>&"'` + "\r\nBcc: x@example.net ☃"

func someLadder(n int) LadderData {
	rnd := rand.New(rand.NewPCG(7, 11))
	d := LadderData{Place: "Norderfeld", DesignLowC: fleet.Known(-16.2), TonightC: fleet.Known(-12.0)}
	for i := range n {
		t := -26 + 7*rnd.NormFloat64()
		band := fleet.Sound
		switch {
		case t > -10:
			band = fleet.Down
		case t > -16:
			band = fleet.Swap
		case t > -20:
			band = fleet.Watch
		}
		if i%29 == 28 {
			band = fleet.UnknownBand
		}
		w := 1.5 + 2*rnd.Float64()
		d.Units = append(d.Units, LadderUnit{fleet.UnitID(fmt.Sprintf("P-%03d", i)), band, t, t - w, t + w})
	}
	for range 31 {
		d.PastMinimaC = append(d.PastMinimaC, -16+3.5*rnd.NormFloat64())
	}
	return d
}

func someReserves(n int) []ReserveBar {
	var bars []ReserveBar
	for _, u := range someLadder(n).Units {
		bars = append(bars, ReserveBar{u.Unit, u.Band, -16.2 - u.ColdLimitC})
	}
	return bars
}

func someCranks() CrankingData {
	rnd := rand.New(rand.NewPCG(3, 5))
	d := CrankingData{Unit: "P-031", Reading: "mean volts while cranking"}
	for range 160 {
		t := -9 + 38*rnd.Float64()
		d.Cranks = append(d.Cranks, VoltsAt{t, 10.1 + 0.035*t + 0.12*rnd.NormFloat64()})
	}
	for _, t := range []float64{-18, -5, 10, 29} {
		d.Now = append(d.Now, VoltsAt{t, 9.9 + 0.037*t})
		d.YearAgo = append(d.YearAgo, VoltsAt{t, 10.5 + 0.026*t})
	}
	return d
}

func allPictures(t *testing.T) map[string]Picture {
	t.Helper()
	pictures := map[string]Picture{}
	add := func(key string, p Picture, err error) {
		require.NoError(t, err, key)
		pictures[key] = p
	}
	for key, width := range map[string]int{"page": PageWidth, "mail": MailWidth} {
		p, err := Reserve("reserve", someReserves(40), 15, width)
		add("reserve-"+key, p, err)
		p, err = Cranking("cranking", someCranks(), width)
		add("cranking-"+key, p, err)
		p, err = Ladder("ladder", someLadder(24), 14, width)
		add("ladder-"+key, p, err)
		p, err = Ladder("ladder-many", someLadder(900), 14, width)
		add("ladder-many-"+key, p, err)
		p, err = AuditBands("audit-bands", someAudit(t, 120), width)
		add("audit-bands-"+key, p, err)
		p, err = AuditOrders("audit-orders", someAudit(t, 120), width)
		add("audit-orders-"+key, p, err)
	}
	named := someReserves(1)
	named[0].Unit = hostile
	p, err := Reserve("hostile-reserve", named, 5, PageWidth)
	add("hostile-reserve", p, err)
	cranks := someCranks()
	cranks.Unit, cranks.YearAgo = hostile, nil
	p, err = Cranking("hostile-cranking", cranks, PageWidth)
	add("hostile-cranking", p, err)
	ladder := someLadder(1)
	ladder.Units[0].Unit, ladder.Place, ladder.PastMinimaC = hostile, hostile, nil
	ladder.TonightC, ladder.DesignLowC = fleet.Opt[float64]{}, fleet.Opt[float64]{}
	p, err = Ladder("hostile-ladder", ladder, 5, PageWidth)
	add("hostile-ladder", p, err)
	return pictures
}

// A folder in RIMEYARD_PICTURES gets every picture, for a person to look at.
func TestPicturesAreWellFormedInBothFormats(t *testing.T) {
	for key, p := range allPictures(t) {
		t.Run(key, func(t *testing.T) {
			svg, err := p.SVG()
			require.NoError(t, err)
			requireAccessibleSVG(t, svg, p)
			raster, err := p.PNG()
			require.NoError(t, err)
			img, err := png.Decode(bytes.NewReader(raster))
			require.NoError(t, err)
			require.Equal(t, 2*p.Width, img.Bounds().Dx())
			require.Equal(t, 2*p.Height, img.Bounds().Dy())
			again, err := p.SVG()
			require.NoError(t, err)
			require.Equal(t, string(svg), string(again), "the same data must give the same bytes")
			if dir := os.Getenv("RIMEYARD_PICTURES"); dir != "" {
				require.NoError(t, os.WriteFile(filepath.Join(dir, key+".png"), raster, 0o600))
				require.NoError(t, os.WriteFile(filepath.Join(dir, key+".svg"), svg, 0o600))
			}
		})
	}
}

func requireAccessibleSVG(t *testing.T, svg []byte, p Picture) {
	t.Helper()
	var elements []string
	texts := map[string]string{}
	dec := xml.NewDecoder(bytes.NewReader(svg))
	for {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		switch x := token.(type) {
		case xml.StartElement:
			elements = append(elements, x.Name.Local)
			require.Contains(t, []string{"svg", "title", "desc", "style", "path", "text", "circle"}, x.Name.Local)
			for _, a := range x.Attr {
				require.NotEqual(t, "style", a.Name.Local, "inline style falls to the content security policy")
				require.False(t, strings.HasPrefix(a.Name.Local, "on"))
				require.NotContains(t, a.Value, "NaN")
				if x.Name.Local == "svg" {
					texts[a.Name.Local] = a.Value
				}
			}
		case xml.CharData:
			if n := len(elements); n > 0 && texts[elements[n-1]] == "" {
				texts[elements[n-1]] = string(x)
			}
		}
	}
	require.Equal(t, []string{"svg", "title", "desc", "style"}, elements[:4])
	require.Equal(t, 1, strings.Count(string(svg), "<style>"))
	for _, c := range regexp.MustCompile(`(?:fill|stroke)="(#[0-9A-F]{6})"`).FindAllStringSubmatch(string(svg), -1) {
		require.Contains(t, darkStyle(), `[fill="`+c[1]+`"]`, "a colour without its dark counterpart")
	}
	require.Equal(t, "img", texts["role"])
	require.Equal(t, p.Name+"-title "+p.Name+"-desc", texts["aria-labelledby"])
	require.Equal(t, strings.ReplaceAll(p.Title, "\r\n", "\n"), texts["title"])
	require.Equal(t, p.Description, texts["desc"])
}

func TestPicturesOfNothingAreRefused(t *testing.T) {
	_, err := Reserve("r", nil, 5, PageWidth)
	require.ErrorIs(t, err, ErrNothingToDraw)
	_, err = Cranking("c", CrankingData{}, PageWidth)
	require.ErrorIs(t, err, ErrNothingToDraw)
	_, err = Ladder("l", LadderData{}, 5, PageWidth)
	require.ErrorIs(t, err, ErrNothingToDraw)
}

func TestPicturesDrawFromManyGoroutines(t *testing.T) {
	p, err := Ladder("ladder", someLadder(30), 5, MailWidth)
	require.NoError(t, err)
	var wg sync.WaitGroup
	drawn := make([][]byte, 4)
	for i := range drawn {
		wg.Go(func() { drawn[i], _ = p.SVG() })
	}
	wg.Wait()
	for _, svg := range drawn {
		require.Equal(t, string(drawn[0]), string(svg))
		require.NotEmpty(t, svg)
	}
}

func TestEvenTicks(t *testing.T) {
	require.Equal(t, []float64{-20, -10, 0, 10, 20, 30}, evenTicks(-18, 29, 6))
	require.InDeltaSlice(t, []float64{5, 5.1}, evenTicks(5, 5, 4), 1e-9)
	rapid.Check(t, func(t *rapid.T) { // law: even, enclosing, few
		lo := rapid.Float64Range(-60, 60).Draw(t, "lo")
		hi := lo + rapid.Float64Range(0, 100).Draw(t, "span")
		most := rapid.IntRange(2, 12).Draw(t, "most")
		ticks := evenTicks(lo, hi, most)
		require.GreaterOrEqual(t, len(ticks), 2)
		require.LessOrEqual(t, len(ticks), most+1)
		require.LessOrEqual(t, ticks[0], lo)
		require.GreaterOrEqual(t, ticks[len(ticks)-1], hi)
		step := ticks[1] - ticks[0]
		for i := 1; i < len(ticks); i++ {
			require.InDelta(t, step, ticks[i]-ticks[i-1], 1e-9*math.Max(1, math.Abs(ticks[i])))
		}
	})
}

func TestSpreadKeepsLabelsApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 20).Draw(t, "n")
		wanted := make([]int, n)
		y := 0
		for i := range wanted {
			y += rapid.IntRange(0, 30).Draw(t, "step")
			wanted[i] = y
		}
		at := spread(wanted, 17, 30, 600)
		require.GreaterOrEqual(t, at[0], 30)
		require.LessOrEqual(t, at[n-1], 600)
		for i := 1; i < n; i++ {
			require.GreaterOrEqual(t, at[i]-at[i-1], 17)
		}
	})
}
