// Command screens takes the pictures of README and docs from the running demo: it makes the demo in a folder of its own,
// signs in as its people in a real browser, and takes what they see. The demo is of the day on which it is made, as its
// server goes by the machine's clock: take the pictures in the cold months.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"github.com/chromedp/chromedp"
)

// patience is for all of it: the demo takes most.
const patience = 15 * time.Minute

func main() {
	if len(os.Args) != 3 {
		fmt.Fprintln(os.Stderr, "use: screens PROGRAM FOLDER")
		os.Exit(2)
	}
	if err := take(os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintln(os.Stderr, "screens:", err)
		os.Exit(1)
	}
}

func take(program, folder string) (err error) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	home, err := os.MkdirTemp("", "rimeyard-screens-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(home)) }()
	if err := os.Chmod(home, 0o711); err != nil { // the database's account must get through
		return err
	}
	run := func(home string, args ...string) error {
		cmd := exec.CommandContext(ctx, program, args...)
		cmd.Env = append(os.Environ(), "RIMEYARD_HOME="+home)
		cmd.Stderr = os.Stderr
		return cmd.Run()
	}
	if err := run(home, "demo", "--listen", "127.0.0.1:0"); err != nil {
		return fmt.Errorf("make the demo: %w", err)
	}
	defer func() { err = errors.Join(err, run(home, "demo", "--stop")) }()
	if err := run(filepath.Join(home, "demo"), "audit", "--keep"); err != nil { // which the server would do in its own time
		return fmt.Errorf("audit the demo: %w", err)
	}
	var note struct {
		People []struct{ Name, Password string }
	}
	var server struct{ URL string }
	if err := errors.Join(read(filepath.Join(home, "demo", "demo.json"), &note), read(filepath.Join(home, "demo", "server.json"), &server)); err != nil {
		return err
	}
	passwords := map[string]string{}
	for _, p := range note.People {
		passwords[p.Name] = p.Password
	}
	return browse(ctx, server.URL, passwords, folder)
}

func read(path string, into any) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	return json.Unmarshal(b, into)
}

// browse starts a browser in which each person of the demo has a tab with cookies of its own.
func browse(ctx context.Context, url string, passwords map[string]string, folder string) error {
	profile, err := os.MkdirTemp("", "rimeyard-screens-profile-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(profile)
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.UserDataDir(profile), chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox) // Chromium's sandbox refuses to work for root
	}
	ctx, cancel := chromedp.NewExecAllocator(ctx, options...)
	defer cancel()
	ctx, cancel = chromedp.NewContext(ctx)
	defer cancel()
	if err := chromedp.Do(ctx); err != nil { // starts it
		return err
	}
	tabs := map[string]context.Context{}
	for _, s := range screens {
		if tabs[s.as] == nil {
			tab, cancel := chromedp.NewContext(ctx, chromedp.WithNewBrowserContext())
			defer cancel() //nolint:revive // few, and all of them are needed to the end
			if err := signIn(tab, url, s.as, passwords[s.as]); err != nil {
				return err
			}
			tabs[s.as] = tab
		}
		if err := s.take(tabs[s.as], url, filepath.Join(folder, s.name+".png")); err != nil {
			return fmt.Errorf("take the picture %s of %s: %w", s.name, s.path, err)
		}
	}
	return nil
}

func signIn(tab context.Context, url, name, password string) error {
	if password == "" {
		return fmt.Errorf("the demo has no %q to sign in as", name)
	}
	err := chromedp.Do(tab, chromedp.Navigate(url+"/sign-in"), chromedp.SendKeys("#name", name), chromedp.SendKeys("#password", password))
	if err == nil {
		_, err = chromedp.RunResponse(tab, chromedp.Submit("form.door"))
	}
	if err != nil {
		return fmt.Errorf("sign in as %s: %w", name, err)
	}
	return nil
}
