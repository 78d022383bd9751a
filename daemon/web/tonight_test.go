package web

import (
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"frostline/daemon/estimate"
)

func TestTheMorningsFuelIsShownWhereItIsKnown(t *testing.T) {
	page := func(change func(q *estimate.Quantity)) string {
		snap := quietEvening()
		change(&snap.Tonight.EndFuelKg)
		w := httptest.NewRecorder()
		pageFor(snap).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8460/", nil))
		return w.Body.String()
	}
	if body := page(func(*estimate.Quantity) {}); !strings.Contains(body, "Left in the morning") || !strings.Contains(body, "3.2–3.9") {
		t.Error("the page lacks what is left in the morning, 3.2–3.9 kg")
	}
	if body := page(func(q *estimate.Quantity) { *q = estimate.Unknown("moving") }); strings.Contains(body, "Left in the morning") {
		t.Error("unknown fuel of the morning takes a row")
	}
}

func TestTheAPISaysTheForecastWithItsUnits(t *testing.T) {
	w := httptest.NewRecorder()
	pageFor(quietEvening()).getSnapshot(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8460/api/snapshot", nil))
	var got struct {
		Numbers map[string]numberJSON `json:"numbers"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]struct {
		unit  string
		value float64
	}{"night_kg": {"kg", 1.6}, "end_fuel_kg": {"kg", 3.6}, "fuel_odds": {"1", 0.99}, "pressure_odds": {"1", 0.93}} {
		n := got.Numbers[name]
		if n.Value == nil || math.Abs(*n.Value-want.value) > 1e-9 || n.Unit != want.unit || n.AgeS == nil {
			t.Errorf("%s is %+v, want %g in %q with an age", name, n, want.value, want.unit)
		}
	}
	if n := got.Numbers["thin_after_h"]; n.Value != nil || n.Why != "not before the night is over" {
		t.Errorf("thin_after_h is %+v, want no number and its reason", n)
	}
}
