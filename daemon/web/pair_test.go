package web

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"rsc.io/qr"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
)

// pairPhone pairs by a code and returns the cookie that the phone keeps.
func pairPhone(t *testing.T, s *Server, code, name string) string {
	t.Helper()
	w := ask(s, "POST", "/pair", "code="+code+"&name="+name, "Content-Type", asForm)
	if w.Code != http.StatusSeeOther || len(w.Result().Cookies()) != 1 {
		t.Fatalf("pairing: %d %s", w.Code, w.Body)
	}
	c := w.Result().Cookies()[0]
	return c.Name + "=" + c.Value
}

// invited is an offer by the board.
func invited(t *testing.T, s *Server, body string) (o offerJSON) {
	t.Helper()
	w := ask(s.Board(), "POST", "/api/pair", body, "Content-Type", asJSON)
	if w.Code != 200 || json.Unmarshal(w.Body.Bytes(), &o) != nil {
		t.Fatalf("offer %s: %d %s", body, w.Code, w.Body)
	}
	return o
}

func TestAPhoneIsPairedLooksGivesAnOrderAndIsRevoked(t *testing.T) {
	var orders []core.Command
	s, _ := paired(t, func(o *Options) {
		o.Command = func(_ context.Context, c core.Command) error { orders = append(orders, c); return nil }
	})
	o := invited(t, s, `{"role":"owner"}`)
	base, token, ok := strings.Cut(o.Link, "/pair#")
	if !ok || base != "http://192.0.2.10:8460" || len(token) < 22 || o.LastsS != 600 {
		t.Fatalf("link %q, want the address the page listens on and a token of 128 bits behind the #", o.Link)
	}
	door := ask(s, "GET", "/pair", "")
	if door.Code != 200 || !strings.Contains(door.Body.String(), s.assets.pair.path) {
		t.Fatalf("the door: %d, want a page with the script that reads the link", door.Code)
	}
	cookie := pairPhone(t, s, token, "Rime")
	if w := ask(s, "GET", "/", "", "Cookie", cookie); w.Code != 200 || !strings.Contains(w.Body.String(), "Likely enough.") {
		t.Fatalf("glance: %d", w.Code)
	}
	if w := ask(s, "POST", "/do", "do=ack&alarm=starved", "Content-Type", asForm, "Cookie", cookie); w.Code != 303 || w.Header().Get("Location") != "/?done=ack" {
		t.Fatalf("order: %d to %s", w.Code, w.Header().Get("Location"))
	}
	if len(orders) != 1 || orders[0].Actor != "phone Rime" {
		t.Fatalf("orders %+v, want one by the phone", orders)
	}
	list := ask(s.Board(), "GET", "/api/phones", "")
	if !strings.Contains(list.Body.String(), `"name":"Rime","role":"owner","paired":"2`) || strings.Contains(list.Body.String(), "hash") {
		t.Errorf("phones: %s", list.Body)
	}
	if w := ask(s.Board(), "POST", "/api/revoke", `{"phone":"rime"}`, "Content-Type", asJSON); w.Code != 200 {
		t.Fatalf("revoke: %d %s", w.Code, w.Body)
	}
	if w := ask(s, "POST", "/do", "do=ack&alarm=starved", "Content-Type", asForm, "Cookie", cookie); w.Code != 303 || w.Header().Get("Location") != "/pair" || len(orders) != 1 {
		t.Errorf("an order of a revoked phone: %d to %s and %d orders", w.Code, w.Header().Get("Location"), len(orders))
	}
	if w := ask(s, "GET", "/pair", "", "Cookie", cookie); !strings.Contains(w.Body.String(), "not paired any more") {
		t.Error("a revoked phone is not told so at the door")
	}
	if w := ask(s.Board(), "POST", "/api/revoke", `{"phone":"rime"}`, "Content-Type", asJSON); w.Code != 409 {
		t.Errorf("revoked twice: %d, want 409", w.Code)
	}
}

func TestARevokedPhonesStreamEndsWithinABeat(t *testing.T) {
	for name, deliver := range map[string]bool{"while the van ticks": true, "while it is silent": false} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, cookies := paired(t)
				open, stop := follow(t, s)
				defer stop()
				p := open("Cookie: " + cookies[viewer] + "\r\n")
				if name, _ := p.event(); name != "snapshot" {
					t.Fatalf("a paired phone's stream begins with %q", name)
				}
				if _, err := s.phones.revoke("viewer"); err != nil {
					t.Fatal(err)
				}
				began := time.Now()
				if deliver {
					s.Deliver(later(quietEvening(), time.Second))
				}
				if name, _ := p.event(); name != "unpaired" {
					t.Fatalf("after the revocation the stream says %q", name)
				}
				if _, err := p.r.ReadByte(); err != io.EOF && !errors.Is(err, io.ErrUnexpectedEOF) {
					t.Errorf("the stream goes on: %v", err)
				}
				limit := streamGap + streamBeat
				if deliver {
					limit = streamGap
				}
				if d := time.Since(began); d > limit {
					t.Errorf("it ended after %v, want at most %v", d, limit)
				}
			})
		})
	}
}

func TestOnePhoneCannotTakeEveryStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, cookies := paired(t)
		open, stop := follow(t, s)
		var first *phone
		for i := range maxOfPhone + 1 {
			p := open("Cookie: " + cookies[viewer] + "\r\n")
			if got, want := p.resp.StatusCode == 200, i < maxOfPhone; got != want {
				t.Errorf("stream %d of one phone: %d", i+1, p.resp.StatusCode)
			} else if !want {
				p.refusedFor("3 pages follow for this phone already")
			}
			if first == nil {
				first = p
			}
		}
		if p := open("Cookie: " + cookies[owner] + "\r\n"); p.resp.StatusCode != 200 {
			t.Errorf("another phone: %d", p.resp.StatusCode)
		}
		first.conn.Close()
		time.Sleep(streamGap + streamBeat + streamPatient)
		synctest.Wait()
		if p := open("Cookie: " + cookies[viewer] + "\r\n"); p.resp.StatusCode != 200 {
			t.Errorf("after one was closed: %d", p.resp.StatusCode)
		}
		stop()
		synctest.Wait()
		if len(s.phones.open) != 0 {
			t.Errorf("streams that ended are still counted: %v", s.phones.open)
		}
	})
}

func TestACodePairsOnePhoneWithinTenMinutes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := paired(t)
		token, code := s.phones.invite("", viewer, 0)
		if _, ok := s.phones.redeem(" " + strings.ToLower(strings.ReplaceAll(code, "-", " "))); !ok {
			t.Errorf("%s typed in small letters is not known", code)
		}
		for _, again := range []string{token, code} {
			if _, ok := s.phones.redeem(again); ok {
				t.Error("an offer was used twice")
			}
		}
		_, code = s.phones.invite("", viewer, 0)
		time.Sleep(offerLasts)
		if _, ok := s.phones.redeem(code); !ok {
			t.Error("a code of ten minutes is not known")
		}
		token, code = s.phones.invite("", viewer, 0)
		time.Sleep(offerLasts + time.Second)
		for _, late := range []string{token, code, "", "-", strings.Repeat("0", 1<<10)} {
			if _, ok := s.phones.redeem(late); ok {
				t.Errorf("%q was taken", late)
			}
		}
		first, _ := s.phones.invite("", owner, 0)
		for range maxOffers {
			s.phones.invite("", viewer, 0)
		}
		if _, ok := s.phones.redeem(first); ok || len(s.phones.offers) != maxOffers {
			t.Errorf("%d offers are open, want the newest %d", len(s.phones.offers), maxOffers)
		}
	})
}

func TestGuessingACodeEndsSoon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := paired(t)
		_, code := s.phones.invite("", owner, 0)
		try := func(from, code string) int {
			r := httptest.NewRequest("POST", "/pair", strings.NewReader("code="+code))
			r.Host, r.RemoteAddr = "localhost", from
			r.Header.Set("Content-Type", asForm)
			w := httptest.NewRecorder()
			s.ServeHTTP(w, r)
			if w.Code == 429 && w.Header().Get("Retry-After") == "" {
				t.Error("429 without Retry-After")
			}
			return w.Code
		}
		tried := 0
		for range 600 { // ten minutes, a guess a second
			if try("192.0.2.66:1000", "0000-0000") == http.StatusForbidden {
				tried++
			}
			time.Sleep(time.Second)
		}
		if tried > 70 {
			t.Errorf("%d guesses from one address in ten minutes, want at most 70", tried)
		}
		tried = 0
		for i := range 2000 { // from as many networks at once
			from := "[2001:db8:" + strings.ToLower(newCode()[:4]) + "::1]:9"
			_ = i
			from = strings.Map(func(r rune) rune {
				if r >= 'g' && r <= 'z' {
					return 'a'
				}
				return r
			}, from)
			if try(from, "0000-0000") == http.StatusForbidden {
				tried++
			}
		}
		if tried > 25 {
			t.Errorf("%d guesses at once from everywhere, want at most 25", tried)
		}
		if len(s.tries.each) > limitAddresses {
			t.Errorf("%d addresses are remembered", len(s.tries.each))
		}
		if got := try("192.0.2.1:5", code); got != http.StatusTooManyRequests {
			t.Errorf("while all are held back: %d", got)
		}
	})
}

func TestASessionEndsByIdlenessAgeAndItsOwnTerm(t *testing.T) {
	const day = 24 * time.Hour
	for name, c := range map[string]struct {
		lasts, every, at time.Duration // asked at each every, until at
		want             bool
	}{
		"idle for 89 days":             {0, 89 * day, 89 * day, true},
		"idle for 91 days":             {0, 91 * day, 91 * day, false},
		"used daily for 364 days":      {0, day, 364 * day, true},
		"used daily for 366 days":      {0, day, 366 * day, false},
		"a renter's week, on day six":  {7 * day, day, 6 * day, true},
		"a renter's week, on day nine": {7 * day, day, 9 * day, false},
	} {
		t.Run(name, func(t *testing.T) {
			for _, restart := range []bool{false, true} {
				synctest.Test(t, func(t *testing.T) {
					file := filepath.Join(t.TempDir(), "phones.json")
					s, _ := paired(t, func(o *Options) { o.Phones = file })
					session, _, err := s.phones.admit(offer{role: viewer, lasts: c.lasts}, "renter", true, "")
					if err != nil {
						t.Fatal(err)
					}
					var ok bool
					for passed := time.Duration(0); passed < c.at; passed += c.every {
						time.Sleep(c.every)
						if restart {
							s.phones = loadPhones(file, s.opt.Log)
						}
						_, ok = s.phones.find(session, true)
						synctest.Wait()
					}
					if ok != c.want {
						t.Errorf("restarts %v: paired is %v, want %v", restart, ok, c.want)
					}
				})
			}
		})
	}
}

// A board without a network comes up in another decade. That must neither end a pairing nor
// make it last for ever.
func TestAClockThatJumpsEndsNoPairing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := paired(t)
		session, p, err := s.phones.admit(offer{role: owner}, "early", false, "")
		if err != nil || !p.Paired.IsZero() {
			t.Fatalf("paired %v at %v, want no moment while the clock is not right", err, p.Paired)
		}
		if w := ask(s.Board(), "GET", "/api/phones", ""); !strings.Contains(w.Body.String(), `"name":"early","role":"owner","this":false`) {
			t.Errorf("phones: %s", w.Body)
		}
		time.Sleep(200 * 24 * time.Hour) // for this process the clock jumps
		if _, ok := s.phones.find(session, false); !ok {
			t.Error("lost while the clock was not right")
		}
		p, ok := s.phones.find(session, true)
		if !ok || time.Since(p.Paired) > time.Second {
			t.Errorf("when the clock became right: paired %v, since %v", ok, p.Paired)
		}
		term, _, err := s.phones.admit(offer{role: viewer, lasts: time.Hour}, "renter", false, "")
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Hour)
		if _, ok := s.phones.find(term, false); ok {
			t.Error("an hour's pairing outlived two in one run without a clock")
		}
	})
}

func TestPairingsOutliveARestartAndHoldNoSecret(t *testing.T) {
	file := filepath.Join(t.TempDir(), "phones.json")
	s, cookies := paired(t, func(o *Options) { o.Phones = file })
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(file); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, want only for the owner", st.Mode())
	}
	for _, c := range cookies {
		if _, session, ok := strings.Cut(c, "="); ok && strings.Contains(string(text), session) {
			t.Error("the file holds a session id")
		}
	}
	again, _ := paired(t, func(o *Options) { o.Phones = file })
	for r, c := range cookies {
		if w := ask(again, "GET", "/api/alarms", "", "Cookie", c); (w.Code == 200) != (r > nobody) {
			t.Errorf("%v after a restart: %d", r, w.Code)
		}
	}
	if _, err := s.phones.revoke("owner"); err != nil {
		t.Fatal(err)
	}
	if p := loadPhones(file, s.opt.Log); len(p.list) != 1 {
		t.Errorf("%d phones after a revocation and a restart, want 1", len(p.list))
	}
}

func TestAFileOfPhonesThatIsBrokenPairsNobody(t *testing.T) {
	whole := `{"version":1,"phones":[{"id":"1","name":"a","role":"owner","hash":"` + strings.Repeat("0", 64) + `"}]}`
	if list, err := parsePhones([]byte(whole)); err != nil || len(list) != 1 {
		t.Fatalf("a whole file: %v", err)
	}
	for _, broken := range []string{"", "{", "null", `{"version":2}`, `{"version":1,"phones":[null]}`,
		strings.Replace(whole, "owner", "board", 1), strings.Replace(whole, "owner", "nobody", 1),
		strings.Replace(whole, `"a"`, `"a\nb"`, 1), strings.Replace(whole, `"a"`, `""`, 1), strings.Replace(whole, "0000", "", 1),
		strings.Replace(whole, `"id":"1"`, `"id":"1","for_ns":-1`, 1)} {
		file := filepath.Join(t.TempDir(), "phones.json")
		if err := os.WriteFile(file, []byte(broken), 0o600); err != nil {
			t.Fatal(err)
		}
		s, _ := paired(t, func(o *Options) { o.Phones = file })
		if n := len(s.phones.list); n != 2 {
			t.Errorf("%q: %d phones, want the two new ones", broken, n)
		}
		if _, err := os.Stat(file + ".damaged"); err != nil {
			t.Errorf("%q is not kept for whoever wants to look: %v", broken, err)
		}
	}
}

func TestWithAFullDiskPairingAndRevokingHoldUntilARestartAndSaySo(t *testing.T) {
	s, _ := paired(t)
	s.phones.path = filepath.Join(t.TempDir(), "gone", "phones.json")
	o := invited(t, s, `{"role":"owner"}`)
	w := ask(s, "POST", "/pair", "code="+o.Code, "Content-Type", asForm)
	if w.Code != 303 || w.Header().Get("Location") != "/?done=pair-unkept" {
		t.Fatalf("pairing: %d to %s", w.Code, w.Header().Get("Location"))
	}
	cookie := "frostline=" + w.Result().Cookies()[0].Value
	if w := ask(s, "GET", "/", "", "Cookie", cookie); w.Code != 200 {
		t.Errorf("the phone is let in: %d", w.Code)
	}
	if w := ask(s.Board(), "POST", "/api/revoke", `{"phone":"phone"}`, "Content-Type", asJSON); w.Code != 202 || !strings.Contains(w.Body.String(), "until the next restart only") {
		t.Errorf("revoking: %d %s, want 202 and the reason", w.Code, w.Body)
	}
	if w := ask(s, "GET", "/", "", "Cookie", cookie); w.Code != 303 {
		t.Errorf("revoked: %d, want the door", w.Code)
	}
}

func TestTheCookieIsAsStrictAsItsWireAllows(t *testing.T) {
	s, _ := paired(t)
	for _, secure := range []bool{false, true} {
		_, code := s.phones.invite("", viewer, 7*24*time.Hour)
		r := httptest.NewRequest("POST", "/pair", strings.NewReader("code="+code))
		r.Host = "localhost"
		r.Header.Set("Content-Type", asForm)
		if secure {
			r.TLS = &tls.ConnectionState{}
		}
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		c := w.Result().Cookies()[0]
		name := map[bool]string{false: "frostline", true: "__Host-frostline"}[secure]
		if c.Name != name || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" || c.Secure != secure || c.MaxAge != 7*86400 {
			t.Errorf("over HTTPS %v: %+v", secure, c)
		}
		// A session that went in the clear once opens nothing over HTTPS, nor the other way.
		r = httptest.NewRequest("GET", "/api/alarms", nil)
		r.Host = "localhost"
		r.Header.Set("Cookie", name+"="+c.Value)
		if !secure {
			r.TLS = &tls.ConnectionState{}
		}
		w = httptest.NewRecorder()
		s.ServeHTTP(w, r)
		if w.Code != 401 {
			t.Errorf("the cookie of the other wire: %d, want 401", w.Code)
		}
	}
}

func TestAPhonePairedAnewLosesItsOldSession(t *testing.T) {
	s, cookies := paired(t)
	_, code := s.phones.invite("upgraded", owner, 0)
	w := ask(s, "POST", "/pair", "code="+code, "Content-Type", asForm, "Cookie", cookies[viewer])
	if w.Code != 303 || "frostline="+w.Result().Cookies()[0].Value == cookies[viewer] {
		t.Fatalf("paired anew: %d, want a new session id", w.Code)
	}
	if w := ask(s, "GET", "/api/alarms", "", "Cookie", cookies[viewer]); w.Code != 401 {
		t.Errorf("the old session: %d, want 401", w.Code)
	}
}

// The same phone is no second one: it keeps its name, and where every place is taken it needs
// no free one.
func TestAPhonePairedAnewKeepsItsNameAndItsPlace(t *testing.T) {
	s, cookies := paired(t)
	for len(s.phones.list) < maxPhones {
		if _, _, err := s.phones.admit(offer{role: viewer}, "phone", true, ""); err != nil {
			t.Fatal(err)
		}
	}
	for _, form := range []string{"&name=viewer", ""} {
		_, code := s.phones.invite("", owner, 0)
		w := ask(s, "POST", "/pair", "code="+code+form, "Content-Type", asForm, "Cookie", cookies[viewer])
		if w.Code != 303 {
			t.Fatalf("paired anew where every place is taken: %d", w.Code)
		}
		cookies[viewer] = "frostline=" + w.Result().Cookies()[0].Value
		got := s.phones.all(true)
		if last := got[len(got)-1]; len(got) != maxPhones || last.Name != "viewer" || last.Role.role != owner {
			t.Errorf("%d phones, the newest %q, %v; want %d and the same phone as owner", len(got), last.Name, last.Role, maxPhones)
		}
	}
}

func TestAnOwnersPhoneShowsACodeAndRevokes(t *testing.T) {
	s, cookies := paired(t)
	w := ask(s, "POST", "/phones", "do=invite&role=viewer&days=30&name=Larch", "Content-Type", asForm, "Cookie", cookies[owner])
	all := parse(t, w.Body.String())
	if w.Code != 200 || len(named(all, "svg")) != 1 || !strings.Contains(w.Body.String(), "lasts 30 days") {
		t.Fatalf("an offer on the page: %d", w.Code)
	}
	if strings.Contains(w.Body.String(), "/pair#") {
		t.Error("the link stands on the page as text")
	}
	code := find(all, "class", "code").text
	cookie := pairPhone(t, s, code, "mine")
	if w := ask(s, "GET", "/pair", "", "Cookie", cookie); !strings.Contains(w.Body.String(), "paired as “Larch”, viewer") {
		t.Error("the owner's name for the phone does not stand")
	}
	phones := ask(s, "GET", "/phones", "", "Cookie", cookies[owner])
	if !strings.Contains(phones.Body.String(), "owner, this phone") {
		t.Error("the list does not say which phone this is")
	}
	w = ask(s, "POST", "/phones", "do=revoke&phone=Larch", "Content-Type", asForm, "Cookie", cookies[owner])
	if w.Code != 303 || ask(s, "GET", "/api/alarms", "", "Cookie", cookie).Code != 401 {
		t.Errorf("revoking on the page: %d", w.Code)
	}
	for _, form := range []string{"do=invite&role=board&days=1", "do=invite&role=owner&days=0", "do=invite&role=owner&days=1e9", "do=invite&role=owner&days=366", "do=revoke&phone=", "do=dance", ""} {
		if w := ask(s, "POST", "/phones", form, "Content-Type", asForm, "Cookie", cookies[owner]); w.Code != 422 {
			t.Errorf("%s: %d, want 422", form, w.Code)
		}
	}
	for body, want := range map[string]int{
		`{"role":"board"}`: 409, `{"role":"viewer","for_s":60}`: 409, `{"role":"viewer","for_s":1e12}`: 409,
		`{"role":"viewer","name":"a\nb"}`: 409, `{"role":"viewer","hash":"x"}`: 400, `{"role":"viewer"}{}`: 400, `x`: 400,
	} {
		if w := ask(s, "POST", "/api/pair", body, "Content-Type", asJSON, "Cookie", cookies[owner]); w.Code != want {
			t.Errorf("%s: %d %s, want %d", body, w.Code, w.Body, want)
		}
	}
}

func TestThirtyTwoPhonesAreEnough(t *testing.T) {
	s, _ := paired(t)
	for len(s.phones.list) < maxPhones {
		if _, _, err := s.phones.admit(offer{role: viewer}, "phone", true, ""); err != nil {
			t.Fatal(err)
		}
	}
	if _, _, err := s.phones.admit(offer{role: viewer}, "phone", true, ""); !errors.Is(err, errTooManyPhones) {
		t.Errorf("one more: %v", err)
	}
	names := map[string]bool{}
	for _, p := range s.phones.all(true) {
		names[p.Name] = true
	}
	if len(names) != maxPhones {
		t.Errorf("%d names for %d phones", len(names), maxPhones)
	}
}

// A renter whose time is over must still be sent out of the van.
func TestTheDoorSaysWhatSendsPeopleOut(t *testing.T) {
	s, _ := paired(t)
	if w := ask(s, "GET", "/pair", ""); strings.Contains(w.Body.String(), `role="alert"`) {
		t.Error("a quiet van's door shows an alarm")
	}
	s.Deliver(band(with(quietEvening(), leaveGas(alerts.Unacked), starved(alerts.Unacked)), estimate.Leave, "at or above 10 % of the lower limit"))
	page := ask(s, "GET", "/pair", "").Body.String()
	if !strings.Contains(page, leaveGas(alerts.Unacked).Title) || !strings.Contains(page, "never replaces") || strings.Contains(page, starved(alerts.Unacked).Title) {
		t.Error("the door says nothing of the gas, or says more than that")
	}
	if strings.Index(page, leaveGas(alerts.Unacked).Title) > strings.Index(page, "<form") {
		t.Error("the alarm stands below the form")
	}
}

func TestTheDoorAndPhonesKeepTheBasicsOfAccess(t *testing.T) {
	s, cookies := paired(t)
	for path, cookie := range map[string]string{"/pair": "", "/phones": cookies[owner]} {
		all := parse(t, ask(s, "GET", path, "", "Cookie", cookie).Body.String())
		if len(named(all, "h1")) != 1 || len(named(all, "main")) != 1 || find(all, "lang", "en").order < 0 {
			t.Errorf("%s: want one heading, one main part and a language", path)
		}
		for _, in := range append(named(all, "input"), named(all, "select")...) {
			if in.attr["type"] != "hidden" && find(all, "for", in.attr["id"]).order < 0 {
				t.Errorf("%s: field %q has no label", path, in.attr["name"])
			}
		}
	}
}

func TestTheQRCodeIsDrawnAsItIs(t *testing.T) {
	const link = "http://192.0.2.10:8460/pair#0123456789abcdefghijkl"
	picture, err := qrSVG(link)
	if err != nil {
		t.Fatal(err)
	}
	code, err := qr.Encode(link, qr.M)
	if err != nil {
		t.Fatal(err)
	}
	drawn := map[[2]int]bool{}
	path := string(picture)[strings.LastIndex(string(picture), `d="`)+3:]
	for _, run := range strings.Split(path[:strings.Index(path, `"`)], "M")[1:] {
		var x, y, n, back int
		if k, err := fmt.Sscanf(run, "%d %dh%dv1h-%dz", &x, &y, &n, &back); k != 4 || err != nil || n != back {
			t.Fatalf("run %q: %v", run, err)
		}
		for i := range n {
			drawn[[2]int{x + i - 4, y - 4}] = true
		}
	}
	for y := range code.Size {
		for x := range code.Size {
			if drawn[[2]int{x, y}] != code.Black(x, y) {
				t.Fatalf("module %d, %d is drawn %v", x, y, drawn[[2]int{x, y}])
			}
		}
	}
}

func FuzzPairAndSession(f *testing.F) {
	s := pageFor(quietEvening(), func(o *Options) { o.Open, o.Listen = false, "192.0.2.10:8460" })
	f.Add("K7QD-2M9X", "Anna", "frostline=x")
	f.Add("", "\x1b[31m\n", "frostline=0000000000000000000000000000000000000000000; frostline=")
	f.Fuzz(func(t *testing.T, code, name, cookie string) {
		if _, ok := s.phones.redeem(code); ok {
			t.Fatalf("%q was taken without an offer", code)
		}
		clean := cleanName(name)
		if clean != cleanName(clean) || len(clean) > maxNameB || strings.ContainsAny(clean, "\n\r\x1b\x00") {
			t.Fatalf("name %q became %q", name, clean)
		}
		r := httptest.NewRequest("GET", "/api/snapshot", nil)
		r.Host = "localhost"
		r.Header["Cookie"] = []string{cookie}
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		if w.Code != http.StatusUnauthorized {
			t.Fatalf("cookie %q: %d, want 401", cookie, w.Code)
		}
	})
}

func FuzzPhonesFile(f *testing.F) {
	f.Add([]byte(`{"version":1,"phones":[{"id":"1","name":"a","role":"owner","hash":"` + strings.Repeat("0", 64) + `"}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		list, err := parsePhones(text)
		if err != nil {
			return
		}
		for _, p := range list {
			if p.Role.role != viewer && p.Role.role != owner {
				t.Fatalf("a phone is %v", p.Role)
			}
		}
	})
}
