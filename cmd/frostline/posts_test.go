package main

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// hookEnd is a receiver that can keep a sender waiting for its answer.
type hookEnd struct {
	*httptest.Server
	mu     sync.Mutex
	got    []string      // webhook-id and body
	silent chan struct{} // not nil: no answer until it is closed
	more   chan struct{}
}

func openHookEnd(t *testing.T) *hookEnd {
	h := &hookEnd{silent: make(chan struct{}), more: make(chan struct{}, 100)}
	h.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		h.mu.Lock()
		h.got = append(h.got, r.Header.Get("webhook-id")+" "+string(body))
		wait := h.silent
		h.mu.Unlock()
		h.more <- struct{}{}
		if wait != nil {
			select {
			case <-wait:
			case <-r.Context().Done():
			}
		}
	}))
	t.Cleanup(h.Close)
	return h
}

// until waits until a message says what is wanted, and returns all of them.
func (h *hookEnd) until(t *testing.T, what string, done func(all []string) bool) []string {
	t.Helper()
	late := time.After(patience)
	for {
		h.mu.Lock()
		all := append([]string(nil), h.got...)
		h.mu.Unlock()
		if done(all) {
			return all
		}
		select {
		case <-h.more:
		case <-late:
			t.Fatalf("no %s; got:\n%s", what, strings.Join(all, "\n"))
		}
	}
}

// TestKilledWhileTheWebhookTakesAnAlarmItIsToldAgainByTheSameName kills the daemon between a
// receiver's taking an alarm and its answer. The next run tells that alarm again, by the same
// id, and no third time; the page says how the path does, and a hanging path holds up nothing.
func TestKilledWhileTheWebhookTakesAnAlarmItIsToldAgainByTheSameName(t *testing.T) {
	t.Parallel()
	conf, page, _, b := layVan(t)
	h := openHookEnd(t)
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	text = append(text, fmt.Appendf(nil, "[webhook]\nurl = \"%s/a-token\"\nsecret_file = %q\n", h.URL, secret)...)
	text = append(text, fmt.Appendf(nil, "[mail]\nserver = \"smtp://127.0.0.1:1\"\nfrom = \"van@example.org\"\nto = [\"me@example.net\"]\nuser = \"van\"\npassword_file = %q\n", secret+"-nobody-wrote")...)
	if err := os.WriteFile(conf, text, 0o644); err != nil {
		t.Fatal(err)
	}
	p := startProgram(t, conf, page, b)
	blind := func(all []string) bool {
		return strings.Contains(strings.Join(all, "\n"), `"alarm":"gas-blind","from":"normal"`)
	}
	first := h.until(t, "gas-blind", blind)
	before, err := p.snapshot()
	if err != nil {
		t.Fatal(err)
	}
	p.until("ticks while the webhook hangs", func(s shown) bool { return s.Stamp.Tick >= before.Stamp.Tick+2 })
	p.keeps(`{"weight_watch":true}`) // and with it all that happened before
	p.kill()

	h.mu.Lock()
	close(h.silent)
	h.silent = nil
	h.mu.Unlock()
	id, _, _ := strings.Cut(first[slices.IndexFunc(first, func(m string) bool { return blind([]string{m}) })], " ")
	p = startProgram(t, conf, page, b)
	defer p.kill()
	all := h.until(t, "monitoring-lost", func(all []string) bool {
		return strings.Contains(strings.Join(all, "\n"), `"alarm":"monitoring-lost"`) && len(all) > len(first)
	})
	again := 0
	for _, m := range all {
		if strings.HasPrefix(m, id+" ") {
			again++
		}
	}
	if again != 2 {
		t.Errorf("%s was told %d times, want once before the kill and once after:\n%s", id, again, strings.Join(all, "\n"))
	}
	body := ""
	for deadline := time.Now().Add(patience); !strings.Contains(body, "Last delivered") && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		resp, err := http.Get("http://" + page + "/")
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		body = string(text)
	}
	for _, want := range []string{"Who gets told", "Last delivered", "Not in use: mail: password file: open "} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(body+p.log.String(), "a-token") {
		t.Error("the path of the webhook's address is shown")
	}
}
