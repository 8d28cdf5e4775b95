package trend

import (
	"context"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

func TestReliefNeverMakesAStartHarder(t *testing.T) {
	var tracks []Track
	for i := range 20 {
		tracks = append(tracks, Compress(plain(fleet.UnitID(fmt.Sprintf("U%02d", i)), func(int) float64 { return 0.95 - 0.02*float64(i) }), yard, yardWeather(), asOf))
	}
	p, err := Learn(context.Background(), tracks, yardWeather(), 2)
	require.NoError(t, err)
	strong, weak := Estimate(tracks[0], p).Relief(), Estimate(tracks[19], p).Relief()
	for _, r := range []fleet.Remedy{fleet.PlugIn, fleet.Charge, fleet.RenewBattery, fleet.RenewStarter, fleet.CleanContacts} {
		require.GreaterOrEqual(t, strong[r], 0.0, r)
		require.GreaterOrEqual(t, weak[r], 0.0, r)
	}
	require.Greater(t, weak[fleet.RenewBattery], strong[fleet.RenewBattery]+1, "a new battery helps most where the old one is weak: %v, %v", weak, strong)
	require.Greater(t, weak[fleet.PlugIn], 3.0, "warm oil turns easier")
	heated := tracks[19]
	heated.OilOffsetC = heaterC
	require.Zero(t, Estimate(heated, p).Relief()[fleet.PlugIn], "it is plugged in already")
}
