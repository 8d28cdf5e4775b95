package reports

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	htmltemplate "html/template"
	netmail "net/mail"
	"strings"
	texttemplate "text/template"
	"time"

	"rimeyard/internal/fleet"

	"github.com/wneessen/go-mail"
)

//go:embed *.tmpl
var templates embed.FS

const winterListBase = "winterlist"

// Content is a report rendered once, for any number of recipients.
type Content struct {
	Subject string
	Text    string // says everything that the HTML part says
	HTML    string
	images  []file // by content ID, as the HTML part names them
	tables  []file
}

type file struct {
	name, contentID string
	kind            mail.ContentType
	bytes           []byte
}

// Envelope is what differs from letter to letter.
type Envelope struct {
	From      string // plain or with a name: Rimeyard <rime@example.org>
	To        string // one recipient
	DedupeKey string // queueing two letters of one key queues one; the Message-ID is derived from it
	At        time.Time
}

// ErrAddress marks an address that no letter can be sent to or from.
var ErrAddress = errors.New("want one mail address like ada@example.org")

// CheckAddress reads one address, in ASCII, with or without a name.
func CheckAddress(s string) (*netmail.Address, error) {
	a, err := netmail.ParseAddress(s)
	if err != nil {
		return nil, fmt.Errorf("address %q: %w", s, ErrAddress)
	}
	for _, r := range a.Address {
		if r <= ' ' || r > '~' {
			return nil, fmt.Errorf("address %q: %w, without spaces or letters beyond ASCII", s, ErrAddress)
		}
	}
	a.Name = oneLine(a.Name)
	return a, nil
}

// Render draws the pictures and fills the templates.
func (w WinterList) Render() (Content, error) {
	c, err := filled(winterListBase, w.Subject, w, w.Pictures)
	if err != nil {
		return Content{}, err
	}
	table, err := w.Table()
	if err != nil {
		return Content{}, fmt.Errorf("winter list, table: %w", err)
	}
	return c.with(WinterListName+".csv", table), nil
}

// filled fills both templates of a report with its view model and draws its pictures.
func filled(base, subject string, view any, pictures []Picture) (Content, error) {
	c := Content{Subject: subject}
	text, err := texttemplate.ParseFS(templates, base+".txt.tmpl")
	if err != nil {
		return Content{}, fmt.Errorf("%s, text: %w", base, err)
	}
	html, err := htmltemplate.ParseFS(templates, base+".html.tmpl")
	if err != nil {
		return Content{}, fmt.Errorf("%s, HTML: %w", base, err)
	}
	var b bytes.Buffer
	if err := text.Execute(&b, view); err != nil {
		return Content{}, fmt.Errorf("%s, text: %w", base, err)
	}
	c.Text = folded(b.String(), textColumns)
	b.Reset()
	if err := html.Execute(&b, view); err != nil {
		return Content{}, fmt.Errorf("%s, HTML: %w", base, err)
	}
	c.HTML = b.String()
	for _, p := range pictures {
		png, err := p.PNG()
		if err != nil {
			return Content{}, err
		}
		c.images = append(c.images, file{p.Name + ".png", p.Name + "@rimeyard", "image/png", png})
	}
	return c, nil
}

// with attaches a table.
func (c Content) with(name string, table []byte) Content {
	c.tables = append(c.tables, file{name: name, kind: "text/csv; charset=utf-8", bytes: table})
	return c
}

// Letter renders the whole message, so that what is queued is what is sent, on every try.
func (c Content) Letter(e Envelope) (fleet.Letter, error) {
	from, err := CheckAddress(e.From)
	if err != nil {
		return fleet.Letter{}, fmt.Errorf("sender: %w", err)
	}
	to, err := CheckAddress(e.To)
	if err != nil {
		return fleet.Letter{}, fmt.Errorf("recipient: %w", err)
	}
	id := messageID(e.DedupeKey, from.Address)
	m := mail.NewMsg(mail.WithEncoding(mail.EncodingQP), mail.WithCharset(mail.CharsetUTF8), mail.WithNoDefaultUserAgent())
	m.FromMailAddress(from)
	m.ToMailAddress(to)
	m.Subject(oneLine(c.Subject))
	m.SetMessageIDWithValue(id)
	m.SetDateWithValue(e.At.UTC())
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no holiday replies, please
	m.SetBodyString(mail.TypeTextPlain, c.Text)        // RFC 2046 §5.1.4: the best form last
	m.AddAlternativeString(mail.TypeTextHTML, c.HTML)
	for _, f := range c.images {
		err := m.EmbedReader(f.name, bytes.NewReader(f.bytes), mail.WithFileContentID("<"+f.contentID+">"), mail.WithFileContentType(f.kind))
		if err != nil {
			return fleet.Letter{}, fmt.Errorf("letter to %s, %s: %w", to.Address, f.name, err)
		}
	}
	for _, f := range c.tables {
		if err := m.AttachReader(f.name, bytes.NewReader(f.bytes), mail.WithFileContentType(f.kind)); err != nil {
			return fleet.Letter{}, fmt.Errorf("letter to %s, %s: %w", to.Address, f.name, err)
		}
	}
	var b bytes.Buffer
	if _, err := m.WriteTo(&b); err != nil {
		return fleet.Letter{}, fmt.Errorf("letter to %s: %w", to.Address, err)
	}
	return fleet.Letter{
		DedupeKey: e.DedupeKey, MessageID: id, From: from.Address, To: to.Address, Subject: oneLine(c.Subject),
		Message: b.Bytes(), QueuedAt: e.At.UTC(), DueAt: e.At.UTC(),
	}, nil
}

// messageID is the same for every try at one letter, so that a receiver who got it twice can tell.
func messageID(dedupeKey, from string) string {
	sum := sha256.Sum256([]byte(dedupeKey))
	const enough = 12 // bytes: 96 bits never meet by chance, and the header stays on one line
	return hex.EncodeToString(sum[:enough]) + "@" + from[strings.LastIndexByte(from, '@')+1:]
}

const textColumns = 76 // RFC 5322 §2.1.1 recommends no more than 78

// folded breaks lines longer than columns between words; what follows a break is indented as the line was.
func folded(s string, columns int) string {
	var out strings.Builder
	for line := range strings.SplitSeq(strings.TrimRight(s, "\n"), "\n") {
		indent := line[:len(line)-len(strings.TrimLeft(line, " -"))]
		if indent != line {
			indent = strings.Repeat(" ", len(indent))
		}
		width := 0
		for i, word := range strings.Split(line, " ") {
			n := len([]rune(word))
			switch {
			case i == 0:
			case width+1+n > columns && width > len(indent):
				out.WriteString("\n" + indent)
				width = len(indent)
			default:
				out.WriteByte(' ')
				width++
			}
			out.WriteString(word)
			width += n
		}
		out.WriteByte('\n')
	}
	return out.String()
}
