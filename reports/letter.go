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
	"slices"
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
	// Mark lets the next report find again what this one spoke of; Changed tells whether it has news since the last one.
	Mark    string
	Changed bool
	images  []file // by content ID, as the HTML part names them
	tables  []file // attached
	name    string // of its table's file, without what tells the form
	figures tables
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
	Page      string // address of the page that shows the same; empty: none
	Leave     string // address at which the recipient unsubscribes; empty: none
}

// UnsubscribePath is where pages take back a subscription, before its token.
const UnsubscribePath = "unsubscribe"

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

// Render draws the pictures, fills the templates and attaches the list in the forms asked for.
func (w WinterList) Render(attach []fleet.Attachment) (Content, error) {
	shown := w
	switch whole := []fleet.Attachment{fleet.AttachCSV, fleet.AttachXLSX}; {
	case w.More == "":
	case slices.ContainsFunc(attach, func(form fleet.Attachment) bool { return slices.Contains(whole, form) }):
		shown.More += listElsewhere
	default:
		shown.More += "; the page of the winter list has them all."
	}
	c, err := filled(winterListBase, w.Subject, shown, w.Pictures)
	if err != nil {
		return Content{}, err
	}
	c.Mark, c.Changed = w.mark, w.Changed
	return c.of(WinterListName, w).attached(attach)
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

// empty tells that there is nothing to send.
func (c Content) empty() bool { return c.Text == "" }

// quiet is what is sent instead of a report that has no news since the letter of a day.
func (c Content) quiet(how fleet.WhenQuiet, since string) (Content, error) {
	switch how {
	case fleet.QuietNothing:
		return Content{}, nil
	case fleet.QuietLine:
		line, err := filled("line", c.Subject, struct{ Subject, Line string }{c.Subject, fmt.Sprintf("%s. Nothing new since the letter of %s.", c.Subject, since)}, nil)
		line.Mark = c.Mark
		return line, err
	}
	return c, nil
}

// markOf is a mark of what has no number of its own.
func markOf(said []byte) string {
	sum := sha256.Sum256(said)
	const enough = 12 // bytes: 96 bits never meet by chance
	return hex.EncodeToString(sum[:enough])
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
	e.setLeaving(m)
	text, html, err := c.withFoot(e)
	if err != nil {
		return fleet.Letter{}, fmt.Errorf("letter to %s: %w", to.Address, err)
	}
	m.SetBodyString(mail.TypeTextPlain, text) // RFC 2046 §5.1.4: the best form last
	m.AddAlternativeString(mail.TypeTextHTML, html)
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

// setLeaving offers to leave by one click in the mail program: RFC 8058, which wants https; by http it is RFC 2369's offer, which
// opens the page.
func (e Envelope) setLeaving(m *mail.Msg) {
	if e.Leave == "" {
		return
	}
	m.SetGenHeader(mail.HeaderListUnsubscribe, "<"+e.Leave+">")
	if strings.HasPrefix(e.Leave, "https://") {
		m.SetGenHeader(mail.HeaderListUnsubscribePost, "List-Unsubscribe=One-Click")
	}
}

// withFoot ends both parts with the links that are the recipient's own.
func (c Content) withFoot(e Envelope) (text, html string, err error) {
	if e.Page == "" && e.Leave == "" {
		return c.Text, c.HTML, nil
	}
	foot, err := filled("foot", c.Subject, e, nil)
	if err != nil {
		return "", "", err
	}
	const end = "</body>"
	at := strings.LastIndex(c.HTML, end)
	if at < 0 {
		return "", "", errors.New("the HTML part has no end of its body")
	}
	return c.Text + "\n" + foot.Text, c.HTML[:at] + foot.HTML + c.HTML[at:], nil
}

// messageID is the same for every try at one letter, so that a receiver who got it twice can tell.
func messageID(dedupeKey, from string) string {
	sum := sha256.Sum256([]byte(dedupeKey))
	const enough = 12 // bytes: 96 bits never meet by chance, and the header stays on one line
	return hex.EncodeToString(sum[:enough]) + "@" + from[strings.LastIndexByte(from, '@')+1:]
}

// withUnits puts signs of measure back to the figures that they belong to.
func withUnits(words []string) (out []string) {
	for _, word := range words {
		bare := strings.TrimRight(word, ".,;:)”")
		if n := len(out); n > 0 && out[n-1] != "" && slices.Contains([]string{"%", "°C", "V", "A", "rpm", "s", "h"}, bare) && endsInDigit(out[n-1]) {
			out[n-1] += " " + word
			continue
		}
		out = append(out, word)
	}
	return out
}

func endsInDigit(s string) bool { return s[len(s)-1] >= '0' && s[len(s)-1] <= '9' }

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
		for i, word := range withUnits(strings.Split(line, " ")) {
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
