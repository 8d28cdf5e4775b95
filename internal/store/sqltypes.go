package store

import (
	"time"

	"github.com/jackc/pgx/v5/pgtype"

	"rimeyard/internal/fleet"
)

// How fleet's dates and money travel to and from SQL: a Date as date, Money as bigint, unknown as null.

func sqlDate(d fleet.Date) pgtype.Date { return pgtype.Date{Time: d.Midnight(time.UTC), Valid: true} }

func sqlOptDate(o fleet.Opt[fleet.Date]) pgtype.Date {
	d, known := o.Get()
	if !known {
		return pgtype.Date{}
	}
	return sqlDate(d)
}

func sqlMoney(o fleet.Opt[fleet.Money]) *int64 {
	m, known := o.Get()
	if !known {
		return nil
	}
	n := int64(m)
	return &n
}

func optMoney(n *int64) fleet.Opt[fleet.Money] {
	if n == nil {
		return fleet.Opt[fleet.Money]{}
	}
	return fleet.Known(fleet.Money(*n))
}

// dateScanner and optDateScanner let Scan write straight into fleet types.
type (
	dateScanner    struct{ to *fleet.Date }
	optDateScanner struct{ to *fleet.Opt[fleet.Date] }
)

func dateInto(d *fleet.Date) dateScanner                  { return dateScanner{d} }
func optDateInto(d *fleet.Opt[fleet.Date]) optDateScanner { return optDateScanner{d} }

// ScanDate implements pgtype.DateScanner.
func (s dateScanner) ScanDate(v pgtype.Date) error {
	*s.to = fleet.DateOf(v.Time, time.UTC)
	return nil
}

// ScanDate implements pgtype.DateScanner.
func (s optDateScanner) ScanDate(v pgtype.Date) error {
	*s.to = fleet.Opt[fleet.Date]{}
	if v.Valid {
		*s.to = fleet.Known(fleet.DateOf(v.Time, time.UTC))
	}
	return nil
}
