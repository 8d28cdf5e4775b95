package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"rimeyard/internal/fleet"
)

const (
	addPerson = `INSERT INTO person (person, full_name, email, role, all_depots, password_hash)
	VALUES (@person, @full_name, @email, @role, @all_depots, @password_hash) ON CONFLICT (person) DO NOTHING`
	addPersonDepots = `INSERT INTO person_depot (person, depot) SELECT @person, unnest(@depots::text[]) ON CONFLICT DO NOTHING`
)

// AddPerson keeps a new person; false: the name is taken, and nothing was changed.
func (db *DB) AddPerson(ctx context.Context, p fleet.Person) (added bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, addPerson, pgx.NamedArgs{
			"person": p.Name, "full_name": p.FullName, "email": p.Email, "role": string(p.Role),
			"all_depots": p.AllDepots, "password_hash": p.PasswordHash,
		})
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		added = true
		if _, err = tx.Exec(ctx, addPersonDepots, pgx.NamedArgs{"person": p.Name, "depots": texts(p.Depots)}); err != nil {
			return unknownDepot(err)
		}
		return noteChange(ctx, tx, "person "+p.Name, fmt.Sprintf("added as %s of %s", p.Role, p.DepotsSeen()))
	})
	if err != nil {
		return false, fmt.Errorf("add person %q: %w", p.Name, err)
	}
	return added, nil
}

// unknownDepot puts the broken reference to a depot into a sentence that says what to do.
func unknownDepot(err error) error {
	const foreignKeyViolation = "23503" // PostgreSQL documentation, appendix A
	if pg, ok := errors.AsType[*pgconn.PgError](err); ok && pg.Code == foreignKeyViolation {
		return fmt.Errorf("there is no such depot: import depots.csv first, or check the depot's key (%s)", pg.Detail)
	}
	return err
}

const listPeople = `SELECT p.person, p.full_name, p.email, p.role, p.all_depots, p.password_hash, p.disabled_at IS NOT NULL,
	p.sessions_ended, array_remove(array_agg(d.depot ORDER BY d.depot), NULL)
	FROM person p LEFT JOIN person_depot d USING (person) WHERE @person = '' OR p.person = @person GROUP BY p.person ORDER BY p.person`

// People lists everybody by name, disabled ones too.
func (db *DB) People(ctx context.Context) ([]fleet.Person, error) {
	rows, _ := db.pool.Query(ctx, listPeople, pgx.NamedArgs{"person": ""})
	people, err := pgx.CollectRows(rows, scanPerson)
	if err != nil {
		return nil, fmt.Errorf("list people: %w", err)
	}
	return people, nil
}

// Person looks one up by sign-in name; false: there is none of that name.
func (db *DB) Person(ctx context.Context, name string) (fleet.Person, bool, error) {
	if name == "" {
		return fleet.Person{}, false, nil
	}
	rows, _ := db.pool.Query(ctx, listPeople, pgx.NamedArgs{"person": name})
	p, err := pgx.CollectExactlyOneRow(rows, scanPerson)
	if errors.Is(err, pgx.ErrNoRows) {
		return fleet.Person{}, false, nil
	}
	if err != nil {
		return fleet.Person{}, false, fmt.Errorf("look up a person: %w", err)
	}
	return p, true, nil
}

func scanPerson(row pgx.CollectableRow) (p fleet.Person, err error) {
	err = row.Scan(&p.Name, &p.FullName, &p.Email, &p.Role, &p.AllDepots, &p.PasswordHash, &p.Disabled, &p.SessionsEnded, &p.Depots)
	return p, err
}

const (
	// Locked in one order before any of them is changed, so that two administrators cannot shut each other out at once.
	lockAdministrators  = `SELECT 1 FROM person WHERE role = 'administrator' AND disabled_at IS NULL ORDER BY person FOR UPDATE`
	countAdministrators = `SELECT count(*) FROM person WHERE role = 'administrator' AND disabled_at IS NULL`
)

// changePerson runs a change of one person with the record of it, both or neither. The change says in words what it did; where that
// is nothing, nothing is recorded. fleet.ErrLastAdministrator: nobody would be left who may let people in.
func (db *DB) changePerson(ctx context.Context, name string, change func(pgx.Tx, fleet.Person) (what string, err error)) (found bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		locked, err := tx.Exec(ctx, lockAdministrators)
		if err != nil {
			return err
		}
		rows, _ := tx.Query(ctx, listPeople, pgx.NamedArgs{"person": name})
		before, err := pgx.CollectExactlyOneRow(rows, scanPerson)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		found = true
		what, err := change(tx, before)
		if err != nil || what == "" {
			return err
		}
		var left int64
		if err := tx.QueryRow(ctx, countAdministrators).Scan(&left); err != nil {
			return err
		}
		if left == 0 && locked.RowsAffected() > 0 {
			return fleet.ErrLastAdministrator
		}
		return noteChange(ctx, tx, "person "+name, what)
	})
	if err != nil {
		return false, fmt.Errorf("change person %q: %w", name, err)
	}
	return found, nil
}

const (
	editPerson = `UPDATE person SET full_name = @full_name, email = @email, role = @role, all_depots = @all_depots
	WHERE person = @person`
	dropPersonDepots = `DELETE FROM person_depot WHERE person = @person`
)

// EditPerson replaces full name, mail address, role and depots of the person of that name; false: there is none.
// fleet.ErrLastAdministrator: they are the last and would be none any more.
func (db *DB) EditPerson(ctx context.Context, p fleet.Person) (found bool, err error) {
	return db.changePerson(ctx, p.Name, func(tx pgx.Tx, before fleet.Person) (string, error) {
		args := pgx.NamedArgs{
			"person": p.Name, "full_name": p.FullName, "email": p.Email, "role": string(p.Role), "all_depots": p.AllDepots,
			"depots": texts(p.Depots),
		}
		for _, statement := range []string{editPerson, dropPersonDepots, addPersonDepots} {
			if _, err := tx.Exec(ctx, statement, args); err != nil {
				return "", unknownDepot(err)
			}
		}
		return p.ChangesFrom(before), nil
	})
}

// SetContact replaces what people may say of themselves, full name and mail address; false: there is none of that name.
func (db *DB) SetContact(ctx context.Context, name, fullName, email string) (found bool, err error) {
	return db.changePerson(ctx, name, func(tx pgx.Tx, before fleet.Person) (string, error) {
		after := before
		after.FullName, after.Email = fullName, email
		_, err := tx.Exec(ctx, `UPDATE person SET full_name = @full_name, email = @email WHERE person = @person`,
			pgx.NamedArgs{"person": name, "full_name": fullName, "email": email})
		return after.ChangesFrom(before), err
	})
}

// SetPassword replaces a person's password hash, which ends what sessions they have; false: there is none of that name.
func (db *DB) SetPassword(ctx context.Context, name, hash string) (found bool, err error) {
	return db.changePerson(ctx, name, func(tx pgx.Tx, _ fleet.Person) (string, error) {
		_, err := tx.Exec(ctx, `UPDATE person SET password_hash = @hash WHERE person = @person`,
			pgx.NamedArgs{"person": name, "hash": hash})
		return "new password", err
	})
}

// EndSessions ends all sessions that a person has; false: there is none of that name.
func (db *DB) EndSessions(ctx context.Context, name string) (found bool, err error) {
	return db.changePerson(ctx, name, func(tx pgx.Tx, _ fleet.Person) (string, error) {
		_, err := tx.Exec(ctx, `UPDATE person SET sessions_ended = sessions_ended + 1 WHERE person = @person`, pgx.NamedArgs{"person": name})
		return "signed out everywhere", err
	})
}

// SetDisabled shuts a person out, at once, or lets them in again; false: there is none of that name.
// fleet.ErrLastAdministrator: nobody would be left who may let people in.
func (db *DB) SetDisabled(ctx context.Context, name string, disabled bool) (found bool, err error) {
	return db.changePerson(ctx, name, func(tx pgx.Tx, before fleet.Person) (string, error) {
		if before.Disabled == disabled {
			return "", nil
		}
		what := "enabled"
		if disabled {
			what = "disabled"
		}
		_, err := tx.Exec(ctx, `UPDATE person SET disabled_at = CASE WHEN @disabled THEN now() END WHERE person = @person`,
			pgx.NamedArgs{"person": name, "disabled": disabled})
		return what, err
	})
}

const (
	// One address at a time, so that a burst of tries cannot slip through between the count and the insert.
	lockTries = `SELECT pg_advisory_xact_lock(hashtextextended('sign_in_try ' || @address, 0))`
	dropTries = `DELETE FROM sign_in_try WHERE tried_at < now() - @window::interval`
	addTry    = `INSERT INTO sign_in_try (address, person)
	SELECT @address, @person FROM (SELECT count(*) AS of_address, count(*) FILTER (WHERE person = @person) AS of_name
		FROM sign_in_try WHERE address = @address) t
	WHERE of_address < @per_address AND of_name < @per_name`
)

// BeginSignIn notes a try before its password is looked at; false: there were too many, and this one is not noted.
func (db *DB) BeginSignIn(ctx context.Context, name, address string, limit fleet.TryLimit) (allowed bool, err error) {
	args := pgx.NamedArgs{
		"person": name, "address": address, "window": limit.Window,
		"per_name": limit.PerName, "per_address": limit.PerAddress,
	}
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		for _, statement := range []string{lockTries, dropTries} {
			if _, err := tx.Exec(ctx, statement, args); err != nil {
				return err
			}
		}
		tag, err := tx.Exec(ctx, addTry, args)
		allowed = tag.RowsAffected() > 0
		return err
	})
	if err != nil {
		return false, fmt.Errorf("note a try to sign in: %w", err)
	}
	return allowed, nil
}

// SignedIn forgets the failed tries under that name from that address.
func (db *DB) SignedIn(ctx context.Context, name, address string) error {
	_, err := db.pool.Exec(ctx, `DELETE FROM sign_in_try WHERE address = @address AND person = @person`,
		pgx.NamedArgs{"person": name, "address": address})
	if err != nil {
		return fmt.Errorf("forget tries to sign in: %w", err)
	}
	return nil
}

// UnitDepot is where a unit belongs, which decides who may see it; false: there is no such unit.
func (db *DB) UnitDepot(ctx context.Context, unit fleet.UnitID) (depot fleet.DepotID, found bool, err error) {
	err = db.pool.QueryRow(ctx, `SELECT depot FROM unit WHERE unit = @unit`, pgx.NamedArgs{"unit": string(unit)}).Scan(&depot)
	if errors.Is(err, pgx.ErrNoRows) {
		return "", false, nil
	}
	if err != nil {
		return "", false, fmt.Errorf("look up the depot of a unit: %w", err)
	}
	return depot, true, nil
}

func texts[T ~string](in []T) []string {
	out := make([]string, len(in))
	for i, s := range in {
		out[i] = string(s)
	}
	return out
}
