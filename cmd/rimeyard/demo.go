package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/internal/demofleet"
	"rimeyard/internal/fleet"
)

// The demo keeps to a folder of its own, so that it never mixes with a real fleet.
const (
	demoFolder = "demo"
	demoSeed   = 20
	demoNote   = "demo.json" // written last: the demo is whole when it is there
	demoServer = "server.json"
)

// demoState is what demo.json remembers of the first run, so that a second one changes nothing.
type demoState struct {
	Today   fleet.Date      `json:"today"`
	Story   demofleet.Story `json:"story"`
	People  []demoPerson    `json:"people"`
	Letters []string        `json:"letters"`
}

type demoPerson struct {
	Name     string     `json:"name"`
	Role     fleet.Role `json:"role"`
	Password string     `json:"password"`
}

var errServerEnded = errors.New("the demo's server did not start")

func newDemoCmd(now func() time.Time) *cobra.Command {
	cmd := &cobra.Command{
		Use: "demo", Args: cobra.NoArgs,
		Short: "Show all of it on an invented fleet: import, fit, ranked list, mail, and a server that keeps running",
	}
	today := &asOfFlag{}
	cmd.Flags().Var(today, "today", "make the fleet as if this were today; its data end the day before (default: today)")
	stop := cmd.Flags().Bool("stop", false, "end the demo's server")
	listen := cmd.Flags().String("listen", "127.0.0.1:8080", "where the server listens; if that is taken, a free port is")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		home, err := homeDir()
		if err != nil {
			return err
		}
		home = filepath.Join(home, demoFolder)
		if *stop {
			return stopDemoServer(cmd.OutOrStdout(), home)
		}
		return runDemo(cmd, home, today.date.Or(fleet.DateOf(now(), time.Local)), *listen, now)
	}
	return cmd
}

func runDemo(cmd *cobra.Command, home string, today fleet.Date, listen string, now func() time.Time) error {
	out := cmd.OutOrStdout()
	db, done, err := openDatabaseIn(cmd, home)
	if err != nil {
		return err
	}
	defer done()
	state, err := readDemoState(home)
	if errors.Is(err, fs.ErrNotExist) {
		state, err = makeDemo(cmd, db, home, today, now)
	}
	if err != nil {
		return err
	}
	if err := printDemoList(cmd.Context(), out, db); err != nil {
		return err
	}
	url, err := ensureDemoServer(cmd.Context(), home, listen)
	if err != nil {
		return err
	}
	printDemoGuide(out, home, url, state)
	return nil
}

func readDemoState(home string) (demoState, error) {
	var s demoState
	b, err := os.ReadFile(filepath.Join(home, demoNote))
	if err != nil {
		return s, err
	}
	if err := json.Unmarshal(b, &s); err != nil {
		return s, fmt.Errorf("read %s: %w; remove the folder to make the demo anew", filepath.Join(home, demoNote), err)
	}
	return s, nil
}

// demoProcess is the demo's server, as server.json remembers it.
type demoProcess struct {
	PID int    `json:"pid"`
	URL string `json:"url"`
}

// ensureDemoServer returns the address of the running server and starts it first where none answers.
func ensureDemoServer(ctx context.Context, home, listen string) (string, error) {
	if p, err := readDemoServer(home); err == nil && healthy(ctx, p.URL) {
		return p.URL, nil
	}
	self, err := os.Executable()
	if err != nil {
		return "", err
	}
	logPath := filepath.Join(home, "server.log")
	log, err := os.Create(logPath)
	if err != nil {
		return "", err
	}
	defer log.Close() //nolint:errcheck // the server has its own handle
	// The server outlives this command, so it must not be tied to its context nor to its terminal's process group.
	server := exec.Command(self, "serve", "--listen", listen, "--else-any-port") //nolint:noctx // see above
	server.Env = append(os.Environ(), envHome+"="+home)
	server.Stdout, server.Stderr = log, log
	server.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	if err := server.Start(); err != nil {
		return "", fmt.Errorf("start the server: %w", err)
	}
	ended := make(chan error, 1)
	go func() { ended <- server.Wait() }()
	url, err := awaitAddress(ctx, logPath, ended)
	if err != nil {
		return "", err
	}
	b, err := json.Marshal(demoProcess{server.Process.Pid, url})
	if err != nil {
		return "", err
	}
	return url, os.WriteFile(filepath.Join(home, demoServer), b, 0o600)
}

// awaitAddress reads the server's log until it has named its address and answers there.
func awaitAddress(ctx context.Context, logPath string, ended <-chan error) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	for tick := time.NewTicker(50 * time.Millisecond); ; {
		log, err := os.ReadFile(logPath)
		if err != nil {
			return "", err
		}
		for line := range strings.Lines(string(log)) {
			if _, url, found := strings.Cut(strings.TrimSpace(line), serveAnnouncement); found && healthy(ctx, url) {
				return url, nil
			}
		}
		select {
		case <-tick.C:
		case err := <-ended:
			return "", fmt.Errorf("the server ended at once; it said:\n%s\n%w", log, errors.Join(errServerEnded, err))
		case <-ctx.Done():
			return "", fmt.Errorf("the server did not answer in time; it said:\n%s", log)
		}
	}
}

func healthy(ctx context.Context, url string) bool {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"/healthz", nil)
	if err != nil {
		return false
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return false
	}
	defer resp.Body.Close() //nolint:errcheck // nothing is read from it
	return resp.StatusCode == http.StatusOK
}

func readDemoServer(home string) (p demoProcess, err error) {
	b, err := os.ReadFile(filepath.Join(home, demoServer))
	if err != nil {
		return p, err
	}
	return p, json.Unmarshal(b, &p)
}

// stopDemoServer ends the server that this demo started, and no other process that may have got its number since.
func stopDemoServer(out io.Writer, home string) error {
	p, err := readDemoServer(home)
	if errors.Is(err, fs.ErrNotExist) {
		fmt.Fprintln(out, "no demo server is running")
		return nil
	}
	if err != nil {
		return fmt.Errorf("read %s: %w", demoServer, err)
	}
	note := filepath.Join(home, demoServer)
	if !healthy(context.Background(), p.URL) {
		fmt.Fprintln(out, "no demo server is running")
		return os.Remove(note)
	}
	if err := syscall.Kill(p.PID, syscall.SIGTERM); err != nil {
		return fmt.Errorf("end the demo server, process %d: %w", p.PID, err)
	}
	deadline := time.Now().Add(20 * time.Second)
	for tick := time.NewTicker(50 * time.Millisecond); syscall.Kill(p.PID, 0) == nil; <-tick.C {
		if time.Now().After(deadline) {
			return fmt.Errorf("the demo server, process %d, has not ended after 20 seconds", p.PID)
		}
	}
	fmt.Fprintln(out, "the demo server has ended; rimeyard demo starts it again")
	return os.Remove(note)
}
