// Package faults finds the fault of a unit that will not crank: from what is known of the unit it asks the check that tells most
// for the minutes and the risk it takes, updates after each answer, and ends in a named part with its probability and the evidence,
// or says who should look at it. It is pure: answers in, the next question out.
//
// Start at [New]; then [Session.Next] asks and [Session.Answer] tells, in turn, until Next ends in a [Finding]. A Session is plain
// data: marshal it, and another person goes on from there. [SheetFor] writes the job sheet.
//
// Volts of one battery are those of a 12 V battery, also where two of them make 24 V; volts of the cranking circuit are the unit's own.
package faults
