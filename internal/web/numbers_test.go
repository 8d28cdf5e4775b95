package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// None, one, some and all read as people say them, in every sentence of these pages that a number is put into.
func TestNumbersReadWell(t *testing.T) {
	const day = hoursPerDay * time.Hour
	for _, tc := range [][2]string{
		{unpricedWords(1), "1 piece has no price and is not in it."},
		{unpricedWords(2), "2 pieces have no price and are not in it."},
		{countedWords(0, "B-70", 0), "0 of B-70 counted, as in the books."},
		{countedWords(3, "B-70", 1), "3 of B-70 counted, 1 more than in the books."},
		{countedWords(3, "B-70", -2), "3 of B-70 counted, 2 fewer than in the books."},
		{rowsWait(0, 0), "No row of it waits to be mended."},
		{rowsWait(1, 1), "One row of it waits to be mended."},
		{rowsWait(2, 2), "2 rows of it wait to be mended."},
		{rowsWait(200, 100), "200 rows of it wait to be mended; here are the first 100."},
		{settledWords(1, 1), "The row kept apart then waits here no longer: it was mended, set aside, or brought again with a later import."},
		{settledWords(1, 5), "1 of the 5 rows kept apart then waits here no longer: it was mended, set aside, or brought again with a later import."},
		{settledWords(2, 5), "2 of the 5 rows kept apart then wait here no longer: they were mended, set aside, or brought again with a later import."},
		{settledWords(5, 5), "None of the 5 rows kept apart then waits here any longer: they were mended, set aside, or brought again with a later import."},
		{gapWords(time.Hour), "about 24 a day"},
		{gapWords(15 * time.Hour), "about 2 a day"},
		{gapWords(17 * time.Hour), "about daily"},
		{gapWords(35 * time.Hour), "about daily"},
		{gapWords(36 * time.Hour), "about every 2 days"},
		{daysWords(day), "1 day"},
		{daysWords(40 * day), "40 days"},
		{monthsWords(fleet.NewDate(2026, 1, 31), fleet.NewDate(2026, 2, 27)), "under a month"},
		{monthsWords(fleet.NewDate(2026, 1, 31), fleet.NewDate(2026, 3, 1)), "1 month"},
		{numberWords(fleet.Job{PartNumber: "B-70", Pieces: 1}), "B-70"},
		{numberWords(fleet.Job{PartNumber: "B-70", Pieces: 2}), "2 × B-70"},
		{numberWords(fleet.Job{}), ""},
		{upperFirst("−22 °C and colder"), "−22 °C and colder"},
		{upperFirst("last test"), "Last test"},
		{upperFirst(""), ""},
		{rowsCount(0), "0 rows"},
		{rowsCount(1), "1 row"},
		{rowsCount(2), "2 rows"},
	} {
		require.Equal(t, tc[1], tc[0])
	}
}
