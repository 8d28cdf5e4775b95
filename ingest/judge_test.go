package ingest

import (
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// FuzzJudge feeds files to the judges of their kinds: each row is a noun, or has a column of the file and a reason.
func FuzzJudge(f *testing.F) {
	depot := &knownDepot{fleet.Depot{ID: "D", Timezone: "Europe/Oslo"}, time.UTC}
	unit := &knownUnit{
		Unit:      fleet.Unit{ID: "U", Depot: "D", SystemVolts: 24, Batteries: 2},
		depot:     depot,
		batteries: []fleet.BatteryFitting{{Battery: "B", Unit: "U", Position: 1}},
	}
	k := &known{map[string]*knownDepot{"D": depot}, map[string]*knownUnit{"U": unit}}
	for _, s := range []string{
		"depot,name,timezone,latitude\nD,x,UTC,1.5\n",
		"unit;depot;class;fuel;system_volts;batteries;no_start_cost\nU;D;van;petrol;12;1;1,50\n",
		"battery,unit,position,part,chemistry,rated_cca_a,cca_standard,fitted_on\nB,U,2,P,agm,700,en,2025-01-01\n",
		"starter,unit,part,removed_on\nS,U,P,2025-01-01\n",
		"tested_at,unit,battery,rest_v,temperature_f,kept_file,kept_line\n2025-01-01T07:00:00,U,B,12.5,14,x,3\n",
		"cranked_at\tunit\tmin_v\trest_v\n2025-01-01T07:00:00Z\tU\t18\t25\n",
		"happened_at,unit,cause,cost\n2025-01-01T07:00:00Z,U,battery,1.5\n",
		"depot,date,min_f,min_c\nD,2025-01-01,14,-10\n",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		separator, skip, err := sniff([]byte(text))
		if err != nil {
			return
		}
		src := &fileSource{csvReader: newCSVReader(strings.NewReader(text[skip:]), separator)}
		rec, err := src.next()
		if err != nil {
			return
		}
		in := &input{name: "f.csv"}
		if in.header, in.names, err = headerOf(rec); err != nil {
			return
		}
		p, err := recognise(in.names)
		if err != nil {
			return
		}
		in.kind = p.kind()
		in.open = func() (source, error) { return src, nil }
		r := &run{judge: judge{known: k, now: time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC)}}
		rd, err := r.open(in)
		require.NoError(t, err)
		for {
			rec, row, bad, err := rd.next()
			if errors.Is(err, io.EOF) {
				return
			}
			require.NoError(t, err)
			if bad == nil {
				require.Equal(t, in.kind, row.Kind())
				continue
			}
			require.NotEmpty(t, bad.reason)
			kept := rd.keptRow(rec, bad)
			require.Equal(t, rec.line, kept.Line)
			ofTheKind := slices.ContainsFunc(p.columns(), func(c columnInfo) bool { return c.name == kept.Column })
			require.True(t, kept.Column == "" || ofTheKind || slices.Contains(in.names, kept.Column), "column %q", kept.Column)
		}
	})
}
