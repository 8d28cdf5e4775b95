// Command stop ends the server that the database tests share and leave running for each other.
package main

import (
	"context"
	"fmt"
	"os"

	"rimeyard/internal/pgtest"
)

func main() {
	if err := pgtest.Stop(context.Background()); err != nil {
		fmt.Fprintln(os.Stderr, "stop the test server:", err)
		os.Exit(1)
	}
}
