package plan

// AssignWeeks shows the assignment to tests of whole matrices: what each row gains in each column, and how many rows a column takes.
func AssignWeeks(gains [][]int64, places []int) (weeks []int, prices []int64, total int64) {
	a := assign(gains, places)
	for job, w := range a.week {
		if w != nowhere {
			total += gains[job][w]
		}
	}
	return a.week, a.prices(), total
}

// Preposterior and the like are the parts of a retest that published examples speak of.
var (
	Preposterior = preposterior
	TestSays     = testSays
)

// LifeLeft is the share of a life that is left at an age in whole weeks.
func LifeLeft(shape, scaleYears float64, weeks int) float64 {
	l := newLife(shape, scaleYears)
	return l.byWeek[min(weeks, len(l.byWeek)-1)]
}

// WeeksPerYear is a year's.
const WeeksPerYear = weeksPerYear
