package fleet

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// jobLaws are what no sequence of steps may break.
func jobLaws(t *rapid.T, seen []JobState) {
	first := func(s JobState) int { return slices.Index(seen, s) }
	last := seen[len(seen)-1]
	if last == JobClosed {
		require.Equal(t, JobProven, seen[len(seen)-2], "a job is closed only when a crank has proven it")
	}
	if at := first(JobProven); at >= 0 {
		require.Equal(t, JobFitted, seen[at-1], "only work that was done can be proven")
	}
	if last == JobDropped {
		require.False(t, seen[len(seen)-2].Done(), "work that was done is not dropped")
	}
	for _, s := range seen[:len(seen)-1] {
		require.True(t, s.Open(), "nothing follows the end")
	}
}

func TestJobsKeepToTheirOrder(t *testing.T) {
	states := JobStates()
	rapid.Check(t, func(t *rapid.T) {
		j := Job{ID: 1, Unit: "U", Part: rapid.SampledFrom([]Part{BatteryPart, StarterPart, CablePart}).Draw(t, "part"), Work: WorkSwap, State: JobFound, Step: 1}
		seen := []JobState{j.State}
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			c := anyChange(t, j, states)
			if err := c.Check(j); err != nil {
				_, refused := errors.AsType[JobRefusedError](err)
				require.True(t, refused, "%v", err)
				require.NotEmpty(t, err.Error())
				continue
			}
			if c.To == JobProven && j.State != JobProven {
				require.True(t, c.Proof.Good)
				require.False(t, c.Proof.CrankedAt.Before(j.FittedAt))
			}
			j = afterChange(j, c)
			if j.State != seen[len(seen)-1] {
				seen = append(seen, j.State)
				jobLaws(t, seen)
			}
			require.True(t, j.State != JobClosed || j.Paper && (len(j.Removed()) == 0 || j.Core != CoreOpen))
		}
	})
}

func anyChange(t *rapid.T, j Job, states [8]JobState) JobChange {
	day := NewDate(2026, time.November, 30)
	at := day.Midnight(time.UTC)
	c := JobChange{
		Job: j.ID, Seen: j.Step, To: rapid.SampledFrom(states[:]).Draw(t, "to"), By: "jo", Today: day, At: at,
		Note:   rapid.SampledFrom([]string{"", "because"}).Draw(t, "note"),
		Core:   rapid.SampledFrom([]Core{CoreOpen, CoreReturned, CoreNone}).Draw(t, "core"),
		Paper:  rapid.Bool().Draw(t, "paper"),
		Pieces: rapid.IntRange(0, 2).Draw(t, "pieces"), PartNumber: rapid.SampledFrom([]string{"", "B-70"}).Draw(t, "number"),
	}
	if rapid.Bool().Draw(t, "week") {
		c.Monday = Known(day + Date(rapid.IntRange(0, 1).Draw(t, "weekday")))
	}
	if rapid.Bool().Draw(t, "proof") {
		c.Proof = &Proof{CrankedAt: at.Add(time.Duration(rapid.IntRange(-1, 1).Draw(t, "hours")) * time.Hour), Good: rapid.Bool().Draw(t, "good")}
	}
	if rapid.Bool().Draw(t, "fitting") {
		c.Fitting.Because = rapid.SampledFrom([]Removal{"", RemovedFailed}).Draw(t, "removal")
		for _, place := range rapid.SliceOfN(rapid.IntRange(1, 2), 0, 2).Draw(t, "places") {
			c.Fitting.Batteries = append(c.Fitting.Batteries, BatteryFitting{Battery: rapid.SampledFrom([]string{"N1", "N2"}).Draw(t, "serial"), Unit: "U", Position: place, FittedOn: Known(day)})
		}
		if rapid.Bool().Draw(t, "starter") {
			c.Fitting.Starters = []StarterFitting{{Starter: "S", Unit: "U", FittedOn: Known(day)}}
		}
	}
	if rapid.Bool().Draw(t, "bench") {
		c.Bench = []BenchResult{{Kind: j.Part, Serial: "OLD", Verdict: rapid.SampledFrom([]BenchVerdict{BenchGood, "perhaps"}).Draw(t, "verdict")}}
	}
	return c
}

// afterChange is what a store makes of a step that Check has let through, as far as the rules look at it.
func afterChange(j Job, c JobChange) Job {
	if c.To == JobFitted && j.State != JobFitted {
		j.FittedAt, j.Core, j.Paper = c.At, CoreOpen, false
		if j.Exchanges() {
			j.Exchanged = []Piece{{Out: true, Kind: j.Part, Serial: "OLD"}}
		}
	}
	if c.Core != CoreOpen {
		j.Core = c.Core
	}
	j.State, j.Paper = c.To, j.Paper || c.Paper
	j.Step++
	return j
}

func TestStepsSayWhatTheyNeed(t *testing.T) {
	day := NewDate(2026, time.November, 30)
	fitted := day.Midnight(time.UTC)
	battery := Job{ID: 7, Unit: "U", Part: BatteryPart, Work: WorkSwap, State: JobFound, Step: 1}
	out := battery
	out.State, out.FittedAt, out.Exchanged = JobFitted, fitted, []Piece{{Out: true, Kind: BatteryPart, Serial: "OLD"}}
	proven := out
	proven.State = JobProven
	in := func(place int, serial string) BatteryFitting {
		return BatteryFitting{Battery: serial, Unit: "U", Position: place, FittedOn: Known(day)}
	}
	cable := battery
	cable.Part, cable.Work = CablePart, WorkClean
	for want, tc := range map[string]struct {
		job Job
		c   JobChange
	}{
		"a Monday":                 {battery, JobChange{To: JobPlanned, Monday: Known(day + 1)}},
		"part number":              {battery, JobChange{To: JobReserved, Pieces: 1}},
		"needs no part":            {cable, JobChange{To: JobReserved, Pieces: 1, PartNumber: "x"}},
		"which batteries":          {battery, JobChange{To: JobFitted}},
		"why the old part":         {battery, JobChange{To: JobFitted, Fitting: Fitting{Batteries: []BatteryFitting{in(1, "N")}}}},
		"two batteries are said":   {battery, JobChange{To: JobFitted, Fitting: Fitting{Because: RemovedFailed, Batteries: []BatteryFitting{in(1, "N"), in(1, "M")}}}},
		"in two places":            {battery, JobChange{To: JobFitted, Fitting: Fitting{Because: RemovedFailed, Batteries: []BatteryFitting{in(1, "N"), in(2, "N")}}}},
		"what was done":            {cable, JobChange{To: JobFitted}},
		"found cannot become":      {battery, JobChange{To: JobProven, Proof: &Proof{Good: true}}},
		"by a crank after":         {out, JobChange{To: JobProven, Proof: &Proof{CrankedAt: fitted}}},
		"before the work was done": {out, JobChange{To: JobProven, Proof: &Proof{CrankedAt: fitted.Add(-1), Good: true}}},
		"why the job goes back":    {out, JobChange{To: JobFound}},
		"core is not settled":      {proven, JobChange{To: JobClosed, Paper: true}},
		"sheet is not filed":       {proven, JobChange{To: JobClosed, Core: CoreReturned}},
		"why no core":              {proven, JobChange{To: JobClosed, Core: CoreNone, Paper: true}},
		"why nothing is done":      {battery, JobChange{To: JobDropped}},
		"did not come out":         {proven, JobChange{To: JobProven, Bench: []BenchResult{{Kind: StarterPart, Serial: "OLD", Verdict: BenchGood}}}},
		"nothing new":              {proven, JobChange{To: JobProven}},
	} {
		tc.c.By, tc.c.Today, tc.c.At = "jo", day, fitted
		require.ErrorContains(t, tc.c.Check(tc.job), want)
	}
	require.NoError(t, JobChange{By: "jo", To: JobClosed, Core: CoreReturned, Paper: true}.Check(proven))
	require.NoError(t, JobChange{By: "jo", To: JobFound, Proof: &Proof{Why: "1.2 V too low"}}.Check(out))
}
