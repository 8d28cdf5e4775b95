package reports

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/trend"
)

// monthsShown are the months that the ledger is summed over on its page and in letters, this one among them.
const monthsShown = 13

// LedgerStore is where the ledger, what is owed, and budgets that were kept are.
type LedgerStore interface {
	BudgetStore
	LedgerSumsStore
	EachLedgerEntry(ctx context.Context, f fleet.LedgerFilter) iter.Seq2[fleet.LedgerEntry, error]
	LedgerBooked(ctx context.Context) (time.Time, error)
	ClosedMonths(ctx context.Context) ([]fleet.ClosedMonth, error)
	DepositsOut(ctx context.Context, asked fleet.DepositsAsked) (fleet.DepositsOut, error)
	Claims(ctx context.Context, of []fleet.DepotID) ([]fleet.Claim, error)
	Budgets(ctx context.Context, of []fleet.DepotID) ([]fleet.KeptBudget, error)
	Budget(ctx context.Context, id int64, of []fleet.DepotID) (b fleet.KeptBudget, found bool, err error)
}

// LedgerData is what the ledger's page and letter are composed from.
type LedgerData struct {
	Of       []fleet.DepotID // nil: the whole fleet
	Depots   []fleet.Depot   // those asked for
	Today    fleet.Date
	Currency ledger.Currency
	IsSet    bool              // somebody has set the currency
	Sums     []fleet.LedgerSum // of the months shown
	Booked   time.Time         // when something was booked last; zero: never
	Closed   fleet.Opt[fleet.Date]
	Deposits fleet.DepositsOut
	Claims   []fleet.Claim
	Kept     *fleet.KeptBudget // the newest version that was kept of just these depots; nil: none
	Against  []ledger.Compared
	Behind   bool // what is ahead in Against lacks something that has changed since it was reckoned

	entries func(fleet.LedgerFilter) iter.Seq2[fleet.LedgerEntry, error]
}

// GatherLedger brings together what was booked at the depots (nil: all), what is owed to them, and how their budget stands.
func GatherLedger(ctx context.Context, from LedgerStore, budgets *Budgets, of []fleet.DepotID, today fleet.Date) (d LedgerData, err error) {
	d = LedgerData{Of: of, Today: today}
	d.entries = func(f fleet.LedgerFilter) iter.Seq2[fleet.LedgerEntry, error] { return from.EachLedgerEntry(ctx, f) }
	all, err := from.Depots(ctx)
	if err != nil {
		return d, err
	}
	d.Depots = among(all, of)
	own, err := from.OwnFigures(ctx)
	if err != nil {
		return d, err
	}
	d.Currency, d.IsSet = CurrencyOf(own), own.Currency != ""
	if d.Sums, err = from.LedgerSums(ctx, d.filter()); err != nil {
		return d, err
	}
	if d.Booked, err = from.LedgerBooked(ctx); err != nil {
		return d, err
	}
	closed, err := from.ClosedMonths(ctx)
	if err != nil {
		return d, err
	}
	if len(closed) > 0 {
		d.Closed = fleet.Known(closed[0].Month)
	}
	if d.Deposits, err = from.DepositsOut(ctx, DepositsAsked(of, today, own, fleet.Known(0))); err != nil {
		return d, err
	}
	if d.Claims, err = from.Claims(ctx, of); err != nil {
		return d, err
	}
	return d, d.against(ctx, from, budgets)
}

func (d *LedgerData) filter() fleet.LedgerFilter {
	last := ledger.MonthOf(d.Today)
	return fleet.LedgerFilter{Depots: d.Of, From: fleet.Known((last - monthsShown + 1).First()), To: fleet.Known(last.Last())}
}

// against holds the newest budget that was kept of just these depots against what came.
func (d *LedgerData) against(ctx context.Context, from LedgerStore, budgets *Budgets) error {
	kept, err := from.Budgets(ctx, d.Of)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(kept, func(b fleet.KeptBudget) bool { return SameDepots(b.Depots, d.Of) })
	if i < 0 {
		return nil
	}
	whole, found, err := from.Budget(ctx, kept[i].ID, d.Of)
	if err != nil || !found {
		return err
	}
	var was ledger.Budget
	if err := json.Unmarshal(whole.Result, &was); err != nil {
		return fmt.Errorf("read budget %d: %w", whole.ID, err)
	}
	newest, err := budgets.Of(ctx, BudgetAsked{Depots: d.Of, Today: d.Today})
	if err != nil {
		return err
	}
	d.Kept, d.Behind = &whole, newest.Behind
	d.Against, err = CompareBudget(ctx, from, d.Of, was, newest.Figure)
	return err
}

// SameDepots tells whether two lists are of the same depots; nil is all.
func SameDepots(a, b []fleet.DepotID) bool {
	if (a == nil) != (b == nil) {
		return false
	}
	a, b = slices.Clone(a), slices.Clone(b)
	slices.Sort(a)
	slices.Sort(b)
	return slices.Equal(a, b)
}

// Ledger is what was booked and what is owed, in words and figures: of page, letter and print.
type Ledger struct {
	Subject  string
	Headline string
	Place    string
	Lines    []string // this month so far, the season so far, hours
	Notes    []string // what the reader must know about the figures
	Kinds    []ledger.Kind
	Months   []LedgerMonth // the newest first
	All      LedgerMonth   // their sum; its Month is the first of them
	Centres  []LedgerCentre
	Together *LedgerCentre // their sum; nil: there is but one
	Owed     []string
	Budget   []string // empty: none was kept
	Net      string
	Currency ledger.Currency
	Mark     string
	// SeasonFrom is the month in which the season began that sums are taken since.
	SeasonFrom ledger.Month
	data       LedgerData
}

// LedgerMonth is one month's sums.
type LedgerMonth struct {
	Month    ledger.Month
	Name     string
	SoFar    bool // it is not over
	Closed   bool
	ByKind   map[ledger.Kind]fleet.Money
	Spent    fleet.Money // all kinds but deposits
	Deposits fleet.Money // paid less returned
	Minutes  int64       // that units stood still
}

// LedgerCentre is what one cost centre has spent, deposits apart.
type LedgerCentre struct {
	Name                           string // empty: none
	LastMonth, ThisMonth, InSeason fleet.Money
}

// SpentWords is what was spent, for templates, and so are the methods below.
func (m LedgerMonth) SpentWords() string { return Money(m.Spent) }

// DepositWords is what was paid in deposits, less what was returned.
func (m LedgerMonth) DepositWords() string { return Money(m.Deposits) }

// NameWords names the cost centre.
func (c LedgerCentre) NameWords() string { return CentreWords(c.Name) }

// LastWords is what it spent last month.
func (c LedgerCentre) LastWords() string { return Money(c.LastMonth) }

// ThisWords is what it has spent this month.
func (c LedgerCentre) ThisWords() string { return Money(c.ThisMonth) }

// SeasonWords is what it has spent since the season began.
func (c LedgerCentre) SeasonWords() string { return Money(c.InSeason) }

// IsDeposit tells whether entries of a kind are core deposits, which come back and so are no spend.
func IsDeposit(k ledger.Kind) bool { return k == ledger.DepositPaid || k == ledger.DepositReturned }

// ComposeLedger puts the ledger into words.
func ComposeLedger(d LedgerData) Ledger {
	l := Ledger{data: d, Place: d.place(), Net: NetWords, Currency: d.Currency}
	this := ledger.MonthOf(d.Today)
	for m := this; m > this-monthsShown; m-- {
		one := LedgerMonth{Month: m, Name: MonthWords(m), SoFar: m == this && d.Today < m.Last(), ByKind: map[ledger.Kind]fleet.Money{}}
		closed, any := d.Closed.Get()
		one.Closed = any && m.First() <= closed
		l.Months = append(l.Months, one)
	}
	l.SeasonFrom = ledger.MonthOf(d.season().From)
	sums := ledgerAdding{seen: map[ledger.Kind]bool{}, centres: map[string]*LedgerCentre{}, other: map[string]bool{}}
	for _, one := range d.Sums {
		sums.add(&l, one)
	}
	for _, k := range ledger.Kinds() {
		if sums.seen[k] {
			l.Kinds = append(l.Kinds, k)
		}
	}
	for _, c := range sums.centres {
		l.Centres = append(l.Centres, *c)
	}
	slices.SortFunc(l.Centres, func(a, b LedgerCentre) int { return cmp.Compare(a.Name, b.Name) })
	l.addUp()
	l.say(sums.inSeason)
	l.note(sums.other)
	l.Owed, l.Budget = d.owedWords(), d.budgetWords()
	var told strings.Builder
	for _, m := range l.Months[:2] {
		fmt.Fprintf(&told, "%s %d %d %d;", m.Month, m.Spent, m.Deposits, m.Minutes)
	}
	l.Mark = markOf([]byte(told.String()))
	return l
}

// ledgerAdding adds up for a ledger.
type ledgerAdding struct {
	seen     map[ledger.Kind]bool
	centres  map[string]*LedgerCentre
	inSeason fleet.Money
	other    map[string]bool // currencies that are not the fleet's, and whether they come to something
}

func (a *ledgerAdding) add(l *Ledger, s fleet.LedgerSum) {
	this, m, kind := l.Months[0].Month, ledger.MonthOf(s.Month), ledger.Kind(s.Kind)
	if s.Currency != string(l.data.Currency) {
		a.other[s.Currency] = a.other[s.Currency] || s.Amount != 0
		return
	}
	a.seen[kind] = true
	one := &l.Months[this-m]
	one.ByKind[kind] += s.Amount
	if kind == ledger.HoursDown {
		one.Minutes += s.Minutes
	}
	if IsDeposit(kind) {
		one.Deposits += s.Amount
		return
	}
	one.Spent += s.Amount
	c := a.centres[s.CostCentre]
	if c == nil {
		c = &LedgerCentre{Name: s.CostCentre}
		a.centres[s.CostCentre] = c
	}
	switch m {
	case this:
		c.ThisMonth += s.Amount
	case this - 1:
		c.LastMonth += s.Amount
	}
	if m >= l.SeasonFrom {
		c.InSeason += s.Amount
		a.inSeason += s.Amount
	}
}

// addUp sums the months and, where there are several, the cost centres.
func (l *Ledger) addUp() {
	l.All = LedgerMonth{Month: l.Months[len(l.Months)-1].Month, Name: fmt.Sprintf("All %d months", len(l.Months)), ByKind: map[ledger.Kind]fleet.Money{}}
	for _, m := range l.Months {
		for kind, sum := range m.ByKind {
			l.All.ByKind[kind] += sum
		}
		l.All.Spent, l.All.Deposits, l.All.Minutes = l.All.Spent+m.Spent, l.All.Deposits+m.Deposits, l.All.Minutes+m.Minutes
	}
	if len(l.Centres) < 2 {
		return
	}
	l.Together = &LedgerCentre{}
	for _, c := range l.Centres {
		l.Together.LastMonth, l.Together.ThisMonth, l.Together.InSeason = l.Together.LastMonth+c.LastMonth, l.Together.ThisMonth+c.ThisMonth, l.Together.InSeason+c.InSeason
	}
}

func (d *LedgerData) place() string {
	switch {
	case d.Of == nil:
		return "the whole fleet"
	case len(d.Depots) == 1:
		return cmp.Or(d.Depots[0].Name, string(d.Depots[0].ID))
	}
	return Count(len(d.Depots), "depot")
}

// season is the one that is on, or else the last.
func (d *LedgerData) season() fleet.Season {
	if len(d.Depots) == 0 {
		return fleet.Season{From: d.Today, To: d.Today}
	}
	s := trend.SeasonOf(d.Today, d.Depots[0])
	if s.From > d.Today {
		s.From, s.To = s.From.AddMonths(-12), s.To.AddMonths(-12)
	}
	return s
}

func (l *Ledger) say(inSeason fleet.Money) {
	this, last, d := l.Months[0], l.Months[1], l.data
	l.Headline = fmt.Sprintf("%s spent in %s", InCurrency(last.Spent, d.Currency), last.Name)
	l.Subject = fmt.Sprintf("Ledger: %s", l.Headline)
	l.Lines = append(l.Lines, fmt.Sprintf("%s so far: %s. Since the season began in %s: %s.", this.Name, InCurrency(this.Spent, d.Currency), MonthWords(l.SeasonFrom), InCurrency(inSeason, d.Currency)))
	paid, back := fleet.Money(0), fleet.Money(0)
	for _, m := range l.Months[:2] {
		paid, back = paid+m.ByKind[ledger.DepositPaid], back-m.ByKind[ledger.DepositReturned]
	}
	if paid != 0 || back != 0 {
		l.Lines = append(l.Lines, fmt.Sprintf("Core deposits stand apart, as they come back: in these two months %s were paid and %s came back.", InCurrency(paid, d.Currency), InCurrency(back, d.Currency)))
	}
	if minutes := last.Minutes + this.Minutes; minutes > 0 {
		l.Lines = append(l.Lines, fmt.Sprintf("Units stood still for %s in these two months.", HoursOf(minutes)))
	}
}

func (l *Ledger) note(other map[string]bool) {
	d := l.data
	if !d.IsSet {
		l.Notes = append(l.Notes, fmt.Sprintf("Nobody has set the currency yet; amounts are taken for %s.", d.Currency))
	}
	if d.Booked.IsZero() {
		l.Notes = append(l.Notes, "Nothing is booked yet. It is booked once a day; “rimeyard ledger book” does it at once.")
	}
	for code, counts := range other {
		if counts {
			l.Notes = append(l.Notes, fmt.Sprintf("There are entries in %s too, which are in none of these sums.", code))
		}
	}
	slices.Sort(l.Notes)
}

func (d *LedgerData) owedWords() (said []string) {
	due := d.Deposits
	if due.Cores > 0 {
		s := fmt.Sprintf("%s could be handed in, with deposits of %s", Count(due.Cores, "core"), InCurrency(due.Sum, d.Currency))
		if due.Overdue > 0 {
			s += fmt.Sprintf("; %s overdue, with %s", ofThem(due.Overdue, due.Cores), InCurrency(due.OverdueSum, d.Currency))
		}
		said = append(said, s+".")
	}
	if d.Deposits.Fitted > 0 {
		said = append(said, fmt.Sprintf("Deposits of %s are out for %s that are still fitted.", InCurrency(d.Deposits.FittedSum, d.Currency), Count(d.Deposits.Fitted, "part")))
	}
	for _, s := range ClaimSums(d.Claims) {
		if s.Claims > 0 && (s.State == ledger.ClaimOpen || s.State == ledger.ClaimSent) {
			said = append(said, fmt.Sprintf("%s: %s expected.", firstUpper(Count(s.Claims, string(s.State)+" claim")), InCurrency(s.Expected, d.Currency)))
		}
	}
	return said
}

func (d *LedgerData) budgetWords() (said []string) {
	if d.Kept == nil {
		return nil
	}
	for _, c := range d.Against {
		if !c.Whole || c.Month.IsKnown() {
			continue
		}
		said = append(said, fmt.Sprintf("Budget “%s”: %s expected, %s to %s in eight cases of ten.", oneLine(d.Kept.Name), InCurrency(c.Budget, d.Currency), Money(c.P10), Money(c.P90)))
		forecast, _ := c.Forecast.Get()
		booked := "None of its days is over yet."
		if actual, known := c.Actual.Get(); known {
			booked = fmt.Sprintf("Booked so far: %s.", Money(actual))
		}
		s := fmt.Sprintf("%s With what is ahead: %s", booked, InCurrency(forecast, d.Currency))
		switch over := c.Over.Or(0); {
		case c.Outside && over > 0:
			s += fmt.Sprintf(", %s over the budget and above all but one case in ten of what it said", Money(over))
		case over > 0:
			s += fmt.Sprintf(", %s over the budget, within what it said may come", Money(over))
		case over == 0:
			s += ", just what the budget said"
		default:
			s += fmt.Sprintf(", %s under the budget", Money(-over))
		}
		said = append(said, s+".")
	}
	if d.Behind && len(said) > 0 {
		said = append(said, "Something has changed since what is ahead was reckoned: it is being worked out anew.")
	}
	return said
}
