package alerts

import "rimeyard/internal/fleet"

// comesOutWithin is how many days after a failure the part that it was put down to may come out and still be that part (common practice,
// no source). A part may be booked out the day before the failure, see takenOut.
const comesOutWithin = 30

// cleared tells whether the parts that came out for a failure were all tested and all found good: then the failure was not theirs (common
// practice, no source).
func cleared(h fleet.History, cause fleet.Part, failedOn fleet.Date, bench []fleet.BenchResult) bool {
	verdicts := map[string]fleet.BenchVerdict{}
	for _, b := range bench {
		if b.Kind == cause {
			verdicts[b.Serial] = b.Verdict
		}
	}
	good, all := 0, 0
	consider := func(serial string, removed fleet.Opt[fleet.Date]) {
		day, out := removed.Get()
		if !out || day < failedOn-1 || day > failedOn+comesOutWithin {
			return
		}
		all++
		if verdicts[serial] == fleet.BenchGood {
			good++
		}
	}
	switch cause {
	case fleet.BatteryPart:
		for _, f := range h.Batteries {
			consider(f.Battery, f.RemovedOn)
		}
	case fleet.StarterPart:
		for _, f := range h.Starters {
			consider(f.Starter, f.RemovedOn)
		}
	default:
	}
	return all > 0 && good == all
}
