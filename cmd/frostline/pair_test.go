package main

import (
	"bytes"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"rsc.io/qr"
)

// run is another command of the binary, as a person at the board would.
func (p *program) run(args ...string) (string, error) {
	c := exec.Command(os.Args[0], args...)
	c.Env = append(os.Environ(), "FROSTLINE_AS_COMMAND=1")
	out, err := c.CombinedOutput()
	return string(out), err
}

// phone is a browser that has no session yet and follows no redirect by itself.
type phone struct {
	t      *testing.T
	page   string
	cookie *http.Cookie
}

func (ph *phone) ask(method, path string, form url.Values) (*http.Response, string) {
	ph.t.Helper()
	r, err := http.NewRequestWithContext(ph.t.Context(), method, "http://"+ph.page+path, strings.NewReader(form.Encode()))
	if err != nil {
		ph.t.Fatal(err)
	}
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", "http://"+ph.page)
	}
	if ph.cookie != nil {
		r.AddCookie(ph.cookie)
	}
	answer, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		ph.t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		ph.t.Fatal(err)
	}
	for _, c := range answer.Cookies() {
		ph.cookie = c
	}
	return answer, string(text)
}

// TestAPhoneIsPairedThroughTheBinary pairs, looks, orders, outlives a kill and is revoked,
// all through the program as it is started and asked.
func TestAPhoneIsPairedThroughTheBinary(t *testing.T) {
	t.Parallel()
	conf, page, _, b := layVan(t)
	text, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte("[page]\n"), []byte("[page]\npair = true\nglance = true\n"), 1)
	if !bytes.Contains(text, []byte("pair = true")) {
		t.Fatal("the van's configuration has no page")
	}
	if err := os.WriteFile(conf, text, 0o644); err != nil {
		t.Fatal(err)
	}
	p := startProgram(t, conf, page, b)
	defer func() { p.kill() }()
	ph := &phone{t: t, page: page}
	if a, _ := ph.ask("GET", "/phones", nil); a.StatusCode != 303 || a.Header.Get("Location") != "/pair" {
		t.Fatalf("before pairing: %s", a.Status)
	}
	out, err := p.run("pair", "--role", "owner", "--name", "Anna's", "--for", "30d", "--config", conf)
	if err != nil {
		t.Fatalf("pair: %v\n%s", err, out)
	}
	link := regexp.MustCompile(`http://[\d.:]+/pair#(\S{22})`).FindStringSubmatch(out)
	if link == nil || strings.Contains(out, "\x1b") {
		t.Fatalf("pair, into a pipe, prints no link, or colours:\n%s", out)
	}
	if a, _ := ph.ask("POST", "/pair", url.Values{"code": {link[1]}}); a.StatusCode != 303 || ph.cookie == nil {
		t.Fatalf("pairing: %s", a.Status)
	}
	if a, _ := ph.ask("POST", "/pair", url.Values{"code": {link[1]}}); a.StatusCode != 403 {
		t.Errorf("the same link again: %s, want 403", a.Status)
	}
	p.says(`"phone paired"`)
	p.kill()
	p = startProgram(t, conf, page, b)
	if a, text := ph.ask("GET", "/phones", nil); a.StatusCode != 200 || !strings.Contains(text, "Anna&#39;s") {
		t.Fatalf("after a kill: %s", a.Status)
	}
	if a, _ := ph.ask("POST", "/do", url.Values{"do": {"low"}, "low": {"-9"}, "temp": {"c"}}); a.StatusCode != 303 || a.Header.Get("Location") != "/?done=expected_low" {
		t.Errorf("an order: %s to %s", a.Status, a.Header.Get("Location"))
	}
	if out, err := p.run("pair", "--list", "--config", conf); err != nil || !strings.Contains(out, "Anna's  owner") {
		t.Errorf("list: %v\n%s", err, out)
	}
	if out, err := p.run("nights", "--config", conf); err != nil || !strings.Contains(out, "no night has been lived yet") {
		t.Errorf("the ledger of a running program that asks for pairing: %v\n%s", err, out)
	}
	if out, err := p.run("pair", "--revoke", "anna's", "--config", conf); err != nil || !strings.Contains(out, "revoked") {
		t.Errorf("revoke: %v\n%s", err, out)
	}
	if a, _ := ph.ask("POST", "/do", url.Values{"do": {"low"}, "low": {"-9"}}); a.Header.Get("Location") != "/pair" {
		t.Errorf("an order of a revoked phone leads to %q", a.Header.Get("Location"))
	}
	if out, err := p.run("pair", "--revoke", "anna's", "--config", conf); err == nil || !strings.Contains(out, `no phone is called "anna's"`) {
		t.Errorf("revoked twice: %v\n%s", err, out)
	}
}

func TestTheCodeInATerminalIsDrawnAsItIs(t *testing.T) {
	code, err := qr.Encode("http://192.168.4.1:8460/pair#0123456789abcdefghijkl", qr.L)
	if err != nil {
		t.Fatal(err)
	}
	const margin = 4
	lines := strings.Split(strings.TrimSuffix(qrText(code), "\n"), "\n")
	if want := (code.Size + 2*margin + 1) / 2; len(lines) != want {
		t.Fatalf("%d lines, want %d", len(lines), want)
	}
	for i, line := range lines {
		line = strings.TrimSuffix(strings.TrimPrefix(line, "\x1b[30;107m"), "\x1b[0m")
		cells := []rune(line)
		if len(cells) != code.Size+2*margin || len(cells) > 80 {
			t.Fatalf("line %d has %d cells, want %d and at most 80", i, len(cells), code.Size+2*margin)
		}
		for x, c := range cells {
			upper, lower := c == '▀' || c == '█', c == '▄' || c == '█'
			y := 2*i - margin
			if upper != code.Black(x-margin, y) || lower != code.Black(x-margin, y+1) {
				t.Fatalf("cell %d of line %d is %q", x, i, c)
			}
		}
	}
}

func TestASpanMayBeGivenInDays(t *testing.T) {
	for text, want := range map[string]time.Duration{"30d": 720 * time.Hour, "12h": 12 * time.Hour, "0.5d": 12 * time.Hour} {
		if got, err := days(text); err != nil || got != want {
			t.Errorf("%s: %v, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "d", "30", "-1d", "1e9d", "NaNd", "week"} {
		if got, err := days(text); err == nil {
			t.Errorf("%q reads as %v", text, got)
		}
	}
}
