package pgbox

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// oldest is the first major version that is taken: the oldest one that its makers still mended when this was written.
const oldest = 14

// places is where packages put server binaries that they leave out of PATH: Debian and Ubuntu, the PostgreSQL project's
// RPMs, SUSE, Alpine, Homebrew on either processor, Postgres.app, the BSDs and builds from source.
var places = []string{
	"/usr/lib/postgresql/*/bin", "/usr/pgsql-*/bin", "/usr/lib/postgresql*/bin", "/usr/libexec/postgresql*",
	"/opt/homebrew/opt/postgresql@*/bin", "/usr/local/opt/postgresql@*/bin", "/opt/homebrew/opt/postgresql/bin",
	"/Applications/Postgres.app/Contents/Versions/*/bin", "/usr/local/pgsql*/bin", "/usr/local/bin",
}

// server is one installed PostgreSQL: the folder of its programs and its major version.
type server struct {
	bin   string
	major int
}

// installed lists the servers found: the one in PATH first, then by place, newest first.
func installed(ctx context.Context, path string, places []string) []server {
	dirs := filepath.SplitList(path)
	for _, pattern := range places {
		found, _ := filepath.Glob(pattern) // errs only on a malformed pattern
		slices.SortFunc(found, func(a, b string) int { return cmp.Compare(lastNumber(b), lastNumber(a)) })
		dirs = append(dirs, found...)
	}
	seen := map[string]bool{}
	var servers []server
	for _, dir := range dirs {
		if !complete(dir) {
			continue
		}
		if real, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres")); err == nil && complete(filepath.Dir(real)) {
			dir = filepath.Dir(real) // a folder of links, like Homebrew's
		}
		if seen[dir] {
			continue
		}
		seen[dir] = true
		if major, err := majorOf(ctx, dir); err == nil { // one that does not even tell its version cannot be used
			servers = append(servers, server{dir, major})
		}
	}
	return servers
}

// choose picks the server for a cluster that was made by the given major version, or for a new one if that is 0.
func choose(servers []server, madeBy int, folder string) (server, error) {
	var others []string
	for _, s := range servers {
		if s.major == madeBy || madeBy == 0 && s.major >= oldest {
			return s, nil
		}
		others = append(others, fmt.Sprintf("%d in %s", s.major, s.bin))
	}
	switch {
	case madeBy != 0:
		has := "none is installed"
		if len(others) > 0 {
			has = "this machine has only version " + strings.Join(others, ", version ")
		}
		err := fmt.Errorf("the database in %s was made by PostgreSQL %d and no other version can read it, but %s: "+
			"install version %[2]d with “%s”, or set RIMEYARD_HOME to another folder to begin anew", folder, madeBy, has, installCommand(madeBy))
		if len(others) == 0 {
			err = fmt.Errorf("%w: %w", ErrNoServer, err)
		}
		return server{}, err
	case len(others) > 0:
		return server{}, fmt.Errorf("%w that is new enough: version %d or later is needed, found version %s: install one with “%s”",
			ErrNoServer, oldest, strings.Join(others, ", version "), installCommand(0))
	}
	return server{}, fmt.Errorf("%w: install it with “%s”, or set RIMEYARD_DATABASE_URL to a database of your own", ErrNoServer, installCommand(0))
}

func complete(dir string) bool {
	for _, program := range []string{"initdb", "pg_ctl", "postgres"} {
		if info, err := os.Stat(filepath.Join(dir, program)); err != nil || info.IsDir() || info.Mode()&0o111 == 0 {
			return false
		}
	}
	return true
}

var versionForm = regexp.MustCompile(`\(PostgreSQL\) (\d+)`) // "postgres (PostgreSQL) 15.14 (Debian 15.14-0+deb12u1)"

func majorOf(ctx context.Context, dir string) (int, error) {
	out, err := exec.CommandContext(ctx, filepath.Join(dir, "postgres"), "--version").Output()
	if err != nil {
		return 0, fmt.Errorf("ask %s/postgres for its version: %w", dir, err)
	}
	m := versionForm.FindSubmatch(out)
	if m == nil {
		return 0, fmt.Errorf("%s/postgres gives no version: %q", dir, out)
	}
	return strconv.Atoi(string(m[1]))
}

var digits = regexp.MustCompile(`\d+`)

// lastNumber orders folders by the version in their name, in which 9 comes before 14.
func lastNumber(dir string) int {
	all := digits.FindAllString(dir, -1)
	if len(all) == 0 {
		return 0
	}
	n, _ := strconv.Atoi(all[len(all)-1]) // too long for a number: no version, sorted last
	return n
}

// installCommand is the command that installs the server of a major version, or of any if that is 0, on this machine.
func installCommand(major int) string {
	any, versioned := "", ""
	for _, m := range [][3]string{
		{"apt-get", "sudo apt-get install -y postgresql", "sudo apt-get install -y postgresql-%d"},
		{"dnf", "sudo dnf install -y postgresql-server", "sudo dnf install -y postgresql%d-server"},
		{"apk", "sudo apk add postgresql", "sudo apk add postgresql%d"},
		{"pacman", "sudo pacman -S --noconfirm postgresql", "sudo pacman -S --noconfirm postgresql-old-upgrade"},
		{"zypper", "sudo zypper install -y postgresql-server", "sudo zypper install -y postgresql%d-server"},
		{"brew", "brew install postgresql@17", "brew install postgresql@%d"},
	} {
		if _, err := exec.LookPath(m[0]); err == nil {
			any, versioned = m[1], m[2]
			break
		}
	}
	switch {
	case any == "":
		return "your system's package manager"
	case major == 0:
		return any
	case !strings.Contains(versioned, "%d"):
		return versioned
	}
	return fmt.Sprintf(versioned, major)
}
