package web

import (
	"context"
	"io"
	"time"

	"rimeyard/alerts"
	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// Intake takes a batch of rows in JSON; when it returns, what was taken is committed.
type Intake func(ctx context.Context, body io.Reader, opt ingest.Options) (*ingest.Result, error)

// Judge judges one unit with all that is recorded so far, and tells what readings since a day changed. fleet.ErrNoIssue: no list was
// issued yet, so nothing was learned from the fleet.
type Judge func(ctx context.Context, unit fleet.UnitID, since fleet.Date) (alerts.Judgement, error)

// FileIntake takes the interchange files at these paths.
type FileIntake func(ctx context.Context, paths []string, opt ingest.Options) (*ingest.Result, error)

// Mender takes rows kept apart as somebody has mended them.
type Mender func(ctx context.Context, mends []fleet.Mend, opt ingest.MendOptions) (ingest.Mending, error)

// Pinger tells whether the database answers.
type Pinger interface {
	Ping(ctx context.Context) error
}

// People are those who may sign in.
type People interface {
	Person(ctx context.Context, name string) (p fleet.Person, found bool, err error)
	UseToken(ctx context.Context, sha256 [32]byte) (t fleet.Token, found bool, err error)
}

// How many tries to sign in may fail within the window before more are turned away unheard. The window and the five of a
// name lie within OWASP's advice on login throttling; a whole depot may stand behind one address. Figures from memory.
const (
	triesWindow     = 15 * time.Minute
	triesPerName    = 5
	triesPerAddress = 60
)

var tryLimit = fleet.TryLimit{Window: triesWindow, PerName: triesPerName, PerAddress: triesPerAddress}

// Door counts tries to sign in.
type Door interface {
	BeginSignIn(ctx context.Context, name, address string, limit fleet.TryLimit) (allowed bool, err error)
	SignedIn(ctx context.Context, name, address string) error
}

// Lists are the ranked lists that were issued.
type Lists interface {
	LatestIssue(ctx context.Context) (fleet.Issue, error) // fleet.ErrNoIssue: there is none
	IssueBefore(ctx context.Context, asOf fleet.Date) (fleet.Issue, error)
	Forecasts(ctx context.Context, issue int64, filter fleet.ListFilter) ([]fleet.Forecast, error)
	Listed(ctx context.Context, issue int64, filter fleet.ListFilter) ([]fleet.Listed, error)
	ListLines(ctx context.Context, issue int64) ([]fleet.ListLine, error) // by rank
	ListRows(ctx context.Context, issue fleet.Issue, of []fleet.UnitID) ([]fleet.ListRow, error)
	CountByDepot(ctx context.Context, issue int64, of []fleet.DepotID) (map[fleet.DepotID]int, error)
	News(ctx context.Context, now time.Time, unit fleet.UnitID, limit int) ([]fleet.News, error)
	KeepAnew(ctx context.Context, issue int64, a fleet.Anew) error
	AnewCounts(ctx context.Context, issue int64, of []fleet.DepotID) (map[fleet.DepotID]fleet.AnewCount, error)
	AnewOf(ctx context.Context, issue int64, of []fleet.DepotID) (map[fleet.UnitID]fleet.Anew, error)
	AnewForecasts(ctx context.Context, issue int64, of []fleet.UnitID) (map[fleet.UnitID]fleet.Forecast, error)
}

// Fleet is what is known of units and depots.
type Fleet interface {
	Depots(ctx context.Context) ([]fleet.Depot, error)
	Classes(ctx context.Context, of []fleet.DepotID) ([]string, error)
	UnitDepot(ctx context.Context, unit fleet.UnitID) (depot fleet.DepotID, found bool, err error)
	DepotTemps(ctx context.Context, depot fleet.DepotID) ([]fleet.DayTemp, error)
	History(ctx context.Context, unit fleet.UnitID) (fleet.History, error)
}

// Imports are what came in.
type Imports interface {
	RecentImports(ctx context.Context, limit int) ([]fleet.Import, error)
	Import(ctx context.Context, id int64) (i fleet.Import, found bool, err error)
}

// Kept are the rows that were kept apart. Nil depots are all, and rows whose depot is unknown.
type Kept interface {
	KeptApart(ctx context.Context, f fleet.KeptFilter) ([]fleet.KeptRow, error)
	CountKept(ctx context.Context, f fleet.KeptFilter) (int64, error)
	KeptAlike(ctx context.Context, f fleet.KeptFilter) ([]fleet.KeptAlike, error)
	KeptFiles(ctx context.Context, f fleet.KeptFilter) ([]string, error)
	KeptRow(ctx context.Context, key string, of []fleet.DepotID) (k fleet.KeptRow, found bool, err error)
	SetAside(ctx context.Context, key string, of []fleet.DepotID, person, note string) (bool, error)
	PutBack(ctx context.Context, key string, of []fleet.DepotID) (bool, error)
	SettledRows(ctx context.Context, key string, of []fleet.DepotID, limit int) ([]fleet.SettledRow, error)
}

// Watch is what stopped coming in, and what does not fit.
type Watch interface {
	Rhythms(ctx context.Context) ([]fleet.Rhythm, error) // of all units
	// Oddities are those of the depots; nil depots: of all, and of several at once.
	Oddities(ctx context.Context, of []fleet.DepotID) ([]fleet.KeptOddity, error)
	OdditiesLook(ctx context.Context) (asOf fleet.Opt[fleet.Date], madeAt time.Time, err error)
}

// Audits are what became of past lists, as kept.
type Audits interface {
	// Audits are those of a depot, or of the whole fleet where depot is empty, newest season first.
	Audits(ctx context.Context, depot fleet.DepotID) ([]fleet.KeptAudit, error)
}

// Nights are the lows foreseen and whom they concern.
type Nights interface {
	Lows(ctx context.Context, from, to fleet.Date) ([]fleet.Low, error)
	Overnight(ctx context.Context, issue int64, depot fleet.DepotID, fromC float64) ([]fleet.Listed, error)
	TypeLow(ctx context.Context, low fleet.Low) error
	ForgetLow(ctx context.Context, depot fleet.DepotID, dawn fleet.Date) error
}

// Store is all that the pages read.
type Store interface {
	Jobs
	Stock
	Nights
	People
	Door
	Lists
	Audits
	Fleet
	Imports
	Mailing
	Planning
	Settings
	Kept
	Watch
	Faults
	Accounts
	Bench
}
