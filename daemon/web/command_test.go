package web

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"testing"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
)

const (
	asForm = "application/x-www-form-urlencoded"
	asJSON = "application/json"
)

func TestAFormBecomesOneCommand(t *testing.T) {
	yes, no, twentyLb := true, false, 20.0
	for form, want := range map[string]core.Command{
		"do=ack&alarm=starved":                                  {Actor: "page", Ack: "starved"},
		"do=reset&alarm=gas-leave&confirm=1":                    {Actor: "page", Reset: "gas-leave"},
		"do=shelve&alarm=starved&hours=8&confirm=1":             {Actor: "page", Shelve: &core.Shelve{Alarm: "starved", ForS: 28800}},
		"do=unshelve&alarm=starved":                             {Actor: "page", Unshelve: "starved"},
		"do=same":                                               {Actor: "page", Changed: &estimate.Change{Same: true}},
		"do=shelve&alarm=tonight-short&hours=1":                 {Actor: "page", Shelve: &core.Shelve{Alarm: "tonight-short", ForS: 3600}},
		"do=another":                                            {Actor: "page", Changed: &estimate.Change{}},
		"do=another&blend=mix&name=+red+":                       {Actor: "page", Changed: &estimate.Change{Blend: estimate.MixBlend, Name: "red"}},
		"do=collar&tare=7.7&requalify=2031-05":                  {Actor: "page", Collar: &estimate.Collar{TareKg: 7.7, RequalifyBy: "2031-05"}},
		"do=collar&capacity=20&mass=lb":                         {Actor: "page", Collar: &estimate.Collar{CapacityKg: twentyLb * kgPerLb}},
		"do=night&from=20:00&to=08:30:00":                       {Actor: "page", Night: &core.NightWindow{From: "20:00", To: "08:30"}},
		"do=undo&confirm=1":                                     {Actor: "page", Undone: true},
		"do=joint&joint=pigtail&result=bubbles":                 {Actor: "page", Joint: &core.JointCheck{Joint: "pigtail", Result: core.Bubbles}},
		"do=answer&card=41&choice=cooking&text=+onions+":        {Actor: "page", Answered: &core.Answer{Card: 41, Choice: "cooking", Text: "onions"}},
		"do=dismiss&card=41&choice=cooking&text=x":              {Actor: "page", Answered: &core.Answer{Card: 41, Choice: core.Dismissed}},
		"do=another&tare=7,70&fill=&capacity=9.1&mass=kg":       {Actor: "page", Changed: &estimate.Change{TareKg: 7.7, CapacityKg: 9.1}},
		"do=another&tare=20&mass=lb":                            {Actor: "page", Changed: &estimate.Change{TareKg: twentyLb * kgPerLb}},
		"do=low&low=-12&temp=c":                                 {Actor: "page", ExpectedLow: &core.ExpectedLow{C: -12}},
		"do=low&low=\u221212,5&temp=c":                          {Actor: "page", ExpectedLow: &core.ExpectedLow{C: -12.5}},
		"do=low&low=5&temp=f":                                   {Actor: "page", ExpectedLow: &core.ExpectedLow{C: -15}},
		"do=watch-start":                                        {Actor: "page", WeightWatch: &yes},
		"do=watch-end":                                          {Actor: "page", WeightWatch: &no},
		"do=another&tare=7.7&fill=6.8&capacity=9.1&actor=owner": {Actor: "page", Changed: &estimate.Change{TareKg: 7.7, FillKg: 6.8, CapacityKg: 9.1}},
	} {
		var got core.Command
		s := pageFor(quietEvening(), func(o *Options) {
			o.Command = func(_ context.Context, c core.Command) error { got = c; return nil }
		})
		w := ask(s, "POST", "/do", form, "Content-Type", asForm)
		if w.Code != http.StatusSeeOther || w.Header().Get("Location") != after(want)+"?done="+want.Verb() {
			t.Errorf("%s: %d to %q, want 303 back to the page with %q", form, w.Code, w.Header().Get("Location"), want.Verb())
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s became %+v, want %+v", form, got, want)
		}
		if w.Code != http.StatusSeeOther {
			continue
		}
		if page := ask(s, "GET", w.Header().Get("Location"), "").Body.String(); !strings.Contains(page, saidOf(want.Verb())) {
			t.Errorf("%s: the page does not say what was done", form)
		}
	}
}

func TestAWrongFormIsRefusedOnThePageWithTheReason(t *testing.T) {
	taken := 0
	s := pageFor(quietEvening(), func(o *Options) {
		o.Command = func(context.Context, core.Command) error { taken++; return nil }
	})
	for form, want := range map[string]string{
		"do=another&tare=-7.7":                "tare -7.7 kg is not between 1 kg and 80 kg",
		"do=another&tare=0":                   "0 is no weight",
		"do=another&tare=NaN":                 "tare NaN kg is not between",
		"do=another&fill=heavy":               "&#34;heavy&#34; is not a number",
		"do=low":                              "enter a temperature",
		"do=low&low=-100":                     "is not between -60 C and 50 C",
		"do=shelve&alarm=starved":             "for how many hours",
		"do=shelve&alarm=starved&hours=9":     "between 60 s and 8 h",
		"do=shelve&hours=1":                   "name the alarm",
		"do=ack":                              "Nothing asked for",
		"do=another&blend=butane":             "is not one of propane, mix, unknown",
		"do=night&from=20:00&to=20:30":        "lasts 30 min",
		"do=night&from=dusk&to=dawn":          "no time of day",
		"do=collar":                           "nothing entered",
		"do=collar&tare=heavy":                "is not a number",
		"do=joint&joint=pigtail":              "neither no-bubbles nor bubbles",
		"do=joint&joint=elbow&result=bubbles": "none of valve-outlet",
		"do=answer&choice=cooking":            "names no card",
		"do=answer&card=41":                   "choose what it was",
		"do=stop":                             "names no action",
		"":                                    "names no action",
	} {
		w := ask(s, "POST", "/do", form, "Content-Type", asForm)
		body := w.Body.String()
		if w.Code != http.StatusUnprocessableEntity || !strings.Contains(body, want) {
			t.Errorf("%q: status %d, want 422 and %q on the page", form, w.Code, want)
		}
		rest := "Likely enough."
		if strings.HasPrefix(form, "do=another") {
			rest = `id="tare"`
		}
		if !strings.Contains(body, rest) {
			t.Errorf("%q: the rest of the page is gone", form)
		}
	}
	if taken != 0 {
		t.Errorf("%d wrong commands were taken, want none", taken)
	}
}

func TestACommandInJSONIsTakenStrictly(t *testing.T) {
	for body, want := range map[string]struct {
		status int
		says   string
	}{
		`{"ack":"starved"}`:                             {200, `"done":"ack"`},
		`{"shelve":{"alarm":"starved","for_s":3600}}`:   {200, `"done":"shelve"`},
		`{"cylinder_changed":{"tare_kg":7.7}}`:          {200, `"done":"cylinder_changed"`},
		`{"weight_watch":false}`:                        {200, `"done":"weight_watch"`},
		`{"cylinder_changed":{"tare_kg":-7.7}}`:         {400, "tare -7.7 kg is not between"},
		`{"shelve":{"alarm":"starved","for_s":30000}}`:  {400, "8 h"},
		`{"ack":"starved","reset":"starved"}`:           {400, "2 things asked for"},
		`{}`:                                            {400, "nothing asked for"},
		`{"ack":"starved","owner":true}`:                {400, "unknown field"},
		`{"cylinder_changed":{"tare_kg":7.7,"kg":1}}`:   {400, "unknown field"},
		`{"ack":"starved"}{"ack":"starved"}`:            {400, "after the JSON object"},
		`{"ack":"starved"`:                              {400, "command"},
		`["ack"]`:                                       {400, "command"},
		`{"ack":"starved","actor":"owner"}`:             {400, "actor is set here"},
		`{"stop":"please"}`:                             {400, "not taken from a phone"},
		`{"out_of_service":"starved"}`:                  {400, "not taken from a phone"},
		`{"ack_audible":true}`:                          {400, "not taken from a phone"},
		`{"ack":"` + strings.Repeat("x", 1<<20) + `"}`:  {413, "longer than the 65536 bytes"},
		`{"ack":"` + strings.Repeat("x", 20<<10) + `"}`: {400, "at most 16384"},
		strings.Repeat("[", 60<<10):                     {400, "at most 16384"},
	} {
		s := pageFor(quietEvening())
		w := ask(s, "POST", "/api/command", body, "Content-Type", asJSON)
		if w.Code != want.status || !strings.Contains(w.Body.String(), want.says) {
			t.Errorf("%.60s: %d %s, want %d and %q", body, w.Code, w.Body, want.status, want.says)
		}
		var answer map[string]string
		if err := json.Unmarshal(w.Body.Bytes(), &answer); err != nil {
			t.Errorf("%.60s: the answer is no JSON: %v", body, err)
		}
	}
}

func TestARefusalOfTheVanIsShownToThePerson(t *testing.T) {
	s := pageFor(quietEvening(), func(o *Options) {
		o.Command = func(context.Context, core.Command) error {
			return errors.New("reset: gas-leave is still active <at 6 %>")
		}
	})
	w := ask(s, "POST", "/api/command", `{"reset":"gas-leave"}`, "Content-Type", asJSON)
	if w.Code != 409 || !strings.Contains(w.Body.String(), "still active") {
		t.Errorf("in JSON: %d %s, want 409 and the reason", w.Code, w.Body)
	}
	w = ask(s, "POST", "/do", "do=reset&alarm=gas-leave&confirm=1", "Content-Type", asForm)
	if w.Code != 409 || !strings.Contains(w.Body.String(), "gas-leave is still active &lt;at 6 %&gt;") {
		t.Errorf("on the page: %d, want 409 and the reason, escaped", w.Code)
	}
}

func TestAReadOnlyPageTakesNoCommandAndShowsNoButtons(t *testing.T) {
	taken := 0
	s := pageFor(quietEvening(), func(o *Options) {
		o.Writable = false
		o.Command = func(context.Context, core.Command) error { taken++; return nil }
	})
	if w := ask(s, "POST", "/api/command", `{"ack":"starved"}`, "Content-Type", asJSON); w.Code != 403 || !strings.Contains(w.Body.String(), "only be read") {
		t.Errorf("JSON: %d %s, want 403 and the reason", w.Code, w.Body)
	}
	if w := ask(s, "POST", "/do", "do=ack&alarm=starved", "Content-Type", asForm); w.Code != 403 {
		t.Errorf("form: %d, want 403", w.Code)
	}
	if taken != 0 {
		t.Errorf("%d commands taken, want none", taken)
	}
	if page := ask(s, "GET", "/", "").Body.String(); strings.Contains(page, `action="/do"`) {
		t.Error("the page offers a form that would be refused")
	}
}

func TestAFormThatIsTooLongIsRefusedClearly(t *testing.T) {
	w := ask(pageFor(quietEvening()), "POST", "/do", "do=ack&alarm="+strings.Repeat("x", 1<<20), "Content-Type", asForm)
	if w.Code != 413 || !strings.Contains(w.Body.String(), "65536 bytes") {
		t.Errorf("%d %s, want 413 and the limit", w.Code, w.Body)
	}
}

// The page may be served over HTTPS today and in the clear tomorrow, by the same name.
func TestALookChosenOverHTTPSCanBeChangedInTheClear(t *testing.T) {
	s := pageFor(quietEvening())
	r := httptest.NewRequest("POST", "/look", strings.NewReader("theme=night"))
	r.Host, r.TLS = "localhost", &tls.ConnectionState{}
	r.Header.Set("Content-Type", asForm)
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	if c := w.Result().Cookies(); w.Code != 303 || len(c) != 1 || c[0].Name != "look" || c[0].Secure {
		t.Errorf("%d, %v; want a cookie that plain HTTP may replace", w.Code, c)
	}
}

func TestAPhoneKeepsItsOwnLook(t *testing.T) {
	s := pageFor(quietEvening())
	w := ask(s, "POST", "/look", "theme=night&mass=lb&temp=f&pressure=psi&burn=btu&basis=gross", "Content-Type", asForm)
	cookies := w.Result().Cookies()
	if w.Code != 303 || len(cookies) != 1 || cookies[0].Value != "night.lb.f.psi.btu.gross" || !cookies[0].HttpOnly || cookies[0].SameSite != http.SameSiteStrictMode {
		t.Fatalf("status %d, cookies %v, want 303 and one strict cookie night.lb.f.psi.btu.gross", w.Code, cookies)
	}
	page := ask(s, "GET", "/", "", "Cookie", "look=night.lb.f.psi.btu.gross").Body.String()
	for _, want := range []string{`data-theme="night"`, ">11.5</span> <span class=\"unit\" data-live=\"fuel_kg.unit\">lb<", "°F", "Net 10.8–12.1 lb of 20.0 lb by the stamp",
		">34</span> <span class=\"unit\" data-live=\"cylinder_gauge_kpa.unit\">psi<", ">8200</span> <span class=\"unit\" data-live=\"burn_kg_h.unit\">BTU/h gross<"} {
		if !strings.Contains(page, want) {
			t.Errorf("page of that phone lacks %q", want)
		}
	}
	if old := ask(s, "GET", "/", "", "Cookie", "look=night.lb.f").Body.String(); !strings.Contains(old, `data-theme="night"`) || !strings.Contains(old, ">lb/h<") {
		t.Error("a look kept by an older version is forgotten")
	}
	for _, odd := range []string{"look=neon.stone.kelvin", "look=night", "look=%22%3E.kg.c"} {
		if page := ask(s, "GET", "/", "", "Cookie", odd).Body.String(); !strings.Contains(page, `data-theme="auto"`) || !strings.Contains(page, ">5.2</span>") {
			t.Errorf("cookie %q: want the default look", odd)
		}
	}
}
