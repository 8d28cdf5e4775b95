package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/internal/web"
	"rimeyard/reports"
)

// serveAnnouncement stands before the address that serve prints once it listens.
const serveAnnouncement = "listening at "

type serveOptions struct {
	listen      string
	elseAnyPort bool
	tlsCert     string
	tlsKey      string
	behindTLS   bool
}

// servePart is one of the things that serve does at the same time. It runs until ctx ends, which is no error.
type servePart func(ctx context.Context) error

func newServeCmd() *cobra.Command {
	var opt serveOptions
	cmd := &cobra.Command{
		Use: "serve", Args: cobra.NoArgs,
		Short: "Show the pages, take readings from loggers, and send the reports that are due",
		Example: `  rimeyard serve
  rimeyard serve --listen :8443 --tls-cert yard.pem --tls-key yard.key
  rimeyard serve --behind-tls      # a proxy on this machine or its private network speaks TLS`,
	}
	cmd.Flags().StringVar(&opt.listen, "listen", "127.0.0.1:8080", "where to listen; port 0 takes a free one")
	cmd.Flags().BoolVar(&opt.elseAnyPort, "else-any-port", false, "take a free port where the one asked for is taken")
	cmd.Flags().StringVar(&opt.tlsCert, "tls-cert", "", "file of the certificate chain, PEM")
	cmd.Flags().StringVar(&opt.tlsKey, "tls-key", "", "file of its key, PEM")
	cmd.Flags().BoolVar(&opt.behindTLS, "behind-tls", false, "a proxy in front speaks TLS and writes X-Forwarded-For: send cookies by TLS only, believe that header")
	cmd.MarkFlagsRequiredTogether("tls-cert", "tls-key")
	cmd.MarkFlagsMutuallyExclusive("behind-tls", "tls-cert")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error { return serve(cmd, opt) }
	return cmd
}

func serve(cmd *cobra.Command, opt serveOptions) error {
	db, done, err := openDatabase(cmd)
	if err != nil {
		return err
	}
	defer done()
	log := slog.New(slog.NewJSONHandler(cmd.ErrOrStderr(), nil))
	home, err := homeDir()
	if err != nil {
		return err
	}
	sender, from, err := newSender(home)
	if err != nil {
		return err
	}
	desk, err := newDesk(db, from)
	if err != nil {
		return err
	}
	pages, err := newWebServer(db, desk, log, opt)
	if err != nil {
		return err
	}
	listener, url, err := listen(cmd.Context(), opt)
	if err != nil {
		return err
	}
	fmt.Fprintf(cmd.OutOrStdout(), "rimeyard is %s%s\n", serveAnnouncement, url)
	scheduler := reports.Scheduler{Schedules: db, Desk: desk, Now: time.Now, Log: log}
	postman := reports.Postman{Outbox: db, Sender: sender, Now: time.Now, Log: log}
	return runParts(cmd.Context(), []servePart{
		func(ctx context.Context) error { return pages.Serve(ctx, listener) },
		func(ctx context.Context) error { return workDaily(ctx, db, log, time.Now) },
		scheduler.Run,
		postman.Run,
	})
}

// runParts runs all parts until a signal or the failure of one ends them all.
func runParts(ctx context.Context, parts []servePart) error {
	g, ctx := errgroup.WithContext(ctx)
	for _, part := range parts {
		g.Go(func() error { return part(ctx) })
	}
	return g.Wait()
}

func newWebServer(db *store.DB, desk reports.Desk, log *slog.Logger, opt serveOptions) (*web.Server, error) {
	judging := &judging{db: db, now: time.Now}
	return web.New(web.Config{
		Judge: judging.unit, Prover: judging.proves, Desk: desk,
		Store: db, Sessions: db.Sessions(web.SessionIdle), Database: db.Pool(), Log: log, Now: time.Now,
		Intake: func(ctx context.Context, body io.Reader, o ingest.Options) (*ingest.Result, error) {
			return ingest.ImportBatch(ctx, db, body, o)
		},
		Files: func(ctx context.Context, paths []string, o ingest.Options) (*ingest.Result, error) {
			return ingest.Import(ctx, db, paths, o)
		},
		Mend: func(ctx context.Context, mends []fleet.Mend, o ingest.MendOptions) (ingest.Mending, error) {
			return ingest.Mend(ctx, db, mends, o)
		},
		Secure: opt.behindTLS || opt.tlsCert != "", BehindProxy: opt.behindTLS,
	})
}

// listen opens the port and says under which address browsers reach it.
func listen(ctx context.Context, opt serveOptions) (net.Listener, string, error) {
	var config net.ListenConfig
	l, err := config.Listen(ctx, "tcp", opt.listen)
	if host, _, splitErr := net.SplitHostPort(opt.listen); splitErr == nil && opt.elseAnyPort && errors.Is(err, syscall.EADDRINUSE) {
		l, err = config.Listen(ctx, "tcp", net.JoinHostPort(host, "0"))
	}
	if err != nil {
		return nil, "", usageError{fmt.Errorf("%w: choose another place with --listen HOST:PORT", err)}
	}
	address := l.Addr().(*net.TCPAddr)
	if address.IP.IsUnspecified() {
		address = &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: address.Port}
	}
	if opt.tlsCert == "" {
		return l, "http://" + address.String(), nil
	}
	cert, err := tls.LoadX509KeyPair(opt.tlsCert, opt.tlsKey)
	if err != nil {
		return nil, "", errors.Join(usageError{fmt.Errorf("read the certificate: %w", err)}, l.Close())
	}
	return tls.NewListener(l, &tls.Config{
		Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"},
	}), "https://" + address.String(), nil
}
