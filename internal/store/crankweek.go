package store

import (
	"time"

	"github.com/jackc/pgx/v5/pgtype"

	"rimeyard/internal/fleet"
)

// crankWeek is one row of crank_week: parallel arrays, read into the same memory week after week.
type crankWeek struct {
	unit                                                             fleet.UnitID
	at                                                               []time.Time
	rest, lowest, mean, duration, temperature, coolant, current, rpm []pgtype.Float8
	outcome                                                          []string
}

func (w *crankWeek) columns() []any {
	return []any{&w.unit, &w.at, &w.rest, &w.lowest, &w.mean, &w.duration, &w.temperature, &w.coolant, &w.current, &w.rpm, &w.outcome}
}

func (w *crankWeek) appendTo(cranks []fleet.Crank) []fleet.Crank {
	for i, at := range w.at {
		cranks = append(cranks, fleet.Crank{
			Unit: w.unit, At: at.UTC(), RestV: optFloat(w.rest[i]), MinV: optFloat(w.lowest[i]), MeanV: optFloat(w.mean[i]),
			DurationMs: optFloat(w.duration[i]), TemperatureC: optFloat(w.temperature[i]), CoolantC: optFloat(w.coolant[i]),
			CurrentA: optFloat(w.current[i]), RPM: optFloat(w.rpm[i]), Outcome: fleet.Outcome(w.outcome[i]),
		})
	}
	return cranks
}

func optFloat(f pgtype.Float8) fleet.Opt[float64] {
	if !f.Valid {
		return fleet.Opt[float64]{}
	}
	return fleet.Known(f.Float64)
}
