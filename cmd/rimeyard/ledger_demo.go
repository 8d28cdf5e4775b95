package main

import (
	"context"
	"encoding/json"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

// What the demo's fleet has set for itself; invented, as all of it.
const (
	demoCurrency   = "EUR"
	demoLabour     = fleet.Money(68_00) // per hour
	demoDown       = fleet.Money(35_00)
	demoCoreDays   = 60
	demoBudgetName = "Autumn budget"
)

// demoMoney sets the demo's own figures and price lists, which are what was last paid, books its ledger and keeps a budget.
func demoMoney(ctx context.Context, db *store.DB, today fleet.Date) error {
	year, _, _ := today.YMD()
	since := fleet.NewDate(year-2, 1, 1)
	own := fleet.OwnFigures{
		Currency: demoCurrency, LabourPerHour: []fleet.DatedMoney{{From: since, Amount: demoLabour}}, DownPerHour: []fleet.DatedMoney{{From: since, Amount: demoDown}},
		CoreDays: fleet.Known(demoCoreDays),
	}
	if err := db.SetOwnFigures(ctx, own, "currency, rates and days for cores"); err != nil {
		return err
	}
	used, err := db.PartsInUse(ctx)
	if err != nil {
		return err
	}
	var prices []fleet.PartPrice
	for _, u := range used {
		if price, known := u.LastPrice.Get(); known && u.Fitted > 0 {
			prices = append(prices, fleet.PartPrice{Part: u.Part, Kind: u.Kind, From: fleet.NewDate(year, 1, 1), Price: price})
		}
	}
	if err := db.SetPartPrices(ctx, prices); err != nil {
		return err
	}
	if _, err := reports.BookLedger(ctx, db, nil, "demo", today); err != nil {
		return err
	}
	b, err := reports.NewBudgets(db, reports.NewPlans(db)).Of(ctx, reports.BudgetAsked{Today: today})
	if err != nil {
		return err
	}
	issue, err := db.LatestIssue(ctx)
	if err != nil {
		return err
	}
	result, err := json.Marshal(b.Figure)
	if err != nil {
		return err
	}
	_, err = db.KeepBudget(ctx, fleet.KeptBudget{Name: demoBudgetName, Issue: issue.ID, By: "accountant", WhatIf: []byte(`{}`), Result: result})
	return err
}
