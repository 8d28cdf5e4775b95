package store

import (
	"encoding/binary"
	"math"
	"time"

	"rimeyard/internal/fleet"
)

// copyRows gathers rows in the binary form of COPY (PostgreSQL manual, chapter COPY, "Binary Format"): for each row the
// number of its fields, and for each field its length, or −1 for null, and its bytes.
type copyRows struct {
	buf []byte
}

// copyStart is the signature, then no flags and no header extension.
const copyStart = "PGCOPY\n\xff\r\n\x00" + "\x00\x00\x00\x00" + "\x00\x00\x00\x00"

// copyEnd is the trailer in place of a number of fields.
const copyEnd = "\xff\xff"

// Postgres counts its timestamps and dates from 2000-01-01.
const (
	postgresEpochUnixMicros = 946_684_800 * 1_000_000
	postgresEpochDays       = 10_957 // since 1970-01-01
)

func (c *copyRows) row(fields int) { c.buf = binary.BigEndian.AppendUint16(c.buf, uint16(fields)) }

func (c *copyRows) null() { c.buf = append(c.buf, 0xff, 0xff, 0xff, 0xff) }

func (c *copyRows) text(s string) {
	c.buf = binary.BigEndian.AppendUint32(c.buf, uint32(len(s)))
	c.buf = append(c.buf, s...)
}

func (c *copyRows) int64(v int64) {
	c.buf = append(c.buf, 0, 0, 0, 8)
	c.buf = binary.BigEndian.AppendUint64(c.buf, uint64(v))
}

func (c *copyRows) int(v int) {
	c.buf = append(c.buf, 0, 0, 0, 4)
	c.buf = binary.BigEndian.AppendUint32(c.buf, uint32(int32(v)))
}

func (c *copyRows) float(v float64) { c.int64(int64(math.Float64bits(v))) }

func (c *copyRows) date(d fleet.Date) { c.int(int(d) - postgresEpochDays) }

func (c *copyRows) time(t time.Time) { c.int64(t.UnixMicro() - postgresEpochUnixMicros) }

func (c *copyRows) optInt(o fleet.Opt[int]) {
	if v, known := o.Get(); known {
		c.int(v)
		return
	}
	c.null()
}

func (c *copyRows) optFloat(o fleet.Opt[float64]) {
	if v, known := o.Get(); known {
		c.float(v)
		return
	}
	c.null()
}

func (c *copyRows) optDate(o fleet.Opt[fleet.Date]) {
	if v, known := o.Get(); known {
		c.date(v)
		return
	}
	c.null()
}

func (c *copyRows) optMoney(o fleet.Opt[fleet.Money]) {
	if v, known := o.Get(); known {
		c.int64(int64(v))
		return
	}
	c.null()
}

// add appends a row with its line, and a crank's week, before the columns of its table, in their order.
func (c *copyRows) add(line int64, row fleet.Row) {
	before := 1
	if row.Kind() == fleet.CranksKind {
		before = 2
	}
	c.row(before + len(loadTables[row.Kind()].columns))
	c.int64(line)
	switch r := row.(type) {
	case *fleet.Crank:
		c.date(weekOf(r.At))
		c.crank(r)
	case *fleet.Test:
		c.test(r)
	case *fleet.Depot:
		c.depot(r)
	case *fleet.Unit:
		c.unit(r)
	case *fleet.BatteryFitting:
		c.battery(r)
	case *fleet.StarterFitting:
		c.starter(r)
	case *fleet.Breakdown:
		c.breakdown(r)
	case *fleet.DayTemp:
		c.text(string(r.Depot))
		c.date(r.Date)
		c.optFloat(r.MinC)
		c.optFloat(r.MaxC)
	}
}

// weekOf is the Monday of the week, in UTC, under which a crank is digested.
func weekOf(at time.Time) fleet.Date {
	const secondsPerDay, daysPerWeek = 24 * 60 * 60, 7
	day := at.Unix() / secondsPerDay
	return fleet.Date(day - (day+3)%daysPerWeek) // day 0 was a Thursday; no reading is from before it
}

func (c *copyRows) crank(r *fleet.Crank) {
	c.time(r.At)
	c.text(string(r.Unit))
	for _, v := range [...]fleet.Opt[float64]{r.RestV, r.MinV, r.MeanV, r.DurationMs, r.TemperatureC, r.CoolantC, r.CurrentA, r.RPM} {
		c.optFloat(v)
	}
	c.text(string(r.Outcome))
}

func (c *copyRows) test(r *fleet.Test) {
	c.time(r.At)
	c.text(string(r.Unit))
	c.int(r.Position)
	c.text(r.Battery)
	c.optFloat(r.RestV)
	c.optFloat(r.CCAA)
	c.text(string(r.CCAStandard))
	for _, v := range [...]fleet.Opt[float64]{r.LoadV, r.LoadA, r.LoadS, r.ResistanceMOhm, r.SoCPct, r.TemperatureC} {
		c.optFloat(v)
	}
	c.text(r.TestedBy)
	c.text(r.Tester)
	c.text(r.Note)
}

func (c *copyRows) depot(r *fleet.Depot) {
	c.text(string(r.ID))
	c.text(r.Name)
	c.text(r.Timezone)
	c.optFloat(r.Latitude)
	c.optFloat(r.Longitude)
	c.optFloat(r.ElevationM)
	c.optInt(r.SwapsPerWeek)
	c.text(r.CostCentre)
}

func (c *copyRows) unit(r *fleet.Unit) {
	c.text(string(r.ID))
	c.text(string(r.Depot))
	c.text(r.Class)
	c.text(string(r.Fuel))
	c.optFloat(r.EngineLitres)
	c.int(r.SystemVolts)
	c.int(r.Batteries)
	c.text(string(r.Gearbox))
	c.text(string(r.Parked))
	c.optDate(r.InServiceOn)
	c.optMoney(r.NoStartCost)
	c.text(r.VIN)
	c.optFloat(r.StartsPerDay)
	c.optInt(r.Criticality)
}

func (c *copyRows) battery(r *fleet.BatteryFitting) {
	c.text(r.Battery)
	c.text(string(r.Unit))
	c.int(r.Position)
	c.text(r.Part)
	c.text(string(r.Chemistry))
	c.float(r.RatedCCAA)
	c.text(string(r.CCAStandard))
	c.optFloat(r.RatedAh)
	c.optDate(r.MadeOn)
	c.optDate(r.FittedOn)
	c.optDate(r.RemovedOn)
	c.text(string(r.RemovedBecause))
	c.optMoney(r.Price)
	c.optMoney(r.CoreDeposit)
	c.optDate(r.CoreReturnedOn)
	c.optInt(r.FreeMonths)
	c.optInt(r.ProrataMonths)
}

func (c *copyRows) starter(r *fleet.StarterFitting) {
	c.text(r.Starter)
	c.text(string(r.Unit))
	c.text(r.Part)
	c.optDate(r.FittedOn)
	c.optDate(r.RemovedOn)
	c.text(string(r.RemovedBecause))
	c.optMoney(r.Price)
	c.optMoney(r.CoreDeposit)
	c.optDate(r.CoreReturnedOn)
	c.optInt(r.FreeMonths)
}

func (c *copyRows) breakdown(r *fleet.Breakdown) {
	c.time(r.At)
	c.text(string(r.Unit))
	c.text(string(r.Cause))
	c.optMoney(r.Cost)
	c.optFloat(r.HoursDown)
}
