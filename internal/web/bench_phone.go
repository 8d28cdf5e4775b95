package web

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// Phones are those kept for the bench, let in by a cookie of their own instead of a sign-in.
type Phones interface {
	AddBenchPhone(ctx context.Context, p fleet.BenchPhone, sha256 [32]byte) (added bool, err error)
	BenchPhones(ctx context.Context, of []fleet.DepotID) ([]fleet.BenchPhone, error)
	UseBenchPhone(ctx context.Context, sha256 [32]byte) (p fleet.BenchPhone, found bool, err error)
	RevokeBenchPhone(ctx context.Context, name string, of []fleet.DepotID) (found bool, err error)
}

// phoneKept is how long a phone is let in: a season and the weeks round it.
const phoneKept = 250 * 24 * time.Hour

var errPhone = errors.New("this phone is kept for the bench no more: sign in to keep it anew; tests that wait on it stay on it until then")

// phoneCookie goes to the bench's routes only, and no script can read it.
func (s *Server) phoneCookie(value string, maxAge int) *http.Cookie {
	name := "rimeyard-bench"
	if s.secure {
		name = "__Secure-rimeyard-bench"
	}
	return &http.Cookie{Name: name, Value: value, Path: benchPath, MaxAge: maxAge, HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteLaxMode}
}

// phoneAsks finds whose phone asks, if it is kept for the bench: it may do what they may, at the one depot. A phone that was let go is
// nobody's, and hears so.
func (s *Server) phoneAsks(c echo.Context, r rule) (viewer, error) {
	cookie, err := c.Request().Cookie(s.phoneCookie("", 0).Name)
	if !r.phone || err != nil {
		return viewer{}, nil //nolint:nilerr // without a cookie nobody asks
	}
	ctx := c.Request().Context()
	phone, found, err := s.store.UseBenchPhone(ctx, hashToken(cookie.Value))
	if err != nil {
		return viewer{}, err
	}
	p, known, err := s.store.Person(ctx, phone.Person)
	if err != nil {
		return viewer{}, err
	}
	if !found || phone.Revoked || s.now().Sub(phone.MadeAt) > phoneKept || !known || p.Disabled || phone.Fingerprint != fingerprint(p) || !p.MaySee(phone.Depot) {
		return viewer{}, errPhone
	}
	p.AllDepots, p.Depots = false, []fleet.DepotID{phone.Depot}
	c.SetRequest(c.Request().WithContext(fleet.Acting(ctx, p.Name)))
	return viewer{person: p, phone: phone.Name}, nil
}

// newPhoneName proposes a name that nobody has.
func newPhoneName(p fleet.Person) string {
	const longest = 40 // of the part that is a name
	return p.Name[:min(len(p.Name), longest)] + "-" + strings.ToLower(rand.Text()[:4])
}

// keepPhone lets this phone in without a sign-in from now on, at one depot's bench and nowhere else.
func (s *Server) keepPhone(c echo.Context) error {
	if err := readForm(c); err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	c.QueryParams().Set("depot", c.FormValue("depot"))
	depot, _, found, err := s.benchDepot(c)
	if err != nil {
		return err
	}
	if !found {
		return badRequestError{errors.New("no depot is yours to see, so there is no bench to keep a phone for")}
	}
	name, err := fleet.ParseTokenName(c.FormValue("name"))
	if err != nil {
		return badRequestError{err}
	}
	token, hash := NewToken()
	added, err := s.store.AddBenchPhone(ctx, fleet.BenchPhone{Name: name, Depot: depot.ID, Person: v.person.Name, Fingerprint: fingerprint(v.person)}, hash)
	if err != nil {
		return err
	}
	if !added {
		return badRequestError{fmt.Errorf("there is, or was, a phone %q: choose another name", name)}
	}
	c.SetCookie(s.phoneCookie(token, int(phoneKept.Seconds())))
	return s.done(c, "/bench?"+url.Values{"depot": {string(depot.ID)}}.Encode(), "This phone is kept for the bench of "+depotName(depot)+" as "+name+": it needs no sign-in there.")
}

// keptAs is the name of the phone that asks, where it is kept for the bench and not let go; else empty.
func (s *Server) keptAs(c echo.Context) (string, error) {
	cookie, err := c.Request().Cookie(s.phoneCookie("", 0).Name)
	if err != nil {
		return "", nil //nolint:nilerr // without a cookie it is not kept
	}
	phone, found, err := s.store.UseBenchPhone(c.Request().Context(), hashToken(cookie.Value))
	if err != nil || !found || phone.Revoked || s.now().Sub(phone.MadeAt) > phoneKept {
		return "", err
	}
	return phone.Name, nil
}

// letThisPhoneGo ends what keepPhone began.
func (s *Server) letThisPhoneGo(c echo.Context) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	cookie, err := c.Request().Cookie(s.phoneCookie("", 0).Name)
	if err == nil {
		phone, found, err := s.store.UseBenchPhone(ctx, hashToken(cookie.Value))
		if err != nil {
			return err
		}
		if found && v.maySee(phone.Depot) {
			if _, err := s.store.RevokeBenchPhone(ctx, phone.Name, v.depots()); err != nil {
				return err
			}
		}
	}
	c.SetCookie(s.phoneCookie("", -1))
	return c.Redirect(http.StatusSeeOther, benchPath)
}

// phonesView is all that bench_phones.tmpl prints.
type phonesView struct {
	pageFrame
	Said   string
	Phones []phoneRow
	Zone   string
}

type phoneRow struct {
	Name, Depot, Person, Made, Used, State string
	LetGo                                  string // address; empty: it is let in no more
}

func (s *Server) phonesPage(c echo.Context) error {
	zone, err := s.viewersZone(c)
	if err != nil {
		return err
	}
	phones, err := s.store.BenchPhones(c.Request().Context(), viewerOf(c).depots())
	if err != nil {
		return err
	}
	page := phonesView{pageFrame: s.frame(c, "Phones kept for the bench"), Said: s.takeSaid(c), Zone: zone.String()}
	for _, p := range phones {
		row := phoneRow{Name: p.Name, Depot: string(p.Depot), Person: p.Person, Made: p.MadeAt.In(zone).Format("2 Jan 2006"), Used: "never", State: "let in"}
		if !p.LastUsedAt.IsZero() {
			row.Used = clock(p.LastUsedAt, zone)
		}
		switch {
		case p.Revoked:
			row.State = "let go"
		case s.now().Sub(p.MadeAt) > phoneKept:
			row.State = "its time is over"
		default:
			row.LetGo = "/bench/phones/" + url.PathEscape(p.Name) + "/let-go"
		}
		page.Phones = append(page.Phones, row)
	}
	return s.render(c, http.StatusOK, "bench_phones.tmpl", page)
}

func (s *Server) letPhoneGo(c echo.Context) error {
	name := pathName(c, "phone")
	found, err := s.store.RevokeBenchPhone(c.Request().Context(), name, viewerOf(c).depots())
	if err != nil {
		return err
	}
	if !found {
		return notFoundError{fmt.Errorf("no phone called %q is kept for the bench of your depots", name)}
	}
	return s.done(c, "/bench/phones", name+" is let go: from the next request on it opens nothing. Tests that wait on it stay on it.")
}
