package reports

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestFiguresAreWhatThePictureWasDrawnFrom(t *testing.T) {
	d := CrankingData{
		Unit: "P-1", Reading: "mean volts while cranking", When: []string{"on Monday", "on Tuesday"},
		Cranks: []VoltsAt{{-9, 9.81}, {4, 10.2}}, Now: []VoltsAt{{-9, 9.8}, {4, 10.25}},
	}
	p, err := Cranking("cranking", d, PageWidth)
	require.NoError(t, err)
	require.Equal(t, Scale{Name: "air temperature", Unit: "°C", Decimals: 1}, p.Figures.X)
	require.Equal(t, []FigureGroup{
		{Name: "crank", Kind: FigurePoints, Mark: "disc", X: []float64{-9, 4}, Y: []float64{9.81, 10.2}, Says: d.When},
		{Name: "fit now", Kind: FigureLine, X: []float64{-9, 4}, Y: []float64{9.8, 10.25}},
	}, p.Figures.Series, "of a line that is not known there is none")
}

func TestFiguresOfAnAuditLieInTheirRows(t *testing.T) {
	r := someAudit(t, 120)
	p, err := AuditBands("audit-bands", r, PageWidth)
	require.NoError(t, err)
	require.Len(t, p.Figures.Y.Rows, len(r.Bands))
	failed := p.Figures.Series[0]
	require.Len(t, failed.X, len(r.Bands))
	for i, band := range r.Bands {
		require.Equal(t, band.Name, p.Figures.Y.Rows[i])
		require.InDelta(t, 100*float64(band.Failed)/float64(band.Units), failed.X[i], 1e-9)
		require.InDelta(t, 100*band.Low, failed.Low[i], 1e-9)
		require.InDelta(t, 100*band.High, failed.High[i], 1e-9)
		require.InDelta(t, float64(i), failed.Y[i], 0.49, "a mark is read as its row's")
	}
}
