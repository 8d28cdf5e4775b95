package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"rimeyard/internal/pgtest"
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
		"save where?":         {"winter-list"},
		"must end with":       {"winter-list", "--out", "list.doc"},
		"there is A4 and":     {"winter-list", "--out", "list.pdf", "--paper", "A3"},
		"wants winter-list":   {"summer-list", "--out", "list.pdf"},
		"--top goes with win": {"audit", "--out", "audit.pdf", "--top", "3"},
	} {
		_, err := report(t, append([]string{"save"}, args...)...)
		requireUsage(t, err, says)
	}
	_, err = report(t, "save", "winter-list", "--as-of", testToday, "--depot", "NIX", "--out", at("nix.pdf"))
	require.ErrorContains(t, err, "there is no unit on it")
	_, err = report(t, "save", "winter-list", "--as-of", testToday, "--out", at("no/such/list.pdf"))
	require.ErrorContains(t, err, "write "+at("no/such/list.pdf"))
}
