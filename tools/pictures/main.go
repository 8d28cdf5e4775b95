// Command pictures takes the pictures of the README from the running demo: it makes the demo in a folder of its own,
// signs in as its manager in a real browser, and takes what people see.
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

// demoDay keeps the pictures from changing for no other reason than the date.
const demoDay = "2026-11-25"

func main() {
	if len(os.Args) != 3 {
		fmt.Fprintln(os.Stderr, "use: pictures PROGRAM FOLDER")
		os.Exit(2)
	}
	if err := take(os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintln(os.Stderr, "pictures:", err)
		os.Exit(1)
	}
}

func take(program, folder string) (err error) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Minute)
	defer cancel()
	home, err := os.MkdirTemp("", "rimeyard-pictures-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(home)) }()
	if err := os.Chmod(home, 0o711); err != nil { // the database's account must get through
		return err
	}
	demo := func(args ...string) error {
		cmd := exec.CommandContext(ctx, program, append([]string{"demo"}, args...)...)
		cmd.Env = append(os.Environ(), "RIMEYARD_HOME="+home)
		cmd.Stderr = os.Stderr
		return cmd.Run()
	}
	if err := demo("--today", demoDay, "--listen", "127.0.0.1:0"); err != nil {
		return fmt.Errorf("make the demo: %w", err)
	}
	defer func() { err = errors.Join(err, demo("--stop")) }()
	var note struct {
		People []struct{ Name, Password string }
	}
	var server struct{ URL string }
	if err := errors.Join(read(filepath.Join(home, "demo", "demo.json"), &note), read(filepath.Join(home, "demo", "server.json"), &server)); err != nil {
		return err
	}
	for _, p := range note.People {
		if p.Name == "manager" {
			return browse(ctx, server.URL, p.Name, p.Password, folder)
		}
	}
	return errors.New("the demo has no manager to sign in as")
}

func read(path string, into any) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	return json.Unmarshal(b, into)
}

func browse(ctx context.Context, url, name, password, folder string) error {
	profile, err := os.MkdirTemp("", "rimeyard-pictures-profile-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(profile)
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.UserDataDir(profile), chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true), chromedp.WindowSize(1280, 860))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox) // Chromium's sandbox refuses to work for root
	}
	ctx, cancel := chromedp.NewExecAllocator(ctx, options...)
	defer cancel()
	ctx, cancel = chromedp.NewContext(ctx)
	defer cancel()
	if err := chromedp.Do(ctx, chromedp.Navigate(url+"/sign-in"), chromedp.SendKeys("#name", name), chromedp.SendKeys("#password", password)); err != nil {
		return fmt.Errorf("sign in: %w", err)
	}
	if _, err := chromedp.RunResponse(ctx, chromedp.Submit("form.door")); err != nil {
		return fmt.Errorf("sign in: %w", err)
	}
	for _, p := range []struct{ name, path, element string }{
		{"cold-ladder", "/winter-list?depot=NOR", "section.ladder"},
		{"winter-list", "/winter-list#list-title", ""},
		{"unit", "/units/N-003", ""},
	} {
		if err := chromedp.Do(ctx, chromedp.Navigate(url+p.path)); err != nil {
			return fmt.Errorf("open %s: %w", p.path, err)
		}
		shot := chromedp.CaptureScreenshot()
		if p.element != "" {
			shot = chromedp.Screenshot(p.element)
		}
		png, err := chromedp.Run(ctx, shot)
		if err != nil {
			return fmt.Errorf("take the picture of %s: %w", p.path, err)
		}
		if err := os.WriteFile(filepath.Join(folder, p.name+".png"), png, 0o644); err != nil {
			return err
		}
	}
	return nil
}
