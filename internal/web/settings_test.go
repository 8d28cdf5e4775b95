package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"rimeyard/internal/fleet"
)

// follow takes a change's redirect to its page and gives what that says was done.
func (b *browser) follow(r reply) (doc reply, said string) {
	b.w.t.Helper()
	require.Equal(b.w.t, http.StatusSeeOther, r.status, "%s", r.body)
	doc = b.get(r.header.Get("Location"))
	require.Equal(b.w.t, http.StatusOK, doc.status)
	for _, p := range all(doc.page(), "p", "role", "status") {
		said += text(p)
	}
	return doc, said
}

// refused gives what a form that was sent back says is wrong, by field.
func (r reply) refused() map[string]string {
	r.t.Helper()
	require.Equal(r.t, http.StatusUnprocessableEntity, r.status, "%s", r.body)
	doc, wrong := r.page(), map[string]string{}
	require.NotEmpty(r.t, all(doc, "p", "role", "alert"), "the top of the page says so too")
	for _, p := range all(doc, "p", "class", "wrong") {
		if id, ok := attribute(p, "id"); ok {
			field := strings.TrimSuffix(id, "-wrong")
			wrong[field] = text(p)
			described := slices.ContainsFunc(append(all(doc, "input", "id", field), append(all(doc, "fieldset", "id", field),
				append(all(doc, "textarea", "id", field), all(doc, "select", "id", field)...)...)...), func(n *html.Node) bool {
				by, _ := attribute(n, "aria-describedby")
				return slices.Contains(strings.Fields(by), id)
			})
			require.True(r.t, described, "%s is tied to its field", id)
		}
	}
	return wrong
}

// typed is what a field of a page holds.
func (r reply) typed(field string) string {
	r.t.Helper()
	value, _ := attribute(all(r.page(), "input", "id", field)[0], "value")
	return value
}

// chosen are the radio buttons and boxes of a name that are ticked.
func (r reply) chosen(name string) []string {
	r.t.Helper()
	var values []string
	for _, input := range all(r.page(), "input", "name", name) {
		if _, ticked := attribute(input, "checked"); ticked {
			value, _ := attribute(input, "value")
			values = append(values, value)
		}
	}
	return values
}

func newSettingsWorld(t *testing.T) (w *world, adam *browser) {
	t.Helper()
	w = newWorld(t)
	w.addFleet()
	w.addPerson("adam", fleet.Administrator)
	return w, w.as("adam")
}

func (w *world) person(name string) fleet.Person {
	w.t.Helper()
	p, found, err := w.db.Person(w.t.Context(), name)
	require.NoError(w.t, err)
	require.True(w.t, found, name)
	return p
}

func TestAddAPerson(t *testing.T) {
	w, adam := newSettingsWorld(t)
	form := url.Values{
		"name": {" Jo "}, "full-name": {"Jo <b>of</b> the yard"}, "email": {"jo@fleet.example"}, "role": {"mechanic"}, "whole": {"some"},
		"depot": {"SUD", "NOR"}, "made": {"typed"}, "password": {testPassword},
	}
	page, said := adam.follow(adam.post("/settings/add-person", form))
	require.Equal(t, "jo may sign in now, as mechanic.", said)
	require.Contains(t, text(page.page()), "Jo <b>of</b> the yard", "as text, not as markup")
	_, again := adam.follow(reply{t: t, status: http.StatusSeeOther, header: http.Header{"Location": {"/settings/people"}}})
	require.Empty(t, again, "what was done is said once")
	got := w.person("jo")
	got.PasswordHash = ""
	require.Equal(t, fleet.Person{
		Name: "jo", FullName: "Jo <b>of</b> the yard", Email: "jo@fleet.example", Role: fleet.Mechanic, Depots: []fleet.DepotID{"NOR", "SUD"},
	}, got)
	w.as("jo")

	form.Set("made", "made-up")
	form.Set("name", "bo")
	form.Set("whole", "all")
	res := adam.post("/settings/add-person", form)
	require.Equal(t, http.StatusOK, res.status)
	require.Contains(t, res.header.Get("Cache-Control"), "no-store")
	secret := text(all(res.page(), "code", "class", "secret")[0])
	require.Equal(t, http.StatusSeeOther, w.browser().signIn("bo", secret).status)
	require.True(t, w.person("bo").AllDepots)
	require.NotContains(t, w.log.String(), secret)
	require.NotContains(t, adam.get("/settings").body, secret)
}

func TestAPersonThatCannotBeAdded(t *testing.T) {
	w, adam := newSettingsWorld(t)
	good := url.Values{"name": {"jo"}, "role": {"mechanic"}, "whole": {"some"}, "depot": {"NOR"}, "made": {"typed"}, "password": {testPassword}}
	for _, tc := range []struct{ field, value, says string }{
		{"name", "jo hn", `Name "jo hn": want up to 64 letters a to z, digits, and . _ @ + -.`},
		{"name", "", "want up to 64 letters"},
		{"name", "UNA", `There is a "una" already: choose another name`},
		{"full-name", strings.Repeat("x", 101), "want at most 100"},
		{"email", "jo", "want one mail address like ada@example.org"},
		{"role", "cook", "manager mechanic accountant reader administrator"},
		{"whole", "", "all depots, or of some"},
		{"depot", "", `There is no depot "".`},
		{"depot", "<b>", `There is no depot "<b>".`},
		{"made", "", "where the password comes from"},
		{"password", "short", "want at least 15"},
	} {
		form := url.Values{}
		for k, v := range good {
			form[k] = v
		}
		form.Set(tc.field, tc.value)
		res := adam.post("/settings/add-person", form)
		wrong := res.refused()
		require.Len(t, wrong, 1, "%s %q: %v", tc.field, tc.value, wrong)
		require.Contains(t, wrong[tc.field], tc.says)
		require.Equal(t, form.Get("name"), res.typed("name"), "what was typed is kept")
		require.NotContains(t, res.body, testPassword, "but no password is sent back")
		require.NotContains(t, res.body, "<b>")
		require.Len(t, all(res.page(), "input", "autofocus", ""), 1, "the field that is wrong has the focus")
	}
	form := without(good, "depot")
	require.Equal(t, map[string]string{"depot": "Choose a depot, or all of them above."}, adam.post("/settings/add-person", form).refused())
	res := adam.post("/settings/add-person", url.Values{})
	require.Len(t, res.refused(), 4)
	require.Contains(t, text(all(res.page(), "p", "role", "alert")[0]), "4 answers below need another look")
	_, found, err := w.db.Person(t.Context(), "jo")
	require.NoError(t, err)
	require.False(t, found, "nothing is half written")
	require.Equal(t, http.StatusUnsupportedMediaType, adam.do(http.MethodPost, "/settings/add-person", `{"name":"jo"}`, "Content-Type", "application/json").status)
}

// without is a form without a field.
func without(form url.Values, field string) url.Values {
	out := url.Values{}
	for k, v := range form {
		if k != field {
			out[k] = v
		}
	}
	return out
}

func TestEditAPerson(t *testing.T) {
	w, adam := newSettingsWorld(t)
	una := w.as("una")
	form := adam.get("/settings/people/una")
	require.Equal(t, []string{"reader"}, form.chosen("role"))
	require.Equal(t, []string{"some"}, form.chosen("whole"))
	require.Equal(t, []string{"NOR"}, form.chosen("depot"))
	require.Empty(t, all(form.page(), "input", "id", "name"), "the name stays")

	_, said := adam.follow(adam.post("/settings/people/una", url.Values{"role": {"mechanic"}, "whole": {"some"}, "depot": {"SUD"}, "email": {"una@fleet.example"}}))
	require.Equal(t, "Saved: una is mechanic of SUD.", said)
	require.Equal(t, []fleet.DepotID{"SUD"}, w.person("una").Depots)
	require.Equal(t, http.StatusOK, una.get("/intake").status, "it holds at once")
	require.Equal(t, http.StatusNotFound, una.get("/units/N-1").status)
	changes := text(adam.get("/settings").page())
	require.Contains(t, changes, "adam person una mail: none → una@fleet.example; role: reader → mechanic; depots: NOR → SUD")

	res := adam.post("/settings/people/una", url.Values{"role": {"mechanic"}, "whole": {"some"}, "full-name": {"Una"}})
	require.Equal(t, map[string]string{"depot": "Choose a depot, or all of them above."}, res.refused())
	require.Equal(t, "Una", res.typed("full-name"))
	require.Equal(t, http.StatusNotFound, adam.get("/settings/people/nobody").status)
	require.Equal(t, http.StatusNotFound, adam.post("/settings/people/nobody", one("role", "reader")).status)
	require.Equal(t, http.StatusOK, adam.get("/settings/people/%75na").status, "however the browser writes the name")
}

func one(field, value string) url.Values { return url.Values{field: {value}} }

// Nobody locks themselves out by mistake, and somebody who may let people in always remains.
func TestAdministratorsStay(t *testing.T) {
	w, adam := newSettingsWorld(t)
	res := adam.post("/settings/people/adam", url.Values{"role": {"reader"}, "whole": {"all"}})
	require.Contains(t, res.refused()["role"], "another administrator")
	res = adam.post("/settings/people/adam/disable", nil)
	require.Equal(t, http.StatusUnprocessableEntity, res.status)
	require.Contains(t, text(all(res.page(), "p", "role", "alert")[0]), "another administrator")
	require.Contains(t, adam.post("/settings/people/adam/password", one("made", "made-up")).refused()["made"], "My account")
	require.Equal(t, fleet.Administrator, w.person("adam").Role)
	require.Empty(t, all(adam.get("/settings/people").page(), "a", "href", "/settings/people/adam/disable"))

	_, err := w.db.SetDisabled(t.Context(), "adam", true) // by command, while no other is left
	require.ErrorIs(t, err, fleet.ErrLastAdministrator)
	w.addPerson("eve", fleet.Administrator)
	eve := w.as("eve")
	_, said := adam.follow(adam.post("/settings/people/eve/disable", nil))
	require.Equal(t, "eve is disabled.", said)
	require.Equal(t, http.StatusSeeOther, eve.get("/settings").status, "open pages stop working at once")
	_, said = adam.follow(adam.post("/settings/people/eve/enable", nil))
	require.Equal(t, "eve is enabled.", said)
	require.Equal(t, http.StatusOK, w.as("eve").get("/settings/people").status)
}

func TestANewPasswordForSomebody(t *testing.T) {
	w, adam := newSettingsWorld(t)
	una := w.as("una")
	require.Contains(t, adam.post("/settings/people/una/password", url.Values{"made": {"typed"}, "password": {"short"}}).refused()["password"], "at least 15")
	require.Equal(t, http.StatusOK, una.get("/settings").status)
	res := adam.post("/settings/people/una/password", one("made", "made-up"))
	secret := text(all(res.page(), "code", "class", "secret")[0])
	require.Contains(t, res.header.Get("Cache-Control"), "no-store")
	require.Equal(t, http.StatusSeeOther, una.get("/settings").status, "it ends what sessions they had")
	require.Equal(t, http.StatusUnauthorized, w.browser().signIn("una", testPassword).status)
	require.Equal(t, http.StatusSeeOther, w.browser().signIn("una", secret).status)
	_, said := adam.follow(adam.post("/settings/people/una/password", url.Values{"made": {"typed"}, "password": {testPassword}}))
	require.Equal(t, "una has a new password, and is signed out everywhere.", said)
	w.as("una")
}

func TestOwnAccount(t *testing.T) {
	w, _ := newSettingsWorld(t)
	una, elsewhere := w.as("una"), w.as("una")
	_, said := una.follow(una.post("/settings/account", url.Values{"full-name": {"Una <i>"}, "email": {" una@fleet.example "}, "role": {"administrator"}}))
	require.Equal(t, "Your name and mail address are as you wrote them.", said)
	p := w.person("una")
	require.Equal(t, []any{"Una <i>", "una@fleet.example", fleet.Reader}, []any{p.FullName, p.Email, p.Role}, "nobody gives themselves a role")
	require.NotContains(t, una.get("/settings/account").body, "<i>")
	res := una.post("/settings/account", url.Values{"full-name": {"Una"}, "email": {"una at home"}})
	require.Contains(t, res.refused()["email"], "want one mail address")
	require.Equal(t, "una at home", res.typed("email"))

	_, said = una.follow(una.post("/settings/account/sign-out-elsewhere", nil))
	require.Contains(t, said, "you are signed out")
	require.Equal(t, http.StatusSeeOther, elsewhere.get("/settings").status)
	require.Equal(t, http.StatusOK, una.get("/settings").status)
}

func TestOwnPassword(t *testing.T) {
	w, _ := newSettingsWorld(t)
	una, elsewhere := w.as("una"), w.as("una")
	const next = "eight warmer mornings"
	change := func(current, password, again string) reply {
		return una.post("/settings/account/password", url.Values{"current": {current}, "password": {password}, "again": {again}})
	}
	for _, tc := range []struct{ current, next, again, field, says string }{
		{testPassword, "short", "short", "password", "want at least 15"},
		{testPassword, next, next + "s", "again", "the two passwords differ"},
		{"wrong password", next, next, "current", "not your password of today"},
		{"", next, next, "current", "not your password of today"},
	} {
		res := change(tc.current, tc.next, tc.again)
		wrong := res.refused()
		require.Len(t, wrong, 1)
		require.Contains(t, strings.ToLower(wrong[tc.field]), tc.says)
		require.NotContains(t, res.body, tc.next)
	}
	_, said := una.follow(change(testPassword, next, next))
	require.Contains(t, said, "You have a new password.")
	require.Equal(t, http.StatusSeeOther, elsewhere.get("/settings").status)
	require.Equal(t, http.StatusOK, una.get("/settings").status)
	require.Equal(t, http.StatusSeeOther, w.browser().signIn("una", next).status)

	for range triesPerName {
		require.Equal(t, http.StatusUnprocessableEntity, change("wrong password", next, next).status)
	}
	require.Equal(t, http.StatusTooManyRequests, change(next, testPassword, testPassword).status, "whoever finds a browser open cannot try for ever")
}

func TestTokensOnTheirPage(t *testing.T) {
	w, adam := newSettingsWorld(t)
	res := adam.post("/settings/tokens", url.Values{"name": {"west-gate"}, "use": {"readings"}, "depot": {"SUD"}})
	require.Equal(t, http.StatusOK, res.status)
	require.Contains(t, res.header.Get("Cache-Control"), "no-store")
	secret := text(all(res.page(), "code", "class", "secret")[0])
	require.NotContains(t, adam.get("/settings/tokens").body, secret, "shown exactly once")
	require.Contains(t, text(adam.get("/settings/tokens").page()), "west-gate bring readings SUD")
	got, found, err := w.db.UseToken(t.Context(), hashToken(secret))
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, fleet.DepotID("SUD"), got.Depot)

	for _, tc := range []struct{ field, value, says string }{
		{"name", "Gate 2", "want up to 64 letters"},
		{"name", "west-gate", "There is, or was, a token"},
		{"use", "tea", "want readings, list or faults"},
		{"depot", "WEST", `There is no depot "WEST".`},
	} {
		form := url.Values{"name": {"new"}, "use": {"list"}, "depot": {""}}
		form.Set(tc.field, tc.value)
		res := adam.post("/settings/tokens", form)
		wrong := res.refused()
		require.Len(t, wrong, 1)
		require.Contains(t, wrong[tc.field], tc.says)
		require.Equal(t, form.Get("name"), res.typed("name"))
		require.NotContains(t, res.body, tokenPrefix)
	}

	question := adam.get("/settings/tokens/west-gate/revoke")
	require.Contains(t, text(question.page()), "for good")
	_, said := adam.follow(adam.post("/settings/tokens/west-gate/revoke", nil))
	require.Equal(t, "west-gate is revoked.", said)
	_, found, err = w.db.UseToken(t.Context(), hashToken(secret))
	require.NoError(t, err)
	require.False(t, found)
	require.Empty(t, all(adam.get("/settings/tokens").page(), "a", "href", "/settings/tokens/west-gate/revoke"))
	require.Equal(t, http.StatusNotFound, adam.get("/settings/tokens/none/revoke").status)
	changes := text(adam.get("/settings").page())
	require.Contains(t, changes, "adam token west-gate revoked")
	require.Contains(t, changes, "adam token west-gate added for readings of SUD")
}

func TestTheRecordOfChangesIsForAdministrators(t *testing.T) {
	w, adam := newSettingsWorld(t)
	w.addPerson("mara", fleet.Manager)
	require.Contains(t, text(adam.get("/settings").page()), "Who changed what")
	require.Contains(t, text(adam.get("/settings").page()), "by command person una added as reader of NOR")
	require.NotContains(t, text(w.as("mara").get("/settings").page()), "Who changed what")
}

// Other sites, and other pages of the same site, change nothing here.
func TestOtherSitesChangeNoSettings(t *testing.T) {
	w, adam := newSettingsWorld(t)
	before := w.person("una")
	for route := range rights {
		path, isPost := strings.CutPrefix(route, "POST ")
		if !isPost || !strings.HasPrefix(path, "/settings") {
			continue
		}
		path = example(t, path)
		for _, header := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}, {"Origin", "https://elsewhere.example"}, {"Origin", "null"}} {
			res := adam.post(path, url.Values{"role": {"administrator"}, "whole": {"all"}, "made": {"made-up"}, "name": {"eve"}, "use": {"list"}}, header...)
			require.Equal(t, http.StatusForbidden, res.status, "%s %v", path, header)
		}
	}
	require.Equal(t, before, w.person("una"))
	_, found, err := w.db.Person(t.Context(), "eve")
	require.NoError(t, err)
	require.False(t, found)
}

func TestASaidSentenceIsText(t *testing.T) {
	w, adam := newSettingsWorld(t)
	for _, planted := range []string{"PGI-", "%%%", strings.Repeat("eHh4", 1000)} {
		res := adam.get("/settings", "Cookie", "rimeyard="+adam.sessionCookie()+"; rimeyard-said="+planted)
		require.NotContains(t, res.body, "<b>")
		require.NotContains(t, res.body, "xxx")
	}
	require.Equal(t, http.StatusOK, w.as("una").get("/settings").status)
}

func TestSentences(t *testing.T) {
	require.Equal(t, "École: no.", sentence(errors.New("école: no")))
}
