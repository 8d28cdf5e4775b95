package demofleet

import (
	"crypto/sha256"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

var autumn = fleet.NewDate(2025, 10, 1)

func TestSameOptionsSameBytes(t *testing.T) {
	hash := func(o Options) map[fleet.Kind][32]byte {
		dir := t.TempDir()
		_, err := Write(dir, o)
		require.NoError(t, err)
		sums := map[fleet.Kind][32]byte{}
		for _, k := range fleet.Kinds() {
			b, err := os.ReadFile(filepath.Join(dir, string(k)+".csv"))
			require.NoError(t, err)
			sums[k] = sha256.Sum256(b)
		}
		return sums
	}
	first := hash(Options{Seed: 7, Today: autumn, Units: 30})
	require.Equal(t, first, hash(Options{Seed: 7, Today: autumn, Units: 30}))
	other := hash(Options{Seed: 8, Today: autumn, Units: 30})
	require.NotEqual(t, first[fleet.CranksKind], other[fleet.CranksKind])
	require.NotEqual(t, first[fleet.TemperaturesKind], other[fleet.TemperaturesKind])
}

func TestTooFewUnits(t *testing.T) {
	_, err := Write(t.TempDir(), Options{Seed: 1, Today: autumn, Units: 3})
	require.ErrorIs(t, err, errTooFew)
}
