package reports

import (
	"encoding/csv"
	"fmt"
	"iter"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// someAudit is the audit of a season in which the first of every four units failed, likeliest first as a rule.
func someAudit(t *testing.T, units int) alerts.AuditResult {
	t.Helper()
	season := fleet.Season{From: fleet.NewDate(2024, 10, 1), To: fleet.NewDate(2025, 3, 31)}
	list := fleet.RankedList{AsOf: season.From, Season: season}
	with := map[fleet.UnitID]float64{}
	var histories []fleet.History
	for i := range units {
		id := fleet.UnitID(fmt.Sprintf("A-%03d", i))
		p := max(0.01, 0.8-float64(i)/float64(units))
		f := forecast(i+1, string(id), "NOR", fleet.Sound, p, -20, 0)
		switch {
		case p > 0.3:
			f.Band, f.SwapCost = fleet.Swap, fleet.Known(fleet.Money(21000))
		case p > 0.12:
			f.Band = fleet.Watch
		}
		if i%5 == 4 {
			f.SwapCost = fleet.Opt[fleet.Money]{}
		}
		list.Units = append(list.Units, f)
		with[id] = min(1, 1.1*p)
		h := fleet.History{Unit: fleet.Unit{ID: id, Depot: "NOR", SystemVolts: 12, Batteries: 1, NoStartCost: fleet.Known(fleet.Money(42000))}}
		h.Batteries = []fleet.BatteryFitting{{
			Battery: "B" + string(id), Unit: id, Position: 1, Part: "P-70", RatedCCAA: 800, CCAStandard: fleet.EN,
			FittedOn: fleet.Known(season.From - fleet.Date(300+7*(i%13))), Price: fleet.Known(fleet.Money(19900)),
		}}
		if i < units/4 || i%9 == 8 {
			h.Breakdowns = []fleet.Breakdown{{Unit: id, At: time.Date(2025, 1, 1+i%28, 6, 0, 0, 0, time.UTC), Cause: []fleet.Part{fleet.BatteryPart, fleet.StarterPart}[i%2]}}
		}
		histories = append(histories, h)
	}
	each := func(yield func(fleet.History, error) bool) {
		for _, h := range histories {
			if !yield(h, nil) {
				return
			}
		}
	}
	r, err := alerts.Audit(alerts.AuditInput{
		List: list, Histories: iter.Seq2[fleet.History, error](each), WithNights: with, Random: rand.New(rand.NewPCG(5, 8)),
	})
	require.NoError(t, err)
	return r
}

func someAuditData(t *testing.T) AuditData {
	t.Helper()
	earlier := someAudit(t, 24)
	earlier.Season = fleet.Season{From: fleet.NewDate(2023, 10, 1), To: fleet.NewDate(2024, 3, 31)}
	return AuditData{
		Seasons: []alerts.AuditResult{someAudit(t, 120), earlier}, Depots: someData().Depots,
		KnownTo: fleet.NewDate(2025, 10, 7), Today: fleet.NewDate(2025, 10, 8),
	}
}

func auditContent(t *testing.T, d AuditData) (AuditReport, Content) {
	t.Helper()
	r, err := ComposeAudit(d)
	require.NoError(t, err)
	c, err := r.Render([]fleet.Attachment{fleet.AttachCSV})
	require.NoError(t, err)
	return r, c
}

func TestAuditGolden(t *testing.T) {
	_, c := auditContent(t, someAuditData(t))
	requireGolden(t, "audit-fleet.txt", c.Text)
	requireGolden(t, "audit-fleet.html", c.HTML)
	few := someAuditData(t)
	few.Seasons, few.Depot = few.Seasons[1:], "NOR"
	_, c = auditContent(t, few)
	requireGolden(t, "audit-few.txt", c.Text)
}

func TestAuditTextSaysAllThatHTMLSays(t *testing.T) {
	r, c := auditContent(t, someAuditData(t))
	text := strings.Join(strings.Fields(strings.ToLower(c.Text)), " ")
	said := 0
	for _, words := range bodyTexts(t, c.HTML) {
		require.Contains(t, text, strings.TrimSuffix(words, ":"))
		said++
	}
	require.Greater(t, said, 60)
	require.Len(t, r.Pictures, 2)
	for _, p := range r.Pictures {
		require.Contains(t, text, strings.ToLower(p.Description))
		require.Contains(t, c.HTML, "cid:"+p.Name+"@rimeyard")
	}
	rows, err := csv.NewReader(strings.NewReader(string(c.tables[0].bytes))).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"as_of", "source", "part", "name", "measure", "value", "low", "high"}, rows[0])
	require.Greater(t, len(rows), 150, "all figures of both seasons")
	_, err = c.Letter(Envelope{From: "rime@example.org", To: "ada@example.org", DedupeKey: "k", At: time.Unix(0, 0)})
	require.NoError(t, err)
}

func TestAuditSaysWhatItJudgedAndWhatItCannot(t *testing.T) {
	d := someAuditData(t)
	few, err := ComposeAudit(AuditData{Seasons: d.Seasons[1:], Today: d.Today, KnownTo: d.KnownTo})
	require.NoError(t, err)
	require.Contains(t, few.Subject, "Fleet: audit of the season 2023–24: ")
	require.Contains(t, few.Subject, "too few to judge by")
	require.Contains(t, few.Season.Few, "failures: too few")
	require.Contains(t, few.Season.Source, "made afterwards")

	r := d.Seasons[0]
	r.Source, r.IssuedOn, r.Method = alerts.SourceIssued, fleet.Known(fleet.NewDate(2024, 9, 28)), "then\r\nBcc: x@example.net"
	require.Contains(t, SeasonOfAudit(r, d.Today).Facts[2].Means, "by today's method")
	r.Nights = alerts.NightsCame{}
	for i := range r.Bands {
		r.Bands[i].ExpectedNights = fleet.Opt[float64]{}
	}
	r.Swaps, r.Forecast.Saving = 0, alerts.Saving{}
	s := SeasonOfAudit(r, d.Today)
	require.Contains(t, s.Source, "as it was issued on 28\u00a0Sep\u00a02024, by method then Bcc: x@example.net.")
	require.Contains(t, s.Swaps, "asked for no swap")
	require.Equal(t, unsaid, s.Orders[0].Saved)
	require.Equal(t, unsaid, s.Bands[0].Nights)
	p, err := AuditBands("b", r, PageWidth)
	require.NoError(t, err)
	require.NotContains(t, p.Description, "nights", "what is unknown is not drawn as nothing")

	_, err = ComposeAudit(AuditData{Depot: "SUD"})
	require.ErrorIs(t, err, ErrNoAudit)
	_, err = AuditBands("b", alerts.AuditResult{}, PageWidth)
	require.ErrorIs(t, err, ErrNothingToDraw)
	_, err = AuditOrders("o", alerts.AuditResult{}, PageWidth)
	require.ErrorIs(t, err, ErrNothingToDraw)
}

func TestSeasonTitles(t *testing.T) {
	require.Equal(t, "season 2009–10", SeasonTitle(fleet.Season{From: fleet.NewDate(2009, 10, 1), To: fleet.NewDate(2010, 3, 31)}))
	require.Equal(t, "season 1999–00", SeasonTitle(fleet.Season{From: fleet.NewDate(1999, 10, 1), To: fleet.NewDate(2000, 3, 31)}))
	require.Equal(t, "season 2010", SeasonTitle(fleet.Season{From: fleet.NewDate(2010, 4, 1), To: fleet.NewDate(2010, 9, 30)}))
}
