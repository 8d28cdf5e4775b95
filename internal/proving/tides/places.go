package tides

import "rimeyard/internal/fleet"

// depot is one of the port's places, its climate and its workshop's customs.
type depot struct {
	fleet.Depot
	site       site
	share      float64
	indoors    float64
	pluggedIn  float64
	shipCalls  bool       // works when ships are in, whatever the weekday; else by the week
	testDays   [2]float64 // from one battery test to the next, at least and at most
	testers    int
	ageLimit   float64 // years after which batteries are taken out sooner or later; 0: no such custom
	condemns   float64 // chance that a low test takes a battery out
	looksInto  float64 // chance that a slow start is looked into
	greaseUp   float64 // chance that joints are cleaned at the yearly service
	newBelts   float64 // chance that belts and brushes of the alternator are renewed then
	overnightC float64 // warmer than the depot's thermometer
}

func depots() []depot {
	at := func(id fleet.DepotID, name string, lat, lon, upM float64, perWeek int) fleet.Depot {
		return fleet.Depot{
			ID: id, Name: name, Timezone: "Europe/Tallinn", Latitude: fleet.Known(lat), Longitude: fleet.Known(lon), ElevationM: fleet.Known(upM),
			SwapsPerWeek: fleet.Known(perWeek), CostCentre: "port-" + string(id),
		}
	}
	return []depot{
		{
			Depot: at("OUT", "Outer Quay", 58.32, 24.31, 3, 5), site: site{6.9, 10.2, [masses]float64{1, 0.8, 0.75}, 0, 1},
			share: 0.22, indoors: 0.04, shipCalls: true, testDays: [2]float64{7, 10}, testers: 2, condemns: 0.02, looksInto: 0.003, greaseUp: 0.15, overnightC: 0.4,
		},
		{
			Depot: at("DRY", "Drydock", 58.37, 24.45, 5, 4), site: site{6.7, 10.8, [masses]float64{1, 0.9, 0.85}, 0, 0.8},
			share: 0.17, indoors: 0.12, shipCalls: true, testDays: [2]float64{14, 30}, testers: 1, ageLimit: 5.5, condemns: 0.015, looksInto: 0.002, greaseUp: 0.2, newBelts: 0.1,
		},
		{
			Depot: at("FLA", "Saltflat Road", 58.45, 24.62, 8, 5), site: site{6.4, 11.4, [masses]float64{1, 1, 0.95}, 0, 0.6},
			share: 0.2, indoors: 0.07, testDays: [2]float64{7, 10}, testers: 2, condemns: 0.025, looksInto: 0.003, overnightC: -0.3,
		},
		{
			Depot: at("WEI", "Weir Bridge", 58.61, 25.02, 32, 4), site: site{5.8, 12.2, [masses]float64{0.95, 1.05, 1.05}, 0, 0.25},
			share: 0.18, indoors: 0.08, pluggedIn: 0.05, testDays: [2]float64{18, 30}, testers: 1, ageLimit: 6, condemns: 0.03, looksInto: 0.002, newBelts: 0.12,
		},
		{
			Depot: at("MOS", "Mosstown", 58.72, 25.61, 71, 3), site: site{5.2, 12.9, [masses]float64{0.9, 1.1, 1.15}, 1, 0.12},
			share: 0.13, indoors: 0.1, pluggedIn: 0.12, testDays: [2]float64{7, 10}, testers: 1, condemns: 0.025, looksInto: 0.004, greaseUp: 0.1,
		},
		{
			Depot: at("RID", "Ridge Junction", 58.03, 26.34, 148, 3), site: site{4.7, 13.3, [masses]float64{0.85, 1.15, 1.25}, 1, 0.08},
			share: 0.1, indoors: 0.12, pluggedIn: 0.25, testDays: [2]float64{14, 28}, testers: 1, condemns: 0.04, looksInto: 0.002, newBelts: 0.08, overnightC: -0.6,
		},
	}
}

// batteryPart is a battery as the stores list it.
type batteryPart struct {
	number        string
	chemistry     fleet.Chemistry
	ratedA, ah    float64 // ratedA as the European standard has it, whatever the label says
	label         fleet.CCAStandard
	grade         float64 // lives that much longer than the common one
	price, core   fleet.Money
	free, prorata int
}

// perEN turns a European rating into the label's. Within the printed ranges of trade conversions, which no standard fixes.
var perEN = map[fleet.CCAStandard]float64{fleet.EN: 1, fleet.SAE: 1.06, fleet.DIN: 0.61, fleet.IEC: 0.72}

func (p *batteryPart) labelA() float64 { return 10 * toPer(p.ratedA*perEN[p.label]/10, 1) }

type starterPart struct {
	number      string
	grade       float64
	price, core fleet.Money
	free        int
}

// class is one kind of vehicle.
type class struct {
	name         string
	fuel         fleet.Fuel
	litres       []float64
	volts, count int
	share        float64
	starts       float64 // a driven day
	hours        float64 // a driven day
	warmX        float64
	needs        float64
	usualRPM     float64
	noStartCost  float64
	shaken       float64
	parts        []batteryPart
	starters     []starterPart
}

func classes() []class {
	return []class{
		{
			name: "shunter", fuel: fleet.Diesel, litres: []float64{6.7, 7.7}, volts: 24, count: 2, share: 0.2,
			starts: 2.6, hours: 7, warmX: 0.235, needs: 0.42, usualRPM: 190, noStartCost: 720, shaken: 1.2,
			parts: []batteryPart{
				{"180-H", fleet.Flooded, 1000, 180, fleet.EN, 0.95, 19800, 2200, 24, 0},
				{"190-E", fleet.EFB, 1080, 190, fleet.EN, 1.12, 25900, 2200, 24, 12},
				{"170-D", fleet.Flooded, 950, 170, fleet.DIN, 0.86, 15900, 2200, 12, 0},
			},
			starters: []starterPart{{"24-55", 1.1, 58000, 8000, 24}, {"24-55X", 0.85, 34000, 8000, 12}},
		},
		{
			name: "bus", fuel: fleet.Diesel, litres: []float64{8.9, 10.5}, volts: 24, count: 2, share: 0.14,
			starts: 2.4, hours: 9, warmX: 0.24, needs: 0.41, usualRPM: 180, noStartCost: 940, shaken: 0.9,
			parts: []batteryPart{
				{"225-H", fleet.Flooded, 1150, 225, fleet.EN, 1, 22700, 2200, 24, 0},
				{"210-G", fleet.Gel, 1030, 210, fleet.IEC, 1.15, 38900, 2200, 36, 0},
			},
			starters: []starterPart{{"24-66", 1.05, 64500, 8000, 24}},
		},
		{
			name: "lorry", fuel: fleet.Diesel, litres: []float64{5.1, 6.6}, volts: 12, count: 2, share: 0.18,
			starts: 2.8, hours: 5.5, warmX: 0.225, needs: 0.42, usualRPM: 195, noStartCost: 510, shaken: 1.1,
			parts: []batteryPart{
				{"105-S", fleet.Flooded, 800, 105, fleet.SAE, 0.92, 14900, 1600, 24, 0},
				{"105-M", fleet.AGM, 870, 105, fleet.SAE, 1.15, 24500, 1600, 36, 12},
			},
			starters: []starterPart{{"12-42", 1.05, 47000, 6500, 24}, {"12-42X", 0.85, 26500, 6500, 12}},
		},
		{
			name: "van", fuel: fleet.Diesel, litres: []float64{2.0, 2.3}, volts: 12, count: 1, share: 0.24,
			starts: 3.2, hours: 3.2, warmX: 0.225, needs: 0.41, usualRPM: 215, noStartCost: 340, shaken: 1,
			parts: []batteryPart{
				{"80-F", fleet.Flooded, 740, 80, fleet.EN, 0.88, 10400, 1200, 24, 0},
				{"85-E", fleet.EFB, 800, 85, fleet.EN, 1.06, 14900, 1200, 24, 12},
			},
			starters: []starterPart{{"12-20", 1, 26000, 4000, 24}, {"12-20X", 0.85, 15500, 4000, 12}},
		},
		{
			name: "runabout", fuel: fleet.Petrol, litres: []float64{1.0, 1.4}, volts: 12, count: 1, share: 0.14,
			starts: 3, hours: 1.6, warmX: 0.23, needs: 0.35, usualRPM: 230, noStartCost: 210, shaken: 0.9,
			parts: []batteryPart{
				{"52-F", fleet.Flooded, 500, 52, fleet.EN, 0.92, 8600, 900, 24, 0},
				{"60-M", fleet.AGM, 640, 60, fleet.EN, 1.18, 16200, 900, 36, 0},
			},
			starters: []starterPart{{"12-10", 1, 19500, 3000, 24}},
		},
		{
			name: "service truck", fuel: fleet.Petrol, litres: []float64{2.4, 3.2}, volts: 12, count: 1, share: 0.1,
			starts: 3, hours: 2.4, warmX: 0.23, needs: 0.36, usualRPM: 205, noStartCost: 300, shaken: 1.1,
			parts: []batteryPart{
				{"70-S", fleet.Flooded, 640, 70, fleet.SAE, 0.95, 11500, 1200, 24, 0},
				{"70-D", fleet.Flooded, 620, 72, fleet.DIN, 0.92, 9900, 1200, 12, 0},
			},
			starters: []starterPart{{"12-14", 1, 23500, 3500, 24}},
		},
	}
}
