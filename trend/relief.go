package trend

import (
	"slices"

	"rimeyard/internal/fleet"
)

// Relief is by how many °C the cold limit falls, now, by what can be done to a unit; never below zero, and zero where it changes nothing.
func (s State) Relief() map[fleet.Remedy]float64 {
	limitC := func(o Outlook) float64 { c, _ := o.limitAt(0); return c }
	now := limitC(outlookOf(s.model.t, s.model.p, s.belief)) // of the unit's own state, as the others are, also where little is known of it
	return map[fleet.Remedy]float64{
		fleet.PlugIn:        max(0, now-limitC(s.pluggedIn())),
		fleet.Charge:        max(0, now-limitC(s.charged())),
		fleet.RenewBattery:  max(0, now-limitC(s.renewed(fleet.BatteryPart))),
		fleet.RenewStarter:  max(0, now-limitC(s.renewed(fleet.StarterPart))),
		fleet.CleanContacts: max(0, now-limitC(s.renewed(fleet.CablePart))),
	}
}

// pluggedIn is the outlook with a block heater at work.
func (s State) pluggedIn() Outlook {
	t := *s.model.t
	t.OilOffsetC = heaterC
	return outlookOf(&t, s.model.p, s.belief)
}

// charged is the outlook with the same batteries, fully charged.
func (s State) charged() Outlook {
	b := s.belief
	b.restV = max(b.restV, fullRestV)
	b.restTrend, b.restDropV = max(0, b.restTrend), 0
	for _, rest := range [...]int{restChannel, testRestChannel} {
		b.path[rest] = path{}
	}
	return outlookOf(s.model.t, s.model.p, b)
}

// renewed is the outlook with a part renewed. The slow and failed starts of the past year are laid to the old part: they say nothing
// against the new one. The age stays: that an old battery which reads well is a good one was learned from those that were left, and
// renewing it is no loss.
func (s State) renewed(part fleet.Part) Outlook {
	t, b := *s.model.t, s.belief
	s.model.change(&b, Change{Week: b.week, Part: part, Share: 1, Day: t.AsOf})
	t.Events = nil
	t.Breakdowns = slices.DeleteFunc(slices.Clone(t.Breakdowns), func(f Failure) bool { return f.Cause == part })
	return outlookOf(&t, s.model.p, b)
}

func outlookOf(t *Track, p *Params, b belief) Outlook {
	m := newModel(t, p)
	o := m.outlook(&b)
	o.foresee(&p.Foresight, t.Group)
	return o
}
