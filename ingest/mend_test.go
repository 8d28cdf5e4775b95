package ingest_test

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
	"pgregory.net/rapid"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

func mendOptions() ingest.MendOptions { return ingest.MendOptions{Person: "jo", Now: now} }

// waiting imports a file and returns the rows that wait then.
func waiting(tb testing.TB, db *store.DB, name, text string) []fleet.KeptRow {
	tb.Helper()
	importPaths(tb, db, write(tb, name, text))
	return stillWaiting(tb, db)
}

func stillWaiting(tb testing.TB, db *store.DB) []fleet.KeptRow {
	tb.Helper()
	rows, err := db.KeptApart(context.Background(), fleet.KeptFilter{})
	require.NoError(tb, err)
	return rows
}

// with is the row with some of its columns set.
func with(row fleet.KeptRow, set map[string]string) fleet.Mend {
	m := fleet.Mend{Row: row, Header: append([]string{}, row.Header...), Fields: append([]string{}, row.Fields...)}
	for column, value := range set {
		at := -1
		for i, h := range m.Header {
			if ingest.ColumnName(h) == column {
				at = i
			}
		}
		if at < 0 {
			m.Header, m.Fields = append(m.Header, column), append(m.Fields, value)
			continue
		}
		m.Fields[at] = value
	}
	return m
}

func count(tb testing.TB, db *store.DB, query string) (n int) {
	tb.Helper()
	require.NoError(tb, db.Pool().QueryRow(context.Background(), query).Scan(&n))
	return n
}

func settledRow(tb testing.TB, db *store.DB, key string) fleet.SettledRow {
	tb.Helper()
	rows, err := db.SettledRows(context.Background(), key, nil, 10)
	require.NoError(tb, err)
	require.Len(tb, rows, 1)
	return rows[0]
}

func TestAMendedRowGoesInAndLeavesTheList(t *testing.T) {
	db := newFleet(t)
	text := "Tested_At,unit,rest_v,scribble\n2025-03-01T07:00:00Z,H-999,12.4,x\n2025-03-02T07:00:00Z,H-001,12.4,\n"
	rows := waiting(t, db, "cold.csv", text)
	require.Len(t, rows, 1)

	wrong, err := ingest.Mend(t.Context(), db, []fleet.Mend{with(rows[0], map[string]string{"unit": "H-001", "rest_v": "12400"})}, mendOptions())
	require.NoError(t, err)
	require.Equal(t, ingest.MendFlawed, wrong.Outcomes[0].State)
	require.Equal(t, "rest_v", wrong.Outcomes[0].Column)
	require.Equal(t, "12400", wrong.Outcomes[0].Value)
	require.Contains(t, wrong.Outcomes[0].Reason, "millivolts", "the second thing that is wrong")
	require.Equal(t, rows, stillWaiting(t, db), "as it came")

	mend := with(rows[0], map[string]string{"unit": "H-001"})
	dry := mendOptions()
	dry.DryRun = true
	would, err := ingest.Mend(t.Context(), db, []fleet.Mend{mend}, dry)
	require.NoError(t, err)
	require.Equal(t, ingest.Mending{Outcomes: []ingest.MendOutcome{{State: ingest.MendTaken}}, Taken: 1}, would)
	require.Equal(t, rows, stillWaiting(t, db))
	require.Equal(t, 2, count(t, db, `SELECT count(*) FROM import`), "what is not taken leaves no trace")

	done, err := ingest.Mend(t.Context(), db, []fleet.Mend{mend}, mendOptions())
	require.NoError(t, err)
	require.Equal(t, would, done)
	require.Empty(t, stillWaiting(t, db))
	require.Contains(t, contents(t, export(t, db))["battery_tests"], "2025-03-01T01:00:00-06:00,H-001,1,,12.4")
	s := settledRow(t, db, rows[0].Key)
	require.Equal(t, "jo", s.Person)
	require.False(t, s.Aside)
	require.Equal(t, "cold.csv", s.File)
	require.Equal(t, int64(2), s.Line)
	require.Equal(t, []string{"2025-03-01T07:00:00Z", "H-999", "12.4", "x"}, s.Fields)
	require.Equal(t, []string{"2025-03-01T07:00:00Z", "H-001", "12.4", "x"}, s.MendedFields)
	imports, err := db.RecentImports(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, "mend:jo", imports[0].Source)
	require.Equal(t, []fleet.FileResult{{File: "cold.csv, line 2", Kind: "battery_tests", Rows: 1, Taken: 1}}, imports[0].Files)

	again, err := ingest.Mend(t.Context(), db, []fleet.Mend{mend}, mendOptions())
	require.NoError(t, err)
	require.Equal(t, ingest.MendGone, again.Outcomes[0].State, "a second press")
	require.Empty(t, waiting(t, db, "cold.csv", text), "the unmended row, brought again, waits no more")
}

func TestMendJudgesAsAFileIsJudged(t *testing.T) {
	db := newFleet(t)
	for _, tc := range []struct {
		name, header, row string
		set               map[string]string
		state             ingest.MendState
		column, says      string
	}{
		{"a column that the file lacks", "tested_at,unit,cca_a", "2025-03-01T07:00:00Z,H-001,500", map[string]string{"cca_standard": "en"}, ingest.MendTaken, "", ""},
		{"a row with a field too many", "tested_at,unit,rest_v", "2025-03-02T07:00:00Z,H-001,12,4", map[string]string{"rest_v": "12.4"}, ingest.MendFlawed, "", "4 fields and the header has 3"},
		{"a decimal comma where it is no separator", "tested_at;unit;rest_v;position", "2025-03-03T07:00:00Z;H-001;12,4;9", map[string]string{"position": "1"}, ingest.MendTaken, "", ""},
		{"a decimal comma where it is one", "tested_at,unit,rest_v", `2025-03-04T07:00:00Z,H-001,"12,4"`, map[string]string{}, ingest.MendFlawed, "rest_v", "semicolons"},
		{"a time on the depot's clock", "tested_at,unit,rest_v", "2025-03-05T07:00:00,H-999,12.4", map[string]string{"unit": "H-001"}, ingest.MendTaken, "", ""},
		{"degrees Fahrenheit", "tested_at,unit,rest_v,temperature_c", "2025-07-01T07:00:00Z,H-001,12.5,77", map[string]string{"temperature_c": "", "temperature_f": "77"}, ingest.MendTaken, "", ""},
		{"a NUL", "tested_at,unit,rest_v", "2025-03-06T07:00:00Z,H-999,12.4", map[string]string{"unit": "H-\x00001"}, ingest.MendFlawed, "unit", "NUL"},
		{"no UTF-8", "tested_at,unit,rest_v", "2025-03-07T07:00:00Z,H-999,12.4", map[string]string{"unit": "H-\xff001"}, ingest.MendFlawed, "unit", "UTF-8"},
		{"one that differs from what stands", "cranked_at,unit,min_v", "2025-01-10T12:40:12Z,H-001,x", map[string]string{"min_v": "8.5"}, ingest.MendFlawed, "rest_v", "the first one stands"},
		{"one that is there already", "tested_at,unit,cca_a,cca_standard", "2025-03-01T07:00:00Z,H-001,500,eu", map[string]string{"cca_standard": "en"}, ingest.MendTaken, "", ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rows := waiting(t, db, "file.csv", tc.header+"\n"+tc.row+"\n")
			require.Len(t, rows, 1)
			done, err := ingest.Mend(t.Context(), db, []fleet.Mend{with(rows[0], tc.set)}, mendOptions())
			require.NoError(t, err)
			out := done.Outcomes[0]
			require.Equal(t, tc.state, out.State, "%+v", out)
			require.Equal(t, tc.column, out.Column)
			require.Contains(t, out.Reason, tc.says)
			require.Equal(t, tc.state == ingest.MendFlawed, len(stillWaiting(t, db)) == 1)
			if tc.state == ingest.MendFlawed {
				aside, err := db.SetAside(t.Context(), rows[0].Key, nil, "jo", "not needed")
				require.NoError(t, err)
				require.True(t, aside)
			}
		})
	}
}

func TestMendKeepsToDepots(t *testing.T) {
	db := newFleet(t)
	rows := waiting(t, db, "tests.csv", "tested_at,unit,rest_v\n2025-03-01T07:00:00Z,H-001,x\n")
	opt := mendOptions()
	opt.Depots = []fleet.DepotID{"HOL"}
	for unit, state := range map[string]ingest.MendState{"N-001": ingest.MendFlawed, "H-002": ingest.MendTaken} {
		opt.DryRun = state == ingest.MendTaken
		done, err := ingest.Mend(t.Context(), db, []fleet.Mend{with(rows[0], map[string]string{"unit": unit, "rest_v": "12.4"})}, opt)
		require.NoError(t, err)
		require.Equal(t, state, done.Outcomes[0].State, unit)
		if state == ingest.MendFlawed {
			require.Contains(t, done.Outcomes[0].Reason, "another depot")
		}
	}

	// A unit of another depot cannot be drawn over, and a battery's reason does not say where it stands.
	for _, tc := range []struct{ name, header, row, set, to, says string }{
		{"vehicle", unitHeader, "N-001,HOL,van,petrol,36,1,", "system_volts", "12", "another depot"},
		{"battery", fittedHeader, "A100,H-002,1,P-70,agx,760,en,2019-11-20,", "chemistry", "agm", "says something else"},
	} {
		importPaths(t, db, write(t, tc.name+".csv", tc.header+"\n"+tc.row+"\n"))
		row, err := db.KeptApart(t.Context(), fleet.KeptFilter{File: tc.name + ".csv"})
		require.NoError(t, err)
		require.Len(t, row, 1)
		var fitted string
		require.NoError(t, db.Pool().QueryRow(t.Context(), `SELECT coalesce(min(fitted_on)::text, '') FROM battery_fitting WHERE battery = 'A100'`).Scan(&fitted))
		opt.DryRun = false
		done, err := ingest.Mend(t.Context(), db, []fleet.Mend{with(row[0], map[string]string{tc.set: tc.to, "fitted_on": fitted})}, opt)
		require.NoError(t, err)
		require.Equal(t, ingest.MendFlawed, done.Outcomes[0].State, tc.name)
		require.Contains(t, done.Outcomes[0].Reason, tc.says)
		require.NotContains(t, done.Outcomes[0].Reason, "NOR")
	}
}

func TestRowsOfWhoMayBringOneDepotAreThatDepots(t *testing.T) {
	db := newFleet(t)
	opt := options()
	opt.Depots = []fleet.DepotID{"HOL"}
	res, err := ingest.Import(t.Context(), db, []string{write(t, "t.csv", "tested_at,unit,rest_v\n2025-03-01T07:00:00Z,H-999,12.4\n2025-03-01T07:00:00Z,N-001,12.4\n")}, opt)
	require.NoError(t, err)
	defer res.Close()
	rows := kept(t, res)
	require.Equal(t, []fleet.DepotID{"HOL", "NOR"}, []fleet.DepotID{rows[0].Depot, rows[1].Depot})
	opt.Depots = []fleet.DepotID{}
	none, err := ingest.Import(t.Context(), db, []string{write(t, "u.csv", "tested_at,unit,rest_v\n2025-03-01T07:00:00Z,H-001,12.4\n")}, opt)
	require.NoError(t, err)
	defer none.Close()
	require.Len(t, kept(t, none), 1, "who has no depot brings nothing")
}

func TestOfTwoWhoMendOneRowOneTakesIt(t *testing.T) {
	db := newFleet(t)
	const n, people = 40, 4
	lines := []string{"tested_at,unit,rest_v"}
	for i := range n {
		lines = append(lines, fmt.Sprintf("2025-03-01T07:%02d:00Z,H-999,12.4", i))
	}
	rows := waiting(t, db, "tests.csv", strings.Join(lines, "\n")+"\n")
	require.Len(t, rows, n)
	var mu sync.Mutex
	taken := map[string]int{}
	g, ctx := errgroup.WithContext(t.Context())
	for p := range people {
		g.Go(func() error {
			var mends []fleet.Mend
			for i := range rows { // in other orders, for other units, half of them one by one
				row := rows[(i*7+p*11)%n]
				mends = append(mends, with(row, map[string]string{"unit": []string{"H-001", "N-001", "N-002", "H-001"}[p]}))
			}
			step := 1
			if p%2 == 0 {
				step = n
			}
			for at := 0; at < n; at += step {
				done, err := ingest.Mend(ctx, db, mends[at:at+step], mendOptions())
				if err != nil {
					return err
				}
				mu.Lock()
				for i, out := range done.Outcomes {
					if out.State == ingest.MendTaken {
						taken[mends[at+i].Row.Key]++
					}
				}
				mu.Unlock()
			}
			return nil
		})
	}
	require.NoError(t, g.Wait())
	require.Len(t, taken, n)
	for key, times := range taken {
		require.Equal(t, 1, times, key)
	}
	require.Empty(t, stillWaiting(t, db))
	require.Equal(t, n, count(t, db, `SELECT count(*) FROM kept_mended`))
	require.Equal(t, n, count(t, db, `SELECT count(*) FROM battery_test WHERE tested_at::date = '2025-03-01'`), "nobody's second press left a row")
}

// failing is a load that is lost when a file is to be committed.
type failing struct{ *store.Load }

var errLost = errors.New("the connection is gone")

func (f failing) FinishFile(context.Context, fleet.FileResult, iter.Seq2[fleet.KeptRow, error]) error {
	return errLost
}

type failingStore struct{ db *store.DB }

func (f failingStore) StartMend(ctx context.Context, source string) (failing, error) {
	l, err := f.db.StartMend(ctx, source)
	return failing{l}, err
}

func TestNothingIsLostWhenTheServerIsKilled(t *testing.T) {
	db := newFleet(t)
	rows := waiting(t, db, "tests.csv", "tested_at,unit,rest_v\n2025-03-01T07:00:00Z,H-999,12.4\n")
	before := contents(t, export(t, db))
	mends := []fleet.Mend{with(rows[0], map[string]string{"unit": "H-001"})}
	_, err := ingest.Mend(t.Context(), failingStore{db}, mends, mendOptions())
	require.ErrorIs(t, err, errLost)
	require.Equal(t, rows, stillWaiting(t, db))
	require.Equal(t, before, contents(t, export(t, db)))
	require.Zero(t, count(t, db, `SELECT count(*) FROM kept_mended`))
	done, err := ingest.Mend(t.Context(), db, mends, mendOptions())
	require.NoError(t, err)
	require.Equal(t, int64(1), done.Taken)
}

func TestManyRowsOfSeveralFilesAtOnce(t *testing.T) {
	db := newFleet(t)
	waiting(t, db, "a.csv", "tested_at,unit,rest_v\n2025-03-01T07:00:00Z,H-999,12.4\n2025-03-02T07:00:00Z,H-999,12x\n")
	waiting(t, db, "b.csv", "tested_at,unit,rest_v,note\n2025-03-01T07:00:00Z,H-999,12.4,\n2025-03-01T07:00:00Z,H-999,12.5,\n")
	rows := waiting(t, db, "c.csv", "cranked_at,unit,min_v\n2025-03-03T07:00:00Z,H-999,9.5\n")
	var mends []fleet.Mend
	for _, r := range rows {
		mends = append(mends, with(r, map[string]string{"unit": "H-001"}))
	}
	done, err := ingest.Mend(t.Context(), db, mends, mendOptions())
	require.NoError(t, err)
	require.Equal(t, int64(2), done.Taken, "a's first row and the crank")
	require.Equal(t, int64(1), done.AlreadyThere, "b's first says what a's does")
	left := stillWaiting(t, db)
	require.Len(t, left, 2)
	imports, err := db.RecentImports(t.Context(), 1)
	require.NoError(t, err)
	require.Len(t, imports[0].Files, 3)
	require.Equal(t, 1, count(t, db, `SELECT count(*) FROM crank_week_stale WHERE week = '2025-03-03'`), "the crank's week is digested anew")
}

// FuzzMend: whatever is typed, a row is taken once or waits, and the store never fails.
func FuzzMend(f *testing.F) {
	f.Add("2025-03-01T07:00:00Z", "H-001", "12.4", "")
	f.Add("", "", "", "")
	f.Add("2025-11-02T01:30:00", "N-001", "12,4", "a\r\nb")
	f.Add("\x00", "\xff", "1e9", "'; DROP TABLE kept_apart; --")
	db := newFleet(f)
	f.Fuzz(func(t *testing.T, at, unit, restV, note string) {
		mended := count(t, db, `SELECT count(*) FROM kept_mended`)
		rows := waiting(t, db, "f.csv", fmt.Sprintf("tested_at,unit,rest_v,note\n,%d,,\n", mended))
		require.Len(t, rows, 1)
		done, err := ingest.Mend(t.Context(), db, []fleet.Mend{{Row: rows[0], Header: rows[0].Header, Fields: []string{at, unit, restV, note}}}, mendOptions())
		require.NoError(t, err)
		if done.Outcomes[0].State == ingest.MendTaken {
			mended++
		} else {
			require.NotEmpty(t, done.Outcomes[0].Reason)
		}
		require.Equal(t, mended, count(t, db, `SELECT count(*) FROM kept_mended`))
	})
}

func TestTypedRowsAreTakenOrWait(t *testing.T) {
	db := newFleet(t)
	field := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"H-001", "N-002", "12.4", "0", "en", "1", "-3", "2025-03-01T07:00:00Z", "2025-03-30T02:30:00"}))
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		header := strings.Split(testHeader, ",")
		fields := rapid.SliceOfN(field, len(header)-1, len(header)+1).Draw(rt, "fields")
		n++
		rows := waiting(t, db, "f.csv", fmt.Sprintf("%s\n,%d,,,,,,\n", testHeader, n))
		done, err := ingest.Mend(context.Background(), db, []fleet.Mend{{Row: rows[0], Header: header, Fields: fields}}, mendOptions())
		require.NoError(rt, err)
		left := len(stillWaiting(t, db))
		require.Equal(rt, done.Outcomes[0].State == ingest.MendFlawed, left == len(rows))
		if left > 0 {
			_, err := db.SetAside(context.Background(), rows[0].Key, nil, "jo", "tried")
			require.NoError(rt, err)
		}
	})
}
