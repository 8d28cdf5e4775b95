package web

import (
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// jobJSON is a job as programs get it. What is not known, or not yet, is null.
type jobJSON struct {
	Job        int64                  `json:"job"`
	Unit       fleet.UnitID           `json:"unit"`
	Depot      fleet.DepotID          `json:"depot"`
	Part       fleet.Part             `json:"part"`
	Work       fleet.Work             `json:"work"`
	State      fleet.JobState         `json:"state"`
	Step       int                    `json:"step"`
	Monday     fleet.Opt[fleet.Date]  `json:"monday"`
	Who        *string                `json:"who"`
	PartNumber *string                `json:"part_number"`
	Pieces     *int                   `json:"pieces"`
	Because    string                 `json:"because"`
	Suspected  map[fleet.Part]float64 `json:"suspect_probabilities"`
	Exchanged  []pieceJSON            `json:"exchanged"`
	FittedAt   *time.Time             `json:"fitted_at"`
	Core       *fleet.Core            `json:"core"`
	SheetFiled bool                   `json:"sheet_filed"`
	OpenedAt   time.Time              `json:"opened_at"`
	OpenedBy   string                 `json:"opened_by"`
	ClosedAt   *time.Time             `json:"closed_at"`
}

// pieceJSON is a battery or starter that went in or came out. What it cost is the ledger's to tell.
type pieceJSON struct {
	On         fleet.Date     `json:"on"`
	Way        string         `json:"way"` // in or out
	Kind       fleet.Part     `json:"kind"`
	Serial     string         `json:"serial"`
	PartNumber string         `json:"part_number"`
	Position   *int           `json:"position"` // of a battery
	Because    *fleet.Removal `json:"because"`  // of what came out
}

// toldJobJSON is one job with its record.
type toldJobJSON struct {
	jobJSON
	Bench  []benchJSON    `json:"bench"`
	Events []jobEventJSON `json:"events"`
}

type benchJSON struct {
	Kind     fleet.Part         `json:"kind"`
	Serial   string             `json:"serial"`
	Result   fleet.BenchVerdict `json:"result"`
	Readings map[string]string  `json:"readings"`
	Note     string             `json:"note"`
	TestedAt time.Time          `json:"tested_at"`
	TestedBy string             `json:"tested_by"`
}

type jobEventJSON struct {
	Step  int             `json:"step"`
	At    time.Time       `json:"at"`
	By    string          `json:"by"`
	From  *fleet.JobState `json:"from"` // null: it was opened
	To    fleet.JobState  `json:"to"`
	Note  string          `json:"note"`
	Proof *fleet.Proof    `json:"proof"`
}

// orNull is a pointer to v, or nil where v says nothing.
func orNull[T comparable](v T) *T {
	var nothing T
	if v == nothing {
		return nil
	}
	return &v
}

func utcOrNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return orNull(t.UTC())
}

func newJobJSON(j fleet.Job) jobJSON {
	out := jobJSON{
		Job: j.ID, Unit: j.Unit, Depot: j.Depot, Part: j.Part, Work: j.Work, State: j.State, Step: j.Step, Monday: j.Monday, Who: orNull(j.Who),
		PartNumber: orNull(j.PartNumber), Pieces: orNull(j.Pieces), Because: j.Because, Suspected: j.Named, Exchanged: []pieceJSON{},
		FittedAt: utcOrNull(j.FittedAt), Core: orNull(j.Core), SheetFiled: j.Paper, OpenedAt: j.OpenedAt.UTC(), OpenedBy: j.OpenedBy, ClosedAt: utcOrNull(j.ClosedAt),
	}
	for _, p := range j.Exchanged {
		way := "in"
		if p.Out {
			way = "out"
		}
		out.Exchanged = append(out.Exchanged, pieceJSON{p.At, way, p.Kind, p.Serial, p.Part, orNull(p.Position), orNull(p.Because)})
	}
	return out
}

// apiJobs answers programs with the open jobs of the depots that they may see, the longest open first; with a unit, with all of its jobs.
func (s *Server) apiJobs(c echo.Context) error {
	_, asked, _, err := s.depotAsked(c)
	if err != nil {
		return err
	}
	jobs, err := s.store.Jobs(c.Request().Context(), idsOf(asked), fleet.UnitID(c.QueryParam("unit")))
	if err != nil {
		return err
	}
	out := make([]jobJSON, len(jobs))
	for i, j := range jobs {
		out[i] = newJobJSON(j)
	}
	return c.JSON(http.StatusOK, map[string]any{"jobs": out})
}

// apiJob answers programs with one job and all that has happened to it.
func (s *Server) apiJob(c echo.Context) error {
	at, err := s.jobAsked(c)
	if err != nil {
		return err
	}
	results, err := s.store.BenchResults(c.Request().Context(), viewerOf(c).depots(), at.job.ID)
	if err != nil {
		return err
	}
	told := toldJobJSON{jobJSON: newJobJSON(at.job), Bench: []benchJSON{}, Events: []jobEventJSON{}}
	for _, b := range results {
		told.Bench = append(told.Bench, benchJSON{b.Kind, b.Serial, b.Verdict, b.Readings, b.Note, b.TestedAt.UTC(), b.TestedBy})
	}
	for _, e := range at.events {
		told.Events = append(told.Events, jobEventJSON{e.Step, e.At.UTC(), e.By, orNull(e.From), e.To, e.Note, e.What.Proof})
	}
	return c.JSON(http.StatusOK, told)
}
