package proving_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/proving"
)

func build(t testing.TB, o proving.Options) proving.Fleet {
	t.Helper()
	f, err := proving.Build(t.Context(), plain{}, o)
	require.NoError(t, err)
	return f
}

func TestSameFleetWhateverTheWorkers(t *testing.T) {
	o := proving.Options{Seed: 7, Units: 24, Years: 1, Futures: 20, Dirt: true, Workers: 1}
	one := build(t, o)
	o.Workers = 5
	require.Equal(t, one, build(t, o))
	o.Seed++
	require.NotEqual(t, one.Truth, build(t, o).Truth)
}
