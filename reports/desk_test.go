package reports

import (
	"context"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// office is people and subscriptions in memory; what a database adds is tested with one.
type office struct {
	people []fleet.Person
	left   map[string]bool
	asked  []string
}

func (o *office) People(context.Context) ([]fleet.Person, error) { return o.people, nil }

func (o *office) Subscriptions(_ context.Context, schedule int64, addresses []string) (subs []fleet.Subscription, err error) {
	o.asked = append(o.asked, addresses...)
	for _, a := range addresses {
		s := fleet.Subscription{Schedule: schedule, Address: a, Token: "token-of-" + strings.ReplaceAll(a, "@", "-at-")}
		if o.left[a] {
			s.EndedAt = deskNow
		}
		subs = append(subs, s)
	}
	return subs, nil
}

var deskNow = time.Date(2025, 10, 8, 4, 0, 30, 0, time.UTC)

func newDesk(t *testing.T, o *office, kinds ...Kind) Desk {
	t.Helper()
	site, err := url.Parse("https://rime.example.org/yard")
	require.NoError(t, err)
	return Desk{Kinds: kinds, People: o, Subscriptions: o, May: notForReaders, From: "rime@example.org", Site: site}
}

func mondayOf(report string, depot fleet.DepotID, to ...string) fleet.Schedule {
	return fleet.Schedule{
		ID: 7, Report: report, Depot: depot, Recipients: to, Cron: "0 6 * * MON", Timezone: "Europe/Oslo",
		Attach: []fleet.Attachment{fleet.AttachCSV}, Enabled: true,
	}
}

func letterTo(t *testing.T, run fleet.Run, address string) fleet.Letter {
	t.Helper()
	i := slices.IndexFunc(run.Letters, func(l fleet.Letter) bool { return strings.EqualFold(l.To, address) })
	require.GreaterOrEqual(t, i, 0, "no letter to %s", address)
	return run.Letters[i]
}

// told is all that a letter says, attachments and pictures' texts included.
func told(t *testing.T, l fleet.Letter) string {
	t.Helper()
	_, parts := mimeParts(t, l.Message)
	said := l.Subject
	for _, p := range parts {
		switch {
		case strings.HasPrefix(p.kind, "text/"):
			said += "\n" + p.body
		case p.kind == "application/pdf":
			said += "\n" + printedWords(t, []byte(p.body))
		case strings.Contains(p.kind, "spreadsheetml"):
			book := opened(t, []byte(p.body))
			for _, sheet := range book.GetSheetList() {
				rows, err := book.GetRows(sheet)
				require.NoError(t, err)
				said += "\n" + sheet + fmt.Sprint(rows)
			}
		}
	}
	return said
}

// Units of NOR begin with other letters than those of SUD, so that one slip shows.
func TestLettersTellNothingOfOtherDepots(t *testing.T) {
	o := &office{people: somePeople()}
	d := newDesk(t, o, WinterListKind(gatherSome, 0))
	s := mondayOf(WinterListName, "", "person:mara", "person:jo", "ext@example.net", "person:heir")
	s.Attach = everyForm()
	run, err := d.due(t.Context(), s, deskNow, deskNow)
	require.NoError(t, err)
	ofSUD := regexp.MustCompile(`P-11[45]|V-900|SUD|Südhafen`)
	whole, own := told(t, letterTo(t, run, "mara@example.org")), told(t, letterTo(t, run, "jo@example.org"))
	require.Regexp(t, ofSUD, whole)
	require.Contains(t, whole, "-7.7 °C", "the workbook has the design night of Südhafen")
	require.NotRegexp(t, `[-−]7\.7`, own)
	require.NotRegexp(t, ofSUD, own)
	require.Contains(t, own, "Winter list, Nørdlund yard (NOR)")
	require.Contains(t, own, "NOR: 1 unit down, 1 to swap before the frost")
	require.Contains(t, own, "Expected loss this season if nothing is done: 1,861.20.", "sums are of their own units too")
	require.Regexp(t, ofSUD, told(t, letterTo(t, run, "ext@example.net")))
	require.Len(t, run.Letters, 3)
	require.Contains(t, run.Note, "left@example.org: winter list of WES: there is no unit on it", "who has nothing to be told holds up nobody")
	require.ElementsMatch(t, []string{"", "NOR"}, slices.Collect(mapKeys(run.Said)))
	for _, l := range run.Letters {
		require.Equal(t, "7/2025-10-08T04:00:30Z/"+strings.ToLower(l.To), l.DedupeKey)
	}
}

func mapKeys[V any](m map[string]V) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

func TestALetterOfSeveralDepotsIsMadeOfThoseOnly(t *testing.T) {
	o := &office{people: []fleet.Person{{Name: "nils", Email: "nils@example.org", Role: fleet.Manager, Depots: []fleet.DepotID{"SUD", "WES"}}}}
	d := newDesk(t, o, WinterListKind(gatherSome, 0))
	run, err := d.due(t.Context(), mondayOf(WinterListName, "", "role:manager"), deskNow, deskNow)
	require.NoError(t, err)
	said := told(t, letterTo(t, run, "nils@example.org"))
	require.Contains(t, said, "SUD, WES: 1 unit to swap before the frost")
	require.NotRegexp(t, `P-031|T-007|V-20[89]|X-001|NOR|Nørdlund`, said)
}

// An audit's figures cannot be put together from depots: whoever sees two gets one of each.
func TestAuditsOfSeveralDepotsComeApart(t *testing.T) {
	o := &office{people: somePeople()}
	var asked []fleet.DepotID
	audit := someAudit(t, 40)
	audit.Bands, audit.Forecast.AUC = nil, fleet.Opt[float64]{}
	d := newDesk(t, o, AuditKind(func(_ context.Context, a Asked) (AuditData, error) {
		asked = append(asked, a.Only())
		if a.Only() == "SUD" {
			return AuditData{}, ErrNoAudit
		}
		return AuditData{Seasons: []alerts.AuditResult{audit}, Depot: a.Only(), Today: a.Today, KnownTo: a.Today - 1}, nil
	}))
	s := mondayOf(AuditName, "", "person:nils", "person:mara")
	run, err := d.due(t.Context(), s, deskNow, deskNow)
	require.NoError(t, err)
	require.Equal(t, []fleet.DepotID{"NOR", "SUD", ""}, asked)
	require.Len(t, run.Letters, 2, "NOR to nils, the fleet to mara; of SUD there is none")
	require.Contains(t, run.Note, "nils@example.org: there is no audit yet")
	require.Equal(t, "7/2025-10-08T04:00:30Z/nils@example.org/NOR", run.Letters[0].DedupeKey)

	s.Said, s.WhenQuiet = run.Said, fleet.QuietNothing
	run, err = d.due(t.Context(), s, deskNow.AddDate(0, 0, 7), deskNow.AddDate(0, 0, 7))
	require.NoError(t, err)
	require.Empty(t, run.Letters, "the figures are the same")

	s.Recipients = []string{"person:one"} // NOR and SUD, by way of a mailbox that sees SUD only
	_, err = d.due(t.Context(), s, deskNow, deskNow)
	require.ErrorIs(t, err, ErrNothingToTell, "nobody has anything to be told: it stays due")
}

func TestWhenNothingChanged(t *testing.T) {
	news := false
	gather := func(context.Context, Asked) (WinterListData, error) {
		d := someData()
		d.Mark = "32"
		if !news {
			same := d.List
			d.Previous = &same
		}
		return d, nil
	}
	o := &office{people: somePeople()}
	d := newDesk(t, o, WinterListKind(gather, 0))
	s := mondayOf(WinterListName, "NOR", "person:mara")
	last := fleet.Said{Mark: "31", At: deskNow.AddDate(0, 0, -7)}
	write := func(quiet fleet.WhenQuiet, said map[string]fleet.Said) fleet.Run {
		s.WhenQuiet, s.Said = quiet, said
		run, err := d.due(t.Context(), s, deskNow, deskNow)
		require.NoError(t, err)
		return run
	}
	before := map[string]fleet.Said{"NOR": last}
	now := map[string]fleet.Said{"NOR": {Mark: "32", At: deskNow}}

	for _, quiet := range fleet.QuietChoices() { // the first letter is news, whatever is in it
		run := write(quiet, nil)
		require.Contains(t, told(t, letterTo(t, run, "mara@example.org")), "THE LIST, most urgent first")
		require.Equal(t, now, run.Said)
	}
	run := write(fleet.QuietNothing, before)
	require.Empty(t, run.Letters)
	require.Equal(t, before, run.Said, "what was sent last is still what the next letter is held against")
	run = write(fleet.QuietLine, before)
	said := told(t, letterTo(t, run, "mara@example.org"))
	require.Contains(t, said, "NOR: 1 unit down, 1 to swap before the frost, unchanged since 8 Oct. Nothing new since the letter of ")
	require.NotContains(t, said, "THE LIST")
	_, parts := mimeParts(t, run.Letters[0].Message)
	require.Len(t, parts, 3, "two parts of text, no picture, no table")
	require.Equal(t, now, run.Said)
	run = write(fleet.QuietSend, before)
	require.Contains(t, told(t, letterTo(t, run, "mara@example.org")), "THE LIST, most urgent first")

	news = true
	run = write(fleet.QuietNothing, before)
	require.Contains(t, told(t, letterTo(t, run, "mara@example.org")), "New on the list: P-031")
	require.Len(t, before, 1)
	require.Equal(t, last, before["NOR"], "the schedule's own is not written to")
}

func TestLettersOfferOneClickToLeave(t *testing.T) {
	o := &office{people: somePeople(), left: map[string]bool{"jo@example.org": true}}
	d := newDesk(t, o, WinterListKind(gatherSome, 3))
	s := mondayOf(WinterListName, "NOR", "person:mara", "person:jo", "ext@example.net")
	run, err := d.due(t.Context(), s, deskNow, deskNow)
	require.NoError(t, err)
	require.Len(t, run.Letters, 2, "who has left gets none")
	require.Empty(t, run.Note)
	l := letterTo(t, run, "ext@example.net")
	h, parts := mimeParts(t, l.Message)
	link := "https://rime.example.org/yard/unsubscribe/token-of-ext-at-example.net"
	require.Equal(t, "<"+link+">", h.Get("List-Unsubscribe"))
	require.Equal(t, "List-Unsubscribe=One-Click", h.Get("List-Unsubscribe-Post"))
	require.NotContains(t, told(t, letterTo(t, run, "mara@example.org")), "ext-at-example.net", "everybody has a link of their own")
	for i := range parts {
		parts[i].body = strings.ReplaceAll(parts[i].body, "\r\n", "\n")
	}
	_, foot, found := strings.Cut(parts[3].body, "leaves above it.\n")
	require.True(t, found)
	requireGolden(t, "foot.txt", foot)
	_, foot, found = strings.Cut(parts[4].body, "</td></tr></table>\n</td></tr></table>\n")
	require.True(t, found)
	requireGolden(t, "foot.html", foot)

	d.Site.Scheme = "http" // RFC 8058 §3.1 wants https
	run, err = d.due(t.Context(), s, deskNow, deskNow)
	require.NoError(t, err)
	h, _ = mimeParts(t, letterTo(t, run, "ext@example.net").Message)
	require.True(t, h.Has("List-Unsubscribe"))
	require.False(t, h.Has("List-Unsubscribe-Post"))

	d.Site = nil
	run, err = d.due(t.Context(), s, deskNow, deskNow)
	require.NoError(t, err)
	h, _ = mimeParts(t, letterTo(t, run, "ext@example.net").Message)
	require.False(t, h.Has("List-Unsubscribe"))
	require.NotContains(t, told(t, run.Letters[0]), "Do not send me")
	require.Len(t, run.Letters, 2, "who has left has left, links or not")
}

func TestTablesAreAttachedInTheFormsAskedFor(t *testing.T) {
	o := &office{people: somePeople()}
	audit := someAuditData(t)
	d := newDesk(t, o, WinterListKind(gatherSome, 3), AuditKind(func(context.Context, Asked) (AuditData, error) { return audit, nil }))
	for _, report := range []string{WinterListName, AuditName} {
		s := mondayOf(report, "", "ext@example.net")
		s.Attach = []fleet.Attachment{fleet.AttachPDF, fleet.AttachXLSX}
		run, err := d.Now(t.Context(), s, "x", deskNow)
		require.NoError(t, err)
		_, parts := mimeParts(t, run.Letters[0].Message)
		pdf, workbook := parts[len(parts)-2], parts[len(parts)-1]
		require.Equal(t, "application/pdf", pdf.kind)
		require.True(t, strings.HasPrefix(pdf.body, "%PDF-"))
		require.Equal(t, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", workbook.kind)
		require.True(t, strings.HasPrefix(workbook.body, "PK\x03\x04"))
		s.Attach = nil
		run, err = d.Now(t.Context(), s, "x", deskNow)
		require.NoError(t, err)
		_, parts = mimeParts(t, run.Letters[0].Message)
		for _, p := range parts {
			require.NotEqual(t, "attachment", p.disposition)
		}
		require.NotContains(t, told(t, run.Letters[0]), "attached", "what is not attached is not spoken of")
		require.Contains(t, told(t, run.Letters[0]), "page of the "+strings.ReplaceAll(report, "-", " "))
	}
	for _, kind := range d.Kinds {
		require.NoError(t, kind.Takes(everyForm()))
		require.ErrorContains(t, kind.Takes([]fleet.Attachment{"csv", "csv"}), "csv is given twice")
		require.ErrorContains(t, kind.Takes([]fleet.Attachment{"odt"}), "odt cannot be attached")
	}
}

func TestLettersAskedForNow(t *testing.T) {
	o := &office{people: somePeople(), left: map[string]bool{"mara@example.org": true}}
	d := newDesk(t, o, WinterListKind(gatherSome, 3))
	s := mondayOf(WinterListName, "NOR", "person:mara", "person:rita")
	s.Said, s.WhenQuiet = map[string]fleet.Said{"NOR": {Mark: "1", At: deskNow}}, fleet.QuietNothing
	run, err := d.Now(t.Context(), s, "by hand/x", deskNow)
	require.NoError(t, err)
	require.Len(t, run.Letters, 1, "whoever asks gets it, also who has left the schedule")
	require.Equal(t, "by hand/x/mara@example.org", run.Letters[0].DedupeKey)
	h, _ := mimeParts(t, run.Letters[0].Message)
	require.False(t, h.Has("List-Unsubscribe"), "there is nothing to leave")
	require.Empty(t, o.asked)
	require.Contains(t, run.Note, "not for the role reader")

	s.Recipients = []string{"person:rita"}
	_, err = d.Now(t.Context(), s, "by hand/y", deskNow)
	require.ErrorIs(t, err, ErrNobody)
	require.ErrorContains(t, err, "not for the role reader")
	s.Report = "horoscope"
	_, err = d.Now(t.Context(), s, "by hand/z", deskNow)
	require.ErrorContains(t, err, `no report is called "horoscope"; there is winter-list`)
}

func TestTheLineIsGolden(t *testing.T) {
	c, err := Content{Subject: "NOR: all that came in was taken, and all units report"}.quiet(fleet.QuietLine, "8 Oct")
	require.NoError(t, err)
	requireGolden(t, "line.txt", c.Text)
	requireGolden(t, "line.html", c.HTML)
}

func TestTheSameLetterHasTheSameBytes(t *testing.T) {
	write := func() fleet.Run {
		o := &office{people: somePeople()}
		run, err := newDesk(t, o, WinterListKind(gatherSome, 0)).due(t.Context(), mondayOf(WinterListName, "", "role:manager", "ext@example.net"), deskNow, deskNow)
		require.NoError(t, err)
		return run
	}
	first, again := write(), write()
	require.Greater(t, len(first.Letters), 2)
	for i := range first.Letters {
		require.Equal(t, first.Letters[i].MessageID, again.Letters[i].MessageID)
		require.Equal(t, told(t, first.Letters[i]), told(t, again.Letters[i]))
	}
}
