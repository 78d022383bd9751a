package web

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"frostline/daemon/core"
)

// pageFor is a writable page of a van, with history and metrics.
func pageFor(snap *core.Snapshot, change ...func(*Options)) *Server {
	o := Options{Open: true, Metrics: true, Writable: true, Past: diary{}, Version: "0.1.0", Revision: "abc123", VanName: "Rime",
		Command: func(context.Context, core.Command) error { return nil }}
	for _, f := range change {
		f(&o)
	}
	s := New(o)
	if snap != nil {
		s.Deliver(snap)
	}
	return s
}

// ask sends one request as a phone on the van's own board would.
func ask(s http.Handler, method, path, body string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host = "localhost:8460"
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w
}

func TestEveryRouteAnswersItsMethodsAndNoOthers(t *testing.T) {
	s := pageFor(quietEvening())
	series := "/api/series?name=fuel_kg&from=2026-11-25T14:00:00Z&to=2026-11-25T20:00:00Z&points=6"
	const get, post = "GET, HEAD", "POST"
	routes := []struct {
		path, allow string
		status      int // of the first allowed method, with an empty body
		kind        string
	}{
		{"/", get, 200, "text/html; charset=utf-8"},
		{"/night/2026-11-24", get, 200, "text/html; charset=utf-8"},
		{"/api/snapshot", get, 200, "application/json; charset=utf-8"},
		{"/api/alarms", get, 200, "application/json; charset=utf-8"},
		{"/api/events?before=50&limit=5", get, 200, "application/json; charset=utf-8"},
		{"/api/nights", get, 200, "application/json; charset=utf-8"},
		{series, get, 200, "application/json; charset=utf-8"},
		{"/metrics", get, 200, "text/plain; version=0.0.4; charset=utf-8; escaping=underscores"},
		{s.assets.css.path, get, 200, "text/css; charset=utf-8"},
		{s.assets.js.path, get, 200, "text/javascript; charset=utf-8"},
		{s.assets.icon.path, get, 200, "image/svg+xml"},
		{s.assets.pair.path, get, 200, "text/javascript; charset=utf-8"},
		{"/pair", get + ", " + post, 303, ""}, // on the board alone there is no door
		{"/phones", get + ", " + post, 200, "text/html; charset=utf-8"},
		{"/api/phones", get, 200, "application/json; charset=utf-8"},
		{"/api/pair", post, 415, "application/json; charset=utf-8"},
		{"/api/revoke", post, 415, "application/json; charset=utf-8"},
		{"/unpair", post, 303, ""},
		{"/data", get + ", " + post, 200, "text/html; charset=utf-8"},
		{"/data/nights.csv", get, 200, asCSV},
		{"/data/backup", get, 404, "text/plain; charset=utf-8"},
		{"/api/erase", post, 415, "application/json; charset=utf-8"},
		{"/api/command", post, 415, "application/json; charset=utf-8"},
		{"/calibrate", get + ", " + post, 200, "text/html; charset=utf-8"},
		{"/api/calibration", get, 200, "application/json; charset=utf-8"},
		{"/api/drill", post, 403, "application/json; charset=utf-8"},
		{"/do", post, 415, "text/plain; charset=utf-8"},
		{"/look", post, 415, "text/plain; charset=utf-8"},
		{"/test/webhook", post, 404, "text/html; charset=utf-8"}, // none is configured
		{"/nowhere", "", 404, "text/plain; charset=utf-8"},
		{"/assets/", "", 404, "text/plain; charset=utf-8"},
	}
	for _, route := range routes {
		for _, method := range []string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"} {
			w := ask(s, method, route.path, "")
			want := http.StatusMethodNotAllowed
			switch {
			case method == "TRACE":
			case route.allow == "":
				want = http.StatusNotFound
			case strings.Contains(route.allow, method):
				want = route.status
				if method == "POST" && strings.Contains(route.allow, "GET") {
					want = http.StatusUnsupportedMediaType // its form is empty
				}
			}
			if route.path == "/assets/" && method != "GET" && method != "HEAD" && method != "TRACE" {
				want = w.Code // the mux may say either; it serves nothing
				if w.Code < 400 {
					t.Errorf("%s %s: %d, want a refusal", method, route.path, w.Code)
				}
			}
			if w.Code != want {
				t.Errorf("%s %s: status %d, want %d", method, route.path, w.Code, want)
			}
			if want == http.StatusMethodNotAllowed && w.Header().Get("Allow") == "" {
				t.Errorf("%s %s: 405 does not say what is allowed", method, route.path)
			}
			if route.kind != "" && w.Code == route.status && w.Header().Get("Content-Type") != route.kind {
				t.Errorf("%s %s: content type %q, want %q", method, route.path, w.Header().Get("Content-Type"), route.kind)
			}
			checkHeaders(t, method+" "+route.path, w.Header(), strings.HasPrefix(route.path, "/assets/") && w.Code == 200)
		}
	}
}

func checkHeaders(t *testing.T, what string, h http.Header, kept bool) {
	t.Helper()
	want := map[string]string{
		"Content-Security-Policy":      "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; object-src 'none'; frame-ancestors 'none'",
		"X-Content-Type-Options":       "nosniff",
		"Referrer-Policy":              "same-origin",
		"Cross-Origin-Opener-Policy":   "same-origin",
		"Cross-Origin-Resource-Policy": "same-origin",
		"Permissions-Policy":           "camera=(), microphone=(), geolocation=()",
		"Cache-Control":                "no-store",
	}
	if kept {
		want["Cache-Control"] = "public, max-age=31536000, immutable"
	}
	for key, value := range want {
		if h.Get(key) != value {
			t.Errorf("%s: %s is %q, want %q", what, key, h.Get(key), value)
		}
	}
	for key := range h {
		if strings.HasPrefix(key, "Access-Control-") {
			t.Errorf("%s: %s is set; no other site may read this page", what, key)
		}
	}
}

func TestAPageAskedForByAForeignNameIsRefused(t *testing.T) {
	s := pageFor(quietEvening(), func(o *Options) { o.Hosts = []string{"van.example", "Rime:8460"} })
	for host, ok := range map[string]bool{
		"localhost": true, "localhost:8460": true, "LOCALHOST.:8460": true,
		"127.0.0.1:8460": true, "127.0.0.1": true, "[::1]:8460": true, "[::1]": true,
		"van.example": true, "rime": true,
		"rebind.example": false, "rebind.example:8460": false, "localhost.rebind.example": false,
		"192.0.2.77:8460": false, "[2001:db8::77]:8460": false, "": false, "127.0.0.1.rebind.example": false,
	} {
		for _, method := range []string{"GET", "HEAD", "POST", "DELETE", "OPTIONS"} {
			r := httptest.NewRequest(method, "/api/snapshot", nil)
			r.Host = host
			r.Header.Set("Origin", "http://"+host) // what a rebound page sends: origin equals host
			w := httptest.NewRecorder()
			s.ServeHTTP(w, r)
			if refused := w.Code == http.StatusMisdirectedRequest; refused == ok {
				t.Errorf("%s for host %q: status %d, want allowed = %v", method, host, w.Code, ok)
			}
		}
	}
}

func TestACommandFromAnotherSiteIsRefused(t *testing.T) {
	taken := 0
	s := pageFor(quietEvening(), func(o *Options) {
		o.Command = func(context.Context, core.Command) error { taken++; return nil }
	})
	for _, origin := range []string{"http://elsewhere.example", "null", "http://localhost:9999"} {
		for _, path := range []string{"/do", "/api/command", "/look"} {
			w := ask(s, "POST", path, `do=ack&alarm=starved`, "Content-Type", "application/x-www-form-urlencoded", "Origin", origin)
			if w.Code != http.StatusForbidden {
				t.Errorf("POST %s from %s: %d, want 403", path, origin, w.Code)
			}
		}
	}
	if w := ask(s, "POST", "/do", "do=ack&alarm=starved", "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "cross-site"); w.Code != 403 {
		t.Errorf("cross-site by Sec-Fetch-Site: %d, want 403", w.Code)
	}
	if taken != 0 {
		t.Fatalf("%d commands taken from other sites, want none", taken)
	}
	if w := ask(s, "POST", "/do", "do=ack&alarm=starved", "Content-Type", "application/x-www-form-urlencoded", "Origin", "http://localhost:8460"); w.Code != 303 || taken != 1 {
		t.Errorf("the page's own form: status %d and %d commands, want 303 and 1", w.Code, taken)
	}
}

func TestAHistoryThatIsAwayOrFailsIsSaidAndThePageStands(t *testing.T) {
	gone := pageFor(quietEvening(), func(o *Options) { o.Past = nil })
	broken := pageFor(quietEvening(), func(o *Options) { o.Past = diary{errors.New("disk I/O error at /secret")} })
	for _, path := range []string{"/api/events", "/api/nights", "/api/series?name=gas_v&from=2026-11-25T14:00:00Z&to=2026-11-25T20:00:00Z"} {
		if w := ask(gone, "GET", path, ""); w.Code != 404 || !strings.Contains(w.Body.String(), "keeps none") {
			t.Errorf("%s without a history: %d %s, want 404 and the reason", path, w.Code, w.Body)
		}
		w := ask(broken, "GET", path, "")
		if w.Code != 503 || strings.Contains(w.Body.String(), "secret") {
			t.Errorf("%s with a broken store: %d %s, want 503 without the store's own words", path, w.Code, w.Body)
		}
	}
	for name, s := range map[string]*Server{"gone": gone, "broken": broken} {
		if w := ask(s, "GET", "/", ""); w.Code != 200 || !strings.Contains(w.Body.String(), "Likely enough.") {
			t.Errorf("page with history %s: %d, want 200 with the verdict", name, w.Code)
		}
	}
}

func TestAQuestionOutOfRangeIsRefusedWithWhatWouldDo(t *testing.T) {
	s := pageFor(quietEvening())
	for path, status := range map[string]int{
		"/api/events?limit=0":    400,
		"/api/events?limit=2000": 400,
		"/api/events?before=-1":  400,
		"/api/events?before=x":   400,
		"/api/nights?limit=1e3":  400,
		"/api/series":            400,
		"/api/series?name=owner_s&from=2026-11-25T14:00:00Z&to=2026-11-25T15:00:00Z":  404,
		"/api/series?name=fuel_kg&to=2026-11-25T15:00:00Z":                            400,
		"/api/series?name=fuel_kg&name=gas_v&from=2026-11-25&to=2026-11-26":           400,
		"/api/series?name=gross_kg&from=2026-11-25T14:00:00Z&to=2026-11-25T15:00:00Z": 404, // said on the page, not kept
		"/api/series?name=fuel_kg":                                                              400,
		"/api/series?name=fuel_kg&from=yesterday&to=2026-11-25T15:00:00Z":                       400,
		"/api/series?name=fuel_kg&from=2026-11-25T16:00:00Z&to=2026-11-25T15:00:00Z":            400,
		"/api/series?name=fuel_kg&from=2026-11-25T14:00:00Z&to=2026-11-25T15:00:00Z&points=1":   400,
		"/api/series?name=fuel_kg&from=2026-11-25T14:00:00Z&to=2026-11-25T15:00:00Z&points=1e9": 400,
	} {
		w := ask(s, "GET", path, "")
		if w.Code != status || !strings.HasPrefix(w.Body.String(), `{"error":"`) {
			t.Errorf("%s: %d %s, want %d and an error in JSON", path, w.Code, w.Body, status)
		}
	}
}

func TestAStoreThatCouldNotBeOpenedIsSaid(t *testing.T) {
	const says = "Nothing is kept: the store could not be opened"
	for _, unkept := range []bool{true, false} {
		s := pageFor(quietEvening(), func(o *Options) { o.Past, o.Unkept = nil, unkept })
		if page := ask(s, "GET", "/", "").Body.String(); strings.Contains(page, says) != unkept || unkept && !strings.Contains(page, "restart frostline") {
			t.Errorf("the store could not be opened: %v; the page says so: %v", unkept, !unkept)
		}
	}
}

func TestMetricsAreOffUnlessAskedFor(t *testing.T) {
	s := pageFor(quietEvening(), func(o *Options) { o.Metrics = false })
	if w := ask(s, "GET", "/metrics", ""); w.Code != 404 {
		t.Errorf("/metrics: %d, want 404", w.Code)
	}
}

func TestTheFirstViewIsLight(t *testing.T) {
	s := pageFor(quietEvening(), func(o *Options) { o.Past = winter{n: 150} })
	plain, packed := 0, 0
	for _, path := range []string{"/", s.assets.css.path, s.assets.js.path, s.assets.icon.path} {
		whole := ask(s, "GET", path, "").Body.Bytes()
		w := ask(s, "GET", path, "", "Accept-Encoding", "gzip, br")
		packed += w.Body.Len()
		z, err := gzip.NewReader(w.Body)
		if err != nil || w.Header().Get("Content-Encoding") != "gzip" {
			t.Fatalf("%s is not packed: %v", path, err)
		}
		if unpacked, err := io.ReadAll(z); err != nil || path != "/" && !bytes.Equal(unpacked, whole) {
			t.Errorf("%s unpacks to something else: %v", path, err)
		}
		plain += len(whole)
	}
	if packed > 60<<10 || plain > 100<<10 {
		t.Errorf("first view is %d bytes, %d packed, want at most 60 kB packed", plain, packed)
	}
	for name, script := range map[string]asset{"page": s.assets.js, "night": s.assets.night} {
		if n := len(script.body); n > 7<<10 {
			t.Errorf("script of the %s is %d bytes, want at most 7 kB", name, n)
		}
	}
	t.Logf("first view %d bytes, %d packed; scripts %d and %d, style %d", plain, packed, len(s.assets.js.body), len(s.assets.night.body), len(s.assets.css.body))
}

// TestNoTemplateIsDefinedTwice: the later one would take the place of the other without a word.
func TestNoTemplateIsDefinedTwice(t *testing.T) {
	names, err := fs.Glob(files, "assets/*.html")
	if err != nil || len(names) == 0 {
		t.Fatalf("%d templates, %v", len(names), err)
	}
	seen := map[string]string{}
	for _, name := range names {
		text, err := files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`\{\{-? *define "([^"]+)"`).FindAllSubmatch(text, -1) {
			if was, twice := seen[string(m[1])]; twice {
				t.Errorf("%q is defined in %s and in %s", m[1], was, name)
			}
			seen[string(m[1])] = name
		}
	}
}
