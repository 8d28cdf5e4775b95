package web

import (
	"bytes"
	"mime/multipart"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// addSubscription gives the token of an address on a schedule of the winter list of NOR.
func (w *world) addSubscription(address string) (schedule int64, token string) {
	w.t.Helper()
	schedule, err := w.db.AddSchedule(w.t.Context(), fleet.Schedule{
		Report: "winter-list", Depot: "NOR", Recipients: []string{address}, Cron: "0 6 * * MON", Timezone: "UTC", LastSlot: time.Now(), Enabled: true,
	}, "by the test")
	require.NoError(w.t, err)
	subs, err := w.db.Subscriptions(w.t.Context(), schedule, []string{address})
	require.NoError(w.t, err)
	return schedule, subs[0].Token
}

func (w *world) left() []string {
	w.t.Helper()
	list, err := w.db.Unsubscribed(w.t.Context())
	require.NoError(w.t, err)
	var addresses []string
	for _, s := range list {
		addresses = append(addresses, s.Address)
	}
	return addresses
}

var oneClick = url.Values{"List-Unsubscribe": {"One-Click"}}

func TestOneClickUnsubscribesFromAnywhere(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	_, token := w.addSubscription("ada@example.org")
	page := w.browser().get("/unsubscribe/" + token).page()
	require.Contains(t, text(page), "The winter list of NOR will not be sent to ada@example.org any more")
	require.Len(t, all(page, "button", "", ""), 1)
	require.Empty(t, w.left(), "to look at the page ends nothing")

	for range 2 { // a mail provider posts from its own site, with no session, and may do so twice
		res := w.browser().post("/unsubscribe/"+token, oneClick, "Origin", "https://mail.example.net", "Sec-Fetch-Site", "cross-site")
		require.Equal(t, http.StatusOK, res.status, res.body)
		require.Contains(t, text(res.page()), "ada@example.org gets the winter list of NOR no more")
	}
	require.Equal(t, []string{"ada@example.org"}, w.left())
	require.Contains(t, text(w.browser().get("/unsubscribe/"+token).page()), "gets the winter list of NOR no more")
	require.NotContains(t, w.log.String(), token, "who reads the log could unsubscribe others")
}

func TestOneClickTakesMultipartForms(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	_, token := w.addSubscription("ada@example.org")
	var body bytes.Buffer
	form := multipart.NewWriter(&body)
	require.NoError(t, form.WriteField("List-Unsubscribe", "One-Click"))
	require.NoError(t, form.Close())
	res := w.browser().do(http.MethodPost, "/unsubscribe/"+token, body.String(), "Content-Type", form.FormDataContentType())
	require.Equal(t, http.StatusOK, res.status, res.body)
	require.Equal(t, []string{"ada@example.org"}, w.left())
}

func TestUnsubscribingNeedsTheTokenAndTheField(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	schedule, token := w.addSubscription("ada@example.org")
	require.Equal(t, http.StatusBadRequest, w.browser().post("/unsubscribe/"+token, nil).status)
	for _, method := range []string{http.MethodGet, http.MethodPost} {
		res := w.browser().do(method, "/unsubscribe/nothing", oneClick.Encode(), "Content-Type", "application/x-www-form-urlencoded")
		require.Equal(t, http.StatusNotFound, res.status)
	}
	require.Empty(t, w.left())
	_, err := w.db.RemoveSchedule(t.Context(), schedule, "by the test")
	require.NoError(t, err)
	res := w.browser().post("/unsubscribe/"+token, oneClick)
	require.Equal(t, http.StatusNotFound, res.status)
	require.Contains(t, text(res.page()), "sends nothing any more")
}
