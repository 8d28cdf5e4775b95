package faults

// Ahead is how many minutes of work are left by the checks' own count: for each of the leading causes, what the search would still ask
// if every check showed what is likeliest under it, weighed by their chances now. It is a guess for people who plan their hour.
func (s Session) Ahead() (minutes float64) {
	const looked, atLeast = 5, 0.05
	step := s.Next()
	if step.Finding != nil {
		return 0
	}
	weight := 0.0
	for _, c := range step.Chances[:min(looked, len(step.Chances))] {
		if c.Probability < atLeast && weight > 0 {
			break
		}
		minutes += c.Probability * s.walk(step, c.Cause)
		weight += c.Probability
	}
	return minutes / weight
}

// walk is the minutes from a step to the finding if the cause is there and every check shows it.
func (s Session) walk(step Step, cause Cause) (minutes float64) {
	const most = 30 // checks; no search is as long
	for range most {
		if step.Ask == nil {
			break
		}
		i, _ := find(step.Ask.Check)
		shows := 0
		for o, l := range tables[i].said {
			if l[cause.index()] > tables[i].said[shows][cause.index()] {
				shows = o
			}
		}
		minutes += checks[i].minutes
		s.Answers = append(s.Answers[:len(s.Answers):len(s.Answers)], Answer{Check: checks[i].id, Answer: checks[i].answers[shows].id})
		step = s.Next()
	}
	return minutes
}

// May tells whether a check may be done now: all that must come before it has, and nothing forbids it.
func (s Session) May(id Check) bool {
	k := s.known()
	i, found := find(id)
	return found && (id == Frozen || !k.is(Frozen, "frozen")) && k.open(i)
}
