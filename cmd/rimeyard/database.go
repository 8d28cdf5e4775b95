package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/jackc/pgx/v5"
	"github.com/spf13/cobra"

	"rimeyard/internal/pgbox"
	"rimeyard/internal/store"
	"rimeyard/migrations"
)

// The environment is read here and nowhere else.
const (
	envHome     = "RIMEYARD_HOME"
	envDatabase = "RIMEYARD_DATABASE_URL"
	envSMTP     = "RIMEYARD_SMTP_URL"
	envURL      = "RIMEYARD_URL"
)

// homeDir is the folder for rimeyard's data.
func homeDir() (string, error) {
	if home := os.Getenv(envHome); home != "" {
		return home, nil
	}
	return pgbox.DefaultHome()
}

// openDatabase gives a migrated database: the server that the environment names, else the private one of the data
// folder. The second result ends it, and the private server with it where no other program uses it.
func openDatabase(cmd *cobra.Command) (*store.DB, func(), error) {
	home, err := homeDir()
	if err != nil {
		return nil, nil, err
	}
	return openDatabaseIn(cmd, home)
}

func openDatabaseIn(cmd *cobra.Command, home string) (*store.DB, func(), error) {
	url, closeServer, err := databaseURL(cmd, home)
	if err != nil {
		return nil, nil, err
	}
	db, err := migrated(cmd.Context(), url)
	if err != nil {
		closeServer()
		return nil, nil, err
	}
	return db, func() { db.Close(); closeServer() }, nil
}

// databaseURL starts or joins the private server unless the environment names another one.
func databaseURL(cmd *cobra.Command, home string) (url string, closeServer func(), err error) {
	if url := os.Getenv(envDatabase); url != "" {
		return url, func() {}, nil
	}
	box, err := pgbox.Open(cmd.Context(), pgbox.Options{Home: home, Say: sayer(cmd)})
	if err != nil {
		return "", nil, err
	}
	return box.URL(), func() {
		if err := box.Close(); err != nil {
			fmt.Fprintln(cmd.ErrOrStderr(), "rimeyard: the private database did not stop cleanly:", err)
		}
	}, nil
}

func migrated(ctx context.Context, url string) (*store.DB, error) {
	if _, err := migrate(ctx, url); err != nil {
		return nil, err
	}
	return store.Open(ctx, url)
}

func migrate(ctx context.Context, url string) (applied []string, err error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return nil, fmt.Errorf("reach the database: %w", err)
	}
	defer func() { err = errors.Join(err, conn.Close(context.WithoutCancel(ctx))) }()
	return migrations.Apply(ctx, conn)
}
