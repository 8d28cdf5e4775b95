package reports

import (
	"bytes"
	"encoding/csv"
	"flag"
	"fmt"
	"io"
	"net/mail"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"

	"github.com/emersion/go-message"
	_ "github.com/emersion/go-message/charset"
	gomail "github.com/emersion/go-message/mail"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"
)

// go test ./reports -update writes the golden files anew; reviewers read the diff.
var update = flag.Bool("update", false, "write the golden files anew")

func forecast(rank int, unit, depot string, band fleet.Band, p, limitC float64, loss fleet.Money) fleet.Forecast {
	f := fleet.Forecast{
		Unit: fleet.UnitID(unit), Depot: fleet.DepotID(depot), Rank: rank, Band: band,
		NoStartProbability: fleet.Known(p), ColdLimitC: fleet.Known(limitC),
		ColdLimitP10C: fleet.Known(limitC - 2.6), ColdLimitP90C: fleet.Known(limitC + 2.5),
		Suspect:              fleet.BatteryPart,
		SuspectProbabilities: map[fleet.Part]float64{fleet.BatteryPart: 0.86, fleet.StarterPart: 0.14},
		ExpectedLoss:         fleet.Known(loss), SwapCost: fleet.Known[fleet.Money](31_200),
		Evidence: []string{
			fmt.Sprintf("cold cranking current measured 480 A of 850 A rated on 22 September, down from 610 A a year ago, by tester %d", rank),
			"cranking voltage at −5 °C fell by 0.6 V in a year", "a third sentence that letters leave to the table",
			alerts.CheckOpens + "volts lost over both cables while cranking, about 5 minutes; neutral and brake on",
		},
	}
	if urgent(band) {
		f.SwapBy = fleet.Known(fleet.NewDate(2025, 11, 6))
	}
	return f
}

func someData() WinterListData {
	unknown := fleet.Forecast{Unit: "V-900", Depot: "SUD", Rank: 7, Band: fleet.UnknownBand, Suspect: fleet.BatteryPart}
	list := fleet.RankedList{
		AsOf: fleet.NewDate(2025, 10, 8), Season: fleet.Season{From: fleet.NewDate(2025, 10, 8), To: fleet.NewDate(2026, 3, 31)},
		Units: []fleet.Forecast{
			forecast(1, "P-031", "NOR", fleet.Swap, 0.62, -11.4, 514_20),
			forecast(2, "T-007", "NOR", fleet.Down, 0.97, 2.5, 1_250_00),
			forecast(3, "P-114", "SUD", fleet.Swap, 0.44, -8.0, 305_10),
			forecast(4, "V-208", "NOR", fleet.Watch, 0.18, -16.8, 88_00),
			forecast(5, "V-209", "NOR", fleet.Sound, 0.02, -24.1, 9_00),
			forecast(6, "P-115", "SUD", fleet.Sound, 0.004, -29.6, 1_10),
			unknown,
		},
	}
	before := fleet.RankedList{AsOf: fleet.NewDate(2025, 10, 1), Units: []fleet.Forecast{
		forecast(1, "T-007", "NOR", fleet.Down, 0.9, 1, 0), forecast(2, "V-209", "NOR", fleet.Swap, 0.4, -12, 0),
		forecast(3, "X-001", "NOR", fleet.Swap, 0.4, -12, 0), forecast(4, "P-031", "NOR", fleet.Watch, 0.2, -15, 0),
	}}
	return WinterListData{
		List: list, Previous: &before, Today: fleet.NewDate(2025, 10, 8),
		Depots: []fleet.Depot{{ID: "NOR", Name: "Nørdlund yard", Timezone: "Europe/Oslo"}, {ID: "SUD", Name: "Südhafen"}},
		PastMinimaC: map[fleet.DepotID][]float64{
			"NOR": {-14.2, -19.5, -11.0, -16.2, -17.7, -22.4, -13.9, -16.0}, "SUD": {-6.1, -9.8, -7.7},
		},
	}
}

func render(t *testing.T, d WinterListData, top int) (WinterList, Content) {
	t.Helper()
	w, err := Compose(d, top)
	require.NoError(t, err)
	c, err := w.Render([]fleet.Attachment{fleet.AttachCSV})
	require.NoError(t, err)
	return w, c
}

func requireGolden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("..", "testdata", "reports", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}

func TestWinterListGolden(t *testing.T) {
	_, fleetWide := render(t, someData(), 6)
	requireGolden(t, "winter-list-fleet.txt", fleetWide.Text)
	requireGolden(t, "winter-list-fleet.html", fleetWide.HTML)
	requireGolden(t, "winter-list-fleet.csv", string(fleetWide.tables[0].bytes))
	d := someData()
	d.Depot, d.Previous, d.Today = "SUD", nil, fleet.NewDate(2025, 10, 20)
	_, oneDepot := render(t, d, 0)
	requireGolden(t, "winter-list-depot.txt", oneDepot.Text)
	requireGolden(t, "winter-list-depot.html", oneDepot.HTML)
}

func TestSubjectSaysTheNews(t *testing.T) {
	d := someData()
	d.Depot = "NOR"
	for _, tc := range []struct {
		name, want string
		change     func(*WinterListData)
	}{
		{"down and swap", "NOR: 1 unit down, 1 to swap before the frost, 1 new since last week", func(*WinterListData) {}},
		{"first list", "NOR: 1 unit down, 1 to swap before the frost", func(d *WinterListData) { d.Previous = nil }},
		{"other day", "NOR: 1 unit down, 1 to swap before the frost, 1 new since 20 Sep", func(d *WinterListData) {
			p := *d.Previous
			p.AsOf = fleet.NewDate(2025, 9, 20)
			d.Previous = &p
		}},
		{"nothing urgent", "NOR: no unit to swap before the frost, 2 fewer since last week", func(d *WinterListData) {
			var calm []fleet.Forecast
			for _, f := range d.List.Units {
				if !urgent(f.Band) {
					calm = append(calm, f)
				}
			}
			d.List.Units = calm
			p := *d.Previous
			p.Units = p.Units[1:3]
			d.Previous = &p
		}},
		{"unchanged", "NOR: 1 unit down, 1 to swap before the frost, unchanged since last week", func(d *WinterListData) {
			p := d.List
			p.AsOf = d.Previous.AsOf
			d.Previous = &p
		}},
		{"hostile depot", "N Bcc: x@example.net: 1 unit to swap before the frost", func(d *WinterListData) {
			d.Depot, d.Previous = "N\r\nBcc: x@example.net", nil
			d.List.Units = []fleet.Forecast{forecast(1, "P-1", string(d.Depot), fleet.Swap, 0.5, -9, 1)}
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := d
			tc.change(&d)
			w, err := Compose(d, 5)
			require.NoError(t, err)
			require.Equal(t, tc.want, w.Subject)
		})
	}
}

func TestComposeRefusesAnEmptyList(t *testing.T) {
	d := someData()
	d.Depot = "NIX"
	_, err := Compose(d, 5)
	require.ErrorContains(t, err, "winter list of NIX: there is no unit on it")
}

// The text alone must say everything: every word of the HTML part's body stands in the text part too.
func TestTextSaysAllThatHTMLSays(t *testing.T) {
	_, c := render(t, someData(), 6)
	text := strings.Join(strings.Fields(strings.ToLower(c.Text)), " ")
	said := 0
	for _, words := range bodyTexts(t, c.HTML) {
		if !strings.Contains(text, strings.TrimPrefix(strings.TrimSuffix(words, ":"), "· ")) { // the dot parts what the text has on lines of its own
			t.Errorf("the text part does not say %q", words)
		}
		said++
	}
	require.Greater(t, said, 60)
}

// bodyTexts lists the runs of text that a reader of the HTML part sees, in lower case.
func bodyTexts(t *testing.T, page string) []string {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	require.NoError(t, err)
	var texts []string
	for n := range doc.Descendants() {
		if n.Type != html.TextNode || n.Parent.Data == "style" || n.Parent.Data == "title" {
			continue
		}
		if words := strings.Join(strings.Fields(strings.ToLower(n.Data)), " "); words != "" {
			texts = append(texts, words)
		}
	}
	return texts
}

func hostileData() WinterListData {
	d := someData()
	d.Depot = ""
	d.Previous = nil
	d.Depots = []fleet.Depot{{ID: "NOR", Name: `</title><script>alert(1)</script>` + "\r\nBcc: x@example.net"}}
	d.Depot = "NOR"
	for i := range d.List.Units {
		d.List.Units[i].Depot = "NOR"
		d.List.Units[i].Unit = hostile + fleet.UnitID(fmt.Sprint(i))
		d.List.Units[i].Evidence = []string{`"><img src=x onerror=alert(1)> {{.}}`}
		d.List.Units[i].Suspect = fleet.Part("<i>x")
	}
	return d
}

func TestUserTextsAreEscaped(t *testing.T) {
	_, c := render(t, hostileData(), 6)
	doc, err := html.Parse(strings.NewReader(c.HTML))
	require.NoError(t, err)
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		require.NotContains(t, []string{"script", "b", "i"}, n.Data)
		for _, a := range n.Attr {
			require.False(t, strings.HasPrefix(a.Key, "on"), a.Key)
			if n.Data == "img" && a.Key == "src" {
				require.True(t, strings.HasPrefix(a.Val, "cid:"), a.Val)
			}
		}
	}
	require.Contains(t, c.HTML, "&lt;b&gt;")
	require.NotContains(t, c.HTML, "ZgotmplZ")
}

func TestTableIsPlainCSVAndInertInSpreadsheets(t *testing.T) {
	d := someData()
	d.List.Units[0].Unit = "=HYPERLINK(\"x\")"
	_, c := render(t, d, 1)
	rows, err := csv.NewReader(bytes.NewReader(c.tables[0].bytes)).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 8)
	require.Equal(t, tableHeader, rows[0])
	require.Equal(t, `'=HYPERLINK("x")`, rows[1][1])
	require.Equal(t, []string{"7", "V-900", "SUD", "unknown", "", "", "", "", "battery", "", "", "", "", "", "2025-10-08", "", "", "", "", ""}, rows[7])
}

type mimePart struct{ path, kind, id, disposition, encoding, body string }

// mimeParts walks a message with a parser that is not the one that wrote it.
func mimeParts(t *testing.T, raw []byte) (gomail.Header, []mimePart) {
	t.Helper()
	e, err := message.Read(bytes.NewReader(raw))
	require.NoError(t, err)
	var parts []mimePart
	require.NoError(t, e.Walk(func(path []int, e *message.Entity, err error) error {
		if err != nil {
			return err
		}
		kind, _, err := e.Header.ContentType()
		if err != nil {
			return err
		}
		p := mimePart{path: fmt.Sprint(path), kind: kind, id: e.Header.Get("Content-ID"), encoding: e.Header.Get("Content-Transfer-Encoding")}
		p.disposition, _, _ = e.Header.ContentDisposition()
		if !strings.HasPrefix(kind, "multipart/") {
			b, err := io.ReadAll(e.Body)
			if err != nil {
				return err
			}
			p.body = string(b)
		}
		parts = append(parts, p)
		return nil
	}))
	return gomail.Header{Header: e.Header}, parts
}

func TestLetterIsSoundMIME(t *testing.T) {
	at := time.Date(2025, 10, 8, 4, 0, 0, 0, time.UTC)
	for name, d := range map[string]WinterListData{"plain": someData(), "hostile": hostileData()} {
		t.Run(name, func(t *testing.T) {
			_, c := render(t, d, 6)
			l, err := c.Letter(Envelope{From: `"Frøst, Ada" <rime@example.org>`, To: "bo@example.net", DedupeKey: "9/slot/bo", At: at})
			require.NoError(t, err)
			h, parts := mimeParts(t, l.Message)
			subject, err := h.Subject()
			require.NoError(t, err)
			require.Equal(t, c.Subject, subject)
			require.NotContains(t, h.Map(), "Bcc")
			date, err := h.Date()
			require.NoError(t, err)
			require.True(t, date.Equal(at))
			from, err := h.AddressList("From")
			require.NoError(t, err)
			require.Equal(t, []*gomail.Address{{Name: "Frøst, Ada", Address: "rime@example.org"}}, from)
			id, err := h.MessageID()
			require.NoError(t, err)
			require.Equal(t, l.MessageID, id)
			kinds := make([]string, len(parts))
			for i, p := range parts {
				kinds[i] = p.kind
			}
			require.Equal(t, []string{"multipart/mixed", "multipart/related", "multipart/alternative", "text/plain", "text/html"}, kinds[:5])
			require.Equal(t, "text/csv", kinds[len(kinds)-1])
			requireBodies(t, c, parts)
			for line := range bytes.Lines(l.Message) {
				require.LessOrEqual(t, len(line), 1000, "RFC 5322 §2.1.1: a line may be 998 bytes")
				require.True(t, bytes.HasSuffix(line, []byte("\r\n")), "a bare line feed in %q", line)
			}
		})
	}
}

func requireBodies(t *testing.T, c Content, parts []mimePart) {
	t.Helper()
	lf := func(s string) string { return strings.ReplaceAll(s, "\r\n", "\n") }
	require.Equal(t, c.Text, lf(parts[3].body))
	require.Equal(t, "quoted-printable", parts[3].encoding)
	require.Equal(t, c.HTML, lf(parts[4].body))
	for i, img := range c.images {
		p := parts[5+i]
		require.Equal(t, "image/png", p.kind)
		require.Equal(t, "inline", p.disposition)
		require.Equal(t, "<"+img.contentID+">", p.id)
		require.Equal(t, string(img.bytes), p.body)
		require.Contains(t, parts[4].body, `src="cid:`+img.contentID+`"`)
	}
	require.Equal(t, string(c.tables[0].bytes), parts[len(parts)-1].body)
	require.Equal(t, "attachment", parts[len(parts)-1].disposition)
}

func TestMessageIDComesFromTheKeyAlone(t *testing.T) {
	_, c := render(t, someData(), 1)
	e := Envelope{From: "rime@example.org", To: "bo@example.net", DedupeKey: "a", At: time.Unix(0, 0)}
	first, err := c.Letter(e)
	require.NoError(t, err)
	e.At = time.Unix(999, 0)
	again, err := c.Letter(e)
	require.NoError(t, err)
	require.Equal(t, first.MessageID, again.MessageID)
	e.DedupeKey = "b"
	other, err := c.Letter(e)
	require.NoError(t, err)
	require.NotEqual(t, first.MessageID, other.MessageID)
}

func TestCheckAddress(t *testing.T) {
	for _, good := range []string{"ada@example.org", "Ada <ada@example.org>"} {
		a, err := CheckAddress(good)
		require.NoError(t, err)
		require.Equal(t, "ada@example.org", a.Address)
	}
	for _, bad := range []string{"", "ada", "ada@example.org, bo@example.org", "a@b\r\nBcc: c@d", "ädä@example.org", "\"a b\"@example.org"} {
		_, err := CheckAddress(bad)
		require.ErrorIs(t, err, ErrAddress, bad)
	}
	_, err := mail.ParseAddress("ädä@example.org") // what CheckAddress adds to the library's check
	require.NoError(t, err)
}
