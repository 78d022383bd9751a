package web

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/nights"
	"frostline/sensors"
)

// winterBook is a history with ten cold nights of a van of 40 W/K and 150 W, and one driven.
type winterBook struct {
	diary
	n int
}

func (w winterBook) Nights(_ context.Context, limit int) ([]nights.Night, error) {
	if w.err != nil {
		return nil, w.err
	}
	var out []nights.Night
	for i := range w.n {
		outside, cabin, hours := -9+1.5*float64(i), 18.0, 7.0
		kg := (40*(cabin-outside) - 150) * 16 * 3600 / 46.338e6
		low, high := 0.97*kg, 1.03*kg
		out = append(out, nights.Night{Kind: "night", Date: parked.AddDate(0, 0, i-w.n).Format(time.DateOnly), WatchedH: 16,
			BurnedKg: &kg, BurnedLowKg: &low, BurnedHighKg: &high, HeaterKg: &kg, HeaterH: &hours, OutsideMeanC: &outside,
			CabinMeanC: &cabin, Moved: i == 4})
	}
	return out[max(0, len(out)-limit):], nil
}

// costly is a quiet evening after n such nights.
func costly(t *testing.T, n int) (*core.Snapshot, func(*Options)) {
	t.Helper()
	book := winterBook{n: n}
	rows, err := book.Nights(t.Context(), 100)
	if err != nil {
		t.Fatal(err)
	}
	l := nights.NewLedger(nights.Params{})
	l.Restore(nights.Saved{Recent: rows})
	snap := *quietEvening()
	h := l.HeatLoss()
	h.FuelWPerK.At, h.GainsW.At, h.BalanceC.At = parkedUp, parkedUp, parkedUp
	snap.Tonight.Heat = h
	return &snap, func(o *Options) { o.Past = book }
}

func TestThePageSaysWhatADegreeCostsAndHowItKnows(t *testing.T) {
	snap, with := costly(t, 10)
	page := ask(pageFor(snap, with), "GET", "/", "").Body.String()
	all := parse(t, page)
	if h := find(all, "id", "cost"); h.text != "What the van costs" || h.order < find(all, "id", "now").order || h.order > find(all, "id", "cylinder").order {
		t.Errorf("the section %q stands at %d, want it between Now and Cylinder", h.text, h.order)
	}
	if v := find(all, "data-live", "heat_loss_w_per_k").text; v != "40" && v != "39" && v != "41" {
		t.Errorf("heat loss reads %q, want about 40", v)
	}
	if u := find(all, "data-live", "heat_loss_w_per_k.unit").text; u != "W/K" {
		t.Errorf("its unit reads %q", u)
	}
	if r := find(all, "data-live", "heat_loss_w_per_k.range").text; !strings.Contains(r, "–") {
		t.Errorf("its interval reads %q", r)
	}
	note := find(all, "data-live", "heat_loss_w_per_k.note").text
	for _, want := range []string{"net heating value", "its own losses are in it", "by 9 nights, the last 2026-11-24"} {
		if !strings.Contains(note, want) {
			t.Errorf("the note %q lacks %q", note, want)
		}
	}
	dots, rings := 0, 0
	for _, e := range all {
		switch e.attr["class"] {
		case "cost-night":
			dots++
		case "cost-aside":
			rings++
		}
	}
	if dots != 9 || rings != 1 || find(all, "class", "cost-line").order < 0 || find(all, "class", "cost-band").order < 0 {
		t.Errorf("%d dots and %d rings, want 9 and the night that was driven as a ring, with line and band", dots, rings)
	}
	for _, want := range []string{"heat takes 0.71 kg (", " at 0.0 °C outside in the mean, 1.2 kg (", ") at -10.0 °C.", "per 16 h", "19 nights in 20"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

func TestATypicalHeatLossIsNotPassedOffAsTheVansOwn(t *testing.T) {
	snap, with := costly(t, 3)
	page := ask(pageFor(snap, with), "GET", "/", "").Body.String()
	all := parse(t, page)
	note := find(all, "data-live", "heat_loss_w_per_k.note").text
	if !strings.Contains(note, "not to be relied on alone: typical of a camper van, not learned from this one: 3 of 7") {
		t.Errorf("the note reads %q", note)
	}
	if find(all, "class", "cost-line cost-typical").order < 0 || !strings.Contains(page, "is not known yet. A typical van takes ") {
		t.Error("the typical line is drawn or worded as the van's own")
	}
	if r := find(all, "data-live", "heat_loss_w_per_k.range").text; r != "13–94" {
		t.Errorf("the typical interval reads %q, want a wide one", r)
	}
}

func TestWithoutNightsTheCostIsStillWords(t *testing.T) {
	snap, _ := costly(t, 10)
	page := ask(pageFor(snap, func(o *Options) { o.Past = diary{err: errors.New("disk gone")} }), "GET", "/", "").Body.String()
	all := parse(t, page)
	if find(all, "class", "cost-picture").order >= 0 || find(all, "data-live", "heat_loss_w_per_k").text == "" {
		t.Error("want the numbers without the picture while the store is away")
	}
	none := parse(t, ask(pageFor(quietEvening()), "GET", "/", "").Body.String())
	if v := find(none, "data-live", "balance_c").text; v != "unknown" {
		t.Errorf("a heat loss nobody has reads %q", v)
	}
}

func TestTheAPISaysTheHeatLossWithItsInterval(t *testing.T) {
	snap, with := costly(t, 10)
	body := ask(pageFor(snap, with), "GET", "/api/snapshot", "").Body.String()
	for _, want := range []string{`"heat_loss_w_per_k":{"value":`, `"unit":"W/K"`, `"heat_gains_w":{"value":`, `"balance_c":{"value":`} {
		if !strings.Contains(body, want) {
			t.Errorf("/api/snapshot lacks %s", want)
		}
	}
	q := snap.Tonight.Heat.FuelWPerK
	if q.Quality != sensors.Good || math.Abs(q.Value-40) > 2 || !(q.Low < q.Value && q.Value < q.High) {
		t.Errorf("heat loss %+v, want about 40 W/K", q)
	}
}
