// Package alerts holds what is true of each unit against the winters its depot has seen, and says who will not start, which
// part to blame, by when to act and what waiting costs: the winter list ([Rank]) and tonight's list ([Tonight]).
//
// It is pure like package trend: no clock, no database, no random numbers. The same input gives the same bytes, whatever the
// order of rows and the number of workers. docs/methods.md gives each formula with its source.
package alerts
