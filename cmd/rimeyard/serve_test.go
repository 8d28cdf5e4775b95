package main

import (
	"bufio"
	"context"
	"crypto/x509"
	"encoding/pem"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/pgtest"
)

// serving runs serve until the test ends it and returns the address that it printed.
func serving(t *testing.T, args ...string) (url string, end func() error) {
	t.Helper()
	t.Setenv(envHome, t.TempDir())
	t.Setenv(envDatabase, pgtest.URL(t))
	ctx, cancel := context.WithCancel(t.Context())
	t.Cleanup(cancel)
	printed, out := io.Pipe()
	root := newRootCmd(time.Now)
	root.SetArgs(append([]string{"serve"}, args...))
	root.SetOut(out)
	root.SetErr(io.Discard)
	ended := make(chan error, 1)
	go func() {
		err := root.ExecuteContext(ctx)
		_ = out.CloseWithError(err)
		ended <- err
	}()
	line, err := bufio.NewReader(printed).ReadString('\n')
	require.NoError(t, err)
	_, url, found := strings.Cut(strings.TrimSpace(line), serveAnnouncement)
	require.True(t, found, line)
	return url, func() error { cancel(); return <-ended }
}

func TestServeAnnouncesItselfAndEnds(t *testing.T) {
	url, end := serving(t, "--listen", "127.0.0.1:0")
	res, err := http.Get(url + "/healthz")
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Equal(t, http.StatusOK, res.StatusCode)
	require.NoError(t, end())
	_, err = net.Dial("tcp", strings.TrimPrefix(url, "http://"))
	require.Error(t, err)
}

func TestServeTakesAnotherPortWhereItMay(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	url, end := serving(t, "--listen", taken.Addr().String(), "--else-any-port")
	require.NotContains(t, url, taken.Addr().String())
	require.NoError(t, end())

	t.Setenv(envDatabase, pgtest.URL(t))
	code, _, errs := rimeyard(t, "serve", "--listen", taken.Addr().String())
	require.Equal(t, exitUsage, code)
	require.Contains(t, errs, "--listen HOST:PORT")
}

func TestServeSpeaksTLS(t *testing.T) {
	example := httptest.NewTLSServer(nil)
	defer example.Close()
	pair := example.TLS.Certificates[0]
	key, err := x509.MarshalPKCS8PrivateKey(pair.PrivateKey)
	require.NoError(t, err)
	dir := t.TempDir()
	certFile, keyFile := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: pair.Certificate[0]}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key}), 0o600))
	url, end := serving(t, "--listen", "127.0.0.1:0", "--tls-cert", certFile, "--tls-key", keyFile)
	require.True(t, strings.HasPrefix(url, "https://"), url)
	res, err := example.Client().Get(url + "/sign-in")
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Equal(t, http.StatusOK, res.StatusCode)
	require.NotEmpty(t, res.Header.Get("Strict-Transport-Security"))
	require.NoError(t, end())
}
