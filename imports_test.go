package rimeyard_test

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// may says what each package may import of ours; the test files of a package may import more. Only cmd/rimeyard,
// which wires all, has no row. This table is the architecture: change it with a record in docs/decisions.
var may = map[string]string{
	"internal/fleet":          "",
	"migrations":              "",
	"internal/pgbox":          "",
	"internal/pgtest":         "internal/pgbox migrations",
	"internal/pgtest/stop":    "internal/pgtest",
	"internal/witness":        "",
	"internal/store":          "internal/fleet",
	"ingest":                  "internal/fleet",
	"trend":                   "internal/fleet",
	"alerts":                  "internal/fleet trend plan",
	"plan":                    "internal/fleet",
	"faults":                  "internal/fleet",
	"ledger":                  "internal/fleet trend plan",
	"reports":                 "internal/fleet trend alerts plan faults ledger",
	"internal/web":            "internal/fleet trend alerts plan faults ledger reports ingest",
	"internal/demofleet":      "internal/fleet",
	"internal/proving":        "internal/fleet",
	"internal/proving/curves": "internal/fleet internal/proving",
	"internal/proving/plates": "internal/fleet internal/proving",
	"internal/proving/motor":  "internal/fleet internal/proving",
	"internal/proving/aside":  "internal/fleet internal/proving",
	"internal/proving/gravel": "internal/fleet internal/proving",
	"internal/proving/tides":  "internal/fleet internal/proving",
	"internal/proving/prove":  "internal/fleet trend alerts internal/proving internal/proving/curves internal/proving/plates internal/proving/motor internal/proving/aside internal/proving/gravel internal/proving/tides",
}

// pure packages may not reach, even through others, what would make their answer depend on anything but their input.
var pure = map[string][]string{
	"trend":  {"net/http", "database/sql", "github.com/jackc/pgx/v5", "github.com/labstack/echo/v4", "math/rand", "math/rand/v2", "os"},
	"alerts": {"net/http", "database/sql", "github.com/jackc/pgx/v5", "github.com/labstack/echo/v4", "math/rand", "math/rand/v2", "os"},
	"plan":   {"net/http", "database/sql", "github.com/jackc/pgx/v5", "github.com/labstack/echo/v4", "math/rand", "math/rand/v2", "os"},
	"ledger": {"net/http", "database/sql", "github.com/jackc/pgx/v5", "github.com/labstack/echo/v4", "math/rand", "math/rand/v2", "os"},
	"faults": {"net/http", "database/sql", "github.com/jackc/pgx/v5", "github.com/labstack/echo/v4", "math/rand", "math/rand/v2", "os"},
}

type listed struct {
	ImportPath string
	Imports    []string
}

func TestImportDirection(t *testing.T) {
	seen := map[string]bool{}
	for _, pkg := range ourPackages(t) {
		from := strings.TrimPrefix(pkg.ImportPath, "rimeyard/")
		allowed, known := may[from]
		if from == "rimeyard" || strings.HasPrefix(from, "cmd/") {
			continue
		}
		require.True(t, known, "%s has no row in the table of import directions", from)
		seen[from] = true
		for _, imported := range pkg.Imports {
			to, ours := strings.CutPrefix(imported, "rimeyard/")
			require.True(t, !ours || slices.Contains(strings.Fields(allowed), to), "%s may not import %s", from, to)
			require.NotContains(t, pure[from], imported, "%s must stay pure", from)
		}
	}
	for from := range may {
		require.True(t, seen[from], "the table names %s, which is no longer there", from)
	}
}

func TestPurePackagesReadNoClock(t *testing.T) {
	for from := range pure {
		out, err := exec.CommandContext(t.Context(), "grep", "-rnE", `time\.(Now|Since|Until)\(`, "--include=*.go", "--exclude=*_test.go", from).CombinedOutput()
		var exit *exec.ExitError
		require.True(t, errors.As(err, &exit) && exit.ExitCode() == 1, "%s asks the machine for the time:\n%s", from, out)
	}
}

func ourPackages(t *testing.T) []listed {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Imports", "./...").Output()
	require.NoError(t, err)
	var pkgs []listed
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := dec.Decode(&p); err == io.EOF {
			return pkgs
		} else {
			require.NoError(t, err)
		}
		pkgs = append(pkgs, p)
	}
}
