package web

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
)

// peer is a file of a package from npm that .ci/test fetches.
func peer(t *testing.T, path ...string) string {
	t.Helper()
	file := filepath.Join(append([]string{os.Getenv("FROSTLINE_NODE_MODULES")}, path...)...)
	if _, err := os.Stat(file); os.Getenv("FROSTLINE_NODE_MODULES") == "" || err != nil {
		skipOrFail(t, "FROSTLINE_NODE_MODULES does not name a folder with "+path[0]+" in it; .ci/test fetches it")
	}
	return file
}

// eval runs an expression in the page for its value.
func eval[T any](b *tab, js string) T {
	b.t.Helper()
	return get(b, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
}

// until waits for an expression to become true on a page that has been loaded, through
// whatever pages come meanwhile. One that was still loading would be taken for the next.
func (b *tab) until(what, js string) {
	b.t.Helper()
	await(b.t, what, func() bool {
		is, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](`(() => { try { return document.readyState === "complete" && !!(`+js+`) } catch (e) { return false } })()`))
		return err == nil && is
	})
}

// press clicks on what a selector finds. A page that follows by itself may replace it after
// it was found; then nothing was clicked, and it is looked for again.
func (b *tab) press(selector string) {
	b.t.Helper()
	await(b.t, "something to press at "+selector, func() bool {
		err := chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(selector)))
		if err != nil && !strings.Contains(err.Error(), "No node with given id") {
			b.t.Fatal(err)
		}
		return err == nil
	})
}

// text is what a reader of the page sees.
func (b *tab) text() string {
	b.t.Helper()
	return eval[string](b, `document.body.innerText`)
}

// await asks until it is so. How long that takes nobody promised.
func await(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !is(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("never came: %s", what)
		}
	}
}

// views are the pages that are looked at: each state's own, two nights, and those on which
// something is done.
func views(all []sight) (out []struct{ name, path string }) {
	for _, s := range all {
		out = append(out, struct{ name, path string }{s.name, "/"})
	}
	out = append(out, struct{ name, path string }{"winter", "/night/2026-11-24"}, struct{ name, path string }{"critical", "/night/2026-11-25"})
	for _, path := range []string{"/change", "/check", "/calibrate", "/phones", "/data"} {
		out = append(out, struct{ name, path string }{"normal", path})
	}
	return append(out, struct{ name, path string }{"paired", "/pair"})
}

// TestNoStateOfThePageShutsAnyoneOut holds every state, in every theme, to the rules of
// WCAG 2.2 AA that a program can judge, and to what it cannot: targets for a thumb in a
// glove, no scrolling sideways on the narrowest phone or with letters of twice the size,
// and room for the text spacing of criterion 1.4.12.
func TestNoStateOfThePageShutsAnyoneOut(t *testing.T) {
	axe, err := os.ReadFile(peer(t, "axe-core", "axe.min.js"))
	if err != nil {
		t.Fatal(err)
	}
	all := sights(t)
	base := host(t, all)
	b := newTab(t, browser(t))
	checked := 0
	for _, v := range views(all) {
		name := v.name + v.path
		b.phone(320)
		b.do(chromedp.Navigate(base(v.name) + v.path))
		reflow := func(how string) {
			for _, wide := range eval[[]string](b, tooWide) {
				t.Errorf("%s scrolls sideways %s: %s", name, how, wide)
			}
		}
		reflow("at 320 px")
		eval[bool](b, spaced)
		reflow("with wide text spacing")
		b.phone(390)
		eval[bool](b, doubled)
		reflow("with letters of twice the size")
		eval[bool](b, `document.adoptedStyleSheets = [], true`)
		eval[bool](b, `document.querySelectorAll("details").forEach((d) => { d.open = true }), true`)
		for _, small := range eval[[]string](b, smallTargets) {
			t.Errorf("%s: a target of less than 48 px: %s", name, small)
		}
		eval[bool](b, string(axe)+";true")
		for _, theme := range themes()[1:] {
			eval[bool](b, fmt.Sprintf(`document.documentElement.dataset.theme = %q, true`, theme))
			var found struct {
				Bad    []string
				Passed int
			}
			if err := json.Unmarshal([]byte(eval[string](b, runAxe)), &found); err != nil {
				t.Fatal(err)
			}
			for _, bad := range found.Bad {
				t.Errorf("%s, %s: %s", name, theme, bad)
			}
			if found.Passed < 15 {
				t.Errorf("%s, %s: only %d rules applied; the check does not check", name, theme, found.Passed)
			}
			checked++
		}
	}
	if want := len(views(all)) * 3; checked != want {
		t.Errorf("%d of %d pages looked at", checked, want)
	}
	// The check itself must notice.
	eval[bool](b, `document.querySelector("main").insertAdjacentHTML("beforeend", "<button></button><details><summary></summary></details><a href=/ id=small>x</a><p id=faint>faint</p>"), document.getElementById("faint").style.color = "#333", true`)
	if found := eval[string](b, runAxe); !strings.Contains(found, "button-name") || !strings.Contains(found, "color-contrast") {
		t.Errorf("a button without a name and faint letters are not noticed: %s", found)
	}
	if len(eval[[]string](b, smallTargets)) == 0 {
		t.Error("a small target is not noticed")
	}
}

const (
	doubled = `document.adoptedStyleSheets = [(() => { const s = new CSSStyleSheet(); s.replaceSync("html { font-size: 200% }"); return s })()], true`
	spaced  = `document.adoptedStyleSheets = [(() => { const s = new CSSStyleSheet();
		s.replaceSync("* { line-height: 1.5 !important; letter-spacing: .12em !important; word-spacing: .16em !important } p { margin-bottom: 2em !important }"); return s })()], true`

	// What is wider than the phone, but for what scrolls by itself.
	tooWide = `document.documentElement.scrollWidth <= screen.width ? [] : [document.documentElement.scrollWidth + " px"].concat(
		[...document.querySelectorAll("main *, footer *")].filter((e) => e.getBoundingClientRect().right > screen.width + 1 && !e.closest("#strip, .picture, .wide")).slice(0, 3).map((e) => e.outerHTML.slice(0, 120)))`

	runAxe = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"], resultTypes: ["violations"]}).then((r) => JSON.stringify({
		Bad: r.violations.map((v) => v.id + ": " + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160) + " " + (n.any[0] || n.all[0] || n.none[0] || {message: ""}).message).join(" | ")), Passed: r.passes.length}))`

	// Links within a sentence may be as high as its lines; nothing else is smaller than a thumb.
	smallTargets = `[...document.querySelectorAll("a, button, input:not([type=hidden]), select, summary, textarea")].filter((e) => {
		const r = (e.matches("[type=radio], [type=checkbox]") && e.closest("label") || e).getBoundingClientRect(); // its label is pressed too
		return r.width > 0 && !e.closest(".vh") && (r.width < 48 || r.height < 48) && !(r.height >= 24 && e.matches("p:not(.parts) > a"));
	}).map((e) => { const r = e.getBoundingClientRect(); return e.outerHTML.slice(0, 120) + " " + r.width.toFixed(1) + " by " + r.height.toFixed(1) })`
)

// TestTheFirstViewInABrowser counts what a phone really fetches.
func TestTheFirstViewInABrowser(t *testing.T) {
	all := sights(t)
	base := host(t, all)
	b := newTab(t, browser(t))
	b.phone(390)
	for _, v := range []struct {
		name, path string
		most       int
	}{{"winter", "/", 5}, {"critical", "/", 5}, {"winter", "/night/2026-11-24", 6}} { // a night brings its crosshair
		var mu sync.Mutex // the browser tells of what comes in while this looks
		var urls []string
		bytes := 0.0
		ctx, stop := context.WithCancel(b.ctx)
		err := chromedp.Listen(ctx, func(ev any) {
			mu.Lock()
			defer mu.Unlock()
			switch e := ev.(type) {
			case *network.EventRequestWillBeSent:
				urls = append(urls, e.Request.URL)
			case *network.EventLoadingFinished:
				bytes += e.EncodedDataLength
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		call(b, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
		b.do(chromedp.Navigate(base(v.name) + v.path))
		await(t, "the stream", func() bool {
			return slices.ContainsFunc(all, func(s sight) bool { return s.name == v.name && len(s.page.streams) == 1 })
		})
		b.do(chromedp.Navigate("about:blank")) // ends the stream
		stop()
		mu.Lock()
		own := 0
		for _, url := range urls {
			switch {
			case strings.HasPrefix(url, base(v.name)+"/"):
				own++
			case url != "about:blank" && !strings.HasPrefix(url, "data:"): // the browser's own pictures of its controls
				t.Errorf("%s%s asks somebody else: %s", v.name, v.path, url)
			}
		}
		if own == 0 || own > v.most || bytes == 0 || bytes > 60<<10 {
			t.Errorf("%s%s takes %d requests and %.0f bytes, want at most %d and 60 kB: %v", v.name, v.path, own, bytes, v.most, urls)
		}
		t.Logf("%s%s: %d requests, %.0f bytes", v.name, v.path, own, bytes)
		mu.Unlock()
	}
}

// followed is one van in a browser, whose link can be cut.
type followed struct {
	*tab
	page *Server
	url  string
	cut  atomic.Bool
	srv  *httptest.Server
	told chan core.Command
}

func follow1(t *testing.T, snap *core.Snapshot, change ...func(*Options)) *followed {
	t.Helper()
	v := &followed{told: make(chan core.Command, 9)}
	v.page = pageFor(snap, append([]func(*Options){func(o *Options) {
		o.Past = winter{n: 20}
		o.Command = func(_ context.Context, c core.Command) error { v.told <- c; return nil }
	}}, change...)...)
	v.srv = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if v.cut.Load() {
			panic(http.ErrAbortHandler)
		}
		v.page.ServeHTTP(w, r)
	}))
	t.Cleanup(func() { v.srv.CloseClientConnections(); v.srv.Close() })
	v.url = v.srv.URL
	v.tab = newTab(t, browser(t))
	v.phone(390)
	v.do(chromedp.Navigate(v.url + "/"))
	return v
}

func TestAnAlarmComesToAnOpenPageIsSpokenOnceAndAcknowledged(t *testing.T) {
	v := follow1(t, quietEvening())
	v.until("a quiet page", `document.querySelector("h1").textContent.startsWith("Likely enough") && document.getElementById("told").textContent === ""`)
	eval[bool](v.tab, `window.said = [], new MutationObserver(() => said.push(document.getElementById("told").textContent)).observe(document.getElementById("told"), {childList: true, characterData: true, subtree: true}), true`)
	v.page.Deliver(with(quietEvening(), starved(alerts.Unacked)))
	v.until("the alarm in the first place", `document.querySelector("h1").textContent === "Heat called for, no gas burning"`)
	v.page.Deliver(with(quietEvening(), starved(alerts.Unacked), traceGas(alerts.Unacked))) // the page is drawn anew, the alarm is not
	v.until("the other alarm", `document.getElementById("others") !== null`)
	if said := eval[[]string](v.tab, `said`); len(said) != 1 || !strings.Contains(said[0], "Heat called for, no gas burning. Look at the cylinder valve first.") || !strings.HasPrefix(said[0], "high alarm") {
		t.Errorf("spoken: %q, want the cause and the first step once", said)
	}
	v.press(".place button[value=ack]")
	v.until("the answer", `document.querySelector(".said") !== null`)
	select {
	case c := <-v.told:
		if c.Ack != "starved" {
			t.Errorf("the van was told %+v, want an acknowledgement", c)
		}
	default:
		t.Error("the van was told nothing")
	}
	if at := eval[string](v.tab, `location.search`); at != "" {
		t.Errorf("loaded again, the page would say %s again", at)
	}
	v.page.Deliver(with(quietEvening(), starved(alerts.Unacked), tonightShort(alerts.Acked)))
	v.until("another alarm that takes no place", `document.querySelector("main").textContent.includes("fuel is doubtful")`)
	if !eval[bool](v.tab, `document.querySelector(".said") !== null`) {
		t.Error("the answer goes before anything came that it could be taken for")
	}
	v.page.Deliver(with(quietEvening(), starved(alerts.Unacked), blindGas(alerts.Unacked)))
	v.until("the alarm after it", `document.querySelectorAll(".place .alarm").length === 2`)
	if eval[bool](v.tab, `document.querySelector(".said") !== null`) {
		t.Error("beside an alarm that came later stands that it was acknowledged")
	}
}

func TestAPageBesideTheFirstGivesWayToWhatSendsPeopleOut(t *testing.T) {
	v := follow1(t, quietEvening())
	for _, path := range []string{"/change", "/data", "/phones"} {
		v.page.Deliver(quietEvening())
		v.do(chromedp.Navigate(v.url + path))
		v.until(path, fmt.Sprintf(`location.pathname === %q && document.querySelector(".place") === null`, path))
		v.page.Deliver(band(with(quietEvening(), leaveGas(alerts.Unacked)), estimate.Leave, "at or above 10 % of the lower limit"))
		v.until("the alarm, from "+path, `location.pathname === "/" && document.querySelector("h1").textContent === "Gas at floor level"`)
	}
}

func TestTheOpenPageFollowsAndSaysWhenItCannot(t *testing.T) {
	v := follow1(t, quietEvening())
	fuel := func(kg float64) *core.Snapshot {
		s := later(quietEvening(), time.Minute)
		s.Est.FuelKg = estimate.Quantity{Value: kg, Low: kg - 0.3, High: kg + 0.3, Quality: s.Est.FuelKg.Quality, At: s.Est.FuelKg.At}
		return s
	}
	v.page.Deliver(fuel(4.4))
	v.until("the new number", `document.querySelector("[data-live=fuel_kg]").textContent === "4.4"`)
	v.cut.Store(true)
	v.srv.CloseClientConnections()
	v.until("the banner", `!document.getElementById("stale").hidden && document.getElementById("stale").textContent.includes("lost the van")`)
	if !eval[bool](v.tab, `document.body.hasAttribute("data-stale") && document.querySelector("[data-live=fuel_kg]").textContent === "4.4"`) {
		t.Error("what is old must be greyed and stay readable")
	}
	v.cut.Store(false)
	v.page.Deliver(fuel(4.3))
	v.until("the way back", `document.getElementById("stale").hidden && document.querySelector("[data-live=fuel_kg]").textContent === "4.3"`)
}

func TestAPhoneThatSleepsClosesItsStream(t *testing.T) {
	v := follow1(t, quietEvening())
	open := func(want int) func() bool { return func() bool { return len(v.page.streams) == want } }
	await(t, "the stream of the open page", open(1))
	eval[bool](v.tab, `Object.defineProperty(document, "hidden", {configurable: true, get: () => true}), document.dispatchEvent(new Event("visibilitychange")), true`)
	v.page.Deliver(quietEvening())
	await(t, "no stream of a page that nobody sees", open(0))
	eval[bool](v.tab, `delete document.hidden, document.dispatchEvent(new Event("visibilitychange")), true`)
	await(t, "the stream of the page that is seen again", open(1))
}

func TestANightOpensFromTheStripAndIsLookedAtWithFingers(t *testing.T) {
	v := follow1(t, quietEvening())
	if !eval[bool](v.tab, `(() => { const s = document.getElementById("strip").getBoundingClientRect(), n = document.querySelector(".tonight-here").getBoundingClientRect(); return n.left > s.left && n.left < s.right })()`) {
		t.Error("the strip does not begin at tonight")
	}
	eval[bool](v.tab, `document.getElementById("strip").querySelector('a[href="/night/2026-11-24"]').scrollIntoView({block: "center"}), true`)
	at := eval[[]float64](v.tab, `(() => { const r = document.querySelector('a[href="/night/2026-11-24"] .nights-target').getBoundingClientRect(); return [r.left + 24, r.top + 60] })()`)
	v.do(chromedp.MouseClickXY(at[0], at[1]))
	v.until("the night", `location.pathname === "/night/2026-11-24" && document.querySelector("h1").textContent === "Night of Tue 24 Nov 2026" && document.getElementById("at") !== null`)
	said := `document.querySelector(".readout").textContent`
	before := eval[string](v.tab, said)
	eval[bool](v.tab, `document.getElementById("at").focus(), true`)
	v.do(chromedp.KeyEvent(kb.ArrowLeft))
	v.do(chromedp.KeyEvent(kb.ArrowLeft))
	if after := eval[string](v.tab, said); after == before || !strings.Contains(after, "kg/h") || !strings.Contains(after, "°C") {
		t.Errorf("under the crosshair stands %q, before the keys %q", after, before)
	}
	if text := eval[string](v.tab, `document.getElementById("at").getAttribute("aria-valuetext")`); !strings.Contains(text, "burn ") {
		t.Errorf("the crosshair is read as %q", text)
	}
	// Two fingers, from 60 apart to 240: four times as large.
	eval[bool](v.tab, `document.querySelector(".picture").scrollIntoView({block: "center"}), true`)
	mid := eval[[]float64](v.tab, `(() => { const r = document.querySelector(".picture svg").getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2] })()`)
	fingers := func(kind input.DispatchTouchEventType, xs ...float64) {
		points := []*input.TouchPoint{}
		for i, x := range xs {
			id := float64(i)
			points = append(points, &input.TouchPoint{X: x, Y: mid[1], ID: &id})
		}
		call(v.tab, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
	}
	fingers(input.DispatchTouchEventTypeTouchStart, mid[0]-30, mid[0]+30)
	for d := 40.0; d <= 120; d += 20 {
		fingers(input.DispatchTouchEventTypeTouchMove, mid[0]-d, mid[0]+d)
	}
	fingers(input.DispatchTouchEventTypeTouchEnd)
	v.until("the part under the fingers", `location.search.startsWith("?from=") && Number(document.getElementById("chart").dataset.to) - Number(document.getElementById("chart").dataset.from) < 400`)
	part := func() []float64 {
		return eval[[]float64](v.tab, `[Number(document.getElementById("chart").dataset.from), Number(document.getElementById("chart").dataset.to)]`)
	}
	near := part()
	if long := near[1] - near[0]; math.Abs(long-210) > 30 {
		t.Errorf("fourteen hours four times as large are %g min, want about 210", long)
	}
	fingers(input.DispatchTouchEventTypeTouchStart, mid[0])
	for d := 10.0; d <= 80; d += 10 {
		fingers(input.DispatchTouchEventTypeTouchMove, mid[0]+d)
	}
	fingers(input.DispatchTouchEventTypeTouchEnd)
	v.until("the part before it", fmt.Sprintf(`Number(document.getElementById("chart").dataset.from) < %g`, near[0]))
	if moved := part(); math.Abs((moved[1]-moved[0])-(near[1]-near[0])) > 1 {
		t.Errorf("dragging changed the length from %v to %v", near, moved)
	}
	v.press("#parts a")
	v.until("the whole night", `location.search === "" && document.getElementById("chart").dataset.from === "0"`)
	v.press("a[rel=prev]")
	v.until("the night before", `location.pathname === "/night/2026-11-23"`)
}

func TestWithoutScriptsEverythingIsShownAndFormsArePosted(t *testing.T) {
	v := follow1(t, with(quietEvening(), starved(alerts.Unacked)))
	call(v.tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	v.do(chromedp.Navigate(v.url + "/"))
	v.until("the page", `document.querySelector("h1") !== null`)
	text := v.text()
	for _, want := range []string{"Heat called for, no gas burning", "Likely enough. About 3 more nights.", "Fuel", "4.9–5.5", "Floor gas", "Without scripts this page does not follow by itself"} {
		if !strings.Contains(text, want) {
			t.Errorf("without scripts the page does not show %q", want)
		}
	}
	v.press(".place button[value=ack]")
	v.until("the answer", `document.querySelector(".said") !== null`)
	select {
	case c := <-v.told:
		if c.Ack != "starved" {
			t.Errorf("the van was told %+v", c)
		}
	default:
		t.Error("the form was not posted")
	}
	v.do(chromedp.Navigate(v.url + "/night/2026-11-24?from=0&to=280"))
	v.until("the night", `location.pathname.startsWith("/night/")`)
	if text := v.text(); !strings.Contains(text, "18:00–22:40") || !strings.Contains(text, "Burned") {
		t.Error("without scripts a part of a night has no links or no numbers")
	}
}
