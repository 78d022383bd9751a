package main

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"image/png"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/history"
	"frostline/daemon/web"
	"frostline/sensors"
)

// TestScreenshots takes the pictures of the README from the demo's van, for whoever changes
// the page: FROSTLINE_SCREENSHOTS=../../testdata/screenshots go test -run Screenshots ./cmd/frostline
func TestScreenshots(t *testing.T) {
	dir := os.Getenv("FROSTLINE_SCREENSHOTS")
	if dir == "" {
		t.Skip("FROSTLINE_SCREENSHOTS names no folder for the pictures")
	}
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal(err)
	}
	flags := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.DisableGPU, chromedp.Flag("no-sandbox", os.Geteuid() == 0))
	ctx, end := chromedp.NewExecAllocator(t.Context(), flags...)
	defer end()
	tab, end := chromedp.NewContext(ctx)
	defer end()
	shoot := func(file, url, theme string) {
		t.Helper()
		_, err := chromedp.Call(tab, network.SetCookie, network.SetCookieParams{Name: "look", Value: theme + ".kg.c", URL: url})
		_, err2 := chromedp.Call(tab, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: 390, Height: 844, DeviceScaleFactor: 1.5, Mobile: true})
		if err := errors.Join(err, err2, chromedp.Do(tab, chromedp.Navigate("about:blank"), chromedp.Navigate(url))); err != nil {
			t.Fatal(err)
		}
		shot, err := chromedp.Run(tab, chromedp.CaptureScreenshot())
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, file), smaller(t, shot), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	raised := func(id string) func(*core.Snapshot) bool {
		return func(s *core.Snapshot) bool {
			return slices.ContainsFunc(s.Alarms, func(a alerts.Status) bool { return a.ID == id && a.State == alerts.Unacked })
		}
	}
	shoot("no-heat.png", stopped(t, "empty-at-three", raised("starved"))+"/", "night")
	shoot("gas.png", stopped(t, "leak", raised("gas-leave"))+"/", "light")
	evening := time.Date(2026, 1, 12, 20, 10, 0, 0, time.UTC)
	quiet := stopped(t, "fortnight", func(s *core.Snapshot) bool { return !s.Stamp.Wall.Before(evening) })
	shoot("tonight-light.png", quiet+"/", "light")
	shoot("tonight-night.png", quiet+"/#left", "night")
	shoot("a-night.png", quiet+"/night/2026-01-09", "light")
	shoot("now-dark.png", quiet+"/#now", "dark")
}

// camera ends a demo at the moment that is to be seen.
type camera struct {
	is   func(*core.Snapshot) bool
	end  func()
	kept func(tick uint64) error // once the store has what the tick brought
	seen *core.Snapshot
}

func (c *camera) Deliver(s *core.Snapshot) {
	if s.Tick%600 == 0 { // no van lives faster than its card writes: what does not fit the queue would be missing
		if err := c.kept(s.Tick); err != nil {
			c.end()
		}
	}
	if c.seen == nil && c.is(s) {
		c.seen = s
		c.end()
	}
}

func (c *camera) Health(func(sensors.Channel, sensors.Reading)) {}

// stopped lets the demo's van live until the moment is there, and serves its page as it was then.
func stopped(t *testing.T, scenario string, is func(*core.Snapshot) bool) (url string) {
	t.Helper()
	d := demo{fast: true, speed: 1}
	if err := d.load(scenario, 0); err != nil {
		t.Fatal(err)
	}
	d.cfg.StateDir = t.TempDir()
	o := &outfit{cfg: d.cfg, log: slog.New(slog.DiscardHandler), source: d.van, boot: d.van.Boot, notify: func(string) {}}
	ctx, end := context.WithCancel(t.Context())
	defer end()
	c := &camera{is: is, end: end, kept: func(tick uint64) error { return o.store.Committed(ctx, tick) }}
	o.extra = append(o.extra, d.operator(o), c)
	if err := o.serve(ctx); err != nil && !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	if c.seen == nil {
		t.Fatalf("%s: the moment never came", scenario)
	}
	store, err := history.Open(filepath.Join(d.cfg.StateDir, historyFile), history.Options{Wiring: d.cfg.Core.Wiring})
	if err != nil {
		t.Fatal(err)
	}
	page := web.New(web.Options{Open: true, Past: store, Writable: true, Command: func(context.Context, core.Command) error { return nil }, VanName: d.cfg.VanName,
		Zone: d.cfg.Core.Nights.Zone, Nights: d.cfg.Core.Nights, Sounder: true, Log: slog.New(slog.DiscardHandler)})
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/api/stream" { // what is looked at is new, however slow the machine
			page.Deliver(c.seen)
		}
		page.ServeHTTP(w, r)
	}))
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close(); store.Close() })
	return srv.URL
}

// smaller keeps the 64 commonest colours of a picture: a page has three inks, and the rest is
// the softness of its letters.
func smaller(t *testing.T, shot []byte) []byte {
	t.Helper()
	from, err := png.Decode(bytes.NewReader(shot))
	if err != nil {
		t.Fatal(err)
	}
	count := map[color.Color]int{}
	area := from.Bounds()
	for y := area.Min.Y; y < area.Max.Y; y++ {
		for x := area.Min.X; x < area.Max.X; x++ {
			count[color.RGBAModel.Convert(from.At(x, y))]++
		}
	}
	palette := color.Palette{}
	for c := range count {
		palette = append(palette, c)
	}
	slices.SortFunc(palette, func(a, b color.Color) int {
		if count[a] != count[b] {
			return count[b] - count[a]
		}
		p, q := a.(color.RGBA), b.(color.RGBA)
		return (int(p.R)<<16 | int(p.G)<<8 | int(p.B)) - (int(q.R)<<16 | int(q.G)<<8 | int(q.B))
	})
	palette = palette[:min(64, len(palette))]
	to, index := image.NewPaletted(area, palette), map[color.Color]uint8{}
	for y := area.Min.Y; y < area.Max.Y; y++ {
		for x := area.Min.X; x < area.Max.X; x++ {
			c := color.RGBAModel.Convert(from.At(x, y))
			i, known := index[c]
			if !known {
				i = uint8(palette.Index(c))
				index[c] = i
			}
			to.SetColorIndex(x, y, i)
		}
	}
	var out bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, to); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}
