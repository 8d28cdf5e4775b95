package fleet

import "time"

// Outlook is what is kept of the newest forecast of a unit beside its public part, so that pages, plan and mail can look ahead
// without judging the unit anew.
type Outlook struct {
	Unit UnitID `json:"unit"`
	// ChanceByWeek is the chance of at least one failed start up to and including the Sunday of each week, the first being the week of
	// the as-of date, the last the season's last. Weeks before the season have 0. Left as it is, so it never falls.
	ChanceByWeek []float64 `json:"chance_by_week"`
	// ByWinter is what each of the depot's past winters would do, oldest first. All units of a depot have the same winters, and those of other
	// depots are matched by their year, so sums over units have honest spread.
	ByWinter []PastWinter `json:"winters,omitempty"`
	// ChanceIf is the season's chance if the cold limit truly lay at its 10th, 30th, 50th, 70th and 90th percentile, each as likely as the
	// others: what a test could tell.
	ChanceIf [5]float64 `json:"chance_if"`
	// ChanceP05 and ChanceP95 hold nine in ten true chances of units that read like this one; null: kept before they were reckoned.
	ChanceP05      Opt[float64]       `json:"chance_p05"`
	ChanceP95      Opt[float64]       `json:"chance_p95"`
	Night          NightCurve         `json:"night"`
	Relief         map[Remedy]float64 `json:"relief"`            // by how many °C the cold limit falls by each remedy; empty where there is nothing to relieve
	DriftCPerMonth Opt[float64]       `json:"drift_c_per_month"` // of the cold limit, if nothing is done; positive: it rises
	RestV          Opt[float64]       `json:"rest_v"`            // of one battery, as last read and foreseen for today; null: never read
	SocPct         Opt[float64]       `json:"soc_pct"`           // that rest voltage as state of charge
	FreezesAtC     Opt[float64]       `json:"freezes_at_c"`      // temperature at which the electrolyte begins to freeze at that state of charge
	NoStartCost    Opt[Money]         `json:"no_start_cost"`     // the unit's own, else the fleet's median
	SwapCosts      map[Part]Money     `json:"swap_costs"`        // last price paid for the parts a swap needs; a part of unknown price is not there
	LastReadOn     Opt[Date]          `json:"last_read_on"`      // of the newest test or crank
	AgeYears       map[Part]float64   `json:"age_years"`         // of what is fitted, where the fitting date is known; batteries: the oldest
	Fitted         map[Part][]string  `json:"fitted"`            // part numbers fitted now: batteries by position, starter
}

// PastWinter is what a past winter of the depot would do to a unit, were it to come again.
type PastWinter struct {
	// Year in which it began; 0: it is of no single year, but a copy moved colder or warmer, or a guess by the climate, as stands in where too
	// few winters are on record.
	Year   int       `json:"year"`
	Chance []float64 `json:"chance"` // of at least one failed start up to the end of each month that is left of the season
}

// Remedy is what can be done to a unit, overnight or in the workshop.
type Remedy string

// The remedies.
const (
	PlugIn        Remedy = "plug_in" // a block heater
	ParkIndoors   Remedy = "park_indoors"
	Charge        Remedy = "charge"
	RenewBattery  Remedy = "renew_battery"
	RenewStarter  Remedy = "renew_starter"
	CleanContacts Remedy = "clean_contacts" // terminals and cables
)

// NightCurve is the chance that the first start after a night fails, by the night's low.
type NightCurve struct {
	LimitC  float64 `json:"limit_c"`  // as the model counts it, which need not be the limit people read
	SDC     float64 `json:"sd_c"`     // doubt about the limit
	SpreadC float64 `json:"spread_c"` // from night to night
	Spared  float64 `json:"spared"`   // share of units that no cold stops, whatever their readings say
	Quiet   float64 `json:"quiet"`    // chance of a failure that has nothing to do with the cold
}

// Beside is what is kept beside a ranked list as long as it is the newest.
type Beside struct {
	Outlooks []Outlook
	Learned  []byte // JSON, as alerts.ReadLearned reads it
}

// Listed is one line of the newest ranked list with all that is kept of its unit.
type Listed struct {
	Unit     Unit
	Forecast Forecast
	Outlook  *Outlook // nil: none is kept
	Anew     *Anew    // nil: nothing has come since, or it is not judged yet
}

// News is what has come of a unit since the newest list was made: nothing dated on the list's day or later stands in it.
type News struct {
	Unit      UnitID
	Depot     DepotID
	BatteryOn Opt[Date] // fitted; of several the newest
	StarterOn Opt[Date]
	TestedOn  Opt[Date]
	MadeOf    string // equal where the same has come
}

// Anew is what is said of a unit with its news. The list stays as it was issued; the audit judges that.
type Anew struct {
	News
	AsOf     Date     // nothing dated then or later was looked at
	Forecast Forecast // without a rank
	Outlook  Outlook  // its first week is that of AsOf
}

// AnewCount is how many units of a depot were judged anew since a list, and when the last was.
type AnewCount struct {
	At       time.Time
	Repaired int // a part was fitted to them
	Units    int // all of them
}

// Now is the line with what is said of its unit by now, in the place that the list gave it.
func (l Listed) Now() Listed {
	if l.Anew == nil {
		return l
	}
	rank := l.Forecast.Rank
	l.Forecast, l.Outlook = l.Anew.Forecast, &l.Anew.Outlook
	l.Forecast.Rank = rank
	return l
}
