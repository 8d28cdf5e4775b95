package trend

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/witness"
)

// condition is one scalar step, with no care for outliers, of the Kalman filter (Durbin and Koopman 2012, ch. 4): the belief given h·x + e = mean + innovation.
func (b *belief) condition(innovation float64, h *vector, v float64) {
	ph, s := b.toward(h)
	s += v
	b.shift(&ph, innovation/s, 1/s)
}

func reread(tb testing.TB, from, into any) {
	tb.Helper()
	b, err := json.Marshal(from)
	require.NoError(tb, err)
	require.NoError(tb, json.Unmarshal(b, into))
}

// The Nile as a local level (Durbin and Koopman): the filter's step, without its robust weight, must give their numbers.
func TestFilterStepOnTheNile(t *testing.T) {
	const irregular, level = 15099, 1469.1
	var b belief
	b.p[wear][wear] = 1e7
	flow := witness.Table(t, "golden/kalman/nile.csv")
	for i, want := range witness.Table(t, "golden/kalman/nile_filter_r15099_q1469.1_expected.csv") {
		if i > 0 {
			b.p[wear][wear] += level
		}
		require.InEpsilon(t, witness.Number(t, want["P"]), b.p[wear][wear], 1e-10)
		b.condition(witness.Number(t, flow[i]["flow"])-b.x[wear], &vector{wear: 1}, irregular)
		require.InEpsilon(t, witness.Number(t, want["a_filt"]), b.x[wear], 1e-10)
		require.InEpsilon(t, witness.Number(t, want["P_filt"]), b.p[wear][wear], 1e-10)
	}
}

// Two states at once, against the conditional normal distribution worked by hand: prior variances 4 and 1 with covariance 1,
// one row y = x1 + 2·x2 + e, var e = 4, innovation 3. S = 4+4·1+4·1+4 = 16, gain = (4+2, 1+2)/16.
func TestFilterStepByHand(t *testing.T) {
	var b belief
	b.p[wear][wear], b.p[delay][delay], b.p[wear][delay], b.p[delay][wear] = 4, 1, 1, 1
	b.condition(3, &vector{wear: 1, delay: 2}, 4)
	require.InDelta(t, 18.0/16, b.x[wear], 1e-15)
	require.InDelta(t, 9.0/16, b.x[delay], 1e-15)
	require.InDelta(t, 4-36.0/16, b.p[wear][wear], 1e-15)
	require.InDelta(t, 1-18.0/16, b.p[wear][delay], 1e-15)
	require.InDelta(t, 1-9.0/16, b.p[delay][delay], 1e-15)
}

// A month of drift, by hand: r += v each week, v leaning to the usual.
func TestPredictionByHand(t *testing.T) {
	b := belief{x: vector{wear: 0.2, drift: 0.01}}
	b.p[drift][drift] = 1e-4
	b.ahead(0.002)
	require.InDelta(t, 0.21, b.x[wear], 1e-15)
	require.InDelta(t, 0.002+0.995*0.008, b.x[drift], 1e-15)
	require.InDelta(t, 1e-4+wander[wear]*wander[wear], b.p[wear][wear], 1e-15)
	require.InDelta(t, 0.995*1e-4, b.p[wear][drift], 1e-15)
	require.InDelta(t, 0.995*0.995*1e-4+wander[drift]*wander[drift], b.p[drift][drift], 1e-15)
}
