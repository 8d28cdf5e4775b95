package reports

import (
	"context"
	"encoding/csv"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

func dataWithNews() WinterListData {
	d := someData()
	d.Today = fleet.NewDate(2025, 10, 10)
	d.Anew = map[fleet.UnitID]fleet.Anew{
		"T-007": {
			News: fleet.News{Unit: "T-007", Depot: "NOR", BatteryOn: fleet.Known(fleet.NewDate(2025, 10, 9)), TestedOn: fleet.Known(fleet.NewDate(2025, 10, 10))},
			AsOf: fleet.NewDate(2025, 10, 11), Forecast: forecast(0, "T-007", "NOR", fleet.Sound, 0.03, -24.5, 12_00),
		},
		"P-114": {
			News: fleet.News{Unit: "P-114", Depot: "SUD", TestedOn: fleet.Known(fleet.NewDate(2025, 10, 8))},
			AsOf: fleet.NewDate(2025, 10, 11), Forecast: forecast(0, "P-114", "SUD", fleet.Swap, 0.5, -7.5, 340_00),
		},
	}
	return d
}

// What came after a list stands in every form of it, as it does on the page; ranks, figures and sums stay those of the list.
func TestEveryFormOfTheListSaysWhatCameSince(t *testing.T) {
	w, c := render(t, dataWithNews(), 2)
	const news = "After this list was made, parts were fitted to 1 unit, and 1 more tested. What is said of them by now stands beside them; " +
		"ranks, figures and sums are those of 8 Oct."
	const now = "Battery fitted 9 Oct, tested 10 Oct, after this list: now sound, chance very unlikely, 3 %, cold limit −24.5 °C."
	plainly := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	require.Equal(t, news, plainly(w.News))
	require.Equal(t, []string{"To swap first: P-031 at NOR, P-114 at SUD by 6 Nov."}, []string{plainly(strings.Join(w.First, " "))}, "what was put right is not asked for first")
	require.Equal(t, "Fleet: 1 unit down, 2 to swap before the frost, 2 new since last week", w.Subject, "the list is a record")
	for form, letter := range map[string]string{"text": c.Text, "HTML": c.HTML} {
		require.Contains(t, plainly(letter), news, form)
		require.Contains(t, plainly(letter), now, form)
	}

	table, err := w.Table()
	require.NoError(t, err)
	rows, err := csv.NewReader(strings.NewReader(string(table))).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"judged_on", "since", "since_judged_on", "since_band", "since_no_start_probability", "since_cold_limit_c"}, rows[0][14:])
	require.Equal(t, []string{"2025-10-08", "", "", "", "", ""}, rows[1][14:])
	require.Equal(t, "down", rows[2][3])
	require.Equal(t, []string{"2025-10-08", "battery fitted 2025-10-09, tested 2025-10-10", "2025-10-11", "sound", "0.03", "-24.5"}, rows[2][14:])

	sheet := listSheet(t, w)
	require.Equal(t, []string{"Since the list", "Band now", "Chance now", "Cold limit now"}, sheet[0][16:])
	require.Equal(t, []string{"Battery fitted 2025-10-09, tested 2025-10-10", "sound", "0.03", "-24.5"}, sheet[2][16:])
	pdf, err := w.PDF()
	require.NoError(t, err)
	pages := printedWords(t, pdf)
	require.Contains(t, pages, "parts were fitted to 1 unit")
	require.Contains(t, pages, "after this list: now sound")

	quiet, _ := render(t, someData(), 2)
	require.Empty(t, quiet.News)
	require.Len(t, listSheet(t, quiet)[0], 16, "no columns of nothing")

	own, err := Compose(dataWithNews().within([]fleet.DepotID{"SUD"}), 5)
	require.NoError(t, err)
	require.NotContains(t, own.News, "fitted", "nothing of other depots is told")
	require.Contains(t, own.News, "1 unit was tested")
}

func listSheet(t *testing.T, w WinterList) [][]string {
	t.Helper()
	xlsx, err := w.Workbook()
	require.NoError(t, err)
	rows, err := opened(t, xlsx).GetRows("Winter list", excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	return rows
}

type newsKept struct {
	fleet.Issue
	none bool
	news []fleet.News
	kept []fleet.Anew
}

func (n *newsKept) LatestIssue(context.Context) (fleet.Issue, error) {
	if n.none {
		return fleet.Issue{}, fleet.ErrNoIssue
	}
	return n.Issue, nil
}

func (n *newsKept) News(_ context.Context, _ time.Time, _ fleet.UnitID, limit int) ([]fleet.News, error) {
	return n.news[:min(limit, len(n.news))], nil
}

func (n *newsKept) KeepAnew(_ context.Context, issue int64, a fleet.Anew) error {
	if issue != n.ID {
		return errors.New("another list")
	}
	n.kept = append(n.kept, a)
	return nil
}

func TestOneUnitThatCannotBeJudgedKeepsNoOtherFromIt(t *testing.T) {
	in := &newsKept{Issue: fleet.Issue{ID: 7, AsOf: fleet.NewDate(2025, 10, 8)}, news: []fleet.News{{Unit: "A", Depot: "NOR"}, {Unit: "B", Depot: "SUD"}, {Unit: "C"}}}
	judge := func(_ context.Context, unit fleet.UnitID, since fleet.Date) (alerts.Judgement, error) {
		if unit == "A" {
			return alerts.Judgement{}, errors.New("no history")
		}
		return alerts.Judgement{AsOf: since + 3, Forecast: fleet.Forecast{Unit: unit, Depot: "moved"}}, nil
	}
	done, err := JudgeNews(t.Context(), in, judge, time.Time{}, "", 2)
	require.ErrorContains(t, err, "judge unit A with what has come: no history")
	require.Equal(t, 1, done)
	require.Len(t, in.kept, 1)
	require.Equal(t, fleet.UnitID("B"), in.kept[0].Unit)
	require.Equal(t, fleet.DepotID("SUD"), in.kept[0].Forecast.Depot, "where the list has it")
	require.Equal(t, fleet.NewDate(2025, 10, 11), in.kept[0].AsOf)
	in.none = true
	done, err = JudgeNews(t.Context(), in, judge, time.Time{}, "", 2)
	require.NoError(t, err)
	require.Zero(t, done)
}
