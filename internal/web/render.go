package web

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"
)

//go:embed templates
var templateFiles embed.FS

func loadPages(files assets) (*template.Template, error) {
	asset := func(name string) (string, error) {
		url, ok := files.urls[name]
		if !ok {
			return "", fmt.Errorf("there is no static file %q", name)
		}
		return url, nil
	}
	pages, err := template.New("").Option("missingkey=error").Funcs(template.FuncMap{"asset": asset, "unitHref": unitHref, "night": newNightGroup, "planCell": newPlanCell}).
		ParseFS(templateFiles, "templates/*.tmpl")
	if err != nil {
		return nil, fmt.Errorf("read the templates: %w", err)
	}
	return pages, nil
}

// pageFrame is what is round every page.
type pageFrame struct {
	Title  string
	Person string // who is signed in; empty: nobody
	Role   string
	Phone  string // by which they are let in, if they did not sign in
	Menu   []menuItem
}

type menuItem struct {
	Text, Href string
	Here       bool // this very page
	Within     bool // a page that belongs to it
}

func (s *Server) frame(c echo.Context, title string) pageFrame {
	f := pageFrame{Title: title}
	p := viewerOf(c).person
	if p.Name == "" {
		return f
	}
	f.Person, f.Role, f.Phone = p.Name, string(p.Role), viewerOf(c).phone
	if p.FullName != "" {
		f.Person = p.FullName
	}
	for _, item := range []menuItem{{Text: "Winter list", Href: "/winter-list"}, {Text: "Tonight", Href: "/tonight"}, {Text: "Bench", Href: benchPath}, {Text: "Plan", Href: "/plan"}, {Text: "Jobs", Href: "/jobs"}, {Text: "Faults", Href: "/faults"}, {Text: "Ledger", Href: "/ledger"}, {Text: "Audit", Href: "/audit"}, {Text: "Intake", Href: "/intake"}, {Text: "Settings", Href: "/settings"}} {
		if mayOpen(p.Role, item.Href) && (f.Phone == "" || item.Href == benchPath) {
			item.Here = c.Path() == item.Href
			item.Within = strings.HasPrefix(c.Path(), item.Href+"/")
			f.Menu = append(f.Menu, item)
		}
	}
	return f
}

// render fills a template into a buffer first: nobody gets half a page.
func (s *Server) render(c echo.Context, status int, name string, page any) error {
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, name, page); err != nil {
		return fmt.Errorf("render %s: %w", name, err)
	}
	return c.HTMLBlob(status, unbroken(b.Bytes()))
}

type problemPage struct {
	pageFrame
	Problem Problem
	Advice  string // what the person can do now
}

func (s *Server) newProblemPage(c echo.Context, p Problem) problemPage {
	advice := ""
	switch p.Status {
	case http.StatusInternalServerError:
		advice = "It is not your fault and nothing was lost. Try again; if it comes back, tell an administrator this number: " + p.RequestID
	case http.StatusNotFound:
		advice = "Check the address, or look for the unit in the winter list."
	}
	p.Detail = upperFirst(p.Detail)
	return problemPage{s.frame(c, p.Title), p, advice}
}
