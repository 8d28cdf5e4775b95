package web

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

func TestUnitPageLooksAhead(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	doc := b.get("/units/N-1").page()
	ahead := all(doc, "section", "aria-labelledby", "ahead-title")
	require.Len(t, ahead, 1)
	require.Contains(t, text(ahead[0]), "Battery strength now:")
	require.Len(t, all(ahead[0], "tr", "", ""), 1+19, "a row for each week from 23 November to the end of March, and the header")
	src, _ := attribute(all(ahead[0], "img", "", "")[0], "src")
	picture := b.get(src)
	require.Equal(t, http.StatusOK, picture.status)
	require.Contains(t, picture.body, "If nothing is done, the cold limit goes from")
	require.Empty(t, all(doc, "section", "aria-labelledby", "change-title"), "there was no list a week ago")
}

func TestUnitPageTellsWhatChangedAndWhy(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	earlier := forecast("N-1", "NOR", 4, fleet.Watch)
	_, err := w.db.AddIssue(t.Context(), fleet.RankedList{
		AsOf: fleet.NewDate(2026, 11, 10), Season: fleet.Season{From: fleet.NewDate(2026, 10, 1), To: fleet.NewDate(2027, 3, 31)}, Units: []fleet.Forecast{earlier},
	}, "test", fleet.Beside{})
	require.NoError(t, err)
	w.addPerson("mara", fleet.Manager)
	change := all(w.as("mara").get("/units/N-1").page(), "section", "aria-labelledby", "change-title")
	require.Len(t, change, 1)
	words := strings.ReplaceAll(text(change[0]), "\u00a0", " ")
	require.Contains(t, words, "Since 10 Nov")
	require.Contains(t, words, "place 1, was 4")
	require.Contains(t, words, "was −9.0 °C")
	require.Regexp(t, `Readings: \d+ tests?, \d+ cranks? and \d+ breakdowns? have come since 19 Nov; they (leave|raise|lower) the chance`, words)
}

// After a new battery the list's verdict is old: the page says so, and by what the chance fell.
func TestUnitPageTellsOfNewParts(t *testing.T) {
	list := fleet.Forecast{Band: fleet.Swap, NoStartProbability: fleet.Known(0.98)}
	require.Empty(t, newerWords(list, fleet.Forecast{Band: fleet.Swap, NoStartProbability: fleet.Known(0.96)}), "much the same")
	now := fleet.Forecast{Band: fleet.Sound, NoStartProbability: fleet.Known(0.03)}
	require.Contains(t, newerWords(list, now), "With what has come since: sound, chance 3\u00a0%.")
	change := alerts.Change{Since: fleet.NewDate(2026, 11, 22), Fitted: 1, Without: now, Unfitted: fleet.Forecast{NoStartProbability: fleet.Known(0.97)}}
	reasons := changeReasons(list, alerts.Judgement{Forecast: now, Change: change}, fleet.NewDate(2026, 11, 21), fleet.NewDate(2026, 11, 28))
	require.Equal(t, "Readings: no reading has come since 22 Nov; they leave the chance as it was.", strings.ReplaceAll(reasons[0], "\u00a0", " "))
	require.Equal(t, "Parts: 1 part fitted since 22 Nov; new parts lower the chance by 94 points.", strings.ReplaceAll(reasons[1], "\u00a0", " "))
	require.Contains(t, reasons[2], "lower the chance by 1 point")
}

func TestChanceSaysHowSureItIs(t *testing.T) {
	j := alerts.Judgement{Forecast: fleet.Forecast{NoStartProbability: fleet.Known(0.412)}}
	require.Empty(t, sureWords(j), "kept by a version that did not reckon it")
	j.Outlook.ChanceP05, j.Outlook.ChanceP95 = fleet.Known(0.0), fleet.Known(0.968)
	require.Equal(t, "How sure: 41 % of the units that read like this one fail in such a season. Seen from inside they differ: in nine of ten the true chance lies "+
		"between 0 % and 97 %. Which it is here, only a check in the workshop tells.", strings.ReplaceAll(sureWords(j), "\u00a0", " "))
}

func TestUnitsLifeAddsUp(t *testing.T) {
	day := fleet.NewDate(2025, 3, 1)
	h := fleet.History{
		Batteries: []fleet.BatteryFitting{
			{Battery: "B-1", Part: "P", Position: 1, FittedOn: fleet.Known(day), Price: fleet.Known(fleet.Money(10050)), RemovedOn: fleet.Known(day + 400), RemovedBecause: fleet.RemovedFailed},
			{Battery: "B-2", Part: "P", Position: 1, FittedOn: fleet.Known(day + 400)},
		},
		Starters:   []fleet.StarterFitting{{Starter: "S", Part: "Q", FittedOn: fleet.Known(day + 1), Price: fleet.Known(fleet.Money(20))}},
		Breakdowns: []fleet.Breakdown{{At: (day + 399).Midnight(fleet.Depot{}.Zone()), Cause: fleet.BatteryPart, Cost: fleet.Known(fleet.Money(31000)), HoursDown: fleet.Known(4.0)}},
	}
	rows, years, open := lifeOf(h, fleet.Depot{})
	require.Len(t, rows, 5)
	require.Equal(t, "battery B-1 taken out, failed", rows[0].What)
	require.Equal(t, []yearRow{{"2026", "0.00", "310.00", "310.00"}, {"2025", "100.70", "0.00", "100.70"}}, years)
	require.Equal(t, 1, open, "what B-2 cost is not known, and not nothing")
}
