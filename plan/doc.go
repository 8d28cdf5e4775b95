// Package plan puts a depot's work into its weeks: which units are put right when, and which are tested again first, so that
// the most expected loss is avoided with the hands, the weeks and the parts there are. Choices that people have locked stay.
// It is pure: money, chances and capacities in, a plan with its reasons out.
package plan
