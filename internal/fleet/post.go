package fleet

import "time"

// WhenQuiet says what a schedule sends when nothing changed since what it sent last.
type WhenQuiet string

// The choices.
const (
	QuietSend    WhenQuiet = "send"    // the report all the same
	QuietLine    WhenQuiet = "line"    // one line that says so
	QuietNothing WhenQuiet = "nothing" // no letter
)

// QuietChoices lists all choices.
func QuietChoices() [3]WhenQuiet { return [3]WhenQuiet{QuietSend, QuietLine, QuietNothing} }

// Attachment is a form in which a report's table goes with the letter.
type Attachment string

// The forms.
const (
	AttachCSV  Attachment = "csv"
	AttachXLSX Attachment = "xlsx"
	AttachPDF  Attachment = "pdf"
)

// Attachments lists all forms.
func Attachments() [3]Attachment { return [3]Attachment{AttachCSV, AttachXLSX, AttachPDF} }

// Schedule says which report goes to whom, and when.
type Schedule struct {
	ID         int64
	Report     string
	Depot      DepotID      // empty: the whole fleet
	Recipients []string     // an address, person:NAME, or role:ROLE for everybody of a role
	Cron       string       // five fields, standard cron
	Timezone   string       // in which Cron is meant
	WhenQuiet  WhenQuiet    // empty is kept as QuietSend
	Attach     []Attachment // nil or empty: none
	LastSlot   time.Time    // latest due time that is dealt with
	LastError  string       // why what is due could not be queued yet; empty: it was
	LastNote   string       // who was left out the last time, and why; empty: nobody
	// Said is what was sent last, by the depots it was about: see Run.Said.
	Said    map[string]Said
	Enabled bool
}

// Said is what a letter spoke of, so that the next one can say what changed.
type Said struct {
	Mark string    `json:"mark"` // as the kind of report writes it
	At   time.Time `json:"at"`   // when it was queued
}

// Run is one due time dealt with: the letters it brought, what they spoke of and who got none.
type Run struct {
	Of      Schedule // as it was when the letters were written: they are about its report and depot, and to its recipients; zero: whatever it is
	Slot    time.Time
	Said    map[string]Said // replaces the schedule's
	Note    string
	Letters []Letter // none: nothing changed, or nobody is left who gets one
}

// Letter is one mail to one recipient, rendered whole before it is queued.
type Letter struct {
	ID        int64
	DedupeKey string // queueing one twice is harmless
	MessageID string // fixed before the first try
	From      string
	To        string
	Subject   string
	Message   []byte // RFC 5322
	QueuedAt  time.Time
	DueAt     time.Time
	Attempts  int
	LastError string
	SentAt    time.Time // zero: not yet
	GivenUpAt time.Time // zero: not given up; LastError says why it was
}

// Subscription is one address on one schedule. Its token stands in the letters' link for leaving it.
type Subscription struct {
	Schedule int64
	Report   string
	Depot    DepotID // empty: the whole fleet
	Address  string  // lower case
	Token    string
	EndedAt  time.Time // zero: the address gets the report
}
