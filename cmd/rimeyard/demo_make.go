package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/ingest"
	"rimeyard/internal/demofleet"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/internal/web"
	"rimeyard/reports"
)

const (
	demoShown   = 15 // units printed in the terminal
	demoMailTo  = "manager@fleet.example"
	demoMonday  = "30 6 * * 1" // a schedule that people can see at work
	daysBetween = 7
)

var errNotDemo = errors.New("the database that " + envDatabase + " names holds a fleet already, and the demo would mix its invented units into it; unset it, or name an empty database")

// makeDemo makes all that the demo shows. It can be broken off at any point and started again: importing twice changes
// nothing, and the note that says it is whole is written last.
func makeDemo(cmd *cobra.Command, db *store.DB, home string, today fleet.Date, now func() time.Time) (demoState, error) {
	ctx, out := cmd.Context(), cmd.OutOrStdout()
	state := demoState{Today: today}
	if err := refuseForeignFleet(ctx, db); err != nil {
		return state, err
	}
	fmt.Fprintf(out, "Writing an invented fleet, as of %s …\n", today)
	files := filepath.Join(home, "files")
	story, err := demofleet.Write(files, demofleet.Options{Seed: demoSeed, Today: today})
	if err != nil {
		return state, err
	}
	state.Story = story
	fmt.Fprintln(out, "Importing it …")
	if err := importDemo(cmd, db, files, today); err != nil {
		return state, err
	}
	fmt.Fprintln(out, "Judging every unit, a week ago and today …")
	for _, day := range []fleet.Date{today - daysBetween, today} {
		if _, err := issueOnce(ctx, db, day, progressOf(cmd)); err != nil {
			return state, err
		}
	}
	fmt.Fprintln(out, "Auditing past seasons …") // serve would too, but whoever looks at once wants to see it
	if err := auditToday(ctx, db, slog.New(slog.DiscardHandler), today); err != nil {
		return state, err
	}
	if state.People, err = demoPeople(ctx, db); err != nil {
		return state, err
	}
	if err := demoShelves(ctx, db, today); err != nil {
		return state, err
	}
	if err := demoJobs(ctx, db, today); err != nil {
		return state, err
	}
	if err := demoMoney(ctx, db, today); err != nil {
		return state, err
	}
	if state.Letters, err = mailDemo(ctx, db, home, today, now()); err != nil {
		return state, err
	}
	b, err := json.MarshalIndent(state, "", "  ")
	if err != nil {
		return state, err
	}
	return state, os.WriteFile(filepath.Join(home, demoNote), b, 0o600)
}

// refuseForeignFleet lets an empty database pass, and one that only the demo has filled.
func refuseForeignFleet(ctx context.Context, db *store.DB) error {
	units, err := db.Units(ctx)
	if err != nil || len(units) == 0 {
		return err
	}
	imports, err := db.RecentImports(ctx, 1000)
	if err != nil {
		return err
	}
	for _, i := range imports {
		if i.Source != demoFolder {
			return errNotDemo
		}
	}
	return nil
}

func importDemo(cmd *cobra.Command, db *store.DB, files string, today fleet.Date) (err error) {
	res, err := ingest.Import(cmd.Context(), db, []string{files}, ingest.Options{
		Source: demoFolder, Now: today.Midnight(time.UTC).Add(12 * time.Hour), Progress: importProgress(cmd.ErrOrStderr()),
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, res.Close()) }()
	var taken, kept int64
	for _, f := range res.Files {
		taken, kept = taken+f.Taken+f.AlreadyThere, kept+f.KeptApart
	}
	fmt.Fprintf(cmd.OutOrStdout(), "  %d rows are in; %d were kept apart, each with its reason (see Intake)\n", taken, kept)
	return nil
}

// demoPeople makes one sign-in per role; a second run after a broken one gives them new passwords.
func demoPeople(ctx context.Context, db *store.DB) ([]demoPerson, error) {
	var people []demoPerson
	for _, p := range []fleet.Person{
		{Name: "manager", FullName: "Maintenance manager", Role: fleet.Manager, Email: demoMailTo, AllDepots: true},
		{Name: "mechanic", FullName: "Mechanic at North Yard", Role: fleet.Mechanic, Depots: []fleet.DepotID{"NOR"}},
		{Name: "accountant", FullName: "Accountant", Role: fleet.Accountant, AllDepots: true},
		{Name: "admin", FullName: "Administrator", Role: fleet.Administrator, AllDepots: true},
	} {
		password := web.NewPassword()
		p.PasswordHash = web.HashPassword(password)
		added, err := db.AddPerson(ctx, p)
		if err == nil && !added {
			_, err = db.SetPassword(ctx, p.Name, p.PasswordHash)
		}
		if err != nil {
			return nil, err
		}
		people = append(people, demoPerson{p.Name, p.Role, password})
	}
	return people, nil
}

// mailDemo puts the winter list into the folder of letters, also where a mail server is set: the demo writes to nobody.
func mailDemo(ctx context.Context, db *store.DB, home string, today fleet.Date, now time.Time) ([]string, error) {
	data, err := gatherWinterList(db)(ctx, reports.Asked{Today: today})
	if err != nil {
		return nil, err
	}
	list, err := reports.Compose(data, reports.DefaultTop)
	if err != nil {
		return nil, err
	}
	content, err := list.Render([]fleet.Attachment{fleet.AttachCSV})
	if err != nil {
		return nil, err
	}
	noon := today.Midnight(time.UTC).Add(12 * time.Hour)
	letters, err := content.Letters(reports.FolderFrom, []string{demoMailTo}, "demo/"+today.String(), noon)
	if err != nil {
		return nil, err
	}
	folder := reports.Folder{Dir: filepath.Join(home, outboxFolder)}
	var paths []string
	for _, l := range letters {
		l.QueuedAt = noon
		if err := folder.Send(ctx, l); err != nil {
			return nil, err
		}
		eml, html := folder.Paths(l)
		paths = append(paths, eml, html)
	}
	schedules, err := db.Schedules(ctx)
	if err != nil || len(schedules) > 0 {
		return paths, err
	}
	monday := fleet.Schedule{
		Report: reports.WinterListName, Recipients: []string{demoMailTo}, Cron: demoMonday, Timezone: "Europe/Helsinki",
		Attach: []fleet.Attachment{fleet.AttachCSV}, LastSlot: now, Enabled: true,
	}
	_, err = db.AddSchedule(ctx, monday, "added: "+web.ScheduleWords(reportKinds(db), monday))
	return paths, err
}

func printDemoList(ctx context.Context, out io.Writer, db *store.DB) error {
	issue, err := db.LatestIssue(ctx)
	if err != nil {
		return err
	}
	list, err := listOf(ctx, db, issue)
	if err != nil {
		return err
	}
	fmt.Fprintln(out)
	return printRanked(out, asTable, list, demoShown)
}

func printDemoGuide(out io.Writer, home, url string, state demoState) {
	fmt.Fprintln(out, "\nUnits with a story:")
	for _, tale := range state.Story.Tales {
		fmt.Fprintf(out, "  %s  %s\n", tale.Unit, tale.Says)
	}
	fmt.Fprintln(out, "\nThe winter list as mail (open the .html in a browser, the .eml in a mail program):")
	for _, path := range state.Letters {
		fmt.Fprintln(out, " ", path)
	}
	fmt.Fprintf(out, "\nThe server is running at %s\n", url)
	for _, p := range state.People {
		fmt.Fprintf(out, "  sign in as %-10s  password %s\n", p.Name, p.Password)
	}
	fmt.Fprintf(out, "\nOther commands work on the demo with %s=%s, such as: rimeyard audit\n", envHome, home)
	fmt.Fprintln(out, "End the server with: make demo-stop (or rimeyard demo --stop)")
}
