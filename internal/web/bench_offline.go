package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// shellPage is all that bench_shell.tmpl prints: the bench without a figure of anybody's fleet, which phones keep and fill in themselves.
type shellPage struct {
	pageFrame
	Form benchFormView
}

func (s *Server) benchShellBytes() ([]byte, error) {
	var b bytes.Buffer
	page := shellPage{pageFrame: pageFrame{Title: "Bench"}}
	page.Form.fill(typedTest{}, fleet.BenchUnit{}, benchFactsJSON{})
	page.Form.Testers = nil
	if err := s.pages.ExecuteTemplate(&b, "bench_shell.tmpl", page); err != nil {
		return nil, fmt.Errorf("render the bench's shell: %w", err)
	}
	return unbroken(b.Bytes()), nil
}

func (s *Server) benchShell(c echo.Context) error {
	shell, err := s.benchShellBytes()
	if err != nil {
		return err
	}
	return c.HTMLBlob(http.StatusOK, shell)
}

// shellAssets are the static files that the shell needs.
var shellAssets = []string{"rime.css", "icon.svg", "charts.js", "bench-leave.js", "bench-queue.js", "bench-form.js", "bench.js"}

// benchWorker is the script that answers a phone's pages where the network does not. What it keeps is named by a hash over all of it, so
// that a phone never mixes the files of two versions. It keeps no page that was made for anybody.
func (s *Server) benchWorker(c echo.Context) error {
	shell, err := s.benchShellBytes()
	if err != nil {
		return err
	}
	files := make([]string, len(shellAssets))
	for i, name := range shellAssets {
		files[i] = s.assets.urls[name]
	}
	worker := s.assets.of("bench-worker.js")
	sum := sha256.New()
	sum.Write(shell)
	sum.Write(worker)
	fmt.Fprint(sum, files)
	kept, err := json.Marshal(struct {
		Cache string   `json:"cache"`
		Shell string   `json:"shell"`
		Files []string `json:"files"`
		Queue string   `json:"queue"`
	}{"rimeyard-bench-" + hex.EncodeToString(sum.Sum(nil)[:8]), benchShell, files, s.assets.urls["bench-queue.js"]})
	if err != nil {
		return fmt.Errorf("write what the bench's worker keeps: %w", err)
	}
	header := c.Response().Header()
	header.Set("Service-Worker-Allowed", benchPath)
	header.Set("Cache-Control", "no-cache")
	return c.Blob(http.StatusOK, "text/javascript; charset=utf-8", slices.Concat([]byte("const kept = "), kept, []byte(";\n"), worker))
}
