// Package ingest reads interchange files and batches of readings. Every row is parsed once, into a noun of package
// fleet, or is kept apart with its line, column, value and the reason; nothing is dropped silently.
//
// Start at [Import] for files and at [ImportBatch] for rows in JSON: both judge by the same code. The package knows
// neither SQL nor models; what it needs of a store is declared here, in [Load].
package ingest
