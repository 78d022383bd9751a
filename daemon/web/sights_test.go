package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
)

// winter is a diary of a whole winter: n nights, colder towards its middle.
type winter struct {
	diary
	n int
}

func (w winter) Nights(_ context.Context, limit int) ([]nights.Night, error) {
	var out []nights.Night
	for i := range w.n {
		x := float64(i)
		outside := 2 - 11*math.Sin(x/float64(w.n)*math.Pi) + 4*math.Sin(x*1.9) + 2*math.Sin(x*0.7)
		low, cabin, cabinLow, pipe := outside-4.2, 17+math.Sin(x), 14.4+math.Sin(x), 4.1+math.Sin(x)
		heater := max(0.1, (41*(cabin-outside)-140+40*math.Sin(x*2.3))*14*3600/46.35e6)
		other, heaterH, kh := 0.06+0.05*math.Sin(x*1.3), 4+heater*3, (cabin-outside)*14
		kg := heater + other
		kgLow, kgHigh, ratio, margin, mj := 0.95*kg-0.02, 1.05*kg+0.02, 2.1-0.4*kg, -2.1-kg, kg*46.35
		out = append(out, nights.Night{Kind: "night", Date: parked.AddDate(0, 0, i-w.n).Format(time.DateOnly),
			FromWall: parked.Truncate(24*time.Hour).AddDate(0, 0, i-w.n).Add(18 * time.Hour).Format(time.RFC3339),
			ToWall:   parked.Truncate(24*time.Hour).AddDate(0, 0, i-w.n).Add(32 * time.Hour).Format(time.RFC3339),
			BurnedKg: &kg, BurnedLowKg: &kgLow, BurnedHighKg: &kgHigh, HeaterKg: &heater, HeaterLowKg: &heater, HeaterHighKg: &kg,
			OtherKg: &other, HeaterH: &heaterH, OutsideLowC: &low, OutsideMeanC: &outside, CabinLowC: &cabinLow, CabinMeanC: &cabin,
			PipeLowC: &pipe, DegreeHours: &kh, HighestBand: "background", WatchedH: 13.9, GapH: 0.1, Alarms: i % 5 / 4,
			Appliances:       []nights.ApplianceUse{{Name: "heater", Kg: heater}, {Name: "cooktop", Kg: other}},
			LeastSupplyRatio: &ratio, LeastSeatMarginK: &margin, EnergyMJ: &mj, ForecastKg: &kg, ForecastLowKg: &kgLow, ForecastHighKg: &kgHigh})
	}
	return out[max(0, len(out)-limit):], nil
}

func (w winter) NightsNear(ctx context.Context, date string) ([]nights.Night, error) {
	all, err := w.Nights(ctx, 1000)
	return nightsNear(all, date), err
}

// Series is a night as a thermostat makes it, with a gap after midnight.
func (w winter) Series(_ context.Context, name string, from, to time.Time, maxPoints int) ([]core.Bucket, error) {
	var out []core.Bucket
	step := max(time.Minute, (to.Sub(from) / time.Duration(maxPoints)).Round(time.Minute))
	for t := from; t.Before(to) && t.Before(parked); t = t.Add(step) {
		h := float64(t.Unix()%86400)/3600 - 12 // hours after noon
		if h < 0 {
			h += 24
		}
		if h > 13.2 && h < 14.1 && name != "gas_band" {
			continue
		}
		cold := -4 - 5*math.Sin((h-4)/14*math.Pi) + 0.3*math.Sin(h*5)
		v, spread := 0.0, 0.0
		on := math.Sin(h*5.4) > 0.1+cold/60
		switch name {
		case "burn_kg_h", "burn_low_kg_h", "burn_high_kg_h":
			if on {
				v, spread = 0.165, 0.01
			}
			if math.Abs(math.Sin(h*5.4)-0.1) < 0.12 {
				spread = 0.08
			}
			v += map[string]float64{"burn_low_kg_h": -0.015, "burn_high_kg_h": 0.02}[name]
			v = max(0, v)
		case "outside_c":
			v, spread = cold, 0.2
		case "cabin_c":
			v, spread = 16.5+0.7*math.Sin(h*5.4-0.9)+cold/8, 0.15
		case "waterline_c":
			v, spread = 4.5+cold/4, 0.1
		case "liquid_c":
			v, spread = cold-2+0.8*math.Sin(h*5.4-1.5), 0.2
		case "gas_band":
			v = 1
		case "supply_ratio":
			v, spread = 2.1+cold/10, 0.1
		default:
			v, spread = 5+cold/5, 0.1
		}
		out = append(out, core.Bucket{FromWall: t, Length: step, Min: v - spread, Mean: v, Max: v + spread, N: 60})
	}
	return out, nil
}

// sight is a van in one state, whose page is looked at with a browser.
type sight struct {
	name string
	page *Server
}

// sights are the states that are looked at.
func sights(t *testing.T) []sight {
	uncertain := quietEvening()
	uncertain.Est.FuelKg = estimate.Unknown("load cell: no counts for 90 s")
	uncertain.Est.BurnKgPerH = estimate.Unknown("load cell: no counts for 90 s")
	uncertain.Est.OutsideC = estimate.Unknown("thermometer: !crc")
	uncertain.Tonight = nights.Tonight{Verdict: "Fuel unknown.", Facts: []string{"load cell: no counts for 90 s", "at full heater input the least fuel you may have lasts until 05:10"},
		NightsLeft: estimate.Unknown("fuel unknown"), EndFuelKg: estimate.Unknown("fuel unknown"), ExpectedLowC: estimate.Unknown("no forecast given")}
	clock := quietEvening()
	clock.Est.ClockTrusted = false
	book := winter{n: 150}
	rows, _ := book.Nights(t.Context(), 150)
	l := nights.NewLedger(nights.Params{})
	l.Restore(nights.Saved{Recent: rows[len(rows)-60:]})
	cold := *quietEvening()
	cold.Tonight.Heat = l.HeatLoss()
	cold.Tonight.Heat.FuelWPerK.At, cold.Tonight.Heat.GainsW.At, cold.Tonight.Heat.BalanceC.At = parkedUp, parkedUp, parkedUp
	gas := band(with(quietEvening(), leaveGas(alerts.Unacked)), estimate.Leave, "at or above 10 % of the lower limit")
	kept := func(o *Options) {
		o.Past = winter{n: 9}
		o.Backup = func(context.Context) (io.ReadCloser, error) { return nil, errors.New("only looked at") }
		o.Erase = func(context.Context) (string, error) { return "", errors.New("only looked at") }
	}
	many := func(o *Options) { o.Past = book; o.Sounder = true }
	none := func(o *Options) { o.Past = nil }
	all := []sight{
		{"fresh", pageFor(nil, none)},
		{"normal", pageFor(quietEvening(), kept)},
		{"uncertain", pageFor(uncertain, kept)},
		{"stale", pageFor(quietEvening(), kept)},
		{"critical", pageFor(gas, kept)},
		{"fell", pageFor(with(quietEvening(), leaveGas(alerts.LatchedAcked)), kept)},
		{"high", pageFor(with(quietEvening(), starved(alerts.Unacked)), many)},
		{"medium", pageFor(with(quietEvening(), tonightShort(alerts.Unacked)), kept)},
		{"low", pageFor(with(quietEvening(), tonightShort(alerts.Acked), starved(alerts.Shelved), traceGas(alerts.Unacked)), kept)},
		{"several", pageFor(band(with(quietEvening(), gasWarning(alerts.Acked), starved(alerts.Unacked), tonightShort(alerts.Unacked), traceGas(alerts.Acked)), estimate.Warning, "rising"), kept)},
		{"blind", pageFor(band(with(quietEvening(), blindGas(alerts.Unacked)), estimate.Blind, "heater voltage out of limits"), kept)},
		{"empty", pageFor(quietEvening(), none, func(o *Options) { o.Unkept = true })},
		{"winter", pageFor(&cold, many)},
		{"clock", pageFor(clock, kept)},
		{"paired", pageFor(quietEvening(), kept, func(o *Options) { o.Open, o.Glance, o.Listen = false, true, "192.0.2.10:8460" })},
	}
	for i := range all {
		all[i].page.hosts[all[i].name+".localhost"] = true
	}
	old := all[3].page
	old.latest.Store(&frame{snap: quietEvening(), at: time.Now().Add(-7 * time.Minute), next: make(chan struct{})})
	return all
}

// host serves every sight under the name NAME.localhost, which browsers take for this machine.
func host(t *testing.T, all []sight) (base func(name string) string) {
	srv := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name, _, _ := strings.Cut(r.Host, ".")
		i := slices.IndexFunc(all, func(s sight) bool { return s.name == name })
		if i < 0 {
			http.NotFound(w, r)
			return
		}
		if f := all[i].page.latest.Load(); r.Header.Get("Accept") != "text/event-stream" && name != "stale" && f.snap != nil {
			all[i].page.Deliver(f.snap) // a slow machine must not make it stale
		}
		all[i].page.ServeHTTP(w, r)
	}))
	srv.Start()
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() })
	_, port, _ := net.SplitHostPort(srv.Listener.Addr().String())
	return func(name string) string { return fmt.Sprintf("http://%s.localhost:%s", name, port) }
}
