package alerts_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

func weakListed() fleet.Listed {
	return fleet.Listed{
		Unit:     fleet.Unit{ID: "U", Depot: "A", Parked: fleet.Outdoors},
		Forecast: fleet.Forecast{Unit: "U", Depot: "A", ColdLimitC: fleet.Known(-12.0), Suspect: fleet.BatteryPart},
		Outlook: &fleet.Outlook{
			Unit: "U", Night: fleet.NightCurve{LimitC: -12, SDC: 2, SpreadC: 3, Quiet: 0.001}, FreezesAtC: fleet.Known(-20.0),
			Relief: map[fleet.Remedy]float64{fleet.PlugIn: 9, fleet.Charge: 0.2, fleet.RenewBattery: 11, fleet.RenewStarter: 8},
		},
	}
}

func remediesOf(n alerts.Night) (said []fleet.Remedy) {
	for _, s := range n.Steps {
		said = append(said, s.Remedy)
	}
	return said
}

func TestStepsBeforeParking(t *testing.T) {
	weak := weakListed()
	n := alerts.NightOf(weak, -17)
	require.Greater(t, n.NoStartProbability, alerts.ProbablyNotFrom)
	require.Equal(t, []fleet.Remedy{fleet.PlugIn, fleet.ParkIndoors, fleet.RenewBattery}, remediesOf(n), "a starter is not suspected, and charging hardly helps")
	require.False(t, n.MayFreeze)
	for _, s := range n.Steps {
		require.Less(t, s.NoStartProbability, n.NoStartProbability)
	}
	require.Empty(t, alerts.NightOf(weak, 0).Steps, "nothing need be done")

	weak.Unit.Parked = fleet.PluggedIn
	require.Equal(t, []fleet.Remedy{fleet.ParkIndoors, fleet.RenewBattery}, remediesOf(alerts.NightOf(weak, -17)))
	weak.Unit.Parked = fleet.Indoors
	require.Equal(t, []fleet.Remedy{fleet.RenewBattery}, remediesOf(alerts.NightOf(weak, -17)))
}

// US Army TM 5-4210-230-14&P-1, table 3: a battery half charged freezes at −15 °F, that is −26.1 °C; an empty one at +15 °F.
func TestADischargedBatteryMayFreeze(t *testing.T) {
	flat := weakListed()
	flat.Outlook.Night.LimitC = -60 // it would start
	flat.Outlook.FreezesAtC = fleet.Known(-26.1)
	for low, want := range map[float64]bool{-20: false, -24.2: true, -30: true} {
		n := alerts.NightOf(flat, low)
		require.Equal(t, want, n.MayFreeze, low)
		require.Equal(t, want, len(n.Steps) == 1 && n.Steps[0].Remedy == fleet.Charge, "%v: %v", low, n.Steps)
	}
	flat.Unit.Parked = fleet.Indoors
	require.False(t, alerts.NightOf(flat, -30).MayFreeze)
	flat.Outlook.FreezesAtC = fleet.Opt[float64]{}
	require.False(t, alerts.NightOf(flat, -60).MayFreeze, "unknown charge is not a freezing one")
}
