package gravel

import "rimeyard/internal/fleet"

// site is a depot with its climate and its workshop's customs.
type site struct {
	depot     fleet.Depot
	climate   climate
	weight    float64
	coldKit   float64 // how much stronger its units' batteries are for the engine than in a mild place
	indoors   float64
	heaters   float64 // share of the rest that have a block heater
	renewAt   float64 // years after which batteries come out at the summer service; 0: no such custom
	condemns  float64 // chance that one test under half the rating takes the battery out
	looks     float64 // chance that the summer service finds a poor cable, starter or alternator
	testers   int
	loadFirst bool // one tester of the site is a load tester
}

func sites() []site {
	at := func(id fleet.DepotID, name, zone string, lat, lon, height float64, perWeek int) fleet.Depot {
		return fleet.Depot{
			ID: id, Name: name, Timezone: zone, Latitude: fleet.Known(lat), Longitude: fleet.Known(lon), ElevationM: fleet.Known(height),
			SwapsPerWeek: fleet.Known(perWeek), CostCentre: "works " + string(id),
		}
	}
	return []site{
		{
			depot: at("TWN", "Town yard", "Europe/Vienna", 48.2, 15.6, 270, 6), climate: climate{9.4, 10.4, 3.7, 0.5, 8.5, 0.8, 0.45},
			weight: 0.3, coldKit: 1, indoors: 0.12, heaters: 0.02, condemns: 0.02, looks: 0.12, testers: 3, loadFirst: true,
		},
		{
			depot: at("PIT", "Stone pit", "Europe/Warsaw", 50.9, 20.7, 310, 4), climate: climate{7.9, 11.3, 3.8, 0.6, 9, 0.3, 0.5},
			weight: 0.26, coldKit: 1.05, indoors: 0.03, heaters: 0.06, condemns: 0.015, looks: 0.08, testers: 2,
		},
		{
			depot: at("RDG", "Ridge road station", "Europe/Bucharest", 46.5, 25.6, 690, 3), climate: climate{6.6, 11.8, 3.9, 0.6, 9.5, 1, 0.4},
			weight: 0.2, coldKit: 1.2, indoors: 0.16, heaters: 0.12, condemns: 0.02, looks: 0.12, testers: 2, loadFirst: true,
		},
		{
			depot: at("PLN", "Plain works", "America/Winnipeg", 49.9, -97.3, 240, 4), climate: climate{3.4, 16.6, 4.2, 0.6, 9.5, 0.5, 0.05},
			weight: 0.24, coldKit: 1.75, indoors: 0.14, heaters: 0.75, renewAt: 6.5, condemns: 0.03, looks: 0.15, testers: 2,
		},
	}
}

// batteryPart is a battery as the stores list it.
type batteryPart struct {
	part          string
	chemistry     fleet.Chemistry
	ratedA        float64 // as on the label, under its standard
	standard      fleet.CCAStandard
	ah            float64
	strong, lasts float64 // cranking power and life beside others of its size
	price, core   fleet.Money
	free, prorata int
}

type starterPart struct {
	part        string
	lasts       float64
	price, core fleet.Money
	free        int
}

// class is one kind of vehicle.
type class struct {
	name      string
	fuel      fleet.Fuel
	litres    []float64
	volts     int
	batteries int
	weight    float64
	gearbox   fleet.Gearbox
	margin    float64 // strength over stress of a new unit at 26.7 °C
	crankA    float64 // mean current of a warm crank of a new unit
	crankMs   float64 // its duration
	days      float64 // a week
	warm      float64 // starts a day beyond the first
	hours     float64 // driven a day
	winter    float64 // how much more it works in winter than in summer: 0 as much, 1 in winter alone
	shakes    float64 // vibration, 1 for a car on a road
	cost      float64 // of a failed start
	parts     []batteryPart
	starters  []starterPart
}

var classSet = []class{
	{
		name: "dump truck", fuel: fleet.Diesel, litres: []float64{9.3, 12.1}, volts: 24, batteries: 2, weight: 0.15, gearbox: fleet.Automatic,
		margin: 19.6, crankA: 330, crankMs: 1150, days: 5.6, warm: 0.9, hours: 8, shakes: 1.7, cost: 760,
		parts: []batteryPart{
			{"QX180", fleet.Flooded, 1050, fleet.EN, 180, 1, 0.95, 19800, 2400, 24, 0},
			{"QX190V", fleet.EFB, 1100, fleet.EN, 190, 1.05, 1.15, 25900, 2400, 36, 0},
		},
		starters: []starterPart{{"GS-24-7", 1, 64500, 9000, 24}, {"GS-24-7X", 0.8, 37500, 9000, 12}},
	},
	{
		name: "wheel loader", fuel: fleet.Diesel, litres: []float64{6.7, 8.9}, volts: 24, batteries: 2, weight: 0.12,
		margin: 20.2, crankA: 290, crankMs: 1050, days: 5.5, warm: 1.2, hours: 6.5, shakes: 1.5, cost: 690,
		parts: []batteryPart{
			{"QX140", fleet.Flooded, 800, fleet.EN, 140, 1, 0.9, 15900, 2000, 24, 0},
			{"QX150V", fleet.EFB, 850, fleet.EN, 150, 1.05, 1.1, 20900, 2000, 24, 24},
		},
		starters: []starterPart{{"GS-24-5", 1, 52000, 8000, 24}},
	},
	{
		name: "refuse lorry", fuel: fleet.Diesel, litres: []float64{7.7, 8.9}, volts: 24, batteries: 2, weight: 0.15, gearbox: fleet.Automatic,
		margin: 19.6, crankA: 300, crankMs: 1050, days: 5.3, warm: 1.4, hours: 7.5, shakes: 1.2, cost: 820,
		parts: []batteryPart{
			{"MU170", fleet.Flooded, 1000, fleet.EN, 170, 1, 0.95, 18400, 2200, 24, 0},
			{"MU180G", fleet.Gel, 900, fleet.EN, 180, 0.97, 1.2, 36500, 2200, 36, 0},
		},
		starters: []starterPart{{"GS-24-5", 1, 52000, 8000, 24}, {"GS-24-5X", 0.75, 29900, 8000, 12}},
	},
	{
		name: "gritter", fuel: fleet.Diesel, litres: []float64{6.4, 7.7}, volts: 12, batteries: 2, weight: 0.1, gearbox: fleet.Manual,
		margin: 20.2, crankA: 420, crankMs: 1100, days: 4.6, warm: 1.0, hours: 5.5, winter: 0.55, shakes: 1.2, cost: 930,
		parts: []batteryPart{
			{"MU105", fleet.Flooded, 800, fleet.SAE, 105, 1, 0.95, 14200, 1600, 24, 12},
			{"MU105A", fleet.AGM, 900, fleet.SAE, 105, 1.06, 1.15, 22900, 1600, 36, 0},
		},
		starters: []starterPart{{"GS-12-4", 1, 43500, 6500, 24}},
	},
	{
		name: "tipper", fuel: fleet.Diesel, litres: []float64{3.0, 4.5}, volts: 12, batteries: 2, weight: 0.14, gearbox: fleet.Manual,
		margin: 21.6, crankA: 310, crankMs: 950, days: 5.2, warm: 1.5, hours: 4.5, shakes: 1.3, cost: 430,
		parts: []batteryPart{
			{"MU90", fleet.Flooded, 430, fleet.DIN, 90, 1, 0.9, 11900, 1500, 24, 0},
			{"MU92V", fleet.EFB, 800, fleet.EN, 92, 1.05, 1.1, 15900, 1500, 24, 12},
		},
		starters: []starterPart{{"GS-12-3", 1, 36500, 5500, 24}, {"GS-12-3X", 0.8, 21500, 5500, 12}},
	},
	{
		name: "works van", fuel: fleet.Diesel, litres: []float64{1.9, 2.3}, volts: 12, batteries: 1, weight: 0.18, gearbox: fleet.Manual,
		margin: 21.6, crankA: 210, crankMs: 850, days: 5.1, warm: 1.8, hours: 3, shakes: 1, cost: 290,
		parts: []batteryPart{
			{"MU80", fleet.Flooded, 740, fleet.EN, 80, 1, 0.9, 10400, 1300, 24, 0},
			{"MU82V", fleet.EFB, 800, fleet.EN, 82, 1.05, 1.1, 14400, 1300, 24, 12},
		},
		starters: []starterPart{{"GS-12-2", 1, 26500, 4200, 24}, {"GS-12-2X", 0.8, 15900, 4200, 12}},
	},
	{
		name: "pickup", fuel: fleet.Petrol, litres: []float64{2.7, 3.5}, volts: 12, batteries: 1, weight: 0.09, gearbox: fleet.Automatic,
		margin: 24.3, crankA: 150, crankMs: 700, days: 5.1, warm: 1.7, hours: 2.8, shakes: 1.1, cost: 260,
		parts: []batteryPart{
			{"MU70", fleet.Flooded, 680, fleet.SAE, 70, 1, 0.95, 9900, 1300, 24, 0},
			{"MU72A", fleet.AGM, 760, fleet.SAE, 72, 1.06, 1.15, 18400, 1300, 36, 0},
		},
		starters: []starterPart{{"GS-12-1", 1, 23500, 3800, 24}},
	},
	{
		name: "inspector's car", fuel: fleet.Petrol, litres: []float64{1.0, 1.4}, volts: 12, batteries: 1, weight: 0.07, gearbox: fleet.Manual,
		margin: 24.3, crankA: 105, crankMs: 600, days: 4.7, warm: 1.8, hours: 1.7, shakes: 0.9, cost: 170,
		parts: []batteryPart{
			{"MU50", fleet.Flooded, 480, fleet.EN, 50, 1, 0.95, 7900, 1000, 24, 0},
			{"MU52V", fleet.EFB, 540, fleet.EN, 52, 1.05, 1.1, 10900, 1000, 24, 0},
		},
		starters: []starterPart{{"GS-12-0", 1, 18500, 2900, 24}},
	},
}
