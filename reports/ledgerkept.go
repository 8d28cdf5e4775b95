package reports

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"golang.org/x/sync/singleflight"

	"rimeyard/internal/fleet"
)

// FigureStore keeps the ledger's figures as they were reckoned last.
type FigureStore interface {
	KeptFigure(ctx context.Context, figure string, of []fleet.DepotID) (k fleet.KeptFigure, found bool, err error)
	KeepFigure(ctx context.Context, k fleet.KeptFigure) error
	ForgetFigures(ctx context.Context, before time.Time) error
	MoneyMark(ctx context.Context) (fleet.MoneyMark, error)
}

// atOnce is up to how many units a figure is reckoned anew while somebody waits for its page (some tenths of a second). Of more it is shown as
// it was reckoned last, with the time, until the daily work has done it again.
const atOnce = 5000

// Dated is a figure of the ledger, and how far it can be relied on.
type Dated[T any] struct {
	Figure T
	MadeAt time.Time
	Behind bool // something that it is made of has changed since MadeAt, and that is not in it yet
}

// recipe is one figure of some depots: what it is made of, by which a kept one is told to be still good, and how it is made.
type recipe[T any] struct {
	figure string
	of     []fleet.DepotID // nil: all
	madeOf string
	at     time.Time // when it was seen what it is made of
	make   func(ctx context.Context) (made T, units int, err error)
}

// figureMethod is raised whenever figures are reckoned by other rules, or are written in another shape: what was kept before is not read then.
const figureMethod = 2

// name of the figure as it is kept.
func (r recipe[T]) name() string { return fmt.Sprintf("%s, %d", r.figure, figureMethod) }

// hashOf is of all that is written into JSON of a value.
func hashOf(v any) (string, error) {
	text, err := json.Marshal(v)
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:]), err
}

// figures keeps what is reckoned, and reckons nothing twice at the same time.
type figures struct {
	store  FigureStore
	flight singleflight.Group
}

// figureOf reads a figure as it is kept while it is still good, else makes and keeps it. One of many units that is no longer good is given as
// it is, and said to be behind, unless it must be fresh.
func figureOf[T any](ctx context.Context, f *figures, r recipe[T], fresh bool) (d Dated[T], err error) {
	k, found, err := f.store.KeptFigure(ctx, r.name(), r.of)
	if err != nil {
		return d, err
	}
	if good := found && k.MadeOf == r.madeOf; good || found && k.Units > atOnce && !fresh {
		d.MadeAt, d.Behind = k.MadeAt, !good
		if err := json.Unmarshal(k.Result, &d.Figure); err != nil {
			return d, fmt.Errorf("read the figure %q: %w", r.figure, err)
		}
		return d, nil
	}
	made, err, _ := f.flight.Do(fmt.Sprintf("%s %q %s", r.figure, r.of, r.madeOf), func() (any, error) {
		return makeFigure(context.WithoutCancel(ctx), f.store, r) // others may wait for it, and the next who asks has it
	})
	if err != nil {
		return d, err
	}
	d.Figure, d.MadeAt = made.(T), r.at //nolint:forcetypeassert // of this figure
	return d, nil
}

// keepFigure makes and keeps a figure unless what is kept is still good, and tells whether it did.
func keepFigure[T any](ctx context.Context, store FigureStore, r recipe[T]) (kept bool, err error) {
	k, found, err := store.KeptFigure(ctx, r.name(), r.of)
	if err != nil || found && k.MadeOf == r.madeOf {
		return false, err
	}
	_, err = makeFigure(ctx, store, r)
	return err == nil, err
}

// keepAll keeps one figure of every group of depots whose figures are kept, and tells how many it kept.
func keepAll[T any](ctx context.Context, from scopeSource, store FigureStore, of func([]fleet.DepotID) (recipe[T], error)) (kept int, err error) {
	scopes, err := scopesOf(ctx, from)
	if err != nil {
		return 0, err
	}
	for _, depots := range scopes {
		r, err := of(depots)
		if err != nil {
			return kept, err
		}
		done, err := keepFigure(ctx, store, r)
		if err != nil {
			return kept, err
		}
		if done {
			kept++
		}
	}
	return kept, nil
}

func makeFigure[T any](ctx context.Context, store FigureStore, r recipe[T]) (made T, err error) {
	made, units, err := r.make(ctx)
	if err != nil {
		return made, err
	}
	result, err := json.Marshal(made)
	if err != nil {
		return made, fmt.Errorf("write the figure %q: %w", r.figure, err)
	}
	return made, store.KeepFigure(ctx, fleet.KeptFigure{Figure: r.name(), Depots: r.of, Units: units, MadeOf: r.madeOf, MadeAt: r.at, Result: result})
}

// scopeSource knows who sees which depots.
type scopeSource interface {
	Depots(ctx context.Context) ([]fleet.Depot, error)
	People(ctx context.Context) ([]fleet.Person, error)
}

func scopesOf(ctx context.Context, from scopeSource) ([][]fleet.DepotID, error) {
	depots, err := from.Depots(ctx)
	if err != nil {
		return nil, err
	}
	people, err := from.People(ctx)
	return ledgerScopes(depots, people), err
}

// ledgerScopes are the groups of depots whose figures the daily work keeps: the whole fleet, each depot, and what those who may read the
// ledger see together.
func ledgerScopes(depots []fleet.Depot, people []fleet.Person) [][]fleet.DepotID {
	scopes := [][]fleet.DepotID{nil}
	for _, d := range depots {
		scopes = append(scopes, []fleet.DepotID{d.ID})
	}
	for _, p := range people {
		reads := p.Role == fleet.Accountant || p.Role == fleet.Manager || p.Role == fleet.Administrator
		if reads && !p.Disabled && !p.AllDepots && len(p.Depots) > 1 && !containsDepots(scopes, p.Depots) {
			scopes = append(scopes, p.Depots)
		}
	}
	return scopes
}

func containsDepots(scopes [][]fleet.DepotID, of []fleet.DepotID) bool {
	for _, s := range scopes {
		if SameDepots(s, of) {
			return true
		}
	}
	return false
}
