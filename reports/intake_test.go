package reports

import (
	"context"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// pile is what imports brought, in memory.
type pile struct {
	imports []fleet.Import
	kept    map[int64][]fleet.KeptRow
	lookAt  time.Time
	rhythms []fleet.Rhythm
	odd     []fleet.KeptOddity
}

func (p *pile) Troubles(_ context.Context, since time.Time) (found []fleet.Import, err error) {
	for _, i := range p.imports {
		if i.StartedAt.After(since) {
			found = append(found, i)
		}
	}
	return found, nil
}

func mine(depots []fleet.DepotID, depot fleet.DepotID) bool {
	return depots == nil || slices.Contains(depots, depot)
}

func (p *pile) KeptApartOf(_ context.Context, imports []int64, depots []fleet.DepotID, limit int) (rows []fleet.KeptRow, all int, err error) {
	for _, i := range imports {
		for _, k := range p.kept[i] {
			if mine(depots, k.Depot) {
				rows = append(rows, k)
			}
		}
	}
	return rows[:min(limit, len(rows))], len(rows), nil
}

func (p *pile) OdditiesLook(context.Context) (fleet.Opt[fleet.Date], time.Time, error) {
	return fleet.Known(fleet.DateOf(p.lookAt, time.UTC)), p.lookAt, nil
}

func (p *pile) Rhythms(context.Context) ([]fleet.Rhythm, error) { return p.rhythms, nil }

func (p *pile) Oddities(_ context.Context, of []fleet.DepotID) (found []fleet.KeptOddity, err error) {
	for _, o := range p.odd {
		if mine(of, o.Depot) {
			found = append(found, o)
		}
	}
	return found, nil
}

func drifts(tester string, depot fleet.DepotID) fleet.KeptOddity {
	return fleet.KeptOddity{Kind: string(alerts.TesterDrifts), Depot: depot, Tester: tester, Sentence: "Tester " + tester + " shows 14 % less than it did at first."}
}

func (*pile) Depots(context.Context) ([]fleet.Depot, error) { return someData().Depots, nil }

func keptRow(line int64, unit string, depot fleet.DepotID, value string) fleet.KeptRow {
	return fleet.KeptRow{
		File: "tests.csv", Line: line, Kind: fleet.TestsKind, Unit: unit, Depot: depot, Column: "rest_v", Value: value,
		Reason: "want a number of volts, like 12.6", Header: []string{"unit", "rest_v"}, Fields: []string{unit, value},
	}
}

// readEvery is a unit read 12 times, with a gap of so many hours, last so many days ago.
func readEvery(gapHours int, unit fleet.UnitID, depot fleet.DepotID, kind fleet.Kind, daysAgo int) fleet.Rhythm {
	last := deskNow.AddDate(0, 0, -daysAgo)
	return fleet.Rhythm{Unit: unit, Depot: depot, Kind: kind, Readings: 12, First: last.Add(-11 * time.Duration(gapHours) * time.Hour), Last: last}
}

func somePile() *pile {
	return &pile{
		imports: []fleet.Import{
			{ID: 12, StartedAt: deskNow.Add(-2 * time.Hour), Source: "command", Files: []fleet.FileResult{
				{File: "tests.csv", KeptApart: 4}, {File: "cranks-2025-10.csv", Refused: "its first line names no unit: want a header like unit,cranked_at,min_v"},
			}},
			{ID: 9, StartedAt: deskNow.AddDate(0, 0, -30), Source: "command", Files: []fleet.FileResult{{File: "old.csv", KeptApart: 1}}},
		},
		kept: map[int64][]fleet.KeptRow{
			12: {keptRow(3, "P-031", "NOR", "12x"), keptRow(9, "P-114", "SUD", "1l.8"), keptRow(10, "P-115", "SUD", "--"), {
				File: "tests.csv", Line: 12, Unit: "<i>Q-1", Column: "unit", Value: "<i>Q-1", Reason: "there is no such unit: bring vehicles.csv first",
			}},
			9: {keptRow(2, "OLD-1", "NOR", "?")},
		},
		odd: []fleet.KeptOddity{
			drifts("SUD-G1", "SUD"), drifts("ROUND-G1", ""), {Kind: string(alerts.FarOff), Unit: "V-208", Depot: "NOR", Sentence: "far off"},
		},
		lookAt: deskNow.Add(-time.Hour),
		rhythms: []fleet.Rhythm{
			readEvery(24, "V-208", "NOR", fleet.CranksKind, 15), readEvery(14*24, "V-208", "NOR", fleet.TestsKind, 70),
			readEvery(24, "V-900", "SUD", fleet.CranksKind, 40), readEvery(24, "V-002", "NOR", fleet.CranksKind, 1),
			readEvery(14*24, "V-002", "NOR", fleet.TestsKind, 55), readEvery(14*24, "V-900", "SUD", fleet.TestsKind, 1),
		},
	}
}

func askedOf(depots ...fleet.DepotID) Asked {
	zone := someData().Depots[0].Zone()
	return Asked{Depots: depots, Now: deskNow, Zone: zone, Today: fleet.DateOf(deskNow, zone), Attach: []fleet.Attachment{fleet.AttachCSV}}
}

func TestIntakeGolden(t *testing.T) {
	p := somePile()
	for i := range 15 { // more reasons than a letter shows
		k := keptRow(int64(20+i), "P-031", "NOR", "x")
		k.Column = fmt.Sprintf("column_%d", i)
		p.kept[12] = append(p.kept[12], k)
	}
	c, err := IntakeKind(p).Make(t.Context(), askedOf())
	require.NoError(t, err)
	requireGolden(t, "intake-fleet.txt", c.Text)
	requireGolden(t, "intake-fleet.html", c.HTML)
	require.True(t, c.Changed)
	rows, err := csv.NewReader(strings.NewReader(string(c.tables[0].bytes))).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 20)
	text := strings.Join(strings.Fields(strings.ToLower(c.Text)), " ")
	for _, words := range bodyTexts(t, c.HTML) {
		require.Contains(t, text, strings.TrimSuffix(words, ":"))
	}

	c, err = IntakeKind(&pile{lookAt: deskNow}).Make(t.Context(), askedOf("NOR"))
	require.NoError(t, err)
	requireGolden(t, "intake-quiet.txt", c.Text)
	require.False(t, c.Changed)
	require.Empty(t, c.tables)
	require.Equal(t, "NOR: all that came in was taken, and all units report", c.Subject)
}

func TestIntakeTellsOfTheAskersDepotsOnly(t *testing.T) {
	p := somePile()
	c, err := IntakeKind(p).Make(t.Context(), askedOf("NOR"))
	require.NoError(t, err)
	require.Equal(t, "NOR: 1 row kept apart, 1 unit stopped reporting", c.Subject)
	all := c.Text + c.HTML + string(c.tables[0].bytes)
	require.NotRegexp(t, `far off|SUD-G1|ROUND-G1|P-11|V-900|Q-1|cranks-2025-10|SUD|Südhafen`, all, "a refused file may hold rows of all depots")
	require.Contains(t, all, "12x")
}

// What one letter told, the next does not; what came in since, it does, also where its import had begun before.
func TestIntakeTellsWhatCameSinceTheLastLetter(t *testing.T) {
	p := somePile()
	kind := IntakeKind(p)
	a := askedOf()
	first, err := kind.Make(t.Context(), a)
	require.NoError(t, err)
	require.Equal(t, "Fleet: 4 rows kept apart, 1 file refused, 2 units stopped reporting, 2 testers drift", first.Subject)
	require.NotContains(t, first.Text, "OLD-1", "the first letter looks back a week")

	a.Last = fleet.Said{Mark: first.Mark, At: a.Now}
	a.Now = a.Now.Add(6 * time.Hour)
	second, err := kind.Make(t.Context(), a)
	require.NoError(t, err)
	require.False(t, second.Changed)
	require.Equal(t, "Fleet: 2 units stopped reporting (none of them new), 2 testers drift (none of them new)", second.Subject)

	p.imports[0].Files = append(p.imports[0].Files, fleet.FileResult{File: "late.csv", KeptApart: 1}) // the same import, a later file
	late := keptRow(2, "T-007", "NOR", "1Z")
	late.File = "late.csv"
	p.kept[12] = append(p.kept[12], late)
	third, err := kind.Make(t.Context(), a)
	require.NoError(t, err)
	require.True(t, third.Changed)
	require.Contains(t, third.Text, "late.csv")

	a.Last = fleet.Said{Mark: third.Mark, At: a.Now}
	a.Now = a.Now.AddDate(0, 0, 2)
	p.lookAt = a.Now // by which V-002 was not tested for more than four times two weeks
	p.odd = append(p.odd, drifts("NOR-G1", "NOR"))
	fourth, err := kind.Make(t.Context(), a)
	require.NoError(t, err)
	require.True(t, fourth.Changed)
	require.Equal(t, "Fleet: 3 units stopped reporting (1 of them new), 3 testers drift (1 of them new)", fourth.Subject)
	require.Regexp(t, `V-002 at NOR: last test on 14.Aug, 57 days ago +NEW\n +V-208`, fourth.Text)
	require.Regexp(t, `DRIFT\n +Tester NOR-G1 .+ NEW\n +Tester SUD-G1 .+ at first.\n`, fourth.Text)
	require.NotRegexp(t, `V-900.*NEW`, fourth.Text)
}

// Where nothing at all comes, it is no unit that stopped.
func TestIntakeTellsThatNothingComesOfLate(t *testing.T) {
	p := &pile{lookAt: deskNow, rhythms: []fleet.Rhythm{readEvery(24, "V-1", "NOR", fleet.CranksKind, 8), readEvery(24, "V-2", "SUD", fleet.CranksKind, 14)}}
	a := askedOf("NOR")
	first, err := IntakeKind(p).Make(t.Context(), a)
	require.NoError(t, err)
	require.Equal(t, "NOR: no cranks of late", first.Subject)
	require.Contains(t, strings.Join(strings.Fields(first.Text), " "), "No cranks came of late from any unit, the newest is of 2025-09-30 04:00 UTC")
	require.True(t, first.Changed)
	a.Last = fleet.Said{Mark: first.Mark, At: a.Now}
	second, err := IntakeKind(p).Make(t.Context(), a)
	require.NoError(t, err)
	require.False(t, second.Changed, "it is told already")

	p.lookAt = time.Time{}
	p.rhythms = nil
	none, err := IntakeKind(p).Make(t.Context(), a)
	require.NoError(t, err)
	require.Equal(t, "NOR: all that came in was taken", none.Subject)
	require.Contains(t, strings.Join(strings.Fields(none.Text), " "), "The whole fleet was not looked at yet")
}
