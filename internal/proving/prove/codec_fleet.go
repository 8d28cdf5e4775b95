package main

import (
	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

func (c *codec) fleet(f *proving.Fleet) {
	word(c, &f.Name)
	integer(c, &f.AsOf)
	integer(c, &f.Season.From)
	integer(c, &f.Season.To)
	list(c, &f.Depots, c.depot)
	table(c, &f.Temps, func(days *[]fleet.DayTemp) { list(c, days, c.day) })
	list(c, &f.Histories, c.history)
	table(c, &f.Truth, c.truth)
}

func (c *codec) depot(d *fleet.Depot) {
	word(c, &d.ID)
	word(c, &d.Name)
	word(c, &d.Timezone)
	c.optFloat(&d.Latitude)
	c.optFloat(&d.Longitude)
	c.optFloat(&d.ElevationM)
	optInteger(c, &d.SwapsPerWeek)
	word(c, &d.CostCentre)
}

func (c *codec) day(d *fleet.DayTemp) {
	word(c, &d.Depot)
	integer(c, &d.Date)
	c.optFloat(&d.MinC)
	c.optFloat(&d.MaxC)
}

func (c *codec) truth(t *proving.Truth) {
	c.bool(&t.Failed)
	word(c, &t.Cause)
	integer(c, &t.On)
	c.float(&t.Chance)
	c.float(&t.ColdLimitC)
	word(c, &t.Worst)
}

func (c *codec) history(h *fleet.History) {
	c.unit(&h.Unit)
	list(c, &h.Batteries, c.battery)
	list(c, &h.Starters, c.starter)
	list(c, &h.Tests, c.test)
	list(c, &h.Cranks, c.crank)
	list(c, &h.Breakdowns, c.breakdown)
}

func (c *codec) unit(u *fleet.Unit) {
	word(c, &u.ID)
	word(c, &u.Depot)
	word(c, &u.Class)
	word(c, &u.Fuel)
	c.optFloat(&u.EngineLitres)
	integer(c, &u.SystemVolts)
	integer(c, &u.Batteries)
	word(c, &u.Gearbox)
	word(c, &u.Parked)
	optInteger(c, &u.InServiceOn)
	optInteger(c, &u.NoStartCost)
	word(c, &u.VIN)
	c.optFloat(&u.StartsPerDay)
	optInteger(c, &u.Criticality)
}

func (c *codec) battery(b *fleet.BatteryFitting) {
	word(c, &b.Battery)
	word(c, &b.Unit)
	integer(c, &b.Position)
	word(c, &b.Part)
	word(c, &b.Chemistry)
	c.float(&b.RatedCCAA)
	word(c, &b.CCAStandard)
	c.optFloat(&b.RatedAh)
	optInteger(c, &b.MadeOn)
	optInteger(c, &b.FittedOn)
	optInteger(c, &b.RemovedOn)
	word(c, &b.RemovedBecause)
	optInteger(c, &b.Price)
	optInteger(c, &b.CoreDeposit)
	optInteger(c, &b.CoreReturnedOn)
	optInteger(c, &b.FreeMonths)
	optInteger(c, &b.ProrataMonths)
}

func (c *codec) starter(s *fleet.StarterFitting) {
	word(c, &s.Starter)
	word(c, &s.Unit)
	word(c, &s.Part)
	optInteger(c, &s.FittedOn)
	optInteger(c, &s.RemovedOn)
	word(c, &s.RemovedBecause)
	optInteger(c, &s.Price)
	optInteger(c, &s.CoreDeposit)
	optInteger(c, &s.CoreReturnedOn)
	optInteger(c, &s.FreeMonths)
}

func (c *codec) test(t *fleet.Test) {
	word(c, &t.Unit)
	integer(c, &t.Position)
	c.time(&t.At)
	word(c, &t.Battery)
	c.optFloat(&t.RestV)
	c.optFloat(&t.CCAA)
	word(c, &t.CCAStandard)
	c.optFloat(&t.LoadV)
	c.optFloat(&t.LoadA)
	c.optFloat(&t.LoadS)
	c.optFloat(&t.ResistanceMOhm)
	c.optFloat(&t.SoCPct)
	c.optFloat(&t.TemperatureC)
	word(c, &t.TestedBy)
	word(c, &t.Tester)
	word(c, &t.Note)
}

func (c *codec) crank(k *fleet.Crank) {
	word(c, &k.Unit)
	c.time(&k.At)
	c.optFloat(&k.RestV)
	c.optFloat(&k.MinV)
	c.optFloat(&k.MeanV)
	c.optFloat(&k.DurationMs)
	c.optFloat(&k.TemperatureC)
	c.optFloat(&k.CoolantC)
	c.optFloat(&k.CurrentA)
	c.optFloat(&k.RPM)
	word(c, &k.Outcome)
}

func (c *codec) breakdown(b *fleet.Breakdown) {
	word(c, &b.Unit)
	c.time(&b.At)
	word(c, &b.Cause)
	optInteger(c, &b.Cost)
	c.optFloat(&b.HoursDown)
}
