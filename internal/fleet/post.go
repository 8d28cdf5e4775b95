package fleet

import "time"

// Schedule says which report goes to whom, and when.
type Schedule struct {
	ID         int64
	Report     string
	Depot      DepotID // empty: the whole fleet
	Recipients []string
	Cron       string // five fields, standard cron
	Timezone   string
	LastSlot   time.Time // latest due time that is dealt with
	LastError  string    // why what is due could not be queued yet; empty: it was
	Enabled    bool
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
