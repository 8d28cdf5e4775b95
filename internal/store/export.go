package store

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// Export writes the tables of kinds as interchange files in their canonical form, all as of one moment: columns in the
// order of the contract, rows in the order of their keys by bytes, times with the offset of the depot's zone, numbers as
// the shortest decimals that read back the same, amounts with two decimals. file is called for each kind, and calls write
// with where to: the file is whole when that returns no error.
func (db *DB) Export(ctx context.Context, kinds []fleet.Kind, file func(k fleet.Kind, write func(io.Writer) error) error) error {
	moment := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	return pgx.BeginTxFunc(ctx, db.pool, moment, func(tx pgx.Tx) error {
		zones, err := exportZones(ctx, tx)
		if err != nil {
			return err
		}
		for _, k := range kinds {
			err := file(k, func(w io.Writer) error { return exportTable(ctx, tx, tableOf(k), zones, w) })
			if err != nil {
				return fmt.Errorf("export %s: %w", k, err)
			}
		}
		return nil
	})
}

// exportZones gives the time zone of each unit's depot.
func exportZones(ctx context.Context, tx pgx.Tx) (map[string]*time.Location, error) {
	all, err := depots(ctx, tx)
	if err != nil {
		return nil, err
	}
	zones := map[fleet.DepotID]*time.Location{}
	for _, d := range all {
		zones[d.ID] = d.Zone()
	}
	fleetUnits, err := units(ctx, tx, nil)
	if err != nil {
		return nil, err
	}
	ofUnit := map[string]*time.Location{}
	for _, u := range fleetUnits {
		ofUnit[string(u.ID)] = zones[u.Depot]
	}
	return ofUnit, nil
}

func exportTable(ctx context.Context, tx pgx.Tx, t loadTable, zones map[string]*time.Location, w io.Writer) error {
	rows, err := tx.Query(ctx, fmt.Sprintf(`SELECT %s FROM %s ORDER BY %s`, t.list(""), t.name, t.keyOrder("")))
	if err != nil {
		return err
	}
	defer rows.Close()
	unitAt := -1
	for i, c := range t.columns {
		if c.name == "unit" {
			unitAt = i
		}
	}
	const buffer = 64 << 10
	out := bufio.NewWriterSize(w, buffer)
	line := []byte(strings.ReplaceAll(t.list(""), " ", "") + "\n")
	for {
		if _, err := out.Write(line); err != nil {
			return err
		}
		if !rows.Next() {
			return errors.Join(rows.Err(), out.Flush())
		}
		values, zone := rows.RawValues(), time.UTC
		if unitAt >= 0 && zones[string(values[unitAt])] != nil {
			zone = zones[string(values[unitAt])]
		}
		line = line[:0]
		for i, c := range t.columns {
			line = c.typ.appendField(line, values[i], zone)
			line = append(line, ',')
		}
		line[len(line)-1] = '\n'
	}
}

// appendField writes a value, which has come in the server's binary form, as it stands in files; null is nothing.
func (t columnType) appendField(line, v []byte, zone *time.Location) []byte {
	if v == nil {
		return line
	}
	switch t {
	case floatType:
		return strconv.AppendFloat(line, math.Float64frombits(binary.BigEndian.Uint64(v)), 'f', -1, 64)
	case intType:
		return strconv.AppendInt(line, int64(int32(binary.BigEndian.Uint32(v))), 10)
	case moneyType:
		return append(line, fleet.Money(binary.BigEndian.Uint64(v)).String()...)
	case dateType:
		return append(line, fleet.Date(int32(binary.BigEndian.Uint32(v))+postgresEpochDays).String()...)
	case timeType:
		at := time.UnixMicro(int64(binary.BigEndian.Uint64(v)) + postgresEpochUnixMicros).In(zone)
		return at.AppendFormat(line, "2006-01-02T15:04:05.999999Z07:00")
	default:
		return appendText(line, v)
	}
}

// appendText quotes a text where RFC 4180 asks for it, and only there.
func appendText(line, v []byte) []byte {
	if !strings.ContainsAny(string(v), ",\"\r\n") {
		return append(line, v...)
	}
	line = append(line, '"')
	for _, b := range v {
		if b == '"' {
			line = append(line, '"')
		}
		line = append(line, b)
	}
	return append(line, '"')
}
