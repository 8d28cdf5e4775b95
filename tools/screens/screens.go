package main

import (
	"bytes"
	"context"
	"image/png"
	"os"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// screen is one picture: what a person of the demo sees at an address.
type screen struct {
	name    string // of the file
	as      string // who looks
	path    string
	element string // alone; empty: the window
	press   string // before the picture is taken; empty: nothing
	phone   bool
	dark    bool
}

// screens are the pictures of README and docs. A new page is one line more.
var screens = []screen{
	{name: "winter-list", as: "manager", path: "/winter-list#list-title"},
	{name: "cold-ladder", as: "manager", path: "/winter-list?depot=NOR", element: "section.ladder"},
	{name: "unit", as: "manager", path: "/units/N-003"},
	{name: "unit-closer", as: "manager", path: "/units/P-003", element: `figure:has([src$="crank-volts.svg"])`, press: `picture:has([src$="crank-volts.svg"]) + button`},
	{name: "unit-phone", as: "mechanic", path: "/units/N-003", phone: true, dark: true},
	{name: "tonight-phone", as: "mechanic", path: "/tonight", phone: true},
	{name: "plan", as: "manager", path: "/plan?depot=NOR"},
	{name: "bench-phone", as: "mechanic", path: "/bench", phone: true},
	{name: "budget", as: "accountant", path: "/ledger/budget"},
}

// take opens the page and writes what is seen.
func (s screen) take(tab context.Context, url, file string) error {
	width, height, scheme := int64(1280), int64(860), "light"
	if s.phone {
		width, height = 360, 740
	}
	if s.dark {
		scheme = "dark"
	}
	steps := []chromedp.Action[chromedp.Void]{
		protocol(emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1, Mobile: s.phone}),
		protocol(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
			{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"},
		}}),
		chromedp.Navigate(url + s.path),
	}
	if s.press != "" {
		steps = append(steps, chromedp.Click(s.press))
	}
	if err := chromedp.Do(tab, steps...); err != nil {
		return err
	}
	shot := chromedp.CaptureScreenshot()
	if s.element != "" {
		shot = chromedp.Screenshot(s.element)
	}
	taken, err := chromedp.Run(tab, shot)
	if err != nil {
		return err
	}
	img, err := png.Decode(bytes.NewReader(taken))
	if err != nil {
		return err
	}
	var small bytes.Buffer // the browser writes in haste
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&small, img); err != nil {
		return err
	}
	return os.WriteFile(file, small.Bytes(), 0o644)
}

// protocol is a command of the browser's own protocol as a step.
func protocol[P, R any](command cdp.Command[P, R], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, command, params)
		return err
	})
}
