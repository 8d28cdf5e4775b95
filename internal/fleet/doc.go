// Package fleet holds the nouns that every other package speaks: units, what is fitted to them, what was read off them,
// and what is forecast for them. It knows nothing of files, databases, models or pages, and imports nothing of ours.
//
// Units of measure stand in the field names: volts V, amperes A, milliohms MOhm, degrees Celsius C, milliseconds Ms.
// What may be unknown is an [Opt], so that a forgotten field never reads as zero volts. Instants are UTC;
// a [Date] is a calendar day in the depot's own zone.
package fleet
