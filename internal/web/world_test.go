package web

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"rimeyard/alerts"
	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// hostileUnit is a unit whose number would be markup, a path and a query if it were let.
const hostileUnit fleet.UnitID = `<script>alert("x")</script>/../?a=b&c`

const (
	testPassword = "seven cold mornings"
	testNow      = "2026-11-25T09:30:00Z"
)

// testHash is made once: each costs a tenth of a second.
var testHash = sync.OnceValue(func() string { return HashPassword(testPassword) })

// world is a server on a real database with two depots, five units and a list.
type world struct {
	t    testing.TB
	db   *store.DB
	srv  *Server
	http *httptest.Server
	log  *lockedBuffer
	now  time.Time
}

// lockedBuffer takes log lines from several goroutines.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func newWorld(tb testing.TB, change ...func(*Config)) *world {
	tb.Helper()
	now, err := time.Parse(time.RFC3339, testNow)
	require.NoError(tb, err)
	w := &world{t: tb, db: store.New(pgtest.New(tb)), log: &lockedBuffer{}, now: now}
	cfg := Config{
		Store: w.db, Sessions: w.db.Sessions(SessionIdle), Database: w.db.Pool(),
		Log: slog.New(slog.NewJSONHandler(w.log, nil)), Now: func() time.Time { return w.now }, Desk: deskOf(w.db),
		Intake: func(ctx context.Context, body io.Reader, opt ingest.Options) (*ingest.Result, error) {
			return ingest.ImportBatch(ctx, w.db, body, opt)
		},
		Files: func(ctx context.Context, paths []string, opt ingest.Options) (*ingest.Result, error) {
			return ingest.Import(ctx, w.db, paths, opt)
		},
		Mend: func(ctx context.Context, mends []fleet.Mend, opt ingest.MendOptions) (ingest.Mending, error) {
			return ingest.Mend(ctx, w.db, mends, opt)
		},
	}
	cfg.Judge, cfg.Prover = w.judge, w.prove
	for _, c := range change {
		c(&cfg)
	}
	w.srv, err = New(cfg)
	require.NoError(tb, err)
	w.srv.patience = time.Minute // a machine that is busy with other tests is slower than people are patient
	w.http = httptest.NewServer(w.srv.Handler())
	tb.Cleanup(w.http.Close)
	return w
}

// taught is what the world's fleet teaches; it is the same in every world, so it is learned once.
var taught struct {
	once    sync.Once
	learned alerts.Learned
}

// judge judges a unit as the command's server does, by what the world's fleet teaches.
func (w *world) judge(ctx context.Context, unit fleet.UnitID, since fleet.Date) (alerts.Judgement, error) {
	judge, h, err := w.newJudge(ctx, unit)
	if err != nil {
		return alerts.Judgement{}, err
	}
	return judge.Unit(h, since)
}

// prove judges a crank after the work as the command's server does.
func (w *world) prove(ctx context.Context, unit fleet.UnitID, part fleet.Part, crank fleet.Crank) (alerts.Proving, error) {
	judge, h, err := w.newJudge(ctx, unit)
	if err != nil {
		return alerts.Proving{}, err
	}
	return judge.Proves(h, part, crank)
}

func (w *world) newJudge(ctx context.Context, unit fleet.UnitID) (*alerts.Judge, fleet.History, error) {
	if _, err := w.db.LatestIssue(ctx); err != nil {
		return nil, fleet.History{}, err
	}
	depots, err := w.db.Depots(ctx)
	if err != nil {
		return nil, fleet.History{}, err
	}
	temps, err := w.db.DayTemps(ctx)
	if err != nil {
		return nil, fleet.History{}, err
	}
	h, err := w.db.History(ctx, unit)
	if err != nil {
		return nil, fleet.History{}, err
	}
	in := alerts.Input{AsOf: fleet.DateOf(w.now, time.UTC) + 1, Depots: depots, Temps: temps, Histories: w.db.Histories(ctx, nil), Workers: 2}
	taught.once.Do(func() {
		issued, learnErr := alerts.Issue(ctx, in)
		taught.learned, err = issued.Learned, learnErr
	})
	if err != nil {
		return nil, fleet.History{}, err
	}
	return alerts.NewJudge(taught.learned, in), h, nil
}

// addFleet brings depots NOR and SUD, units, readings, audits and, by the days before the test's now, a ranked list.
func (w *world) addFleet() {
	w.t.Helper()
	w.bring(fleetJSON())
	w.issue(
		forecast("N-1", "NOR", 1, fleet.Swap),
		forecast("S-1", "SUD", 2, fleet.Down),
		forecast(hostileUnit, "NOR", 3, fleet.Watch),
		forecast("N-2", "NOR", 4, fleet.Sound),
		fleet.Forecast{Unit: "S-2", Depot: "SUD", Rank: 5, Band: fleet.UnknownBand, Suspect: fleet.BatteryPart, SuspectProbabilities: map[fleet.Part]float64{fleet.BatteryPart: 1}},
	)
	w.addAudit()
	w.addPerson("una", fleet.Reader, "NOR")
	w.addToken("gate", fleet.BringReadings, "NOR")
	w.addPost()
	w.addWork()
	w.addBench()
	w.addFaults()
	w.keepApart("yard.csv", "tested_at,unit,rest_v,shift\n2026-11-19T08:00:00Z,N-1,12400,early\n")
	w.addMoney()
}

// addWork opens jobs in all states, of which the first is N-2's battery, fitted twice and not proven, and stocks the shelf of NOR.
func (w *world) addWork() {
	w.t.Helper()
	_, err := w.db.Pool().Exec(w.t.Context(), `INSERT INTO part (part, kind) VALUES ('P-70', 'battery'), ('Q-2', 'starter');
		INSERT INTO part_price (part, from_date, price, core_deposit, free_months) VALUES ('P-70', '2026-01-01', 14900, 1800, 24);
		INSERT INTO stock_move (depot, part, pieces, because, moved_by, unit_price) VALUES ('NOR', 'P-70', 5, 'bought', 'nils', 14500);
		INSERT INTO part_order (depot, part, pieces, ordered_on, expected_on, ordered_by) VALUES ('NOR', 'Q-2', 1, '2026-11-20', '2026-11-30', 'nils');
		INSERT INTO shelf_battery (serial, depot, part, made_on, came_on) VALUES ('SH-1', 'NOR', 'P-70', '2026-06-01', '2026-07-01'), ('SH-2', 'NOR', 'P-70', '2026-10-01', '2026-11-01')`)
	require.NoError(w.t, err)
	day := fleet.DateOf(w.now, time.UTC)
	battery := w.openJob("N-2", fleet.BatteryPart, "cranks 0.4 V lower than a year ago")
	battery = w.step(battery, fitted("N-2", "B-2", day))
	battery = w.step(battery, fleet.JobChange{To: fleet.JobFound, Proof: &fleet.Proof{CrankedAt: w.now, Why: "it cranked slowly"}})
	w.step(battery, fitted("N-2", "B-3", day))
	starter := w.openJob(hostileUnit, fleet.StarterPart, "clicks and does not turn")
	w.step(starter, fleet.JobChange{To: fleet.JobPlanned, Monday: fleet.Known(day.Monday() + 7), Who: "nils"})
	w.openJob("S-1", fleet.BatteryPart, "rests at 12.1 V")
}

// fitted puts a new battery into a unit with one place.
func fitted(unit fleet.UnitID, serial string, day fleet.Date) fleet.JobChange {
	return fleet.JobChange{To: fleet.JobFitted, Fitting: fleet.Fitting{Because: fleet.RemovedFailed, Batteries: []fleet.BatteryFitting{{
		Battery: serial, Unit: unit, Position: 1, Part: "P-70", Chemistry: fleet.AGM, RatedCCAA: 850, CCAStandard: fleet.SAE, FittedOn: fleet.Known(day),
	}}}}
}

func (w *world) openJob(unit fleet.UnitID, part fleet.Part, because string) fleet.Job {
	w.t.Helper()
	j, _, err := w.db.OpenJob(w.t.Context(), fleet.NewJob{Unit: unit, Part: part, Work: fleet.WorkSwap, Because: because, By: "nils"})
	require.NoError(w.t, err)
	return j
}

// step takes a step of a job from the state that it is known by, now.
func (w *world) step(j fleet.Job, c fleet.JobChange) fleet.Job {
	w.t.Helper()
	c.Job, c.Seen, c.By, c.At, c.Today = j.ID, j.Step, "nils", w.now, fleet.DateOf(w.now, time.UTC)
	j, err := w.db.ChangeJob(w.t.Context(), c)
	require.NoError(w.t, err)
	return j
}

// keepApart brings a file of which each row is kept apart.
func (w *world) keepApart(name, text string) {
	w.t.Helper()
	path := filepath.Join(w.t.TempDir(), name)
	require.NoError(w.t, os.WriteFile(path, []byte(text), 0o600))
	res, err := ingest.Import(w.t.Context(), w.db, []string{path}, ingest.Options{Source: "test", Now: w.now})
	require.NoError(w.t, err)
	require.Equal(w.t, res.Files[0].Rows, res.Files[0].KeptApart)
	require.NoError(w.t, res.Close())
}

func (w *world) bring(batch string) {
	w.t.Helper()
	res, err := ingest.ImportBatch(w.t.Context(), w.db, strings.NewReader(batch), ingest.Options{Source: "test", Now: w.now})
	require.NoError(w.t, err)
	var b bytes.Buffer
	require.NoError(w.t, res.WriteJSON(&b))
	require.True(w.t, res.Complete(), "%s", b.String())
	require.NoError(w.t, res.Close())
}

func (w *world) issue(units ...fleet.Forecast) {
	w.t.Helper()
	asOf := fleet.NewDate(2026, 11, 24)
	_, err := w.db.AddIssue(w.t.Context(), fleet.RankedList{
		AsOf: asOf, Season: fleet.Season{From: fleet.NewDate(2026, 10, 1), To: fleet.NewDate(2027, 3, 31)}, Units: units,
	}, "test", fleet.Beside{Outlooks: outlooks(units)})
	require.NoError(w.t, err)
}

// outlooks run up evenly to the season's chance over the eighteen weeks from the as-of date.
func outlooks(units []fleet.Forecast) (all []fleet.Outlook) {
	for _, f := range units {
		p := f.NoStartProbability.Or(0)
		o := fleet.Outlook{
			Unit: f.Unit, ChanceIf: [5]float64{p / 3, p / 2, p, (1 + p) / 2, (2 + p) / 3},
			Night:          fleet.NightCurve{LimitC: f.ColdLimitC.Or(-30), SDC: 2, SpreadC: 3, Quiet: 0.001},
			DriftCPerMonth: fleet.Known(0.4), RestV: fleet.Known(12.3), SocPct: fleet.Known(57.0), FreezesAtC: fleet.Known(-28.3),
			NoStartCost: fleet.Known(fleet.Money(85000)), SwapCosts: map[fleet.Part]fleet.Money{fleet.BatteryPart: 31200, fleet.StarterPart: 42000},
			AgeYears: map[fleet.Part]float64{fleet.BatteryPart: 4.5}, Fitted: map[fleet.Part][]string{fleet.BatteryPart: {"B-100"}},
		}
		for winter := 1; winter <= 3; winter++ { // a mild one, a usual one and a hard one, November to March
			o.ByWinter = append(o.ByWinter, fleet.PastWinter{
				Year: 2022 + winter, Chance: []float64{0, p * float64(winter) / 8, p * float64(winter) / 5, p * float64(winter) / 4, p * float64(winter) / 3},
			})
		}
		for week := 1; week <= 18; week++ {
			o.ChanceByWeek = append(o.ChanceByWeek, p*float64(week)/18)
		}
		all = append(all, o)
	}
	return all
}

func forecast(unit fleet.UnitID, depot fleet.DepotID, rank int, band fleet.Band) fleet.Forecast {
	limit := -float64(5 + rank) // the order of rank is that of the limit
	return fleet.Forecast{
		Unit: unit, Depot: depot, Rank: rank, Band: band, NoStartProbability: fleet.Known(1 / float64(1+rank)),
		ColdLimitC: fleet.Known(limit), ColdLimitP10C: fleet.Known(limit - 3), ColdLimitP90C: fleet.Known(limit + 2.5),
		Suspect: fleet.StarterPart,
		SuspectProbabilities: map[fleet.Part]float64{
			fleet.BatteryPart: 0.2, fleet.StarterPart: 0.5, fleet.CablePart: 0.1, fleet.ChargingPart: 0.1, fleet.ControlPart: 0.1,
		},
		ExpectedLoss: fleet.Known(fleet.Money(51420)), SwapCost: fleet.Known(fleet.Money(31200)), SwapBy: fleet.Known(fleet.NewDate(2026, 12, 6)),
		Evidence: []string{"cranks 0.4 V lower than a year ago <b>at 0 °C</b>", "second line"},
	}
}

// fleetJSON is the fleet as a batch: depots in two zones, cranks over two winters, tests, a swap and a breakdown.
func fleetJSON() string {
	quoted := func(u fleet.UnitID) string { return strings.ReplaceAll(string(u), `"`, `\"`) }
	var temps, cranks []string
	for d := fleet.NewDate(2023, 10, 1); d < fleet.NewDate(2026, 11, 28); d++ {
		for _, depot := range []string{"NOR", "SUD"} {
			low := -4 - int(d)%13
			temps = append(temps, fmt.Sprintf(`{"depot": %q, "date": %q, "min_c": %d, "max_c": %d}`, depot, d, low, low+6))
		}
	}
	for i := range 60 {
		at := time.Date(2026, 11, 20, 6, 0, 0, 0, time.UTC).AddDate(0, 0, -12*i)
		t := float64(i%20) - 12
		cranks = append(cranks, fmt.Sprintf(`{"cranked_at": %q, "unit": "N-1", "rest_v": 12.6, "min_v": %.2f, "duration_ms": 900, "temperature_c": %.0f}`,
			at.Format(time.RFC3339), 9.9+0.03*t-0.004*float64(60-i), t))
	}
	vehicle := func(unit fleet.UnitID, depot string) string {
		return fmt.Sprintf(`{"unit": "%s", "depot": %q, "class": "medium <i>", "fuel": "diesel", "system_volts": 12, "batteries": 1, "no_start_cost": "420.00"}`, quoted(unit), depot)
	}
	return fmt.Sprintf(`{
	"depots": [
		{"depot": "NOR", "name": "North & Sons <yard>", "timezone": "America/Toronto", "latitude": 45},
		{"depot": "SUD", "name": "South yard", "timezone": "Europe/Paris", "latitude": 46}],
	"vehicles": [%s],
	"batteries": [
		{"battery": "B-0", "unit": "N-1", "position": 1, "part": "P-70", "chemistry": "agm", "rated_cca_a": 850, "cca_standard": "sae", "fitted_on": "2022-02-01", "removed_on": "2024-03-03", "removed_because": "failed"},
		{"battery": "B-1", "unit": "N-1", "position": 1, "part": "P-70", "chemistry": "agm", "rated_cca_a": 850, "cca_standard": "sae", "fitted_on": "2024-03-03"}],
	"starters": [{"starter": "ST-9", "unit": "N-1", "part": "Q-2"}],
	"battery_tests": [{"tested_at": "2026-11-20T23:30:00Z", "unit": "N-1", "rest_v": 12.41, "cca_a": 602, "cca_standard": "sae", "temperature_c": 4, "tested_by": "<em>jo</em>", "note": "a & b"}],
	"breakdowns": [{"happened_at": "2024-03-02T12:00:00Z", "unit": "N-1", "cause": "battery", "cost": "310.50", "hours_down": 4}],
	"crank_events": [%s],
	"temperatures": [%s]}`,
		strings.Join([]string{vehicle("N-1", "NOR"), vehicle("N-2", "NOR"), vehicle(hostileUnit, "NOR"), vehicle("S-1", "SUD"), vehicle("S-2", "SUD")}, ","),
		strings.Join(cranks, ","), strings.Join(temps, ","))
}

func (w *world) addPerson(name string, role fleet.Role, depots ...fleet.DepotID) {
	w.t.Helper()
	added, err := w.db.AddPerson(w.t.Context(), fleet.Person{
		Name: name, Role: role, AllDepots: len(depots) == 0, Depots: depots, PasswordHash: testHash(),
	})
	require.NoError(w.t, err)
	require.True(w.t, added)
}

func (w *world) addToken(name string, use fleet.TokenUse, depot fleet.DepotID) string {
	w.t.Helper()
	token, hash := NewToken()
	added, err := w.db.AddToken(w.t.Context(), fleet.Token{Name: name, Use: use, Depot: depot}, hash)
	require.NoError(w.t, err)
	require.True(w.t, added)
	return token
}

// browser keeps cookies, asks for pages and follows no redirect.
type browser struct {
	w      *world
	client *http.Client
}

func (w *world) browser() *browser {
	w.t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(w.t, err)
	return &browser{w, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// as is a browser in which the person has signed in.
func (w *world) as(name string) *browser {
	w.t.Helper()
	b := w.browser()
	res := b.signIn(name, testPassword)
	require.Equal(w.t, http.StatusSeeOther, res.status, "%s", res.body)
	return b
}

// reply is an answer, read whole.
type reply struct {
	t      testing.TB
	status int
	header http.Header
	body   string
}

func (b *browser) do(method, path, body string, header ...string) reply {
	b.w.t.Helper()
	req, err := http.NewRequestWithContext(b.w.t.Context(), method, b.w.http.URL+path, strings.NewReader(body))
	require.NoError(b.w.t, err)
	req.Header.Set("Accept", "text/html,*/*")
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := b.client.Do(req)
	require.NoError(b.w.t, err)
	defer res.Body.Close()
	got, err := io.ReadAll(res.Body)
	require.NoError(b.w.t, err)
	return reply{b.w.t, res.StatusCode, res.Header, string(got)}
}

func (b *browser) get(path string, header ...string) reply {
	b.w.t.Helper()
	return b.do(http.MethodGet, path, "", header...)
}

func (b *browser) post(path string, form url.Values, header ...string) reply {
	b.w.t.Helper()
	return b.do(http.MethodPost, path, form.Encode(), append([]string{"Content-Type", "application/x-www-form-urlencoded"}, header...)...)
}

func (b *browser) signIn(name, password string) reply {
	b.w.t.Helper()
	return b.post("/sign-in", url.Values{"name": {name}, "password": {password}})
}

func (b *browser) sessionCookie() string {
	u, err := url.Parse(b.w.http.URL)
	require.NoError(b.w.t, err)
	for _, c := range b.client.Jar.Cookies(u) {
		if c.Name == b.w.srv.sessions.Cookie.Name {
			return c.Value
		}
	}
	return ""
}

// page parses the reply, which must be a page.
func (r reply) page() *html.Node {
	r.t.Helper()
	require.True(r.t, strings.HasPrefix(r.header.Get("Content-Type"), "text/html"), "%d %s", r.status, r.body)
	doc, err := html.Parse(strings.NewReader(r.body))
	require.NoError(r.t, err)
	return doc
}

// all lists the elements of a kind that carry the attribute, and with a value given, have it.
func all(n *html.Node, tag, attr, value string) []*html.Node {
	var found []*html.Node
	for d := range n.Descendants() {
		if d.Type != html.ElementNode || d.Data != tag {
			continue
		}
		got, has := attribute(d, attr)
		if attr == "" || has && (value == "" || got == value) {
			found = append(found, d)
		}
	}
	return found
}

func attribute(n *html.Node, key string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val, true
		}
	}
	return "", false
}

// text is what people read in an element, spaces collapsed.
func text(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
			b.WriteByte(' ')
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// listedUnits are the units in the rows of the winter list.
func listedUnits(doc *html.Node) []string {
	var units []string
	for _, list := range all(doc, "table", "class", "list") {
		for _, th := range all(list, "th", "scope", "row") {
			units = append(units, text(th))
		}
	}
	return units
}
