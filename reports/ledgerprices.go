package reports

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"rimeyard/internal/fleet"
)

// PricesHeader is the first line of price lists as CSV. They can be read as they are written.
func PricesHeader() []string {
	return []string{"part", "kind", "name", "from", "price", "core_deposit", "free_months", "prorata_months"}
}

// PricesTable are price lists as CSV.
func PricesTable(prices []fleet.PartPrice) ([]byte, error) {
	rows := [][]string{PricesHeader()}
	whole := func(n fleet.Opt[int]) string {
		if v, known := n.Get(); known {
			return strconv.Itoa(v)
		}
		return ""
	}
	for _, p := range prices {
		rows = append(rows, []string{Inert(p.Part), string(p.Kind), Inert(p.Name), p.From.String(), p.Price.String(), plainMoney(p.CoreDeposit), whole(p.FreeMonths), whole(p.ProrataMonths)})
	}
	return csvOf(rows)
}

// mostPriceLines are read at a time.
const mostPriceLines = 20_000

// ReadPrices reads price lists: a header with at least part, kind, from and price, and a line for each part and day. The first line that
// cannot be read ends it, with an error that names it; nothing is guessed.
func ReadPrices(r io.Reader) ([]fleet.PartPrice, error) {
	in := csv.NewReader(r)
	in.TrimLeadingSpace = true
	header, err := in.Read()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("there is no line: want a header of %s", strings.Join(PricesHeader(), ","))
	}
	if err != nil {
		return nil, fmt.Errorf("line 1: %w", err)
	}
	at := map[string]int{}
	for i, name := range header {
		name = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(name, "\ufeff")))
		if !slices.Contains(PricesHeader(), name) {
			return nil, fmt.Errorf("line 1: there is no column %q: want those of %s", name, strings.Join(PricesHeader(), ","))
		}
		at[name] = i
	}
	for _, needed := range []string{"part", "kind", "from", "price"} {
		if _, there := at[needed]; !there {
			return nil, fmt.Errorf("line 1: the column %s is missing", needed)
		}
	}
	var prices []fleet.PartPrice
	for line := 2; ; line++ {
		record, err := in.Read()
		if errors.Is(err, io.EOF) {
			return prices, nil
		}
		if err == nil && len(prices) == mostPriceLines {
			err = fmt.Errorf("more than %d lines: bring them in several parts", mostPriceLines)
		}
		var p fleet.PartPrice
		if err == nil {
			p, err = ReadPrice(func(name string) string {
				if i, there := at[name]; there {
					return strings.TrimPrefix(strings.TrimSpace(record[i]), "'")
				}
				return ""
			})
		}
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", line, err)
		}
		prices = append(prices, p)
	}
}

// PriceError says which field of a price is wrong.
type PriceError struct {
	Field string
	error
}

func (e PriceError) Unwrap() error { return e.error }

// ReadPrice reads one line of a price list by the names of its fields.
func ReadPrice(get func(name string) string) (p fleet.PartPrice, err error) {
	p = fleet.PartPrice{Part: get("part"), Kind: fleet.Part(get("kind")), Name: get("name")}
	const longest = 100 // characters
	switch suspects := fleet.Suspects(); {
	case p.Part == "" || len([]rune(p.Part)) > longest:
		return p, PriceError{"part", fmt.Errorf("part %q: want a part number, of at most %d characters", p.Part, longest)}
	case p.Kind != fleet.OtherPart && !slices.Contains(suspects[:], p.Kind):
		return p, PriceError{"kind", fmt.Errorf("kind %q: want one of %v, or %s", p.Kind, suspects, fleet.OtherPart)}
	case len([]rune(p.Name)) > longest:
		return p, PriceError{"name", fmt.Errorf("the name is longer than %d characters", longest)}
	}
	if p.From, err = fleet.ParseDate(get("from")); err != nil {
		return p, PriceError{"from", err}
	}
	if p.Price, err = positive(get("price")); err != nil {
		return p, PriceError{"price", err}
	}
	if typed := get("core_deposit"); typed != "" {
		deposit, err := positive(typed)
		if err != nil {
			return p, PriceError{"core_deposit", err}
		}
		p.CoreDeposit = fleet.Known(deposit)
	}
	for name, to := range map[string]*fleet.Opt[int]{"free_months": &p.FreeMonths, "prorata_months": &p.ProrataMonths} {
		typed := get(name)
		if typed == "" {
			continue
		}
		const most = 600 // months
		n, err := strconv.Atoi(typed)
		if err != nil || n < 0 || n > most {
			return p, PriceError{name, fmt.Errorf("%q: want whole months, 0 to %d", typed, most)}
		}
		*to = fleet.Known(n)
	}
	if pro := p.ProrataMonths.Or(0); pro != 0 && pro < p.FreeMonths.Or(0) {
		return p, PriceError{"prorata_months", errors.New("pro rata is counted from fitting: want not less than the free months, or 0")}
	}
	return p, nil
}

func positive(typed string) (fleet.Money, error) {
	m, err := fleet.ParseMoney(typed)
	if err == nil && m < 0 {
		err = fmt.Errorf("amount %q: want one that is not below zero", typed)
	}
	return m, err
}
