package web

import (
	"context"
	"net"
	"net/http"
	"testing"

	"github.com/labstack/echo/v4"
	"github.com/stretchr/testify/require"
)

// A request in hand is finished before the server ends; no new one is taken.
func TestServeEndsWithItsContext(t *testing.T) {
	w := newWorld(t)
	started, release := make(chan struct{}), make(chan struct{})
	rights["GET /slow"] = rule{open: true}
	t.Cleanup(func() { delete(rights, "GET /slow") })
	w.srv.echo.GET("/slow", func(c echo.Context) error {
		close(started)
		<-release
		return c.String(http.StatusOK, "whole")
	})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	served, answered := make(chan error, 1), make(chan int, 1)
	go func() { served <- w.srv.Serve(ctx, l) }()
	go func() {
		res, err := http.Get("http://" + l.Addr().String() + "/slow")
		if err != nil {
			answered <- 0
			return
		}
		_ = res.Body.Close()
		answered <- res.StatusCode
	}()
	<-started
	stop()
	for !w.srv.draining.Load() {
		select {
		case err := <-served:
			require.NoError(t, err, "ended with a request in hand")
		default:
		}
	}
	close(release)
	require.Equal(t, http.StatusOK, <-answered)
	require.NoError(t, <-served)
	_, err = net.Dial("tcp", l.Addr().String())
	require.Error(t, err)
}

func TestServeReportsItsListener(t *testing.T) {
	w := newWorld(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, l.Close())
	err = w.srv.Serve(t.Context(), l)
	require.ErrorIs(t, err, net.ErrClosed)
}
