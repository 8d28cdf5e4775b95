// Package web shows the fleet to people and takes readings from loggers: pages rendered here that need no script, charts as
// pictures of their own, a small API, sign-in and sessions. Who may see what stands in one table, [rights]; what has no
// row there is shown to nobody. Errors become answers in one place, [problemOf].
//
// It asks its store through the narrow interfaces of [Config] and knows neither SQL nor formulas: what a page shows is
// put into words in Go, and the templates do no arithmetic.
package web
