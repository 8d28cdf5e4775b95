package web

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
	"golang.org/x/sync/errgroup"

	"rimeyard/reports"
)

// Limits of a connection and of the server's end.
const (
	readHeaderTimeout = 10 * time.Second
	readTimeout       = 2 * time.Minute // a batch of readings over a poor line
	writeTimeout      = 2 * time.Minute // a list of 50 000 units over a poor line
	idleTimeout       = 2 * time.Minute
	drainTimeout      = 20 * time.Second
	maxHeaderBytes    = 64 << 10
	gzipFromBytes     = 1024
)

// Config is what the server is made of.
type Config struct {
	Store    Store
	Sessions scs.Store // ends a session that is idle for SessionIdle
	Intake   Intake
	Judge    Judge
	Prover   Prover
	Desk     reports.Desk // writes the letters of a report that is asked for now
	Files    FileIntake
	Mend     Mender
	Database Pinger
	Log      *slog.Logger
	Now      func() time.Time

	// Secure says that browsers reach the server by TLS, its own or that of a proxy: cookies are sent by TLS only.
	Secure bool
	// BehindProxy says that the client's address is in X-Forwarded-For, written by a proxy on a private network.
	BehindProxy bool
}

// Server answers browsers and loggers.
type Server struct {
	store     Store
	intake    Intake
	judge     Judge
	prover    Prover
	desk      reports.Desk
	files     FileIntake
	mend      Mender
	database  Pinger
	log       *slog.Logger
	now       func() time.Time
	secure    bool
	sessions  *scs.SessionManager
	passwords *verifier
	origin    *http.CrossOriginProtection
	assets    assets
	issued    issued
	plans     *reports.Plans
	patience  time.Duration // of a page for a plan that is being worked out
	budgets   *reports.Budgets
	pages     *template.Template
	echo      *echo.Echo
	draining  atomic.Bool
}

// New makes a server that listens nowhere yet.
func New(cfg Config) (*Server, error) {
	files, err := loadAssets()
	if err != nil {
		return nil, err
	}
	pages, err := loadPages(files)
	if err != nil {
		return nil, err
	}
	s := &Server{
		store: cfg.Store, intake: cfg.Intake, judge: cfg.Judge, prover: cfg.Prover, database: cfg.Database, log: cfg.Log, now: cfg.Now, secure: cfg.Secure,
		sessions: newSessions(cfg.Sessions, cfg.Secure), passwords: newVerifier(), origin: http.NewCrossOriginProtection(),
		desk: cfg.Desk, plans: reports.NewPlans(cfg.Store), patience: planPatience, assets: files, pages: pages, echo: echo.New(),
		files: cfg.Files, mend: cfg.Mend,
	}
	s.budgets = reports.NewBudgets(cfg.Store, s.plans)
	s.origin.AddInsecureBypassPattern(unsubscribeAnywhere)
	e := s.echo
	e.HTTPErrorHandler = s.answerError
	e.IPExtractor, e.SchemeExtractor = echo.ExtractIPDirect(), echo.ExtractSchemeDirect()
	if cfg.BehindProxy {
		e.IPExtractor, e.SchemeExtractor = echo.ExtractIPFromXFFHeader(), echo.ExtractSchemeFromHeaders()
	}
	e.Use(s.observe, s.guard, middleware.GzipWithConfig(middleware.GzipConfig{MinLength: gzipFromBytes}), s.authorise)
	s.addRoutes()
	return s, nil
}

func (s *Server) addRoutes() {
	get := func(path string, h echo.HandlerFunc) {
		s.echo.GET(path, h)
		s.echo.HEAD(path, h)
	}
	post := func(path string, h echo.HandlerFunc) { s.echo.POST(path, h) }
	get("/healthz", s.health)
	get("/readyz", s.ready)
	get("/static/:name", s.static)
	get("/sign-in", s.signInForm)
	post("/sign-in", s.signIn)
	post("/sign-out", s.signOut)
	get(unsubscribeRoute, s.unsubscribeForm)
	post(unsubscribeRoute, s.unsubscribe)
	get("/", s.home)
	get("/winter-list", s.winterList)
	get("/winter-list.csv", s.winterListCSV)
	get("/winter-list.xlsx", s.winterListWorkbook)
	get("/winter-list.pdf", s.winterListPDF)
	get("/winter-list/cold-ladder.svg", s.coldLadder)
	get("/tonight", s.tonight)
	get("/tonight/checklist", s.tonightChecklist)
	get("/tonight.csv", s.tonightCSV)
	post("/tonight/low", s.typeLow)
	get("/api/v1/tonight", s.apiTonight)
	s.addPlan(get, post)
	get("/units/:unit", s.unit)
	get("/units/:unit/crank-volts.svg", s.crankVolts)
	get("/units/:unit/season.svg", s.seasonChart)
	get("/audit", s.audit)
	get("/audit.csv", s.auditCSV)
	get("/audit/bands.svg", s.auditChart("audit-bands", reports.AuditBands))
	get("/audit/orders.svg", s.auditChart("audit-orders", reports.AuditOrders))
	s.addLedger(get, post)
	s.addFaults(get, post)
	s.addIntake(get, post)
	s.addBench(get, post)
	s.addSettings(get, post)
	s.addJobs(get, post)
	s.addStock(get, post)
	get("/api/v1/winter-list", s.apiWinterList)
	post("/api/v1/readings", s.apiReadings)
}

// Handler is the whole of the server, for tests and for other listeners.
func (s *Server) Handler() http.Handler { return s.echo }

// Serve answers on l until ctx ends, then lets the requests in hand finish, for a while. It closes l.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	srv := &http.Server{
		Handler: s.echo, ReadHeaderTimeout: readHeaderTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout,
		IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeaderBytes, ErrorLog: slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
	}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("serve pages: %w", err)
		}
		return nil
	})
	g.Go(func() error { return s.stayReady(ctx) })
	g.Go(func() error {
		<-ctx.Done() // a signal, or the listener's failure
		s.draining.Store(true)
		stopping, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainTimeout)
		defer cancel()
		if err := srv.Shutdown(stopping); err != nil {
			return errors.Join(fmt.Errorf("let requests finish: %w", err), srv.Close())
		}
		return nil
	})
	return g.Wait()
}

// health tells whether the server can do its work: it asks the database.
func (s *Server) health(c echo.Context) error {
	const patience = 2 * time.Second
	ctx, cancel := context.WithTimeout(c.Request().Context(), patience)
	defer cancel()
	if err := s.database.Ping(ctx); err != nil {
		return errors.Join(errNotHealthy, err)
	}
	return c.JSON(http.StatusOK, map[string]string{"status": "ok"})
}

// ready is health, and no once the server is about to stop, so that a load balancer looks elsewhere.
func (s *Server) ready(c echo.Context) error {
	if s.draining.Load() {
		return errDraining
	}
	return s.health(c)
}
