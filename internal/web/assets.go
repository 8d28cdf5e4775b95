package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"mime"
	"net/http"
	"path"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/reports"
)

//go:embed static
var staticFiles embed.FS

// assets are the static files under names that change with their content, so that browsers may keep them for ever.
type assets struct {
	urls  map[string]string // name in the folder → URL
	files map[string][]byte // last part of the URL → content
}

func loadAssets() (assets, error) {
	a := assets{map[string]string{}, map[string][]byte{}}
	entries, err := staticFiles.ReadDir("static")
	if err != nil {
		return a, fmt.Errorf("list static files: %w", err)
	}
	for _, entry := range entries {
		content, err := staticFiles.ReadFile("static/" + entry.Name())
		if err != nil {
			return a, fmt.Errorf("read a static file: %w", err)
		}
		if entry.Name() == "rime.css" {
			content = append([]byte(reports.StyleVariables()), content...) // pages and pictures share one palette
		}
		sum := sha256.Sum256(content)
		ext := path.Ext(entry.Name())
		name := strings.TrimSuffix(entry.Name(), ext) + "." + hex.EncodeToString(sum[:8]) + ext
		a.urls[entry.Name()], a.files[name] = "/static/"+name, content
	}
	return a, nil
}

func (s *Server) static(c echo.Context) error {
	content, ok := s.assets.files[c.Param("name")]
	if !ok {
		return notFoundError{fmt.Errorf("there is no such file")}
	}
	c.Response().Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	return c.Blob(http.StatusOK, mime.TypeByExtension(path.Ext(c.Param("name"))), content)
}

// of is the content of a static file, by its name in the folder.
func (a assets) of(name string) []byte { return a.files[path.Base(a.urls[name])] }
