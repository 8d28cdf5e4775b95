package store

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

// Whatever was read comes back to the last bit; a pack that is cut short or lengthened is told from one that is whole.
func TestPackedCranksComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-60, 20_000), rapid.SampledFrom([]float64{0, math.Copysign(0, -1), math.Inf(1), -40, 1e-3}))
		scale := rapid.SampledFrom([]float64{0, 1, 10, 100, 1000, 1e4}).Draw(t, "scale")
		value := rapid.Custom(func(t *rapid.T) (o fleet.Opt[float64]) {
			if v := number.Draw(t, "number"); rapid.Bool().Draw(t, "known") {
				o = fleet.Known(v)
				if scale > 0 {
					o = fleet.Known(math.Round(v*scale) / scale)
				}
			}
			return o
		})
		tick := rapid.SampledFrom([]time.Duration{time.Microsecond, time.Second}).Draw(t, "tick")
		at := time.Unix(rapid.Int64Range(-1e9, 4e9).Draw(t, "from"), 0).UTC()
		week := make([]fleet.Crank, rapid.IntRange(1, 40).Draw(t, "cranks"))
		for i := range week {
			at = at.Add(tick * time.Duration(rapid.IntRange(1, 20_000).Draw(t, "after")))
			week[i] = fleet.Crank{Unit: "U", At: at, Outcome: rapid.SampledFrom(outcomes[:]).Draw(t, "outcome")}
			for _, column := range crankValues {
				*column(&week[i]) = value.Draw(t, "value")
			}
		}
		pack := packCranks(week)
		got, err := appendCranks(nil, "U", pack)
		require.NoError(t, err)
		require.Equal(t, bitsOf(week), bitsOf(got))
		_, err = appendCranks(nil, "U", pack[:rapid.IntRange(0, len(pack)-1).Draw(t, "cut")])
		require.ErrorIs(t, err, errPack)
		_, err = appendCranks(nil, "U", append(pack, 0))
		require.ErrorIs(t, err, errPack)
	})
}

// bitsOf tells −0 from 0, which compare as equal.
func bitsOf(week []fleet.Crank) (bits []any) {
	for i := range week {
		bits = append(bits, week[i].Unit, week[i].At, week[i].Outcome)
		for _, column := range crankValues {
			v, known := column(&week[i]).Get()
			bits = append(bits, math.Float64bits(v), known)
		}
	}
	return bits
}

// What loggers send, to the second and to a hundredth of a volt, takes a third of the numbers themselves.
func TestUsualCranksArePackedTightly(t *testing.T) {
	week := make([]fleet.Crank, 20)
	for i := range week {
		week[i] = fleet.Crank{
			At: time.Unix(1_700_000_000+int64(i)*30_000, 0), RestV: fleet.Known(12.6 + float64(i%7)/100), MinV: fleet.Known(9.3 + float64(i%9)/100),
			MeanV: fleet.Known(10.4 + float64(i%8)/100), DurationMs: fleet.Known(600 + 13*float64(i)), TemperatureC: fleet.Known(float64(i) / 2), Outcome: fleet.Started,
		}
	}
	for i := range week {
		for _, v := range []*fleet.Opt[float64]{&week[i].RestV, &week[i].MinV, &week[i].MeanV} {
			*v = fleet.Known(math.Round(v.Or(0)*100) / 100)
		}
	}
	require.Less(t, len(packCranks(week)), 20*(8+5*8)/3)
}

func FuzzUnpack(f *testing.F) {
	f.Add(packCranks([]fleet.Crank{{At: time.Unix(1, 0), RestV: fleet.Known(12.5), Outcome: fleet.Slow}, {At: time.Unix(2, 500), MinV: fleet.Known(math.Pi)}}))
	f.Fuzz(func(t *testing.T, pack []byte) {
		cranks, err := appendCranks(nil, "U", pack)
		require.True(t, err == nil || len(cranks) == 0)
	})
}
