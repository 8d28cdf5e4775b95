package web

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// What may be brought on the page in one go; for more there is the command.
const (
	maxUploadBytes    = 64 << 20
	maxUnpackedBytes  = 1 << 30 // of one packed file: ten times and more is common, a thousand times is a trap
	maxUploadFiles    = 50
	maxUploadName     = 200 // bytes
	uploadPatience    = 15 * time.Minute
	uploadFieldOfFile = "file"
)

// takenPage is what became of files brought on the page.
type takenPage struct {
	pageFrame
	Tabs    []choice
	Files   []fileRow
	Notices []string
	Kept    []keptRow
	More    bool // there are more rows kept apart than shown
	Amended bool
	Wrong   string // nothing was brought
}

// bringFiles takes files as the command does, and shows the same result.
func (s *Server) bringFiles(c echo.Context) (err error) {
	v := viewerOf(c)
	if err := givePatience(c); err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "rimeyard-brought-")
	if err != nil {
		return fmt.Errorf("make room for the files: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	paths, amend, err := receiveFiles(c.Request(), dir)
	if err != nil {
		return err
	}
	page := takenPage{pageFrame: s.frame(c, "Files brought"), Tabs: intakeTabs(c)}
	if len(paths) == 0 {
		page.Wrong = "No file was chosen. Go back, choose the files, and bring them."
		return s.render(c, http.StatusUnprocessableEntity, "intake_taken.tmpl", page)
	}
	page.Amended = amend && v.depots() == nil // what stands may be another depot's
	res, err := s.files(c.Request().Context(), paths, ingest.Options{
		Source: "page:" + v.person.Name, Now: s.now(), Depots: v.depots(), Amend: page.Amended,
	})
	if err != nil {
		return err
	}
	if err := errors.Join(page.fill(res, v), res.Close()); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "intake_taken.tmpl", page)
}

// givePatience lets a big file have longer than a page.
func givePatience(c echo.Context) error {
	control := http.NewResponseController(c.Response())
	until := time.Now().Add(uploadPatience)
	if err := errors.Join(control.SetReadDeadline(until), control.SetWriteDeadline(until)); err != nil {
		return fmt.Errorf("wait for the files: %w", err)
	}
	return nil
}

// receiveFiles writes the files of a form into dir, each in a folder of its own, because two may have one name.
func receiveFiles(req *http.Request, dir string) (paths []string, amend bool, err error) {
	form, err := req.MultipartReader()
	if err != nil {
		return nil, false, wrongMediaError{echo.MIMEMultipartForm, req.Header.Get(echo.HeaderContentType)}
	}
	for {
		part, err := form.NextPart()
		if errors.Is(err, io.EOF) {
			return paths, amend, nil
		}
		if err != nil {
			return nil, false, brokenUpload(err)
		}
		switch {
		case part.FormName() == "amend":
			amend = true
		case part.FormName() == uploadFieldOfFile && part.FileName() != "":
			if len(paths) == maxUploadFiles {
				return nil, false, badRequestError{fmt.Errorf("there are more than %d files: bring them in several goes, or with “rimeyard import”", maxUploadFiles)}
			}
			path, err := receiveFile(part, filepath.Join(dir, fmt.Sprint(len(paths))))
			if err != nil {
				return nil, false, err
			}
			paths = append(paths, path)
		}
	}
}

func receiveFile(part *multipart.Part, folder string) (path string, err error) {
	name := fileName(part.FileName())
	if err := os.Mkdir(folder, 0o700); err != nil {
		return "", fmt.Errorf("make room for a file: %w", err)
	}
	path = filepath.Join(folder, name)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return "", fmt.Errorf("make room for a file: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err := io.Copy(f, part); err != nil {
		return "", brokenUpload(err)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return "", fmt.Errorf("read a file that was brought: %w", err)
	}
	return path, judgeUnpacked(f, name)
}

// brokenUpload is a form that could not be read to its end; nothing of it is taken.
func brokenUpload(err error) error {
	if large, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return tooLargeError{large.Limit}
	}
	return badRequestError{fmt.Errorf("the files did not come whole, so nothing of them was taken: bring them again (%w)", err)}
}

// fileName is the last part of a name as browsers send it, fit for a folder.
func fileName(sent string) string {
	name := strings.Map(func(r rune) rune {
		if r < ' ' || r == '/' || r == '\\' || r == 0x7f {
			return '_'
		}
		return r
	}, strings.ToValidUTF8(sent, "�"))
	name = strings.TrimLeft(name, ".")
	if len(name) > maxUploadName { // its end says what it is: .csv.gz
		name = strings.ToValidUTF8(name[len(name)-maxUploadName:], "")
	}
	if name == "" {
		return "file.csv"
	}
	return name
}

// judgeUnpacked refuses a packed file that would fill the disk. What else is wrong with it, the import says.
func judgeUnpacked(f io.Reader, name string) error {
	start := bufio.NewReader(f)
	if magic, _ := start.Peek(2); !bytes.Equal(magic, []byte{0x1f, 0x8b}) {
		return nil
	}
	unpacked, err := gzip.NewReader(start)
	if err != nil {
		return nil //nolint:nilerr // the import says what is wrong, and refuses this file only
	}
	if n, _ := io.Copy(io.Discard, io.LimitReader(unpacked, maxUnpackedBytes+1)); n > maxUnpackedBytes {
		return badRequestError{fmt.Errorf("%q unpacks to more than %d MB, so nothing was taken: bring it in parts, or with “rimeyard import”", name, maxUnpackedBytes>>20)}
	}
	return nil
}

func (p *takenPage) fill(res *ingest.Result, v viewer) error {
	for _, f := range res.Files {
		p.Files = append(p.Files, newFileRow(f))
	}
	p.Notices = res.Notices
	for row, err := range res.Kept() {
		if err != nil {
			return err
		}
		if len(p.Kept) == keptShown {
			p.More = true
			return nil
		}
		p.Kept = append(p.Kept, bareKeptRow(row, v))
	}
	return nil
}

// bareKeptRow has no address: the row is found on the intake page. Of what belongs to another depot, only the reason is told,
// which says so.
func bareKeptRow(row fleet.KeptRow, v viewer) keptRow {
	k := newKeptRow(row)
	k.Href = ""
	if !v.maySee(row.Depot) {
		k.Depot = ""
	}
	return k
}
