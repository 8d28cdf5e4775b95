package main

import (
	"fmt"

	"github.com/spf13/cobra"
)

func newMigrateCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "migrate", Args: cobra.NoArgs,
		Short: "Bring the database to this program's schema; every other command does so by itself",
	}
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		home, err := homeDir()
		if err != nil {
			return err
		}
		url, closeServer, err := databaseURL(cmd, home)
		if err != nil {
			return err
		}
		defer closeServer()
		applied, err := migrate(cmd.Context(), url)
		if err != nil {
			return err
		}
		for _, name := range applied {
			fmt.Fprintln(cmd.OutOrStdout(), "applied", name)
		}
		if len(applied) == 0 {
			fmt.Fprintln(cmd.OutOrStdout(), "the database is up to date")
		}
		return nil
	}
	return cmd
}
