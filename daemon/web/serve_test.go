package web

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
)

// TestServe holds that each made-up van has a page. With an address it serves them for
// looking at in a browser, until interrupted:
// FROSTLINE_SERVE=127.0.0.1:8461 go test -run TestServe -timeout 0 ./daemon/web
// then http://quiet.localhost:8461/light, http://leave.localhost:8461/night and so on: the
// van is the name of the host, the theme is the path.
func TestServe(t *testing.T) {
	vans := map[string]*core.Snapshot{
		"quiet":   quietEvening(),
		"leave":   band(with(quietEvening(), leaveGas(alerts.Unacked), starved(alerts.Unacked)), estimate.Leave, "at or above 10 % of the lower limit"),
		"fell":    with(quietEvening(), leaveGas(alerts.LatchedAcked)),
		"warning": band(with(quietEvening(), gasWarning(alerts.Acked)), estimate.Warning, "rising"),
		"blind":   band(with(quietEvening(), blindGas(alerts.Unacked)), estimate.Blind, "heater voltage out of limits"),
		"starved": with(quietEvening(), starved(alerts.Unacked), traceGas(alerts.Acked)),
		"short":   with(quietEvening(), tonightShort(alerts.Unacked)),
		"notices": with(quietEvening(), tonightShort(alerts.Acked), starved(alerts.Shelved), traceGas(alerts.Unacked)),
		"fresh":   nil,
	}
	for _, st := range states() { // gas-leave.localhost and so on: each alarm of the catalogue, just raised
		if id, raised := strings.CutSuffix(st.name, " "+alerts.Unacked.String()); raised {
			vans[id] = st.snap
		}
	}
	pages := make(map[string]*Server)
	for name := range vans {
		pages[name] = New(Options{Open: true, Hosts: []string{name + ".localhost"}, Metrics: true, Writable: true, VanName: "Rime", Past: diary{}, Version: "0.1.0",
			Sounder: name == "starved", Command: func(context.Context, core.Command) error { return nil }})
	}
	addr := os.Getenv("FROSTLINE_SERVE")
	if addr == "" {
		for name, van := range vans {
			if van != nil {
				pages[name].Deliver(van)
			}
			r := httptest.NewRequest(http.MethodGet, "http://"+name+".localhost/", nil)
			w := httptest.NewRecorder()
			if pages[name].ServeHTTP(w, r); w.Code != http.StatusOK || strings.Count(w.Body.String(), "<h1") != 1 {
				t.Errorf("%s: status %d, want a page with one heading", name, w.Code)
			}
		}
		return
	}
	pages["live"] = New(Options{Open: true, Hosts: []string{"live.localhost"}, Past: diary{}, Writable: true, Command: func(context.Context, core.Command) error { return nil }})
	go func() { // the fuel falls by 100 g a second; half of each minute there is gas
		for i := 0; ; i++ {
			van := later(quietEvening(), time.Duration(i)*time.Second)
			van.Est.FuelKg = good(5.2-float64(i%30)/10, 4.9-float64(i%30)/10, 5.5-float64(i%30)/10)
			if i%60 >= 30 {
				van = band(with(van, leaveGas(alerts.Unacked)), estimate.Leave, "at or above 10 % of the lower limit")
			}
			pages["live"].Deliver(van)
			for name, still := range vans {
				if still != nil {
					pages[name].Deliver(still)
				}
			}
			time.Sleep(time.Second)
		}
	}()
	t.Fatal(http.ListenAndServe(addr, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		van, _, _ := strings.Cut(r.Host, ".")
		switch {
		case pages[van] == nil:
			http.Redirect(w, r, "http://quiet.localhost"+addr[strings.LastIndex(addr, ":"):], http.StatusFound)
		case slices.Contains(themes(), strings.Trim(r.URL.Path, "/")):
			http.SetCookie(w, &http.Cookie{Name: lookCookie, Value: strings.Trim(r.URL.Path, "/") + ".kg.c", Path: "/"})
			http.Redirect(w, r, "/", http.StatusFound)
		default:
			pages[van].ServeHTTP(w, r)
		}
	})))
}
