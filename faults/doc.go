// Package faults finds the fault of a unit that will not crank: from what is known of the unit it asks the check that tells most
// for the minutes and the risk it takes, updates after each answer, and ends in a named part with its probability and the evidence,
// or says who should look at it. It is pure: answers in, the next question out.
package faults
