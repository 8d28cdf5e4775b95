package web

import (
	"bytes"
	"compress/gzip"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// bringCSV imports a file in which rows may be wrong.
func (w *world) bringCSV(who *browser, files map[string]string, fields ...string) reply {
	w.t.Helper()
	var b bytes.Buffer
	form := multipart.NewWriter(&b)
	for name, content := range files {
		part, err := form.CreateFormFile("file", name)
		require.NoError(w.t, err)
		_, err = part.Write([]byte(content))
		require.NoError(w.t, err)
	}
	for _, f := range fields {
		require.NoError(w.t, form.WriteField(f, "yes"))
	}
	require.NoError(w.t, form.Close())
	return who.do(http.MethodPost, "/intake/files", b.String(), "Content-Type", form.FormDataContentType())
}

func TestFilesAreBrought(t *testing.T) {
	w, mara, _ := intakeWorld(t)
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err := z.Write([]byte("tested_at,unit,rest_v\n2026-11-23T08:00:00Z,N-1,12.5\n"))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	res := w.bringCSV(mara, map[string]string{
		"../../etc/tests.csv.gz": packed.String(), "old.csv": "", "odd.csv": "a,b\n1,2\n", "broken.gz": packed.String()[:30],
	})
	require.Equal(t, http.StatusOK, res.status)
	words := text(res.page())
	for _, want := range []string{"tests.csv.gz battery tests 1 1 0 0", "Refused: the file is empty", "Refused: none of the known kinds", "breaks off before its end"} {
		require.Contains(t, words, want)
	}
	require.Equal(t, http.StatusUnprocessableEntity, w.bringCSV(mara, nil).status)
	require.Equal(t, http.StatusUnsupportedMediaType, mara.post("/intake/files", url.Values{}).status)
	require.Equal(t, http.StatusForbidden, mara.do(http.MethodPost, "/intake/files", "", "Sec-Fetch-Site", "cross-site").status)
	require.Equal(t, http.StatusBadRequest, mara.do(http.MethodPost, "/intake/files", "--x\r\nContent-Disposition: form-data; name=file; filename=a.csv\r\n\r\nunit,dep", "Content-Type", "multipart/form-data; boundary=x").status)
	require.Equal(t, http.StatusRequestEntityTooLarge, w.bringCSV(mara, map[string]string{"big.csv": strings.Repeat("x", maxUploadBytes)}).status)
	w.addPerson("reader", fleet.Reader)
	require.Equal(t, http.StatusForbidden, w.bringCSV(w.as("reader"), map[string]string{"a.csv": ""}).status)
}

func TestAPackedFileThatIsATrapIsRefused(t *testing.T) {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err := z.Write(make([]byte, 32<<20))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	part := bytes.Clone(packed.Bytes())
	for range maxUnpackedBytes / (32 << 20) { // a packed file may be many, end to end
		packed.Write(part)
	}
	require.Less(t, packed.Len(), maxUploadBytes)
	require.ErrorContains(t, judgeUnpacked(&packed, "trap.csv.gz"), "unpacks to more than 1024 MB")
}

func TestFileNamesStayInTheirFolder(t *testing.T) {
	for sent, want := range map[string]string{
		"a.csv": "a.csv", "..": "file.csv", "": "file.csv", "../x/y.csv": "_x_y.csv", `C:\fleet\a.csv`: "C:_fleet_a.csv", ".hidden.csv": "hidden.csv",
		strings.Repeat("é", 200) + ".csv.gz": strings.Repeat("é", 96) + ".csv.gz",
	} {
		require.Equal(t, want, fileName(sent), sent)
	}
}

func TestAnImportShowsItsRows(t *testing.T) {
	w, mara, _ := intakeWorld(t)
	w.bringCSV(mara, map[string]string{"cold.csv": badTests})
	var href string
	for _, h := range hrefs(mara.get("/intake").page()) {
		if regexp.MustCompile(`^/intake/imports/\d+$`).MatchString(h) {
			href = h
			break
		}
	}
	page := text(mara.get(href).page())
	require.Contains(t, page, "4 rows of it wait to be mended.")
	require.Contains(t, page, "From page:mara")
	row := w.waiting(fleet.KeptFilter{Depot: "NOR"})[0]
	require.Equal(t, http.StatusSeeOther, mara.post(rowHref(row.Key), url.Values{"f.rest_v": {"12.1"}}).status)
	require.Contains(t, text(mara.get(href).page()), "1 of the 4 rows kept apart then waits here no longer")
}
