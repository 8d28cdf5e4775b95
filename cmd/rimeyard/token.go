package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/internal/web"
)

func newTokenCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "token", Short: "Let loggers bring readings, and programs read the list"}
	cmd.AddCommand(newTokenAddCmd(), newListCmd("list", "Print all tokens, with when each was last used", (*store.DB).Tokens, listTokens), newTokenRevokeCmd())
	return cmd
}

func newTokenAddCmd() *cobra.Command {
	var use, depot string
	cmd := &cobra.Command{
		Use: "add NAME", Args: oneArg("a name for the token, such as the logger that carries it"),
		Short: "Make a token and print it once; only its hash is kept",
		Example: `  rimeyard token add gate-logger --depot NOR
  rimeyard token add spreadsheet --for list`,
	}
	cmd.Flags().StringVar(&use, "for", string(fleet.BringReadings), "what it is good for: readings (bring them), list (read the winter list, tonight and the jobs) or faults (look for faults)")
	cmd.Flags().StringVar(&depot, "depot", "", "hold it to the units of one depot (default: all)")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		t := fleet.Token{Depot: fleet.DepotID(depot)}
		var err error
		if t.Name, err = fleet.ParseTokenName(args[0]); err != nil {
			return usageError{err}
		}
		if t.Use, err = fleet.ParseTokenUse(use); err != nil {
			return usageError{fmt.Errorf("--for: %w", err)}
		}
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		secret, hash := web.NewToken()
		added, err := db.AddToken(cmd.Context(), t, hash)
		if err != nil {
			return err
		}
		if !added {
			return usageError{fmt.Errorf("there is, or was, a token %q: choose another name", t.Name)}
		}
		fmt.Fprintf(cmd.OutOrStdout(), "The token %s, shown this once: %s\n", t.Name, secret)
		return nil
	}
	return cmd
}

type tokenJSON struct {
	Name       string         `json:"name"`
	Use        fleet.TokenUse `json:"for"`
	Depot      *fleet.DepotID `json:"depot"` // null: all
	CreatedAt  time.Time      `json:"created_at"`
	LastUsedAt *time.Time     `json:"last_used_at"` // null: never
	Revoked    bool           `json:"revoked"`
}

func listTokens(tokens []fleet.Token, _ outputFormat) listing {
	rows, list := make([][]string, len(tokens)), make([]tokenJSON, len(tokens))
	for i, t := range tokens {
		j := tokenJSON{Name: t.Name, Use: t.Use, CreatedAt: t.CreatedAt.UTC(), Revoked: t.Revoked}
		depot, used, state := "all", "never", "valid"
		if t.Depot != "" {
			j.Depot, depot = &t.Depot, string(t.Depot)
		}
		if !t.LastUsedAt.IsZero() {
			at := t.LastUsedAt.UTC()
			j.LastUsedAt, used = &at, at.Format(time.RFC3339)
		}
		if t.Revoked {
			state = "revoked"
		}
		rows[i] = []string{t.Name, string(t.Use), depot, j.CreatedAt.Format(time.RFC3339), used, state}
		list[i] = j
	}
	return listing{
		[]string{"name", "for", "depot", "created_at", "last_used_at", "state"},
		rows, list,
		"there are no tokens yet: rimeyard token add NAME makes one",
	}
}

func newTokenRevokeCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "revoke NAME", Args: oneArg("the name of the token"),
		Short: "End a token for good, at once",
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		found, err := db.RevokeToken(cmd.Context(), args[0])
		if err != nil {
			return err
		}
		if !found {
			return usageError{fmt.Errorf("no token is called %q: rimeyard token list names them all", args[0])}
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s is revoked\n", args[0])
		return nil
	}
	return cmd
}
