package main

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/history"
	"frostline/daemon/nights"
	"frostline/daemon/web"
	"frostline/sensors"
)

// oldVan is a van with five years behind it, lived a quarter of an hour at a time and the
// last forty days by the minute.
type oldVan struct {
	store  *history.Store
	wiring sensors.Wiring
	up     time.Duration
	tick   uint64
	seq    uint64
}

const lived = 5 * 365 * 24 * time.Hour

func firstEvening() time.Time { return time.Date(2021, 11, 26, 18, 0, 0, 0, time.UTC) }

func fiveYears(b *testing.B) *oldVan {
	b.Helper()
	v := &oldVan{}
	for _, ch := range []sensors.Channel{sensors.LoadCounts, sensors.GasV, sensors.CabinC, sensors.OutsideC, sensors.LockerC, sensors.WaterlineC, sensors.BaroKPa, sensors.BatteryV} {
		v.wiring = append(v.wiring, sensors.Wire{Channel: ch, Period: time.Second})
	}
	var err error
	if v.store, err = history.Open(filepath.Join(b.TempDir(), historyFile), history.Options{Wiring: v.wiring}); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { v.store.Close() })
	for v.up < lived {
		step := 15 * time.Minute
		if v.up >= lived-40*24*time.Hour {
			step = time.Minute
		}
		snap := v.live(step)
		v.store.Deliver(snap)
		if v.tick%300 == 0 || v.up >= lived { // the store's queue is bounded
			snap = v.live(time.Second)
			snap.Checkpoint = fmt.Appendf(nil, `{"seq":%d}`, v.seq)
			v.store.Deliver(snap)
			if err := v.store.Committed(b.Context(), v.tick); err != nil {
				b.Fatal(err)
			}
		}
	}
	return v
}

// live is the next snapshot: a flame every two hours, an alarm every three days and a night each morning.
func (v *oldVan) live(step time.Duration) *core.Snapshot {
	before := v.up
	v.up += step
	v.tick++
	wall := firstEvening().Add(v.up)
	hours := v.up.Hours()
	outside := 4 - 10*math.Cos(hours/24/365*2*math.Pi) - 4*math.Cos(hours/24*2*math.Pi)
	about := func(x, half float64) estimate.Quantity {
		return estimate.Quantity{Value: x, Low: x - half, High: x + half, Quality: sensors.Good, At: v.up}
	}
	e := &estimate.Estimates{FuelKg: about(3+2*math.Sin(hours/70), 0.3), BurnKgPerH: about(0.1+0.05*math.Sin(hours), 0.02), HeaterKgPerH: about(0.1, 0.02),
		LiquidTempC: about(outside-3, 1), CylinderKPa: about(300, 20), CylinderGaugeKPa: about(210, 20), SupplyRatio: about(2, 0.5), SeatMarginK: about(-3, 2),
		OutsideC: about(outside, 0.5), CabinC: about(17, 0.5), PipeC: about(5, 0.5), Band: estimate.Background, Cylinder: estimate.Present, ClockTrusted: true}
	for _, w := range v.wiring {
		e.Channels = append(e.Channels, estimate.ChannelState{Channel: w.Channel, Value: outside, Quality: sensors.Good, Seen: true, LastUp: v.up})
	}
	passed := func(every, phase time.Duration) bool { return (before-phase)/every != (v.up-phase)/every }
	var events []core.Event
	rate := 0.17
	if passed(2*time.Hour, 0) {
		events = append(events, core.Event{Happening: &estimate.Happening{Kind: estimate.BurnerOn, Appliance: "heater", KgPerH: &rate}})
	}
	if passed(2*time.Hour, 40*time.Minute) {
		events = append(events, core.Event{Happening: &estimate.Happening{Kind: estimate.BurnerOff, Appliance: "heater", KgPerH: &rate}})
	}
	if passed(72*time.Hour, 9*time.Hour) {
		events = append(events, core.Event{Alarm: &alerts.Transition{Kind: "alarm", ID: "starved", From: "normal", To: "unacknowledged", Priority: "high", Why: "empty"}})
	}
	if passed(24*time.Hour, 16*time.Hour) {
		events = append(events, core.Event{Night: v.night(wall, outside)})
	}
	for i := range events {
		v.seq++
		events[i].Seq, events[i].Stamp = v.seq, sensors.Stamp{Up: v.up, Wall: wall}
	}
	return &core.Snapshot{Stamp: sensors.Stamp{Up: v.up, Wall: wall}, Boot: "b1", Tick: v.tick, Est: e, Events: events,
		Tonight: nights.Tonight{Verdict: "Likely enough. About 3 more nights.", NightsLeft: about(3, 1), ExpectedLowC: about(-4, 4)}}
}

func (v *oldVan) night(wall time.Time, outside float64) *nights.Night {
	num := func(x float64) *float64 { return &x }
	from := wall.Add(-16 * time.Hour).Truncate(time.Hour)
	kg := max(0.05, 0.9-0.05*outside)
	return &nights.Night{Kind: "night", Date: from.Format(time.DateOnly), FromWall: from.Format(time.RFC3339), ToWall: from.Add(16 * time.Hour).Format(time.RFC3339),
		Version: 2, BurnedKg: num(kg), BurnedLowKg: num(kg - 0.05), BurnedHighKg: num(kg + 0.05), HeaterKg: num(kg), HeaterH: num(7), OutsideLowC: num(outside - 4),
		OutsideMeanC: num(outside), CabinLowC: num(12), CabinMeanC: num(16), PipeLowC: num(3), DegreeHours: num(270), HighestBand: "background", WatchedH: 16,
		EnergyMJ: num(57), LeastSupplyRatio: num(2), LeastSeatMarginK: num(3), Appliances: []nights.ApplianceUse{{Name: "heater", Kg: kg}}}
}

// BenchmarkViews is the server's time for each view of a van with five years of history, on
// a warm cache.
func BenchmarkViews(b *testing.B) {
	v := fiveYears(b)
	page := web.New(web.Options{Open: true, Past: v.store})
	snap := v.live(time.Minute)
	l := nights.NewLedger(nights.Params{})
	rows, err := v.store.Nights(b.Context(), 60)
	if err != nil || len(rows) != 60 {
		b.Fatalf("%d nights, %v", len(rows), err)
	}
	l.Restore(nights.Saved{Recent: rows})
	snap.Tonight.Heat = l.HeatLoss()
	page.Deliver(snap)
	now := snap.Stamp.Wall
	day := func(ago int) string { return now.AddDate(0, 0, -ago).Format(time.DateOnly) }
	series := func(ago int) string {
		return "/api/series?name=outside_c&from=" + now.AddDate(0, 0, -ago).Format(time.RFC3339) + "&to=" + now.Format(time.RFC3339)
	}
	for _, view := range []struct{ name, path string }{
		{"the page", "/"}, {"last night", "/night/" + day(2)}, {"a part of it", "/night/" + day(2) + "?from=0&to=60"}, {"a night five years ago", "/night/" + day(1800)},
		{"the snapshot", "/api/snapshot"}, {"nights, a thousand", "/api/nights?limit=1000"}, {"events, a thousand", "/api/events?limit=1000"},
		{"a day of a series", series(1)}, {"a month", series(30)}, {"five years", series(1820)},
	} {
		b.Run(view.name, func(b *testing.B) {
			before := cpuMS(b)
			for b.Loop() {
				r := httptest.NewRequest(http.MethodGet, "http://localhost"+view.path, nil)
				w := httptest.NewRecorder()
				if page.ServeHTTP(w, r); w.Code != http.StatusOK || w.Body.Len() < 500 {
					b.Fatalf("%s: %d, %d bytes: %.200s", view.path, w.Code, w.Body.Len(), w.Body)
				}
			}
			b.ReportMetric((cpuMS(b)-before)/float64(b.N), "cpu-ms/view")
		})
	}
}

// cpuMS is what this process has used of the processors: on a busy machine the time of a view
// says more of the others than of it.
func cpuMS(b *testing.B) float64 {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e6
}
