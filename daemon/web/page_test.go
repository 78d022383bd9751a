package web

import (
	"encoding/xml"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// element is one element of a parsed page, with the text inside it.
type element struct {
	name  string
	attr  map[string]string
	text  string
	order int
}

// parse reads a page as a list of elements in document order. The page keeps to the subset
// of HTML that a lenient XML reader takes.
func parse(t *testing.T, page string) []*element {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	var all, open []*element
	for {
		token, err := d.Token()
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatalf("the page is not well formed: %v", err)
		}
		switch x := token.(type) {
		case xml.StartElement:
			e := &element{name: x.Name.Local, attr: map[string]string{}, order: len(all)}
			for _, a := range x.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			all, open = append(all, e), append(open, e)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			for _, e := range open {
				e.text += string(x)
			}
		}
	}
}

// find is the first element that has the attribute with the value.
func find(all []*element, key, value string) *element {
	for _, e := range all {
		if e.attr[key] == value {
			return e
		}
	}
	return &element{order: -1}
}

func named(all []*element, name string) (out []*element) {
	for _, e := range all {
		if e.name == name {
			out = append(out, e)
		}
	}
	return out
}

// state is one state of the van whose page is looked at.
type state struct {
	name  string
	snap  *core.Snapshot
	plain bool // without pictures, which no alarm changes
}

// page is a page that shows the state.
func (st state) page() *Server {
	return pageFor(st.snap, func(o *Options) {
		if st.plain {
			o.Past = nil
		}
	})
}

// states are the states every rule of the page must hold in; the alarms are all those of
// the catalogue, with its own texts, in each state they can have.
func states() []state {
	quiet := quietEvening()
	unknown := quietEvening()
	unknown.Est.FuelKg = estimate.Unknown("load cell: no counts for 90 s")
	unknown.Est.ClockTrusted = false
	unknown.Tonight.Verdict, unknown.Tonight.Odds, unknown.Tonight.Facts = "Fuel unknown.", "", []string{"load cell: no counts for 90 s"}
	unknown.Tonight.NightsLeft = estimate.Unknown("fuel unknown")
	out := []state{{"nothing known", nil, false}, {"normal", quiet, false}, {"unknown", unknown, false},
		{"several alarms", with(quiet, leaveGas(alerts.Unacked), gasWarning(alerts.Acked), starved(alerts.Unacked), tonightShort(alerts.Acked), traceGas(alerts.Unacked)), false}}
	for _, r := range alerts.Catalogue(alerts.Defaults()) {
		for _, st := range alerts.States()[1:] {
			a := alerts.Status{ID: r.ID, Title: r.Title, Meaning: r.Meaning, Action: r.Action, Class: r.Class, SendsOut: r.SendsOut, Runbook: r.Runbook,
				State: st, Priority: r.Priority, Silent: r.Silent, Latches: r.Latch, CanShelve: r.CanShelve, Quality: sensors.Good, Why: "the numbers behind it"}
			out = append(out, state{r.ID + " " + st.String(), with(quiet, a), true})
		}
	}
	return out
}

func TestEveryPageKeepsTheBasicsOfAccess(t *testing.T) {
	for _, st := range states() {
		page := ask(st.page(), "GET", "/", "").Body.String()
		all := parse(t, page)
		if n := len(named(all, "h1")); n != 1 {
			t.Errorf("%s: %d h1, want one", st.name, n)
		}
		if all[0].name != "html" || all[0].attr["lang"] != "en" {
			t.Errorf("%s: the page does not say its language", st.name)
		}
		if len(named(all, "main")) != 1 || len(named(all, "footer")) != 1 {
			t.Errorf("%s: want one main and one footer", st.name)
		}
		ids := map[string]bool{}
		for _, e := range all {
			if id, has := e.attr["id"]; has {
				if ids[id] {
					t.Errorf("%s: id %q twice", st.name, id)
				}
				ids[id] = true
			}
			for key := range e.attr {
				if key == "style" || strings.HasPrefix(key, "on") {
					t.Errorf("%s: %s has an inline %s, which the policy forbids", st.name, e.name, key)
				}
			}
			switch {
			case e.name == "style", e.name == "script" && strings.TrimSpace(e.text) != "":
				t.Errorf("%s: inline %s, which the policy forbids", st.name, e.name)
			case e.name == "button" && strings.TrimSpace(e.text) == "":
				t.Errorf("%s: a button without a word", st.name)
			case e.name == "meta" && e.attr["name"] == "viewport" && regexp.MustCompile(`maximum-scale|user-scalable`).MatchString(e.attr["content"]):
				t.Errorf("%s: zoom is disabled", st.name)
			}
			for _, key := range []string{"src", "href", "action"} {
				v, has := e.attr[key]
				if within := e.name == "link" && e.attr["rel"] == "icon" && strings.HasPrefix(v, "data:image/svg+xml;base64,"); within {
					continue // it asks nobody
				}
				if has && !strings.HasPrefix(v, "/") || strings.HasPrefix(v, "//") {
					t.Errorf("%s: %s points outside: %q", st.name, e.name, v)
				}
			}
		}
		for _, e := range all {
			if by := e.attr["aria-labelledby"]; by != "" && !ids[by] {
				t.Errorf("%s: %s is named by %q, which is not there", st.name, e.name, by)
			}
			if (e.name == "input" && e.attr["type"] != "hidden" || e.name == "select") && find(all, "for", e.attr["id"]).name != "label" {
				t.Errorf("%s: field %q has no label", st.name, e.attr["name"])
			}
		}
	}
}

// forbidden are words the program never says (product.md, promises).
var forbidden = regexp.MustCompile(`(?i)\bsafe\b|\ball clear\b|\bno gas detected\b|\bgas[- ]free\b|\bguaranteed?\b|\bNaN\b|<nil>|%!`)

func TestNoPageSaysWhatNobodyCanPromise(t *testing.T) {
	for _, st := range states() {
		paths := []string{"/", "/api/snapshot"}
		if !st.plain {
			paths = append(paths, "/api/alarms", "/metrics")
		}
		for _, path := range paths {
			body := ask(st.page(), "GET", path, "").Body.String()
			if word := forbidden.FindString(body); word != "" {
				t.Errorf("%s of %s says %q", path, st.name, word)
			}
			if !strings.Contains(strings.ToLower(body), "certified gas alarm") && (path != "/metrics" || st.snap != nil) {
				t.Errorf("%s of %s shows gas and does not name the certified gas alarm", path, st.name)
			}
		}
	}
}

func TestTheQuietPageSaysTonightFirstAndEveryNumberWhole(t *testing.T) {
	page := ask(pageFor(quietEvening()), "GET", "/", "").Body.String()
	all := parse(t, page)
	if h1 := named(all, "h1")[0]; h1.text != "Likely enough. About 3 more nights." {
		t.Errorf("h1 is %q, want the verdict", h1.text)
	}
	for key, want := range map[string]string{
		"odds": "9 in 10", "read": "Read at 20:04,", "clock": "",
		"fuel_kg": "5.2", "fuel_kg.unit": "kg", "fuel_kg.range": "4.9–5.5",
		"burn_kg_h": "0.17", "burn_kg_h.unit": "kg/h", "burn_kg_h.range": "0.16–0.19", "burn_kg_h.note": "heater",
		"supply_ratio.note": "what can boil off, over what is burned; not to be relied on alone: blend unknown; can boil off 0.29 kg/h (0.20–0.41) steadily; at the last hour's burn pressure may be thin after 11 h", "freeze_risk": "likely if wet",
		"gas_pct_lel": "background", "gas_pct_lel.note": "nothing above background at this sensor; the certified alarm is the watch",
		"cabin_c": "17.2", "cabin_c.note": "read 4 min earlier", // older than a minute: its own age
		"outside_c": "-7.4", "outside_c.range": "-7.9 to -6.9", "outside_c.note": "",
		"pipe_c": "unknown", "pipe_c.unit": "", "pipe_c.range": "", "pipe_c.note": "no reading for 90 s",
	} {
		if got := find(all, "data-live", key).text; got != want {
			t.Errorf("%s reads %q, want %q", key, got, want)
		}
	}
	if got := find(all, "class", "age").text; got != "Read at 20:04, just now. " {
		t.Errorf("the age of the page reads %q", got)
	}
	for _, want := range []string{"Not fitted: house battery.", "Nothing here can wake you", "pressure thin after 4 am"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(find(all, "id", "row-pipe_c").text, "3.1") {
		t.Error("the page shows the last value of a pipe thermometer that is silent")
	}
	if quiet := ask(pageFor(quietEvening(), func(o *Options) { o.Sounder = true }), "GET", "/", "").Body.String(); strings.Contains(quiet, "can wake you") {
		t.Error("with a tested sounder the page still says that nothing can wake you")
	}
}

func TestAClockThatIsNotTrustedNamesNoHour(t *testing.T) {
	snap := with(quietEvening(), starved(alerts.Unacked))
	snap.Est.ClockTrusted = false
	page := ask(pageFor(snap), "GET", "/", "").Body.String()
	if strings.Contains(page, "20:04") || strings.Contains(page, "20:01") || !strings.Contains(page, "The clock is not set") {
		t.Error("the page shows a time of day that nobody knows, or does not say why it shows none")
	}
}

func TestBeforeTheFirstReadingThePageSaysSo(t *testing.T) {
	s := pageFor(nil)
	page := ask(s, "GET", "/", "").Body.String()
	if h1 := named(parse(t, page), "h1")[0]; h1.text != "Nothing known yet." || !strings.Contains(page, "gas watch is blind") {
		t.Errorf("h1 %q, want that nothing is known and that the gas watch is blind", h1.text)
	}
	if body := ask(s, "GET", "/api/snapshot", "").Body.String(); strings.Contains(body, "numbers") {
		t.Errorf("the API invents numbers: %s", body)
	}
}

func TestGasTakesThePageAndAsksForNoTap(t *testing.T) {
	for _, a := range []alerts.Status{leaveGas(alerts.Unacked), leaveGas(alerts.Acked), leaveGas(alerts.LatchedUnacked), gasWarning(alerts.Unacked), gasWarning(alerts.Acked)} {
		page := ask(pageFor(with(quietEvening(), a, tonightShort(alerts.Acked), starved(alerts.Unacked), traceGas(alerts.Unacked))), "GET", "/", "").Body.String()
		all := parse(t, page)
		name := a.ID + " " + a.State.String()
		if h1 := named(all, "h1")[0]; h1.text != a.Title {
			t.Errorf("%s: h1 is %q, want the cause", name, h1.text)
		}
		first := named(all, "li")[0]
		if !strings.HasPrefix(a.Action, first.text) {
			t.Errorf("%s: the first step is %q, want the first of the action", name, first.text)
		}
		place, verdict, outside := find(all, "class", "place"), find(all, "id", "verdict"), find(all, "id", "part-outside")
		for _, e := range all {
			if (e.name == "form" || e.name == "button" || e.name == "a" || e.name == "audio") && e.order > place.order && e.order < outside.order {
				t.Errorf("%s: a %s stands before what is done later and outside; nothing may ask for a tap", name, e.name)
			}
		}
		if !strings.Contains(place.text, certified) {
			t.Errorf("%s: the first place does not name the certified alarm", name)
		}
		if verdict.order < place.order {
			t.Errorf("%s: the verdict stands above the alarm", name)
		}
	}
}

func TestALevelThatFellIsNotCalledGone(t *testing.T) {
	for _, a := range []alerts.Status{leaveGas(alerts.LatchedUnacked), leaveGas(alerts.LatchedAcked), gasWarning(alerts.Returned), traceGas(alerts.Returned)} {
		page := ask(pageFor(with(quietEvening(), a)), "GET", "/", "").Body.String()
		if !strings.Contains(page, "Level fell, cause unknown") {
			t.Errorf("%s %s: the page lacks \"level fell, cause unknown\"", a.ID, a.State)
		}
	}
}

func TestTheHighestAlarmTakesThePlaceAndTheOthersFollow(t *testing.T) {
	all := parse(t, ask(pageFor(with(quietEvening(), tonightShort(alerts.Unacked), starved(alerts.Unacked), blindGas(alerts.Unacked), traceGas(alerts.Unacked))), "GET", "/", "").Body.String())
	place := find(all, "class", "place")
	for title, inPlace := range map[string]bool{"Heat called for, no gas burning": true, "Gas watch is blind": true, "Tonight's fuel is doubtful": false, "Vapours, source unknown": false} {
		if strings.Contains(place.text, title) != inPlace {
			t.Errorf("%q in the first place: %v, want %v", title, !inPlace, inPlace)
		}
		if n := strings.Count(all[0].text, title); n < 1 {
			t.Errorf("%q is not on the page", title)
		}
	}
	acked := parse(t, ask(pageFor(with(quietEvening(), tonightShort(alerts.Acked), starved(alerts.Shelved))), "GET", "/", "").Body.String())
	if find(acked, "class", "place").order >= 0 || !strings.Contains(acked[0].text, "Shelved for another") {
		t.Error("a medium alarm that was acknowledged must give the place back, and a shelved one stay visible")
	}
}

func TestEveryStandingAlarmCanBeAnswered(t *testing.T) {
	for _, st := range states()[4:] {
		for _, a := range st.snap.Alarms {
			if a.State == alerts.Normal {
				continue
			}
			page := ask(st.page(), "GET", "/", "").Body.String()
			ack := fmt.Sprintf(`<input type="hidden" name="alarm" value="%s"><button name="do" value="ack">`, a.ID)
			reset := strings.Replace(ack, `"ack"`, `"reset"`, 1)
			wantAck := a.State == alerts.Unacked || a.State == alerts.Returned || a.State == alerts.LatchedUnacked
			if n := strings.Count(page, ack); (n == 1) != wantAck || n > 1 {
				t.Errorf("%s: %d buttons to acknowledge, want one: %v", st.name, n, wantAck)
			}
			if n := strings.Count(page, reset); (n == 1) != (a.State == alerts.LatchedAcked) || n > 1 {
				t.Errorf("%s: %d buttons to reset", st.name, n)
			}
			if !a.CanShelve && strings.Contains(page, `value="shelve"`) {
				t.Errorf("%s: shelving is offered for an alarm that cannot be shelved", st.name)
			}
		}
	}
}

func TestABlindGasWatchIsSaidInWords(t *testing.T) {
	snap := band(quietEvening(), estimate.Blind, "heater voltage out of limits")
	snap.Est.WarmingUp, snap.Est.WarmLeft = true, 12*time.Minute
	all := parse(t, ask(pageFor(snap), "GET", "/", "").Body.String())
	if got := find(all, "data-live", "gas_pct_lel").text; got != "not watching" {
		t.Errorf("floor gas reads %q, want \"not watching\"", got)
	}
	note := find(all, "data-live", "gas_pct_lel.note").text
	for _, want := range []string{"heater voltage out of limits", "12 min left", "the certified alarm is the only watch"} {
		if !strings.Contains(note, want) {
			t.Errorf("the note %q lacks %q", note, want)
		}
	}
}

func TestAnOldSnapshotIsCalledStale(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		banner := func() (*element, bool) {
			all := parse(t, ask(s, "GET", "/", "").Body.String())
			_, greyed := named(all, "body")[0].attr["data-stale"]
			return find(all, "id", "stale"), greyed
		}
		time.Sleep(staleAfter)
		if b, greyed := banner(); greyed || b.attr["hidden"] == "" {
			t.Errorf("after two beats the page is already stale")
		}
		time.Sleep(time.Second)
		b, greyed := banner()
		if _, hidden := b.attr["hidden"]; !greyed || hidden || !strings.Contains(b.text, "for 26 s") {
			t.Errorf("banner %q, greyed %v, want it shown with its age", b.text, greyed)
		}
		if body := ask(s, "GET", "/api/snapshot", "").Body.String(); !strings.Contains(body, `"stale":true`) {
			t.Error("the API does not say that the snapshot is stale")
		}
		s.Deliver(quietEvening())
		if _, greyed := banner(); greyed {
			t.Error("a new snapshot must end it")
		}
	})
}

func TestWordsOfAStrangerAreEscaped(t *testing.T) {
	snap := quietEvening()
	snap.Tonight.Facts = []string{`<script>alert(1)</script>`}
	snap.Est.Shares = []estimate.Share{{Name: `"><img src=x>`, KgPerH: 0.1, Sure: true}}
	s := pageFor(snap, func(o *Options) { o.VanName = "<b>Rime</b>" })
	page := ask(s, "GET", "/?done=%3Cscript%3E", "").Body.String()
	for _, bad := range []string{"<script>alert", "<img", "<b>"} {
		if strings.Contains(page, bad) {
			t.Errorf("the page holds %q unescaped", bad)
		}
	}
}

func TestTheAPISaysEveryNumberWithUnitIntervalAndAge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		time.Sleep(2 * time.Second)
		body := ask(s, "GET", "/api/snapshot", "").Body.String()
		for _, want := range []string{
			`"fuel_kg":{"value":5.21,"low":4.9,"high":5.5,"unit":"kg","age_s":2,"quality":"good","why":""}`,
			`"cabin_c":{"value":17.2,"low":16.9,"high":17.5,"unit":"C","age_s":242,"quality":"good","why":""}`,
			`"pipe_c":{"value":null,"low":null,"high":null,"unit":"C","age_s":null,"quality":"missing","why":"no reading for 90 s"}`,
			`"channel":"waterline_c","quality":"missing","why":"no reading for 90 s","value":null`,
			`"verdict":"Likely enough. About 3 more nights."`, `"burned_kg":38.4`, `"band":"background"`,
		} {
			if !strings.Contains(body, want) {
				t.Errorf("/api/snapshot lacks %s", want)
			}
		}
		if again := ask(s, "GET", "/api/snapshot", "").Body.String(); again != body {
			t.Error("the same snapshot at the same moment gives other bytes")
		}
	})
}

func TestAVanWithoutABrokerIsNotToldThatItIsAway(t *testing.T) {
	away := alerts.Status{ID: "broker-away", Title: "The MQTT broker is away", State: alerts.Suppressed, Priority: alerts.Low, Silent: true, SuppressedBy: alerts.BrokerNotConfigured}
	if page := ask(pageFor(with(quietEvening(), away)), "GET", "/", "").Body.String(); strings.Contains(page, away.Title) {
		t.Error("the page has a notice about a broker that nobody asked for")
	}
	away.SuppressedBy = "another alarm of this cause stands"
	if page := ask(pageFor(with(quietEvening(), away)), "GET", "/", "").Body.String(); !strings.Contains(page, away.Title) {
		t.Error("an alarm that is suppressed for another reason is not on the page")
	}
}
