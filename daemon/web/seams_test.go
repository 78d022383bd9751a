package web

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
)

func TestNoPageHidesAnAlarmThatSendsPeopleOut(t *testing.T) {
	s := pageFor(band(with(quietEvening(), leaveGas(alerts.Unacked)), estimate.Leave, "at or above 10 % of the lower limit"))
	for _, path := range []string{"/", "/night/2026-11-25", "/calibrate", "/data", "/phones"} {
		w := ask(s, "GET", path, "")
		if body := w.Body.String(); w.Code != 200 || !strings.Contains(body, "<li>Out, everyone.</li>") && !strings.Contains(body, "<li>Out") {
			t.Errorf("%s: %d, without the first thing to do", path, w.Code)
		}
	}
	for _, path := range []string{"/change", "/check"} {
		if w := ask(s, "GET", path, ""); w.Code != 303 || w.Header().Get("Location") != "/" {
			t.Errorf("%s: %d to %q, want the way to the alarm", path, w.Code, w.Header().Get("Location"))
		}
	}
}

func TestErasingGoesByTheSwitchAndNotOverAnAlarm(t *testing.T) {
	erased := 0
	erase := func(o *Options) { o.Erase = func(context.Context) (string, error) { erased++; return "Erased.", nil } }
	form := []string{"Content-Type", "application/x-www-form-urlencoded"}
	for name, c := range map[string]struct {
		s    *Server
		want int
	}{
		"only to be read": {pageFor(quietEvening(), erase, func(o *Options) { o.Writable = false }), http.StatusForbidden},
		"a latched alarm": {pageFor(with(quietEvening(), leaveGas(alerts.LatchedAcked)), erase), http.StatusServiceUnavailable},
		"nothing against": {pageFor(quietEvening(), erase), http.StatusOK},
	} {
		before := erased
		if w := ask(c.s, "POST", "/data", "do=erase&sure=yes", form...); w.Code != c.want || (erased > before) != (c.want == http.StatusOK) {
			t.Errorf("%s: %d, want %d; erased %v", name, w.Code, c.want, erased > before)
		}
	}
}

func TestTheLinkToTonightGoesByTheHoursInUse(t *testing.T) {
	snap := quietEvening() // 20:04
	snap.Night = nights.Window{StartMin: 23 * 60, EndMin: 10 * 60}
	s := pageFor(snap, func(o *Options) { o.Nights = nights.Params{StartMin: 18 * 60, EndMin: 10 * 60} })
	if date, lives := s.lived(s.latest.Load()); lives {
		t.Errorf("at 20:04 the night of %s is lived, which begins at 23:00", date)
	}
	snap.Night.StartMin = 19 * 60
	if date, lives := s.lived(s.latest.Load()); !lives || date != "2026-11-25" {
		t.Errorf("at 20:04 no night is lived (%q), though it began at 19:00", date)
	}
}
