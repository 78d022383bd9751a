package web

import (
	"context"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// skipOrFail leaves a test out where the machine lacks something, unless that is forbidden.
func skipOrFail(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("FROSTLINE_NO_SKIP") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

// chromium is the browser of all tests, started by the first that needs it.
var chromium struct {
	once sync.Once
	ctx  context.Context
	end  func()
	err  error
}

// TestMain ends the browser after the tests.
func TestMain(m *testing.M) {
	code := m.Run()
	if chromium.end != nil {
		chromium.end()
	}
	os.Exit(code)
}

func startChromium() {
	path, err := exec.LookPath("chromium")
	if err != nil {
		return
	}
	flags := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.DisableGPU,
		chromedp.Flag("no-sandbox", os.Geteuid() == 0)) // it has none for root
	alloc, kill := chromedp.NewExecAllocator(context.Background(), flags...)
	ctx, end := chromedp.NewContext(alloc)
	chromium.ctx, chromium.end = ctx, func() { end(); kill() }
	chromium.err = chromedp.Do(ctx)
}

// browser is Debian's chromium as a test finds it that runs alone: no cookie, cache or page of
// another test is in it.
func browser(t *testing.T) context.Context {
	t.Helper()
	chromium.once.Do(startChromium)
	if chromium.ctx == nil {
		skipOrFail(t, "no chromium to look at the page with; .ci/test installs it")
	}
	if chromium.err != nil {
		t.Fatalf("chromium does not start: %v", chromium.err)
	}
	ctx, end := chromedp.NewContext(chromium.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(end)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("chromium opens no window: %v", err)
	}
	return ctx
}

// tab is one page in the browser.
type tab struct {
	t   *testing.T
	ctx context.Context
}

// newTab opens a tab that gives up after ten minutes.
func newTab(t *testing.T, browser context.Context) *tab {
	t.Helper()
	ctx, end := chromedp.NewContext(browser)
	t.Cleanup(end)
	ctx, end2 := context.WithTimeout(ctx, 10*time.Minute)
	t.Cleanup(end2)
	b := &tab{t, ctx}
	b.do()
	return b
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

// get runs an action for its answer.
func get[T any](b *tab, a chromedp.Action[T]) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, a)
	if err != nil {
		b.t.Fatal(err)
	}
	return v
}

// call gives the browser an order.
func call[P, R any](b *tab, c cdp.Command[P, R], p P) R {
	b.t.Helper()
	r, err := chromedp.Call(b.ctx, c, p)
	if err != nil {
		b.t.Fatalf("%s: %v", c.Method, err)
	}
	return r
}

// phone makes the tab as wide as a phone, in CSS pixels.
func (b *tab) phone(width int64) {
	b.t.Helper()
	call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 844, DeviceScaleFactor: 1, Mobile: true})
}

// look makes the phone's choice for one address.
func (b *tab) look(url string, l look) {
	b.t.Helper()
	call(b, network.SetCookie, network.SetCookieParams{Name: lookCookie, Value: l.checked().cookie(), URL: url})
}

// colours makes the browser show what somebody without red cones sees, or everything again.
func (b *tab) colours(kind emulation.SetEmulatedVisionDeficiencyType) {
	b.t.Helper()
	call(b, emulation.SetEmulatedVisionDeficiency, emulation.SetEmulatedVisionDeficiencyParams{Type: kind})
}
