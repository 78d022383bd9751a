package web

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func pathsOf(webhook func(context.Context) error) func(*Options) {
	return func(o *Options) {
		o.Paths = []Path{
			{Name: "mqtt", State: func() string { return "The broker answers." }},
			{Name: "webhook", State: func() string { return "Last delivered 3 min ago." }, Test: webhook},
			{Name: "mail", State: func() string { return "Failing for 2 h: <no> network." }, Test: func(context.Context) error { return nil }},
		}
	}
}

func TestThePageSaysOfEachPathWhatGotThrough(t *testing.T) {
	s := pageFor(quietEvening(), pathsOf(nil))
	all := parse(t, ask(s, "GET", "/", "").Body.String())
	for key, want := range map[string]string{"told.mqtt": "The broker answers.", "told.webhook": "Last delivered 3 min ago.", "told.mail": "Failing for 2 h: <no> network."} {
		if got := find(all, "data-live", key).text; got != want {
			t.Errorf("%s reads %q, want %q", key, got, want)
		}
	}
	if find(all, "action", "/test/mail").order < 0 {
		t.Error("mail has no button for a test")
	}
	for _, none := range []string{"/test/mqtt", "/test/webhook"} {
		if find(all, "action", none).order >= 0 {
			t.Errorf("%s has a button though it has no test", none)
		}
	}
	if got := s.texts(s.latest.Load(), look{})["told.webhook"]; got != "Last delivered 3 min ago." {
		t.Errorf("an open page would be told %q", got)
	}
	if page := ask(pageFor(quietEvening()), "GET", "/", "").Body.String(); strings.Contains(page, "Who gets told") {
		t.Error("a van without paths lists none")
	}
	readOnly := ask(pageFor(quietEvening(), pathsOf(nil), func(o *Options) { o.Writable = false }), "GET", "/", "").Body.String()
	if !strings.Contains(readOnly, "Who gets told") || strings.Contains(readOnly, "/test/") {
		t.Error("a page that can only be read shows the paths and no button")
	}
}

func TestATestSaysWhatReallyCameOfIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var fails error
		pressed := 0
		s := pageFor(quietEvening(), pathsOf(func(ctx context.Context) error {
			pressed++
			if _, ok := ctx.Deadline(); !ok {
				t.Error("a test without a time limit holds the connection")
			}
			return fails
		}))
		press := func(path string, want int, says string) {
			t.Helper()
			w := ask(s, "POST", path, "")
			if w.Code != want || !strings.Contains(w.Body.String(), says) {
				t.Errorf("%s answers %d, want %d with %q", path, w.Code, want, says)
			}
		}
		press("/test/webhook", 200, "the other end took the test")
		press("/test/webhook", 429, "try again in 31 s")
		press("/test/mail", 200, "the other end took the test") // each path has its own turn
		time.Sleep(30 * time.Second)
		fails = errors.New("hook.example answers 401: it does not believe the <signature>")
		press("/test/webhook", 502, "hook.example answers 401: it does not believe the &lt;signature&gt;.")
		press("/test/mqtt", 404, "No path of this name can be tested")
		press("/test/elsewhere", 404, "No path of this name can be tested")
		if pressed != 2 {
			t.Errorf("%d tests sent, want 2", pressed)
		}
		if w := ask(s, "POST", "/test/mail", "", "Origin", "https://evil.example", "Sec-Fetch-Site", "cross-site"); w.Code != 403 {
			t.Errorf("another site's press answers %d", w.Code)
		}
		closed := pageFor(quietEvening(), pathsOf(nil), func(o *Options) { o.Writable = false })
		if w := ask(closed, "POST", "/test/mail", ""); w.Code != 403 {
			t.Errorf("a page that can only be read answers %d", w.Code)
		}
	})
}
