package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/internal/web"
	"rimeyard/reports"
)

func newUserCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "user", Short: "Say who may sign in, and what they may see"}
	cmd.AddCommand(newUserAddCmd(), newListCmd("list", "Print who may sign in, with role and depots", (*store.DB).People, listPeople), newUserPasswordCmd(),
		newUserDisableCmd("disable", "Shut a person out; open pages stop working at once", true),
		newUserDisableCmd("enable", "Let a person in again", false))
	return cmd
}

// passwordFlags choose where a password comes from: standard input, or made up; else it is asked for at the terminal.
type passwordFlags struct{ stdin, generate bool }

func addPasswordFlags(cmd *cobra.Command) *passwordFlags {
	f := &passwordFlags{}
	cmd.Flags().BoolVar(&f.stdin, "password-stdin", false, "read the password from the first line of standard input")
	cmd.Flags().BoolVar(&f.generate, "generate", false, "make a password up and print it once (also done where there is no terminal to ask at)")
	cmd.MarkFlagsMutuallyExclusive("password-stdin", "generate")
	return f
}

// read gives the new password, and whether it was made up and so has to be printed.
func (f *passwordFlags) read(cmd *cobra.Command) (password string, made bool, err error) {
	terminal, ok := cmd.InOrStdin().(*os.File)
	ok = ok && term.IsTerminal(int(terminal.Fd()))
	switch {
	case f.stdin:
		password, err = bufio.NewReader(cmd.InOrStdin()).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", false, fmt.Errorf("read the password: %w", err)
		}
		password = strings.TrimRight(password, "\r\n")
	case f.generate || !ok:
		return web.NewPassword(), true, nil
	default:
		if password, err = askTwice(cmd.ErrOrStderr(), int(terminal.Fd())); err != nil {
			return "", false, err
		}
	}
	if err := web.CheckPassword(password); err != nil {
		return "", false, usageError{err}
	}
	return password, false, nil
}

func askTwice(prompt io.Writer, fd int) (string, error) {
	var typed [2]string
	for i, ask := range []string{"New password: ", "Once more: "} {
		fmt.Fprint(prompt, ask)
		b, err := term.ReadPassword(fd)
		fmt.Fprintln(prompt)
		if err != nil {
			return "", fmt.Errorf("read the password: %w", err)
		}
		typed[i] = string(b)
	}
	if typed[0] != typed[1] {
		return "", usageError{errors.New("the two passwords differ: nothing was changed")}
	}
	return typed[0], nil
}

func printPassword(cmd *cobra.Command, name, password string) {
	fmt.Fprintf(cmd.OutOrStdout(), "The password of %s, shown this once: %s\n", name, password)
}

func parseName(s string) (string, error) {
	name, err := fleet.ParseName(s)
	if err != nil {
		return "", usageError{err}
	}
	return name, nil
}

func newUserAddCmd() *cobra.Command {
	var (
		p      fleet.Person
		role   string
		depots []string
	)
	cmd := &cobra.Command{
		Use: "add NAME", Args: oneArg("the name to sign in with"),
		Short: "Let a person sign in",
		Long: `Lets a person sign in. The role says what they may do, the depots whose units they may see.
Where there is a terminal the password is asked for; where there is none, one is made up and printed once.`,
		Example: "  rimeyard user add mara --role manager --all-depots\n  rimeyard user add jo --role mechanic --depot NOR --depot HAR",
	}
	cmd.Flags().StringVar(&role, "role", "", "manager, mechanic, accountant, reader or administrator")
	cmd.Flags().StringSliceVar(&depots, "depot", nil, "depot whose units they may see; may be repeated")
	cmd.Flags().BoolVar(&p.AllDepots, "all-depots", false, "they may see every depot")
	cmd.Flags().StringVar(&p.FullName, "full-name", "", "as shown on pages")
	cmd.Flags().StringVar(&p.Email, "email", "", "where reports for them go")
	password := addPasswordFlags(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) (err error) {
		if p.Name, err = parseName(args[0]); err != nil {
			return err
		}
		if err := parsePerson(&p, role); err != nil {
			return usageError{err}
		}
		for _, d := range depots {
			p.Depots = append(p.Depots, fleet.DepotID(d))
		}
		if p.AllDepots == (len(depots) > 0) {
			return usageError{errors.New("say which units they may see: either --all-depots or --depot KEY")}
		}
		return addUser(cmd, p, password)
	}
	return cmd
}

// parsePerson checks what is said of a person besides name and depots.
func parsePerson(p *fleet.Person, role string) (err error) {
	if p.Role, err = fleet.ParseRole(role); err != nil {
		return err
	}
	if p.FullName, err = fleet.ParseFullName(p.FullName); err != nil || p.Email == "" {
		return err
	}
	address, err := reports.CheckAddress(p.Email)
	if err == nil {
		p.Email = address.Address
	}
	return err
}

func addUser(cmd *cobra.Command, p fleet.Person, from *passwordFlags) error {
	db, done, err := openDatabase(cmd)
	if err != nil {
		return err
	}
	defer done()
	if _, taken, err := db.Person(cmd.Context(), p.Name); err != nil || taken { // before a password is asked for in vain
		return errors.Join(err, nameTaken(p.Name, taken))
	}
	password, made, err := from.read(cmd)
	if err != nil {
		return err
	}
	p.PasswordHash = web.HashPassword(password)
	added, err := db.AddPerson(cmd.Context(), p)
	if err != nil || !added {
		return errors.Join(err, nameTaken(p.Name, err == nil))
	}
	fmt.Fprintf(cmd.OutOrStdout(), "%s may sign in now, as %s\n", p.Name, p.Role)
	if made {
		printPassword(cmd, p.Name, password)
	}
	return nil
}

func nameTaken(name string, taken bool) error {
	if !taken {
		return nil
	}
	return usageError{fmt.Errorf("there is a %q already: choose another name, or give this one a new password with rimeyard user password %s", name, name)}
}

func noSuchPerson(name string) error {
	return usageError{fmt.Errorf("nobody is called %q: rimeyard user list names everybody", name)}
}

// personJSON is a person as printed: no hash leaves the database.
type personJSON struct {
	Name      string          `json:"name"`
	FullName  string          `json:"full_name"`
	Email     string          `json:"email"`
	Role      fleet.Role      `json:"role"`
	AllDepots bool            `json:"all_depots"`
	Depots    []fleet.DepotID `json:"depots"`
	Disabled  bool            `json:"disabled"`
}

func listPeople(people []fleet.Person, _ outputFormat) listing {
	rows, list := make([][]string, len(people)), make([]personJSON, len(people))
	for i, p := range people {
		depots := "all"
		if !p.AllDepots {
			depots = strings.Join(p.DepotKeys(), " ")
		}
		state := "enabled"
		if p.Disabled {
			state = "disabled"
		}
		rows[i] = []string{p.Name, p.FullName, p.Email, string(p.Role), depots, state}
		list[i] = personJSON{p.Name, p.FullName, p.Email, p.Role, p.AllDepots, append([]fleet.DepotID{}, p.Depots...), p.Disabled}
	}
	return listing{
		[]string{"name", "full_name", "email", "role", "depots", "state"},
		rows, list,
		"nobody may sign in yet: rimeyard user add NAME --role manager --all-depots",
	}
}

func newUserPasswordCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "password NAME", Args: oneArg("the name of the person"),
		Short: "Give a person a new password, which ends what sessions they have",
	}
	from := addPasswordFlags(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		name, err := parseName(args[0])
		if err != nil {
			return err
		}
		if _, found, err := db.Person(cmd.Context(), name); err != nil {
			return err
		} else if !found {
			return noSuchPerson(name)
		}
		password, made, err := from.read(cmd)
		if err != nil {
			return err
		}
		if _, err := db.SetPassword(cmd.Context(), name, web.HashPassword(password)); err != nil {
			return err
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s has a new password\n", name)
		if made {
			printPassword(cmd, name, password)
		}
		return nil
	}
	return cmd
}

func newUserDisableCmd(verb, short string, disable bool) *cobra.Command {
	cmd := &cobra.Command{Use: verb + " NAME", Args: oneArg("the name of the person"), Short: short}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		name, err := parseName(args[0])
		if err != nil {
			return err
		}
		found, err := db.SetDisabled(cmd.Context(), name, disable)
		if err != nil {
			return err
		}
		if !found {
			return noSuchPerson(name)
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s is %sd\n", name, verb)
		return nil
	}
	return cmd
}
