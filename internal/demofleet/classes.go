package demofleet

import "rimeyard/internal/fleet"

// depotPlan is a depot with its climate and what its workshop is like.
type depotPlan struct {
	depot       fleet.Depot
	climate     climate
	letter      string // first letter of its units' numbers
	share       float64
	oil         oil
	pluggedIn   float64 // share of units with a block heater
	indoors     float64
	swapAgeDays int // the workshop swaps at this age whatever the test says; 0: it does not
}

func depotPlans() []depotPlan {
	return []depotPlan{
		{
			depot: fleet.Depot{
				ID: "COA", Name: "Coastal Yard", Timezone: "Europe/Lisbon", Latitude: fleet.Known(41.2), Longitude: fleet.Known(-8.6),
				ElevationM: fleet.Known(12.0), SwapsPerWeek: fleet.Known(4), CostCentre: "4100",
			},
			climate: climate{meanC: 10.8, amplitudeC: 6.2, winterSdC: 3.3, summerSdC: 2.2, halfRangeC: 3.8, winterLevelSdC: 0.7},
			letter:  "C", share: 0.28, oil: thickOil, indoors: 0.10, swapAgeDays: 6 * 365,
		},
		{
			depot: fleet.Depot{
				ID: "NOR", Name: "North Yard", Timezone: "Europe/Helsinki", Latitude: fleet.Known(64.3), Longitude: fleet.Known(27.2),
				ElevationM: fleet.Known(140.0), SwapsPerWeek: fleet.Known(5), CostCentre: "4300",
			},
			climate: climate{meanC: 2.6, amplitudeC: 13.0, winterSdC: 4.6, summerSdC: 3.0, halfRangeC: 4.5, winterLevelSdC: 0.9},
			letter:  "N", share: 0.32, oil: thinOil, pluggedIn: 0.25, indoors: 0.12,
		},
		{
			depot: fleet.Depot{
				ID: "PLA", Name: "Plains Yard", Timezone: "Europe/Warsaw", Latitude: fleet.Known(53.1), Longitude: fleet.Known(23.0),
				ElevationM: fleet.Known(165.0), SwapsPerWeek: fleet.Known(6), CostCentre: "4200",
			},
			climate: climate{meanC: 8.0, amplitudeC: 11.8, winterSdC: 4.1, summerSdC: 3.2, halfRangeC: 5.0, winterLevelSdC: 0.9},
			letter:  "P", share: 0.40, oil: thickOil, indoors: 0.08,
		},
	}
}

// batteryPart is a battery as the stores know it.
type batteryPart struct {
	part          string
	chemistry     fleet.Chemistry
	ccaA, ah      float64
	standard      fleet.CCAStandard
	price         fleet.Money
	core          fleet.Money
	free, prorata int
	ageing        float64 // how fast it ages beside the others
}

type starterPart struct {
	part        string
	price, core fleet.Money
	free        int
}

// class is one kind of vehicle.
type class struct {
	name         string
	fuel         fleet.Fuel
	litres       []float64
	volts        int
	batteries    int
	share        float64
	engine       engine
	cranksPerDay float64
	noStartCost  fleet.Money
	parts        []batteryPart
	starters     []starterPart
	manual       float64 // share with a manual gearbox
}

func classes() []class {
	return []class{
		{
			name: "heavy", fuel: fleet.Diesel, litres: []float64{10.8, 12.8}, volts: 24, batteries: 2, share: 0.30,
			engine:       engine{nominal: 0.275, dry: 0.35, motorV: 0.55, cableV: 0.20, brushV: 0.55, nominalRM: 200, needRM: 70, needColdC: 0.6},
			cranksPerDay: 2.0, noStartCost: 62000, manual: 0.2,
			parts: []batteryPart{
				{"HB-180-EN", fleet.Flooded, 1000, 180, fleet.EN, 18900, 2200, 24, 0, 1.05},
				{"HB-180-EFB", fleet.EFB, 1050, 180, fleet.EN, 24500, 2200, 24, 24, 0.85},
			},
			starters: []starterPart{{"HS-24-55", 64000, 9000, 24}, {"HS-24-55X", 41000, 9000, 12}},
		},
		{
			name: "medium", fuel: fleet.Diesel, litres: []float64{4.5, 6.7}, volts: 12, batteries: 2, share: 0.25,
			engine:       engine{nominal: 0.27, dry: 0.35, motorV: 0.55, cableV: 0.24, brushV: 0.55, nominalRM: 210, needRM: 72, needColdC: 0.6},
			cranksPerDay: 2.6, noStartCost: 45000, manual: 0.5,
			parts: []batteryPart{
				{"MB-100-SAE", fleet.Flooded, 800, 100, fleet.SAE, 15800, 1800, 24, 12, 1.0},
				{"MB-95-AGM", fleet.AGM, 850, 95, fleet.EN, 22900, 1800, 36, 0, 0.8},
			},
			starters: []starterPart{{"MS-12-40", 48000, 7000, 24}},
		},
		{
			name: "van", fuel: fleet.Diesel, litres: []float64{2.0, 2.2}, volts: 12, batteries: 1, share: 0.25,
			engine:       engine{nominal: 0.27, dry: 0.38, motorV: 0.52, cableV: 0.20, brushV: 0.5, nominalRM: 230, needRM: 79, needColdC: 0.6},
			cranksPerDay: 3.6, noStartCost: 31000, manual: 0.8,
			parts: []batteryPart{
				{"VB-95-EFB", fleet.EFB, 850, 95, fleet.EN, 14900, 1400, 24, 12, 1.0},
				{"VB-90-EN", fleet.Flooded, 760, 90, fleet.EN, 11200, 1400, 24, 0, 1.15},
			},
			starters: []starterPart{{"VS-12-22", 26500, 4500, 24}, {"VS-12-22R", 17500, 4500, 12}},
		},
		{
			name: "light", fuel: fleet.Petrol, litres: []float64{1.2, 1.6}, volts: 12, batteries: 1, share: 0.20,
			engine:       engine{nominal: 0.25, dry: 0.36, motorV: 0.55, cableV: 0.18, brushV: 0.5, nominalRM: 240, needRM: 71, needColdC: 0.9},
			cranksPerDay: 2.8, noStartCost: 18000, manual: 0.7,
			parts: []batteryPart{
				{"LB-60-EN", fleet.Flooded, 540, 60, fleet.EN, 9800, 1000, 24, 0, 1.1},
				{"LB-60-AGM", fleet.AGM, 640, 60, fleet.EN, 16400, 1000, 36, 12, 0.85},
			},
			starters: []starterPart{{"LS-12-11", 19800, 3000, 24}},
		},
	}
}
