package store

import (
	"context"
	"fmt"
	"strings"

	"rimeyard/internal/fleet"
)

// amendable are the kinds whose rows change over the years: a fitting ends, a unit moves, a forecast becomes a measured
// day. What was read off a unit once is never changed.
func amendable(kind fleet.Kind) bool {
	switch kind {
	case fleet.DepotsKind, fleet.VehiclesKind, fleet.BatteriesKind, fleet.StartersKind, fleet.TemperaturesKind:
		return true
	}
	return false
}

// Amend lets the rows that conflict take the place of those that stand, where rows of the kind may change, and returns
// how many did and how many still conflict. Of several with one key in a file, the one on the lowest line is meant.
func (l *Load) Amend(ctx context.Context) (amended, conflicts int64, err error) {
	if !amendable(l.table.kind) || l.conflicts <= 0 {
		return 0, max(0, l.conflicts), nil
	}
	changed, err := l.file.Exec(ctx, amendSQL(l.table))
	if err != nil {
		return 0, 0, fmt.Errorf("amend rows: %w", err)
	}
	settled, err := l.file.Exec(ctx, settledSQL(l.table))
	if err != nil {
		return 0, 0, fmt.Errorf("amend rows: %w", err)
	}
	l.conflicts -= settled.RowsAffected()
	return changed.RowsAffected(), l.conflicts, nil
}

func amendSQL(t loadTable) string {
	var set []string
	for _, c := range t.columns {
		if !c.key {
			set = append(set, c.name+" = s."+c.name)
		}
	}
	var keys []string
	for _, c := range t.keyColumns() {
		keys = append(keys, c.expression(""))
	}
	first := fmt.Sprintf(`SELECT DISTINCT ON (%s) * FROM %s ORDER BY %s, line`, strings.Join(keys, ", "), t.staged(), strings.Join(keys, ", "))
	return fmt.Sprintf(`UPDATE %s t SET %s FROM (%s) s JOIN conflict USING (line) WHERE %s`, t.name, strings.Join(set, ", "), first, t.keyEqual("s.", "t."))
}

// settledSQL drops from the conflicts what now stands as the file says.
func settledSQL(t loadTable) string {
	return fmt.Sprintf(`DELETE FROM conflict c USING %s s, %s t WHERE c.line = s.line AND %s AND (%s) IS NOT DISTINCT FROM (%s)`,
		t.staged(), t.name, t.keyEqual("s.", "t."), t.list("s."), t.list("t."))
}
