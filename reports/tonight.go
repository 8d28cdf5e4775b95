package reports

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// TonightName is the report's name.
const TonightName = "tonight"

// ErrNoLow says that no depot has a low for tonight, so nothing can be said of it.
var ErrNoLow = errors.New("no depot has a forecast low for tonight: type it in on the page Tonight, or import temperatures for tomorrow")

// TonightData is what tonight is composed from.
type TonightData struct {
	Today  fleet.Date // the evening's day
	AsOf   fleet.Date // of the list behind it
	Depots []fleet.Depot
	Lows   map[fleet.DepotID]fleet.Low
	Nights map[fleet.DepotID][]alerts.Night // likeliest to fail first; those who certainly start may be missing
	Units  map[fleet.DepotID]int            // all of the depot's on the list
}

// NightSource is where what is known of the coming night is kept.
type NightSource interface {
	LowSource
	LatestIssue(ctx context.Context) (fleet.Issue, error)
	CountByDepot(ctx context.Context, issue int64, of []fleet.DepotID) (map[fleet.DepotID]int, error)
	Overnight(ctx context.Context, issue int64, depot fleet.DepotID, fromC float64) ([]fleet.Listed, error)
}

// Dawn is the day on which the coming night ends at a depot. Before six in the morning the night is still the one that ends today.
func Dawn(d fleet.Depot, now time.Time) fleet.Date {
	const nightOver = 6
	today := fleet.DateOf(now, d.Zone())
	if now.In(d.Zone()).Hour() < nightOver {
		return today
	}
	return today + 1
}

// LowSource is where the lows foreseen are kept.
type LowSource interface {
	Lows(ctx context.Context, from, to fleet.Date) ([]fleet.Low, error)
}

// LowsTonight are the lows of the depots that have one for the night that ends at their dawn, which need not be the same day everywhere.
func LowsTonight(ctx context.Context, from LowSource, depots []fleet.Depot, dawn func(fleet.Depot) fleet.Date) (map[fleet.DepotID]fleet.Low, error) {
	dawns, tonight := map[fleet.DepotID]fleet.Date{}, map[fleet.DepotID]fleet.Low{}
	for _, d := range depots {
		dawns[d.ID] = dawn(d)
	}
	days := slices.Sorted(maps.Values(dawns))
	if len(days) == 0 {
		return tonight, nil
	}
	lows, err := from.Lows(ctx, days[0], days[len(days)-1])
	for _, l := range lows {
		if day, asked := dawns[l.Depot]; asked && day == l.Dawn {
			tonight[l.Depot] = l
		}
	}
	return tonight, err
}

// nightReachC is how far a cold limit may lie under a low and its unit still be doubtful: limit and night together spread by about 6 °C.
const nightReachC = 18

// GatherTonight brings together what is known of the coming night at the depots. fleet.ErrNoIssue: no list was issued yet.
func GatherTonight(ctx context.Context, from NightSource, depots []fleet.Depot, now time.Time) (TonightData, error) {
	data := TonightData{Depots: depots, Nights: map[fleet.DepotID][]alerts.Night{}}
	issue, err := from.LatestIssue(ctx)
	if err != nil || len(depots) == 0 {
		return data, err
	}
	data.AsOf, data.Today = issue.AsOf, Dawn(depots[0], now)-1
	if data.Lows, err = LowsTonight(ctx, from, depots, func(d fleet.Depot) fleet.Date { return Dawn(d, now) }); err != nil {
		return data, err
	}
	of := make([]fleet.DepotID, len(depots))
	for i, d := range depots {
		of[i] = d.ID
	}
	if data.Units, err = from.CountByDepot(ctx, issue.ID, of); err != nil {
		return data, err
	}
	for _, d := range depots {
		low, known := data.Lows[d.ID]
		if !known {
			continue
		}
		units, err := from.Overnight(ctx, issue.ID, d.ID, low.C-nightReachC)
		if err != nil {
			return data, err
		}
		for _, u := range units {
			data.Nights[d.ID] = append(data.Nights[d.ID], alerts.NightOf(u.Now(), low.C))
		}
		alerts.SortNights(data.Nights[d.ID])
	}
	return data, nil
}

// Tonight is who will probably not start tomorrow morning, and what to do before parking: the words of page, checklist and mail.
type Tonight struct {
	Headline string // the news, which is the mail's subject too
	AsOf     string
	Dawn     string
	Depots   []TonightDepot // those with a low, most trouble first
	NoLow    []string       // depots of which tonight's low is not known
	Mark     string         // equal where the same is said
	data     TonightData
}

// TonightDepot is one depot's night.
type TonightDepot struct {
	Depot    fleet.DepotID
	Name     string
	Low      string
	LowC     float64
	LowFrom  string // forecast, or typed in by whom
	Said     string // what the depot may expect, in a sentence
	WontRun  []TonightUnit
	Doubtful []TonightUnit
	Freezing []TonightUnit // neither of the two, but the battery may freeze
	Others   string        // those that should start
}

// TonightUnit is one unit's night in words.
type TonightUnit struct {
	Unit      fleet.UnitID
	Chance    string // of a failed start
	ColdLimit string
	Suspect   fleet.Part
	Todo      []string // before parking, least work first
	Freeze    string   // empty: the battery will not freeze
}

// All are the units of a depot that somebody should look at, worst first.
func (d TonightDepot) All() []TonightUnit {
	return slices.Concat(d.WontRun, d.Doubtful, d.Freezing)
}

// ComposeTonight puts the night into words. ErrNoLow: no depot has a low.
func ComposeTonight(data TonightData) (Tonight, error) {
	t := Tonight{data: data, AsOf: DayMonth(data.AsOf, data.Today), Dawn: DayMonth(data.Today+1, data.Today)}
	for _, d := range data.Depots {
		low, known := data.Lows[d.ID]
		if !known {
			t.NoLow = append(t.NoLow, string(d.ID))
			continue
		}
		t.Depots = append(t.Depots, tonightAt(d, low, data))
	}
	if len(t.Depots) == 0 {
		return t, ErrNoLow
	}
	slices.SortStableFunc(t.Depots, func(a, b TonightDepot) int {
		if n := len(b.WontRun) - len(a.WontRun); n != 0 {
			return n
		}
		return len(b.Doubtful) - len(a.Doubtful)
	})
	t.Headline = t.news()
	var told strings.Builder
	for _, d := range t.Depots {
		fmt.Fprintf(&told, "%q %.0f", d.Depot, d.LowC)
		for _, u := range d.All() {
			fmt.Fprintf(&told, " %q", u.Unit)
		}
	}
	t.Mark = markOf([]byte(told.String()))
	return t, nil
}

func tonightAt(d fleet.Depot, low fleet.Low, data TonightData) TonightDepot {
	at := TonightDepot{Depot: d.ID, Name: d.Name, Low: wholeDegrees(low.C), LowC: low.C, LowFrom: "imported forecast"}
	if at.Name == "" {
		at.Name = string(d.ID)
	}
	if low.Typed != "" {
		at.LowFrom = "typed in by " + low.Typed
	}
	expected := 0.0
	for _, n := range data.Nights[d.ID] {
		expected += n.NoStartProbability
		u := TonightUnit{Unit: n.Unit, Chance: Chance(n.NoStartProbability), ColdLimit: Degrees(n.ColdLimitC), Suspect: n.Suspect, Todo: todo(n)}
		if n.MayFreeze {
			at, _ := n.FreezesAtC.Get()
			u.Freeze = fmt.Sprintf("As it is charged, its battery freezes from about %s. A frozen battery must never be charged or jumped: thaw it first, and look for cracks.", wholeDegrees(at))
		}
		switch {
		case n.NoStartProbability >= alerts.ProbablyNotFrom:
			at.WontRun = append(at.WontRun, u)
		case n.NoStartProbability >= alerts.DoubtfulFrom:
			at.Doubtful = append(at.Doubtful, u)
		case n.MayFreeze:
			at.Freezing = append(at.Freezing, u)
		}
	}
	rest := data.Units[d.ID] - len(at.WontRun) - len(at.Doubtful)
	at.Others = othersWords(rest, data.Units[d.ID])
	at.Said = expectation(len(at.WontRun), len(at.Doubtful), expected)
	return at
}

// othersWords says what is to be expected of the units that are not named; empty: there are none.
func othersWords(rest, all int) string {
	switch {
	case all <= 0:
		return "No unit belongs here."
	case rest <= 0:
		return ""
	case rest == 1 && all == 1:
		return "The one unit here should start."
	case rest == all:
		return fmt.Sprintf("All %s should start.", Count(rest, "unit"))
	case rest == 1:
		return "The other unit should start."
	}
	return fmt.Sprintf("The other %s should start.", Count(rest, "unit"))
}

// expectation says in a sentence what the morning will bring if nothing is done.
func expectation(wont, doubtful int, expected float64) string {
	said := "No unit is likely to fail"
	if wont > 0 {
		said = Count(wont, "unit") + " will probably not start"
	}
	is := map[bool]string{true: "is", false: "are"}[doubtful == 1]
	switch {
	case doubtful > 0 && wont > 0:
		said += fmt.Sprintf(", %d more %s doubtful", doubtful, is)
	case doubtful > 0:
		said += fmt.Sprintf(", but %d %s doubtful", doubtful, is)
	}
	if expected < 0.5 {
		return said + "; fewer than one failed start in two such mornings is to be expected."
	}
	return fmt.Sprintf("%s; about %s %s to be expected if nothing is done.", said, Count(int(math.Round(expected)), "failed start"), map[bool]string{true: "is", false: "are"}[math.Round(expected) == 1])
}

// todo says what helps before parking and what chance it leaves.
func todo(n alerts.Night) (said []string) {
	for _, s := range n.Steps {
		said = append(said, fmt.Sprintf("%s (leaves %d\u00a0%%)", remedyWords[s.Remedy], max(1, int(100*s.NoStartProbability+0.5))))
	}
	if len(said) == 0 && n.NoStartProbability >= alerts.DoubtfulFrom {
		said = append(said, "nothing known helps enough overnight: plan with another unit")
	}
	return said
}

var remedyWords = map[fleet.Remedy]string{
	fleet.PlugIn:        "plug in the block heater, where there is one",
	fleet.ParkIndoors:   "park it in a closed hall",
	fleet.Charge:        "charge the battery",
	fleet.RenewBattery:  "swap the battery",
	fleet.RenewStarter:  "swap the starter",
	fleet.CleanContacts: "clean and tighten terminals and cables",
}

// news is the headline: how many, where, how cold.
func (t Tonight) news() string {
	wont, doubtful := 0, 0
	var places []string
	for _, d := range t.Depots {
		wont += len(d.WontRun)
		doubtful += len(d.Doubtful)
		if len(d.WontRun) > 0 || len(t.Depots) == 1 {
			places = append(places, fmt.Sprintf("%s, %s", d.Depot, d.Low))
		}
	}
	const most = 3
	if len(places) > most {
		places = append(places[:most], Count(len(places)-most, "more depot"))
	}
	where := ""
	if len(places) > 0 {
		where = " at " + strings.Join(places, "; ")
	}
	switch {
	case wont > 0:
		return fmt.Sprintf("%s will probably not start tonight%s", Count(wont, "unit"), where)
	case doubtful > 0:
		return fmt.Sprintf("No unit is likely to fail tonight, but %d %s doubtful%s", doubtful, map[bool]string{true: "is", false: "are"}[doubtful == 1], where)
	}
	return "All units should start tonight" + where
}

// wholeDegrees writes a forecast as exactly as it is known: −17 °C.
func wholeDegrees(c float64) string {
	return strings.TrimSuffix(decimal(math.Round(c)), ".0") + "\u00a0°C"
}

// TonightTable is every unit that the night may concern as CSV, likeliest to fail first.
func TonightTable(data TonightData) ([]byte, error) {
	var nights []alerts.Night
	for _, d := range data.Depots {
		nights = append(nights, data.Nights[d.ID]...)
	}
	alerts.SortNights(nights)
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	out.UseCRLF = true // RFC 4180
	rows := [][]string{{"unit", "depot", "low_c", "cold_limit_c", "no_start_probability", "suspect", "before_parking", "freezes_at_c", "may_freeze"}}
	for _, n := range nights {
		rows = append(rows, []string{
			Inert(string(n.Unit)), Inert(string(n.Depot)), plain(fleet.Known(n.LowC)), plain(fleet.Known(n.ColdLimitC)), plain(fleet.Known(n.NoStartProbability)),
			string(n.Suspect), strings.Join(todo(n), " | "), plain(n.FreezesAtC), strconv.FormatBool(n.MayFreeze),
		})
	}
	if err := out.WriteAll(rows); err != nil {
		return nil, fmt.Errorf("write tonight as CSV: %w", err)
	}
	return b.Bytes(), nil
}
