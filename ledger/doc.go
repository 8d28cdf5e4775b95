// Package ledger reckons in money: what was paid, returned and credited becomes dated entries; what the season will cost becomes a sum with
// its spread; and whether a swap pays, now, later or never. It is pure: rows and chances in, entries and figures out. Money is integer
// minor units throughout; what is not known stays unknown.
package ledger
