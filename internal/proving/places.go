package proving

import "rimeyard/internal/fleet"

// place is a depot with its climate and the customs of its workshop.
type place struct {
	depot     fleet.Depot
	climate   climate
	share     float64
	indoors   float64
	pluggedIn float64
	swapYears float64 // batteries past this age are swapped sooner or later, whatever they test at; 0: the custom is not kept
	condemns  float64 // chance that a very low test condemns the battery
	testers   int
}

func places() []place {
	at := func(id fleet.DepotID, name, zone string, lat, lon float64, perWeek int) fleet.Depot {
		return fleet.Depot{
			ID: id, Name: name, Timezone: zone, Latitude: fleet.Known(lat), Longitude: fleet.Known(lon),
			SwapsPerWeek: fleet.Known(perWeek), CostCentre: "cc-" + string(id),
		}
	}
	return []place{
		{
			depot: at("SEA", "Seaward", "Europe/Dublin", 53.3, -9.0, 4), climate: climate{9.8, 5.2, 3.0, 0.6, 6, 0.15},
			share: 0.18, indoors: 0.06, swapYears: 5.5, condemns: 0.1, testers: 1,
		},
		{
			depot: at("LOW", "Lowfield", "Europe/Amsterdam", 52.2, 6.1, 5), climate: climate{9.6, 7.6, 4.0, 0.9, 7.5, 0.2},
			share: 0.24, indoors: 0.08, condemns: 0.25, testers: 2,
		},
		{
			depot: at("HIL", "Hillgate", "Europe/Prague", 50.6, 13.4, 5), climate: climate{7.4, 10.2, 4.3, 1.0, 9, 0.2},
			share: 0.22, indoors: 0.1, pluggedIn: 0.05, swapYears: 5, condemns: 0.1, testers: 2,
		},
		{
			depot: at("LAK", "Lakeside", "Europe/Stockholm", 60.4, 15.0, 4), climate: climate{4.8, 11.8, 5.0, 1.3, 8.5, 0.2},
			share: 0.2, indoors: 0.12, pluggedIn: 0.2, condemns: 0.2, testers: 1,
		},
		{
			depot: at("INL", "Inland", "Europe/Helsinki", 62.9, 29.7, 4), climate: climate{2.9, 13.8, 5.6, 1.5, 9.5, 0.15},
			share: 0.16, indoors: 0.14, pluggedIn: 0.34, testers: 1,
		},
	}
}

// batteryPart is a battery as the stores list it.
type batteryPart struct {
	part          string
	chemistry     fleet.Chemistry
	ratedA        float64 // under EN or its like; the label may state it under another standard
	ah            float64
	label         fleet.CCAStandard
	grade         float64
	price, core   fleet.Money
	free, prorata int
}

// dinShare is how much less DIN's test allows than EN's for one and the same battery. Common practice, no source.
const dinShare = 0.6

// labelA is the rating printed on it.
func (p batteryPart) labelA() float64 {
	if p.label == fleet.DIN {
		return roundTo(p.ratedA*dinShare, 10)
	}
	return p.ratedA
}

type starterPart struct {
	part        string
	price, core fleet.Money
	free        int
}

// class is one kind of vehicle of the fleet.
type class struct {
	name        string
	fuel        fleet.Fuel
	litres      []float64
	volts       int
	batteries   int
	share       float64
	daysPerWeek float64
	warmStarts  float64 // a driven day, beyond the first start
	driveHours  float64
	noStartCost float64
	parts       []batteryPart
	starters    []starterPart
}

func classes() []class {
	return []class{
		{
			name: "tractor", fuel: fleet.Diesel, litres: []float64{10.8, 12.7}, volts: 24, batteries: 2, share: 0.22,
			daysPerWeek: 5.6, warmStarts: 1.1, driveHours: 7.5, noStartCost: 640,
			parts: []batteryPart{
				{"T-225-F", fleet.Flooded, 1100, 225, fleet.EN, 0.95, 21900, 2500, 24, 0},
				{"T-230-E", fleet.EFB, 1150, 230, fleet.EN, 1.15, 27800, 2500, 24, 24},
				{"T-180-D", fleet.Flooded, 1000, 180, fleet.DIN, 0.85, 16400, 2500, 12, 0},
			},
			starters: []starterPart{{"TS-24-70", 69000, 9500, 24}, {"TS-24-65R", 39500, 9500, 12}},
		},
		{
			name: "coach", fuel: fleet.Diesel, litres: []float64{7.7, 10.5}, volts: 24, batteries: 2, share: 0.12,
			daysPerWeek: 6.2, warmStarts: 1.6, driveHours: 8.5, noStartCost: 880,
			parts: []batteryPart{
				{"C-200-G", fleet.Gel, 1000, 200, fleet.EN, 1.2, 39900, 2500, 36, 0},
				{"C-225-F", fleet.Flooded, 1100, 225, fleet.EN, 0.95, 21900, 2500, 24, 0},
			},
			starters: []starterPart{{"CS-24-60", 61000, 9500, 24}},
		},
		{
			name: "rigid", fuel: fleet.Diesel, litres: []float64{4.5, 6.7}, volts: 12, batteries: 2, share: 0.2,
			daysPerWeek: 5.2, warmStarts: 1.4, driveHours: 5, noStartCost: 470,
			parts: []batteryPart{
				{"R-100-S", fleet.Flooded, 780, 100, fleet.SAE, 0.9, 15200, 1800, 24, 12},
				{"R-95-A", fleet.AGM, 850, 95, fleet.SAE, 1.15, 23500, 1800, 36, 0},
			},
			starters: []starterPart{{"RS-12-40", 49500, 7000, 24}, {"RS-12-38R", 27500, 7000, 12}},
		},
		{
			name: "van", fuel: fleet.Diesel, litres: []float64{1.9, 2.2}, volts: 12, batteries: 1, share: 0.24,
			daysPerWeek: 5.4, warmStarts: 1.9, driveHours: 3.5, noStartCost: 320,
			parts: []batteryPart{
				{"V-92-E", fleet.EFB, 850, 92, fleet.EN, 1.05, 15700, 1400, 24, 12},
				{"V-88-F", fleet.Flooded, 760, 88, fleet.EN, 0.85, 10900, 1400, 24, 0},
			},
			starters: []starterPart{{"VS-12-22", 27500, 4500, 24}, {"VS-12-20R", 16900, 4500, 12}},
		},
		{
			name: "car", fuel: fleet.Petrol, litres: []float64{1.2, 1.6}, volts: 12, batteries: 1, share: 0.14,
			daysPerWeek: 4.8, warmStarts: 1.8, driveHours: 1.8, noStartCost: 190,
			parts: []batteryPart{
				{"K-60-F", fleet.Flooded, 540, 60, fleet.EN, 0.9, 9500, 1000, 24, 0},
				{"K-60-A", fleet.AGM, 640, 60, fleet.EN, 1.15, 16900, 1000, 36, 12},
			},
			starters: []starterPart{{"KS-12-11", 20500, 3000, 24}},
		},
		{
			name: "pickup", fuel: fleet.Petrol, litres: []float64{3.3, 5.0}, volts: 12, batteries: 1, share: 0.08,
			daysPerWeek: 5.0, warmStarts: 2.0, driveHours: 3, noStartCost: 280,
			parts: []batteryPart{
				{"P-78-S", fleet.Flooded, 720, 78, fleet.SAE, 1.0, 12800, 1400, 24, 0},
				{"P-80-A", fleet.AGM, 800, 80, fleet.SAE, 1.15, 20900, 1400, 36, 0},
			},
			starters: []starterPart{{"PS-12-16", 24800, 4000, 24}},
		},
	}
}
