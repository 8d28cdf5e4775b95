// Package trend turns what is recorded of a unit into what is true of it: how worn its battery is and how fast it fades,
// what else in its cranks stands off its class and how that moves, how full it is kept, and so the cold limit: the air
// temperature at which a start after a night parked is as likely to fail as not.
//
// The way through it: [Compress] makes one unit's history into weekly rows ([Track]); [Learn] finds what units of a class,
// testers and batteries have in common, and what past seasons say of limits and causes ([Params]), beginning at a [Prior]
// that simulated fleets taught; [Estimate] filters one track into a [State]; [State.Outlook] says where its limit goes from
// there; [Outlook.Risk] holds that against a winter's nights; and [State.Suspects] shares the blame. All of it is pure: no
// clock, no database, no random numbers, and the same readings give the same bytes, whatever their order and however many
// workers share the work.
//
// Volts are those of one 12 V battery (a 24 V pair is halved), temperatures °C, time weeks from Monday 1969-12-29.
// docs/methods.md gives each formula with its source.
package trend
