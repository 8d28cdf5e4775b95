package web

import (
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

func TestEveryRouteHasARule(t *testing.T) {
	w := newWorld(t)
	used := map[string]bool{}
	for _, r := range w.srv.echo.Routes() {
		_, ok := ruleOf(r.Method, r.Path)
		require.True(t, ok, "route %s %s has no row in the table of rights", r.Method, r.Path)
		used[strings.Replace(r.Method, "HEAD", "GET", 1)+" "+r.Path] = true
	}
	for route, r := range rights {
		require.True(t, used[route], "the table of rights names %s, which is no route", route)
		require.True(t, r.open || len(r.roles) > 0 || r.token != "", "nobody may use %s", route)
		if r.depot == ownUnit {
			require.Contains(t, route, "/:unit", "there is no unit in the path to judge by")
		}
		if strings.Contains(route, "/:unit") {
			require.Equal(t, ownUnit, r.depot, "%s shows a unit", route)
		}
	}
}

func TestARouteWithoutARuleIsRefused(t *testing.T) {
	w := newWorld(t)
	w.srv.echo.GET("/forgotten", w.srv.home)
	w.addPerson("adam", fleet.Administrator)
	require.Equal(t, http.StatusForbidden, w.as("adam").get("/forgotten").status)
}

// exampleOf fills what stands open in the paths of routes, or needs a query; a route with a new parameter adds its line.
var exampleOf = map[string]string{
	":unit":                                "N-1",
	":person":                              "una",
	":token":                               "gate",
	":schedule":                            "1",
	":letter":                              "1",
	"/settings/schedules/:schedule/remove": "/settings/schedules/2/remove",
	"/winter-list/cold-ladder.svg":         "/winter-list/cold-ladder.svg?depot=NOR",
	":claim":                               "1",
	":bill":                                "1",
	"/ledger/claims/new":                   "/ledger/claims/new?unit=N-2&kind=battery&serial=BX-2",
	":import":                              "1",
	":entry":                               refusedEntry,
	":phone":                               "una-phone",
	"/bench/unit":                          "/bench/unit?unit=N-1",
	":search":                              "1",
	":row":                                 "bdcb9e1293a304749e95e1066a6b604dda68313708ed1e6d46510574e237a21f", // of yard.csv
	":job":                                 "1",
	"/jobs/:job/fit":                       "/jobs/2/fit",
	"/stock/part":                          "/stock/part?depot=NOR&part=P-70",
	"/intake/alike":                        "/intake/alike?kind=battery_tests",
}

var parameter = regexp.MustCompile(`:[a-z_]+`)

// example is an address that the route of this path answers, in the world of addFleet.
func example(tb testing.TB, path string) string {
	tb.Helper()
	if whole, ok := exampleOf[path]; ok {
		return whole
	}
	return parameter.ReplaceAllStringFunc(path, func(name string) string {
		value, ok := exampleOf[name]
		require.True(tb, ok, "%s: give an example of %s in exampleOf", path, name)
		return value
	})
}

// Every rule is asked by every role and by nobody: the table and what the server does must agree.
func TestRolesAreHeldToTheTable(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	askers := map[fleet.Role]*browser{"": w.browser()}
	for _, role := range fleet.Roles() {
		w.addPerson(string(role), role)
		askers[role] = w.as(string(role))
	}
	for _, route := range slices.Sorted(maps.Keys(rights)) { // what is looked at comes before what is done
		r := rights[route]
		method, path, _ := strings.Cut(route, " ")
		if r.open || route == "POST /sign-out" {
			continue // no role is asked for; the sign-in tests go through them
		}
		path = example(t, path)
		for role, b := range askers {
			res := b.do(method, path, "", "Content-Type", "application/x-www-form-urlencoded")
			switch {
			case role == "" && method == http.MethodGet && !strings.HasPrefix(path, "/api/"):
				require.Equal(t, http.StatusSeeOther, res.status, "%s asked by nobody", route)
				require.Contains(t, res.header.Get("Location"), "/sign-in?")
			case role == "":
				require.Equal(t, http.StatusUnauthorized, res.status, "%s asked by nobody", route)
			case slices.Contains(r.roles, role):
				if method == http.MethodPost { // let in; what the empty form lacks is for the form's own tests
					require.NotContains(t, []int{http.StatusUnauthorized, http.StatusForbidden}, res.status, "%s asked by %s: %s", route, role, res.body)
					require.Less(t, res.status, 500, "%s asked by %s: %s", route, role, res.body)
					continue
				}
				require.Less(t, res.status, 400, "%s asked by %s: %s", route, role, res.body)
			default:
				require.Equal(t, http.StatusForbidden, res.status, "%s asked by %s", route, role)
			}
		}
	}
}

func TestDepotsAreKeptApart(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	w.addPerson("lost", fleet.Mechanic, "NOR")
	_, err := w.db.Pool().Exec(t.Context(), `DELETE FROM person_depot WHERE person = 'lost'`)
	require.NoError(t, err)
	jo := w.as("jo")

	require.ElementsMatch(t, []string{"N-1", string(hostileUnit), "N-2"}, listedUnits(jo.get("/winter-list").page()))
	require.NotContains(t, jo.get("/winter-list.csv").body, "S-1")
	require.NotContains(t, jo.get("/api/v1/winter-list").body, "S-1")
	require.Equal(t, http.StatusOK, jo.get("/units/N-1").status)
	require.Equal(t, http.StatusOK, jo.get("/units/N-1/crank-volts.svg").status)
	missing := jo.get("/units/no-such-unit")
	for _, path := range []string{"/units/S-1", "/units/S-1/crank-volts.svg", "/winter-list?depot=SUD", "/winter-list.csv?depot=SUD", "/winter-list/cold-ladder.svg?depot=SUD", "/api/v1/winter-list?depot=SUD"} {
		require.Equal(t, http.StatusNotFound, jo.get(path).status, path)
	}
	require.Equal(t, missing.status, jo.get("/units/S-1").status, "what is not theirs is as if it were not there")
	require.NotContains(t, jo.get("/winter-list").body, "SUD", "not even its name")
	require.Len(t, all(jo.get("/winter-list").page(), "select", "id", "depot"), 1)

	lost := w.as("lost")
	require.Empty(t, listedUnits(lost.get("/winter-list").page()))
	require.Equal(t, http.StatusNotFound, lost.get("/units/N-1").status)
	require.JSONEq(t, `{"as_of":"2026-11-24","season":{"from":"2026-10-01","to":"2027-03-31"},"units":[]}`, lost.get("/api/v1/winter-list").body)
}

func TestRowsKeptApartAreShownToTheirDepot(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	res, err := http.NewRequestWithContext(t.Context(), http.MethodPost, w.http.URL+"/api/v1/readings", strings.NewReader(
		`{"battery_tests": [{"tested_at": "2026-11-21T08:00:00Z", "unit": "N-1", "rest_v": "12x"}, {"tested_at": "2026-11-21T08:00:00Z", "unit": "S-1", "rest_v": "<b>13y</b>"}, {"tested_at": "2026-11-21T08:00:00Z", "unit": "nobody's", "rest_v": 12}]}`))
	require.NoError(t, err)
	res.Header.Set("Content-Type", "application/json")
	res.Header.Set("Authorization", "Bearer "+w.addToken("logger", fleet.BringReadings, ""))
	answer, err := http.DefaultClient.Do(res)
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
	require.Equal(t, http.StatusOK, answer.StatusCode)

	w.addPerson("jo", fleet.Mechanic, "NOR")
	w.addPerson("mara", fleet.Manager)
	own, every := w.as("jo").get("/intake"), w.as("mara").get("/intake")
	require.Contains(t, text(own.page()), "12x")
	require.NotContains(t, text(own.page()), "13y")
	require.NotContains(t, text(own.page()), "Recent imports")
	for _, value := range []string{"12x", "<b>13y</b>", "nobody's", "api:logger"} {
		require.Contains(t, text(every.page()), value)
	}
	require.NotContains(t, w.as("jo").get("/intake/kept-apart.csv").body, "13y")
	require.Contains(t, w.as("mara").get("/intake/kept-apart.csv").body, "13y")
}

func TestMenusShowWhatMayBeOpened(t *testing.T) {
	w := newWorld(t)
	for role, want := range map[fleet.Role]string{fleet.Reader: "Winter list Tonight Plan Jobs Faults Audit Settings", fleet.Mechanic: "Winter list Tonight Bench Plan Jobs Faults Audit Intake Settings"} {
		w.addPerson(string(role), role)
		doc := w.as(string(role)).get("/winter-list").page()
		require.Equal(t, want, text(all(doc, "nav", "aria-label", "Pages")[0]))
	}
}

func TestATokenIsNoSignIn(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	token := w.addToken("logger", fleet.BringReadings, "")
	for _, path := range []string{"/winter-list", "/units/N-1", "/intake"} {
		res := w.browser().get(path, "Authorization", "Bearer "+token)
		require.Equal(t, http.StatusSeeOther, res.status, path)
	}
	require.Equal(t, http.StatusForbidden, w.browser().get("/api/v1/winter-list", "Authorization", "Bearer "+token).status, "it is for readings")
	w.addPerson("mara", fleet.Manager)
	require.Equal(t, http.StatusForbidden, w.as("mara").post("/api/v1/readings", url.Values{}).status, "readings come by token only")
}
