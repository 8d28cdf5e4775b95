package main

import (
	"bytes"
	"net/mail"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

func TestReportSavesFilesByTheirNames(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	t.Setenv(envHome, t.TempDir())
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }

	_, err := report(t, "save", "winter-list", "--out", at("early.pdf"))
	require.ErrorContains(t, err, "run `rimeyard fit` first")
	code, _, stderr := rimeyard(t, "import", writeFleet(t))
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)
	_, err = report(t, "save", "audit", "--out", at("audit.xlsx"))
	require.ErrorContains(t, err, "there is no audit yet")

	for name, begins := range map[string]string{"list.pdf": "%PDF-", "LIST.XLSX": "PK", "list.csv": "rank,unit"} {
		out, err := report(t, "save", "winter-list", "--as-of", testToday, "--top", "3", "--paper", "Letter", "--out", at(name))
		require.NoError(t, err)
		require.Equal(t, at(name)+"\n", out)
		content, err := os.ReadFile(at(name))
		require.NoError(t, err)
		require.True(t, bytes.HasPrefix(content, []byte(begins)), name)
	}
	book, err := excelize.OpenFile(at("LIST.XLSX"))
	require.NoError(t, err)
	defer book.Close()
	require.Equal(t, []string{"Winter list", "Depots", "Definitions"}, book.GetSheetList())
	files, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, files, 3, "nothing half-written is left")

	for says, args := range map[string][]string{
		"save where?":          {"winter-list"},
		"must end with":        {"winter-list", "--out", "list.doc"},
		"there is A4 and":      {"winter-list", "--out", "list.pdf", "--paper", "A3"},
		"there is winter-list": {"summer-list", "--out", "list.pdf"},
		"--top goes with win":  {"audit", "--out", "audit.pdf", "--top", "3"},
		"tonight cannot be saved as .xlsx: it comes as .csv, .pdf, .eml, .html or .txt": {"tonight", "--out", "tonight.xlsx"},
	} {
		_, err := report(t, append([]string{"save"}, args...)...)
		requireUsage(t, err, says)
	}
	_, err = report(t, "save", "winter-list", "--as-of", testToday, "--depot", "NIX", "--out", at("nix.pdf"))
	requireUsage(t, err, "--depot: there is no such depot as \"NIX\"")
	_, err = report(t, "save", "winter-list", "--as-of", testToday, "--out", at("no/such/list.pdf"))
	require.ErrorContains(t, err, "write "+at("no/such/list.pdf"))
}

// Whatever the registry holds is saved in every form that it says it comes in; a kind that is added tomorrow too.
func TestReportsOfEveryKindAreSaved(t *testing.T) {
	url := pgtest.URL(t)
	t.Setenv(envDatabase, url)
	t.Setenv(envHome, t.TempDir())
	t.Setenv(envURL, "https://rime.example.org")
	for _, args := range [][]string{{"import", writeFleet(t)}, {"fit", "--as-of", testToday}, {"audit", "--keep"}, {"ledger", "book"}} {
		code, _, stderr := rimeyard(t, args...)
		require.Contains(t, []int{exitDone, exitKeptApart}, code, "%v: %s", args, stderr)
	}
	depot := oneDepot(t, url)
	begins := map[fleet.Attachment]string{
		fleet.AttachPDF: "%PDF-", fleet.AttachXLSX: "PK",
	}
	dir := t.TempDir()
	for _, kind := range reportKinds(nil) {
		for _, form := range kind.Saves() {
			path := filepath.Join(dir, kind.Name+"."+string(form))
			_, err := report(t, "save", kind.Name, "--depot", depot, "--out", path)
			if kind.Name == reports.TonightName && err != nil { // temperatures of a fleet that was made for another day
				require.ErrorContains(t, err, "no low is known")
				continue
			}
			require.NoError(t, err, path)
			content, err := os.ReadFile(path)
			require.NoError(t, err)
			require.NotEmpty(t, content)
			switch form {
			case reports.SavedMessage:
				m, err := mail.ReadMessage(bytes.NewReader(content))
				require.NoError(t, err)
				require.NotEmpty(t, m.Header.Get("Subject"))
			case reports.SavedText, reports.SavedPage:
				require.Contains(t, string(content), "https://rime.example.org"+kind.Page)
				require.NotContains(t, string(content), "cid:", "pictures are inside")
			default:
				require.True(t, bytes.HasPrefix(content, []byte(begins[form])), path)
			}
		}
	}
}

func oneDepot(t *testing.T, url string) string {
	t.Helper()
	db, err := store.Open(t.Context(), url)
	require.NoError(t, err)
	t.Cleanup(db.Close)
	depots, err := db.Depots(t.Context())
	require.NoError(t, err)
	return string(depots[0].ID)
}
