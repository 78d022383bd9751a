package web

import (
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"frostline/daemon/core"
)

// leastRole is the table of who may ask for what, kept apart from the code that holds it.
var leastRole = map[string]role{
	"GET /{$}":           viewer,
	"GET /assets/{name}": nobody,
	"GET /api/snapshot":  viewer,
	"GET /api/alarms":    viewer,
	"GET /api/events":    viewer,
	"GET /api/nights":    viewer,
	"GET /api/series":    viewer,
	"GET /api/stream":    viewer,
	"POST /api/command":  owner,
	"POST /do":           owner,
	"POST /look":         viewer,
	"GET /pair":          nobody,
	"POST /pair":         nobody,
	"POST /unpair":       nobody,
	"GET /phones":        owner,
	"POST /phones":       owner,
	"GET /api/phones":    owner,
	"POST /api/pair":     owner,
	"POST /api/revoke":   owner,
	"GET /metrics":       viewer,

	"GET /night/{date}":    viewer,
	"POST /test/{path}":    owner,
	"GET /change":          owner,
	"POST /change":         owner,
	"GET /check":           owner,
	"GET /calibrate":       owner,
	"POST /calibrate":      owner,
	"GET /api/calibration": owner,
	"POST /api/drill":      board,

	"GET /manifest.webmanifest": nobody,

	"GET /data":            owner,
	"POST /data":           owner,
	"GET /data/nights.csv": owner,
	"GET /data/series.csv": owner,
	"GET /data/backup":     owner,
	"POST /api/erase":      owner,
}

// paired is a page beyond the board with a viewer's and an owner's phone.
func paired(t *testing.T, change ...func(*Options)) (s *Server, cookies map[role]string) {
	t.Helper()
	s = pageFor(quietEvening(), append([]func(*Options){func(o *Options) { o.Open, o.Listen = false, "192.0.2.10:8460" }}, change...)...)
	cookies = map[role]string{nobody: ""}
	for _, r := range []role{viewer, owner} {
		session, _, err := s.phones.admit(offer{role: r}, r.String(), true, "")
		if err != nil {
			t.Fatal(err)
		}
		cookies[r] = "frostline=" + session
	}
	return s, cookies
}

func TestEveryRouteIsHeldToItsRole(t *testing.T) {
	s, cookies := paired(t)
	for _, route := range s.router.routes {
		want, listed := leastRole[route.pattern]
		if !listed {
			t.Errorf("%s is in no table: say who may ask for it, here and in conventions", route.pattern)
			continue
		}
		if route.least != want {
			t.Errorf("%s is for %v, want %v", route.pattern, route.least, want)
		}
	}
	for pattern, least := range leastRole {
		if !slices.ContainsFunc(s.router.routes, func(r route) bool { return r.pattern == pattern }) {
			t.Errorf("%s is in the table and not on the page", pattern)
		}
		method, path, _ := strings.Cut(pattern, " ")
		path = strings.NewReplacer("{$}", "", "{name}", s.assets.css.path[len("/assets/"):]).Replace(path)
		methods := []string{method}
		if method == "GET" {
			methods = append(methods, "HEAD")
		}
		for _, method := range methods {
			for who := nobody; who <= board; who++ {
				w := httptest.NewRecorder()
				// With a cancelled request the stream answers and ends.
				ctx, cancel := context.WithCancel(t.Context())
				cancel()
				r := httptest.NewRequestWithContext(ctx, method, path, nil)
				r.Host = "localhost:8460"
				if who == board {
					s.Board().ServeHTTP(w, r)
				} else {
					if cookies[who] != "" {
						r.Header.Set("Cookie", cookies[who])
					}
					s.ServeHTTP(w, r)
				}
				// Let in, a request without a body is 200 or told what it lacks.
				let := w.Code == 200 || w.Code == 400 || w.Code == 404 || w.Code == 415 || w.Code == 429 || w.Code == 503 || path == "/unpair" && w.Code == 303
				door := w.Code == 401 || w.Code == 303 && w.Header().Get("Location") == "/pair"
				switch {
				case who >= least && !let:
					t.Errorf("%s %s as %v: %d, want to be let in", method, path, who, w.Code)
				case who < least && who == nobody && !door:
					t.Errorf("%s %s as nobody: %d, want 401 or the door", method, path, w.Code)
				case who < least && who != nobody && w.Code != http.StatusForbidden:
					t.Errorf("%s %s as %v: %d, want 403", method, path, who, w.Code)
				}
				if who < least && strings.Contains(w.Body.String(), "Likely enough") {
					t.Errorf("%s %s as %v tells the verdict", method, path, who)
				}
				checkHeaders(t, method+" "+path+" as "+who.String(), w.Header(), strings.HasPrefix(path, "/assets/"))
				if path == "/unpair" && cookies[who] != "" { // it did what it says; pair it anew
					session, _, err := s.phones.admit(offer{role: who}, who.String(), true, "")
					if err != nil {
						t.Fatal(err)
					}
					cookies[who] = "frostline=" + session
				}
			}
		}
	}
}

func TestOnTheBoardAloneEverybodyIsOwner(t *testing.T) {
	s := pageFor(quietEvening())
	if w := ask(s, "GET", "/phones", ""); w.Code != 200 || !strings.Contains(w.Body.String(), "everybody is its owner") {
		t.Errorf("phones of a page on the board: %d, want 200 and the reason that there are none", w.Code)
	}
	if w := ask(s, "POST", "/api/pair", `{"role":"viewer"}`, "Content-Type", asJSON); w.Code != 409 || !strings.Contains(w.Body.String(), "listens on this board alone") {
		t.Errorf("pairing there: %d %s, want 409 and what to do", w.Code, w.Body)
	}
	if w := ask(s, "POST", "/pair", "code=x", "Content-Type", asForm); w.Code != 303 || w.Header().Get("Location") != "/" {
		t.Errorf("the door there: %d, want to be led to the page", w.Code)
	}
}

func TestWithGlanceWhoIsNotPairedMayLookAndPressNothing(t *testing.T) {
	asked := 0
	s, cookies := paired(t, func(o *Options) {
		o.Glance = true
		o.Command = func(context.Context, core.Command) error { asked++; return nil }
	})
	for path, status := range map[string]int{"/": 200, "/api/snapshot": 200, "/metrics": 200, "/phones": 303, "/api/phones": 401} {
		if w := ask(s, "GET", path, ""); w.Code != status {
			t.Errorf("GET %s by nobody: %d, want %d", path, w.Code, status)
		}
	}
	for _, cookie := range []string{"", cookies[viewer]} {
		if w := ask(s, "GET", "/", "", "Cookie", cookie); strings.Contains(w.Body.String(), `action="/do"`) {
			t.Error("the page has buttons that its phone may not press")
		}
		ask(s, "POST", "/do", "do=ack&alarm=starved", "Content-Type", asForm, "Cookie", cookie)
		ask(s, "POST", "/api/command", `{"ack":"starved"}`, "Content-Type", asJSON, "Cookie", cookie)
	}
	if asked != 0 {
		t.Errorf("%d orders were taken from who may only look", asked)
	}
	if w := ask(s, "GET", "/", "", "Cookie", cookies[owner]); !strings.Contains(w.Body.String(), `action="/do"`) {
		t.Error("an owner's phone has no buttons")
	}
}

func TestAnOrderCarriesTheNameOfItsPhone(t *testing.T) {
	var actors []string
	s, cookies := paired(t, func(o *Options) {
		o.Command = func(_ context.Context, c core.Command) error { actors = append(actors, c.Actor); return c.Check() }
	})
	_, code := s.phones.invite("", owner, 0)
	longest := pairPhone(t, s, code, strings.Repeat("%C3%A9", 64))
	ask(s, "POST", "/do", "do=ack&alarm=starved", "Content-Type", asForm, "Cookie", cookies[owner])
	if w := ask(s, "POST", "/api/command", `{"ack":"starved"}`, "Content-Type", asJSON, "Cookie", longest); w.Code != 200 {
		t.Errorf("an order of a phone with a long name: %d %s", w.Code, w.Body)
	}
	if len(actors) != 2 || actors[0] != "phone owner" || !strings.HasPrefix(actors[1], "phone éé") {
		t.Errorf("orders by %q, want the phones' names", actors)
	}
}

func TestAScraperMayShowATokenAndReadNothingElse(t *testing.T) {
	const token = "a token of the van's own"
	s, _ := paired(t, func(o *Options) { o.MetricsToken = token })
	bearer := []string{"Authorization", "Bearer " + token}
	if w := ask(s, "GET", "/metrics", "", bearer...); w.Code != 200 {
		t.Errorf("with the token: %d, want 200", w.Code)
	}
	for name, w := range map[string]*httptest.ResponseRecorder{
		"without": ask(s, "GET", "/metrics", ""),
		"wrong":   ask(s, "GET", "/metrics", "", "Authorization", "Bearer "+token+"x"),
		"empty":   ask(s, "GET", "/metrics", "", "Authorization", "Bearer "),
	} {
		if w.Code != 401 || w.Header().Get("WWW-Authenticate") != "Bearer" {
			t.Errorf("%s token: %d, want 401 and what would do", name, w.Code)
		}
	}
	if w := ask(s, "GET", "/api/snapshot", "", bearer...); w.Code != 401 {
		t.Errorf("the token opens the snapshot: %d, want 401", w.Code)
	}
	none, _ := paired(t)
	if w := ask(none, "GET", "/metrics", "", "Authorization", "Bearer "); w.Code != 401 {
		t.Errorf("without a token configured an empty one opens the metrics: %d", w.Code)
	}
}

func TestAPairedPhoneOfAWrongHostIsRefused(t *testing.T) {
	s, cookies := paired(t)
	for _, method := range []string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"} {
		for _, path := range []string{"/", "/pair", "/phones", "/api/command", "/api/stream", "/metrics", s.assets.css.path} {
			r := httptest.NewRequest(method, path, nil)
			r.Host = "rebind.example:8460"
			r.Header.Set("Origin", "http://rebind.example:8460")
			r.Header.Set("Cookie", cookies[owner])
			w := httptest.NewRecorder()
			s.ServeHTTP(w, r)
			if w.Code != http.StatusMisdirectedRequest {
				t.Errorf("%s %s for a foreign name with an owner's cookie: %d, want 421", method, path, w.Code)
			}
		}
	}
}

func TestALogLineCannotBeForgedByAName(t *testing.T) {
	var log strings.Builder
	s, _ := paired(t, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) })
	_, code := s.phones.invite("", viewer, 0)
	w := ask(s, "POST", "/pair", "code="+code+"&name="+"x%0Alevel%3DERROR+msg%3Dforged%1b%5b31m", "Content-Type", asForm)
	if w.Code != 303 {
		t.Fatalf("pairing: %d %s", w.Code, w.Body)
	}
	for line := range strings.Lines(log.String()) {
		if strings.HasPrefix(line, "level=ERROR") || strings.Contains(line, "\x1b") {
			t.Errorf("log holds %q", line)
		}
	}
	if !strings.Contains(log.String(), `msg="phone paired" phone=`) {
		t.Errorf("pairing is not in the log: %s", log.String())
	}
	if strings.Contains(log.String(), code) {
		t.Error("the code is in the log")
	}
}
