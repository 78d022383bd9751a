package web

import (
	"context"
	"encoding/json"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// calibrating is a quiet evening on which somebody calibrates.
func calibrating(begun string) *core.Snapshot {
	s := quietEvening()
	made := estimate.Made{Wall: time.Date(2026, 11, 20, 9, 30, 0, 0, time.UTC), ClockTrusted: true, Actor: "board"}
	now := estimate.ScaleConstants{CountsPerKg: 42900, ZeroCounts: 52000, CalibratedAtC: 12, SpanSDFrac: 0.001, ZeroSDKg: 0.005}
	c := 12.0
	s.Est.Channels = []estimate.ChannelState{{Channel: sensors.LoadCounts, Quality: sensors.Good, Seen: true, Value: 481000},
		{Channel: sensors.GasV, Quality: sensors.Good, Seen: true, Value: 0.612}, {Channel: sensors.LockerC, Quality: sensors.Good, Seen: true, Value: 12}}
	s.Est.CellC = good(12, 10, 14)
	s.Est.LoadNow = estimate.Settled{Mean: 481000, SD: 31, Spread: 92, N: 10, Steady: true}
	s.Est.Calibration = &estimate.Calibration{Begun: begun, ScaleNow: now,
		Scale: []estimate.ScaleRecord{{Made: made, ScaleConstants: now, CellC: &c, Notes: []string{"<look> at the strap"}}},
		Gas:   []estimate.GasRecord{{Made: made, GasConstants: estimate.GasConstants{R0Ohm: 22600}}}}
	return s
}

func TestTheCalibrationPageShowsWhatHoldsAndWhatToDo(t *testing.T) {
	bare, cut, cutGas := quietEvening(), calibrating(""), calibrating("")
	cut.Est.Calibration.Cut, cutGas.Est.Calibration.Cut = estimate.TheScale, estimate.TheGas
	bare.Est.Channels = nil
	for name, k := range map[string]struct {
		snap       *core.Snapshot
		writable   bool
		says, hush []string
	}{
		"at rest": {calibrating(""), true, []string{"481000 counts, steady, noise 0.7 g", "42900 counts/kg give or take 0.2 %", "cell at 12.0 C",
			"20 Nov 2026 09:30, by the board", "&lt;look&gt; at the strap", "R0 22600 ohm by clean air", "Begin with the scale", "Begin in clean air",
			"0.612 V", "Never test with lighter gas", "no known weight", certified, "Nothing here can wake you"}, []string{"Empty cradle now", "This mix now"}},
		"the scale": {calibrating(estimate.TheScale), true, []string{"Empty cradle now", "This weight now", "The cylinder is back"}, []string{"Begin with the scale"}},
		"the gas":   {calibrating(estimate.TheGas), true, []string{"Clean air now", "This mix now"}, []string{"Begin in clean air"}},
		"cut":       {cut, true, []string{"was restarted while the scale was being calibrated", "Begin with the scale"}, []string{"the gas sensor was being"}},
		"cut gas":   {cutGas, true, []string{"was restarted while the gas sensor was being calibrated", "Begin in clean air"}, []string{"the scale was being"}},
		"to read":   {calibrating(estimate.TheScale), false, []string{"can only be read", "42900 counts/kg"}, []string{"<button"}},
		"too early": {nil, true, []string{certified}, []string{"<button"}},
		"no scale":  {bare, true, []string{certified}, []string{"The scale", "Empty cradle"}},
	} {
		w := ask(pageFor(k.snap, func(o *Options) { o.Writable = k.writable }), "GET", "/calibrate", "")
		body := w.Body.String()
		if w.Code != 200 {
			t.Errorf("%s: status %d", name, w.Code)
		}
		for _, text := range k.says {
			if !strings.Contains(body, text) {
				t.Errorf("%s: %q is not on the page", name, text)
			}
		}
		for _, text := range k.hush {
			if strings.Contains(body, text) {
				t.Errorf("%s: %q is on the page", name, text)
			}
		}
	}
}

func TestAFormOfTheCalibrationPageIsACommand(t *testing.T) {
	var got *core.Command
	s := pageFor(calibrating(estimate.TheScale), func(o *Options) {
		o.Command = func(_ context.Context, c core.Command) error { got = &c; return nil }
	})
	for form, want := range map[string]string{
		"do=begin-scale": `{"begin":"scale"}`,
		"do=zero":        `{"zero":true}`,
		"do=weight&kind=shop&weight=10%2C02&mass=kg":                         `{"weight":{"kind":"shop","kg":10.02}}`,
		"do=weight&kind=shop&weight=8&mass=lb":                               `{"weight":{"kind":"shop","kg":3.62873896}}`,
		"do=weight&kind=water&volume=10&water=50&temp=f&container=1&mass=lb": `{"weight":{"kind":"water","volume_l":10,"water_c":10,"container_kg":0.45359237}}`,
		"do=end-scale":               `{"end":"scale"}`,
		"do=begin-gas":               `{"begin":"gas"}`,
		"do=clean":                   `{"clean_air":true}`,
		"do=mix&ppm=850&gas=propane": `{"mix":{"ppm":850,"gas":"propane"}}`,
		"do=end-gas":                 `{"end":"gas"}`,
		"do=undo-scale":              "scale", "do=undo-gas": "gas",
	} {
		got = nil
		w := ask(s, "POST", "/calibrate", form, "Content-Type", asForm)
		if w.Code != 303 || got == nil {
			t.Errorf("%s: status %d: %s", form, w.Code, w.Body)
			continue
		}
		step, _ := json.Marshal(got.Calibrated)
		if got.CalibrationUndone != want && string(step) != want || got.Actor != "page" {
			t.Errorf("%s: %s %s by %s, want %s", form, step, got.CalibrationUndone, got.Actor, want)
		}
		if to := w.Header().Get("Location"); !strings.HasPrefix(to, "/calibrate?done=cal") {
			t.Errorf("%s: goes on to %s", form, to)
		}
	}
	got = nil
	for form, want := range map[string]string{
		"do=weight&kind=shop":                              "Weight: enter it",
		"do=weight&kind=shop&weight=10&volume=10":          "leave it empty",
		"do=weight&kind=water&volume=10&water=12&weight=3": "leave it empty",
		"do=weight&kind=cylinder&weight=16.8":              "stamped tares",
		"do=weight&kind=shop&weight=heavy":                 "is not a number",
		"do=weight&kind=shop&weight=NaN":                   "lies between",
		"do=mix&gas=propane":                               "enter the ppm",
		"do=mix&ppm=850&gas=methane":                       "LP gas",
		"do=mix&ppm=20000&gas=propane":                     "at most half",
		"do=dance":                                         "names no action",
	} {
		w := ask(s, "POST", "/calibrate", form, "Content-Type", asForm)
		if w.Code != 422 || !strings.Contains(w.Body.String(), want) || !strings.Contains(w.Body.String(), "Calibrate</h1>") {
			t.Errorf("%s: status %d, want 422 and %q on the page", form, w.Code, want)
		}
	}
	closed := pageFor(calibrating(""), func(o *Options) {
		o.Writable = false
		o.Command = func(context.Context, core.Command) error {
			t.Error("a page that can only be read gave a command")
			return nil
		}
	})
	if w := ask(closed, "POST", "/calibrate", "do=zero", "Content-Type", asForm); w.Code != 403 {
		t.Errorf("a page that can only be read: %d", w.Code)
	}
}

func TestTheCalibrationIsInJSON(t *testing.T) {
	var got struct {
		Begun string
		Load  struct {
			Mean, SD float64
			Steady   bool
			N        int
		}
		CellC *float64 `json:"cell_c"`
		Scale struct {
			CountsPerKg float64 `json:"counts_per_kg"`
		}
		Records []struct{ Actor string } `json:"scale_records"`
		Heard   *core.Heard              `json:"sounder_heard"`
	}
	w := ask(pageFor(calibrating(estimate.TheScale)), "GET", "/api/calibration", "")
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Begun != "scale" || !got.Load.Steady || got.Load.Mean != 481000 || got.CellC == nil || got.Scale.CountsPerKg != 42900 || len(got.Records) != 1 || got.Heard != nil {
		t.Errorf("%+v", got)
	}
	if w := ask(pageFor(nil), "GET", "/api/calibration", ""); w.Code != 200 || !strings.Contains(w.Body.String(), `"load":null`) {
		t.Errorf("before the first tick: %d %s", w.Code, w.Body)
	}
}

func TestASounderThatWasHeardCanWake(t *testing.T) {
	drill := func(sound string) (time.Duration, error) { return 9 * time.Second, nil }
	heard := quietEvening()
	heard.Heard = &core.Heard{Wall: time.Date(2026, 11, 20, 9, 30, 0, 0, time.UTC), ClockTrusted: true, Actor: "board"}
	for name, k := range map[string]struct {
		snap  *core.Snapshot
		drill func(string) (time.Duration, error)
		wakes bool
	}{
		"fitted and heard":     {heard, drill, true},
		"fitted and not heard": {quietEvening(), drill, false},
		"heard once, gone now": {heard, nil, false},
	} {
		body := ask(pageFor(k.snap, func(o *Options) { o.Drill = k.drill }), "GET", "/", "").Body.String()
		if strings.Contains(body, "Nothing here can wake you") == k.wakes {
			t.Errorf("%s: the page is wrong about whether it can wake", name)
		}
	}
	s := pageFor(heard, func(o *Options) { o.Drill = drill })
	if w := ask(s, "POST", "/api/drill", `{"sound":"critical"}`, "Content-Type", asJSON); w.Code != 403 {
		t.Errorf("a drill from a phone: %d, want it refused", w.Code)
	}
	r := httptest.NewRequest("POST", "/api/drill", strings.NewReader(`{"sound":"critical"}`))
	r.Header.Set("Content-Type", asJSON)
	w := httptest.NewRecorder()
	s.Board().ServeHTTP(w, r)
	if w.Code != 200 || !strings.Contains(w.Body.String(), `"lasts_s":9`) {
		t.Errorf("a drill from the board: %d %s", w.Code, w.Body)
	}
	if body := ask(s, "GET", "/calibrate", "").Body.String(); !strings.Contains(body, "Heard on 20 Nov 2026") {
		t.Error("the calibration page does not say when the sounder was heard")
	}
}
