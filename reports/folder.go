package reports

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/emersion/go-message"

	"rimeyard/internal/fleet"
)

// Folder keeps letters as files where there is no mail server: the message as .eml, and beside it its HTML part with
// the pictures inside, which any browser opens.
type Folder struct{ Dir string }

// FolderFrom is the sender of letters that never leave the machine.
const FolderFrom = "rimeyard@localhost"

// From is the address that letters are sent from.
func (Folder) From() string { return FolderFrom }

// Send writes both files, each whole or not at all. The same letter always goes to the same files.
func (f Folder) Send(_ context.Context, l fleet.Letter) error {
	page, err := webPage(l.Message)
	if err != nil {
		return fmt.Errorf("letter %s: %w", l.MessageID, errors.Join(ErrRefused, err))
	}
	if err := os.MkdirAll(f.Dir, 0o750); err != nil {
		return fmt.Errorf("make the folder for letters: %w", err)
	}
	eml, html := f.Paths(l)
	if err := writeWhole(html, page); err != nil {
		return err
	}
	return writeWhole(eml, l.Message)
}

// Paths are the files that Send writes for a letter.
func (f Folder) Paths(l fleet.Letter) (eml, html string) {
	id, _, _ := strings.Cut(l.MessageID, "@")
	stem := filepath.Join(f.Dir, fmt.Sprintf("%s-%s-%s-%s", l.QueuedAt.UTC().Format("20060102-150405"), slug(l.Subject, 40), slug(l.To, 40), slug(id, 8)))
	return stem + ".eml", stem + ".html"
}

// slug keeps letters and digits and joins the rest with dashes.
func slug(s string, most int) string {
	var b strings.Builder
	for _, r := range strings.ToLower(s) {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			b.WriteRune(r)
		} else if n := b.Len(); n > 0 && b.String()[n-1] != '-' {
			b.WriteByte('-')
		}
		if b.Len() >= most {
			break
		}
	}
	return strings.Trim(b.String(), "-")
}

// writeWhole makes the file appear with all of its bytes.
func writeWhole(path string, b []byte) (err error) {
	tmp, err := os.CreateTemp(filepath.Dir(path), ".letter-*")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("write %s: %w", path, errors.Join(err, os.Remove(tmp.Name())))
		}
	}()
	_, err = tmp.Write(b)
	if err = errors.Join(err, tmp.Sync(), tmp.Close()); err != nil {
		return err
	}
	return os.Rename(tmp.Name(), path)
}

// webPage is a message's HTML part with the pictures that it names by content ID put inside.
func webPage(raw []byte) ([]byte, error) {
	e, err := message.Read(bytes.NewReader(raw))
	if err != nil {
		return nil, fmt.Errorf("read the message: %w", err)
	}
	page, pictures := "", map[string]string{}
	err = e.Walk(func(_ []int, part *message.Entity, err error) error {
		if err != nil {
			return err
		}
		kind, _, err := part.Header.ContentType()
		if err != nil || strings.HasPrefix(kind, "multipart/") {
			return err
		}
		b, err := io.ReadAll(part.Body)
		if err != nil {
			return err
		}
		if id := strings.Trim(part.Header.Get("Content-ID"), "<>"); id != "" {
			pictures[id] = "data:" + kind + ";base64," + base64.StdEncoding.EncodeToString(b)
		} else if kind == "text/html" {
			page = string(b)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the message's parts: %w", err)
	}
	if page == "" {
		return nil, errors.New("the message has no HTML part")
	}
	for id, picture := range pictures {
		page = strings.ReplaceAll(page, `src="cid:`+id+`"`, `src="`+picture+`"`)
	}
	return []byte(page), nil
}
