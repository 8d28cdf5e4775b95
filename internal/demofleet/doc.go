// Package demofleet invents a fleet, lives through its winters and writes what such a fleet would have on file.
//
// The machines are simulated from their mechanics: ohmic, activation and concentration losses in the battery, corrosion
// and loss of active mass, a series-wound starter against the drag of cold oil, faults that begin at random, a workshop
// that tests, swaps and sometimes errs. None of it is shared with the model that judges the fleet, so a forecast for
// this fleet is a forecast and not an echo. The parameters were set so that the published figures in the tests hold and
// about one unit in nine fails in a winter.
//
// Names, people, places and prices are invented. The same [Options] give the same bytes.
package demofleet
