package fleet

// Chemistry of a battery.
type Chemistry string

// The chemistries of the interchange files.
const (
	Flooded Chemistry = "flooded"
	EFB     Chemistry = "efb"
	AGM     Chemistry = "agm"
	Gel     Chemistry = "gel"
)

// CCAStandard is the standard under which a cold cranking current is stated. Figures of two standards are never compared.
type CCAStandard string

// The standards of the interchange files.
const (
	SAE CCAStandard = "sae"
	EN  CCAStandard = "en"
	DIN CCAStandard = "din"
	IEC CCAStandard = "iec"
	JIS CCAStandard = "jis"
)

// Removal is why a part came out. Only Failed counts as a failure of the part; empty means not said.
type Removal string

// The reasons of the interchange files.
const (
	RemovedFailed     Removal = "failed"
	RemovedPreventive Removal = "preventive"
	RemovedDamaged    Removal = "damaged"
	RemovedSold       Removal = "sold"
	RemovedOther      Removal = "other"
)

// BatteryFitting is one battery's time in one place of one unit, inclusive at both ends.
type BatteryFitting struct {
	Battery        string // serial or label
	Unit           UnitID
	Position       int    // 1 … Unit.Batteries
	Part           string // part number: price and learning group
	Chemistry      Chemistry
	RatedCCAA      float64
	CCAStandard    CCAStandard
	RatedAh        Opt[float64] // 20-hour capacity
	MadeOn         Opt[Date]
	FittedOn       Opt[Date] // unknown: left-truncated in life tables
	RemovedOn      Opt[Date]
	RemovedBecause Removal
	Price          Opt[Money]
	CoreDeposit    Opt[Money]
	CoreReturnedOn Opt[Date]
	FreeMonths     Opt[int]
	ProrataMonths  Opt[int]
}

// FittedAt tells whether the battery was in its place on day d. An unknown end leaves that end open.
func (f BatteryFitting) FittedAt(d Date) bool { return covers(f.FittedOn, f.RemovedOn, d) }

// StarterFitting is one starter's time in one unit, inclusive at both ends.
type StarterFitting struct {
	Starter        string
	Unit           UnitID
	Part           string
	FittedOn       Opt[Date]
	RemovedOn      Opt[Date]
	RemovedBecause Removal
	Price          Opt[Money]
	CoreDeposit    Opt[Money]
	CoreReturnedOn Opt[Date]
	FreeMonths     Opt[int]
}

// FittedAt tells whether the starter was in the unit on day d.
func (f StarterFitting) FittedAt(d Date) bool { return covers(f.FittedOn, f.RemovedOn, d) }

func covers(from, to Opt[Date], d Date) bool {
	return from.Or(d) <= d && d <= to.Or(d)
}
