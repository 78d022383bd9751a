package web

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
)

// justChanged is a van on which another cylinder has just been put, in the dark.
func justChanged() *core.Snapshot {
	s := quietEvening()
	s.Est.TareEntered, s.Est.UndoForS, s.Est.StampSDKg = false, 3480, 0.04
	s.Est.GrossKg, s.Est.FuelKg = good(14.9, 14.85, 14.95), suspect(6.3, 5.4, 7.1, "tare not entered")
	s.Est.LastWord = &estimate.Change{Blend: estimate.UnknownBlend, Name: "red"}
	s.Est.Blend, s.Est.CylinderName = estimate.UnknownBlend, "red"
	return s
}

func TestDangerousOrdersAreAskedAboutOnceAndSayWhatTheyDo(t *testing.T) {
	for form, want := range map[string][]string{
		"do=reset&alarm=gas-leave":        {"Reset this alarm? Gas at floor level.", "from outside only", "qualified person", "no proof", "certified gas alarm"},
		"do=shelve&alarm=starved&hours=4": {"Shelve this alarm? Heat called for", "For 4 h it makes no sound", "after a restart", `name="hours" value="4"`},
		"do=undo":                         {"Take the change back?", "weighed and burned since stays"},
		"do=reset&alarm=%22%3E%3Cb%3E":    {"&#34;&gt;&lt;b&gt;"},
	} {
		var taken []core.Command
		s := pageFor(quietEvening(), func(o *Options) {
			o.Command = func(_ context.Context, c core.Command) error { taken = append(taken, c); return nil }
		})
		w := ask(s, "POST", "/do", form, "Content-Type", asForm)
		page := w.Body.String()
		if w.Code != http.StatusOK || len(taken) != 0 {
			t.Errorf("%s: %d, %d taken; want a question", form, w.Code, len(taken))
		}
		again := "confirm=1"
		for _, e := range named(parse(t, page), "input") {
			if e.attr["name"] != "confirm" {
				again += "&" + e.attr["name"] + "=" + strings.ReplaceAll(e.attr["value"], " ", "+")
			}
		}
		for _, x := range append(want, "No, go back", `name="confirm" value="1"`) {
			if !strings.Contains(page, x) {
				t.Errorf("%s: the question lacks %q", form, x)
			}
		}
		if strings.Contains(form, "%") {
			continue
		}
		if w := ask(s, "POST", "/do", again, "Content-Type", asForm); w.Code != http.StatusSeeOther || len(taken) != 1 {
			t.Errorf("%s: confirmed, %d with %d taken; want it done once", form, w.Code, len(taken))
		}
	}
	reader := pageFor(quietEvening(), func(o *Options) { o.Writable = false })
	if w := ask(reader, "POST", "/do", "do=reset&alarm=gas-leave", "Content-Type", asForm); w.Code != http.StatusForbidden {
		t.Errorf("a reader is asked: %d, want 403", w.Code)
	}
}

func TestThePageOfAChangeLeadsThroughIt(t *testing.T) {
	page := ask(pageFor(justChanged()), "GET", "/change?done=cylinder_changed", "").Body.String()
	before := strings.Index(page, "Photograph the collar")
	same, another := strings.Index(page, `value="same"`), strings.Index(page, `value="another"`)
	if before < 0 || same < before || another < same {
		t.Errorf("the list stands at %d, the buttons at %d and %d; want them in that order", before, same, another)
	}
	for _, want := range []string{"Cylinder noted.", "5.4–7.1 kg, tare not entered.", "can wait until morning", "Nobody knows the blend", "Called red",
		`value="undo"`, "for another 58 min", `href="/check"`, "Don't know", "cannot tell which cylinder feeds"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if n := len(named(parse(t, page), "h1")); n != 1 {
		t.Errorf("%d h1, want one", n)
	}
	first := ask(pageFor(justChanged()), "GET", "/", "").Body.String()
	for _, want := range []string{"5.4–7.1 kg, tare not entered. Read the collar:", `value="collar"`, `href="/change"`, `value="undo"`} {
		if !strings.Contains(first, want) {
			t.Errorf("the first page lacks %q", want)
		}
	}
	if done := ask(pageFor(quietEvening()), "GET", "/", "").Body.String(); strings.Contains(done, `value="collar"`) || strings.Contains(done, `value="undo"`) {
		t.Error("with the tare entered the first page still asks for it, or offers an undo of nothing")
	}
}

func TestTheNetWeightIsSaidBeforeAnythingIsNoted(t *testing.T) {
	for form, want := range map[string][]string{
		"tare=8.3&mass=kg": {"Net weighed: 6.5–6.7 kg.", "Not full: the stamp allows 9.1 kg."},
		"tare=5.2&capacity=9.1&mass=kg&requalify=2019-05": {"Net weighed: 9.6–9.8 kg.", "Overfilled", "Do not use it", "Stamped 2019-05; the filler decides."},
		"tare=5.9&capacity=9.1&mass=kg":                   {"Net weighed: 8.9–9.1 kg."},
		"tare=18.3&mass=lb":                               {"Net weighed: 6.5–6.7 kg."},
		"tare=16&mass=kg":                                 {"more than the 14.9–15.0 kg on the scale"},
		"tare=800&mass=kg":                                {"not between"},
		"tare=x":                                          {"is not a number"},
		"":                                                {"Type the stamped tare"},
	} {
		s := pageFor(justChanged(), func(o *Options) {
			o.Command = func(context.Context, core.Command) error { t.Errorf("%s: something was noted", form); return nil }
		})
		w := ask(s, "POST", "/change", form+"&name=%3Cb%3E&blend=mix&do=preview", "Content-Type", asForm)
		all := parse(t, w.Body.String())
		net := find(all, "id", "net").text
		for _, x := range want {
			if !strings.Contains(net, x) {
				t.Errorf("%s: it says %q, want %q", form, net, x)
			}
		}
		if w.Code != 200 || find(all, "id", "name").attr["value"] != "<b>" || !strings.Contains(w.Body.String(), `value="mix" checked`) {
			t.Errorf("%s: what was typed is lost", form)
		}
	}
	if strings.Contains(strings.Join(typed(justChanged().Est, core.Command{Changed: &estimate.Change{TareKg: 5.9}}, look{}.checked()), " "), "full") {
		t.Error("a full cylinder is called something else")
	}
	off := justChanged()
	off.Est.GrossKg = estimate.Unknown("no cylinder on the scale")
	if w := ask(pageFor(off), "POST", "/change", "tare=8.3", "Content-Type", asForm); !strings.Contains(w.Body.String(), "Net not known: no cylinder on the scale.") {
		t.Error("without a weight the page does not say why there is no net")
	}
	if w := ask(pageFor(off), "POST", "/change", "tare=8.3"); w.Code != http.StatusUnsupportedMediaType {
		t.Errorf("a body of no kind: %d", w.Code)
	}
}

func TestARefusedChangeKeepsWhatWasTyped(t *testing.T) {
	w := ask(pageFor(justChanged()), "POST", "/do", "do=another&tare=780&name=red&blend=mix", "Content-Type", asForm)
	all := parse(t, w.Body.String())
	if w.Code != http.StatusUnprocessableEntity || find(all, "id", "tare").attr["value"] != "780" || find(all, "id", "name").attr["value"] != "red" ||
		!strings.Contains(find(all, "role", "alert").text, "tare 780 kg is not between") {
		t.Errorf("%d; want the page of the change with the reason and what was typed", w.Code)
	}
}

func TestOnlyAFreshCylinderIsCalledUnderfilled(t *testing.T) {
	page := func(word *estimate.Change, entered bool) bool {
		s := justChanged()
		s.Est.FuelKg, s.Est.TareEntered, s.Est.LastWord = good(6.6, 6.5, 6.7), entered, word
		return strings.Contains(ask(pageFor(s), "GET", "/change", "").Body.String(), "Not full: the stamp allows 9.1 kg.")
	}
	if !page(&estimate.Change{}, true) {
		t.Error("an exchange filled to 6.6 of 9.1 kg is not noticed")
	}
	if page(&estimate.Change{Same: true}, true) || page(nil, true) || page(&estimate.Change{}, false) {
		t.Error("a cylinder in use, or one of unknown tare, is called underfilled")
	}
}

func TestTheCheckOfJointsNamesEachAndNeverCallsThemTight(t *testing.T) {
	page := func(snap *core.Snapshot) string { return ask(pageFor(snap), "GET", "/check", "").Body.String() }
	first := page(quietEvening())
	last := -1
	for _, id := range core.Joints() {
		name, how := jointWords(id)
		at := strings.Index(first, name)
		if at <= last || how == "" || name == id {
			t.Errorf("%s stands at %d, after %d: %q, %q", id, at, last, name, how)
		}
		last = at
	}
	for _, want := range []string{"Never a lighter", "watch it for 60 seconds", `data-wait="60"`, "It is not a tightness test", "close the cylinder valve first"} {
		if !strings.Contains(first, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	looked := quietEvening()
	for _, id := range core.Joints() {
		looked.Joints = append(looked.Joints, core.JointAnswer{JointCheck: core.JointCheck{Joint: id, Result: core.NoBubbles}, Wall: parked})
	}
	p := page(looked)
	if !strings.Contains(p, "No bubbles seen at 20:04.") || !strings.Contains(p, "No bubbles seen at any joint; this is not a tightness test.") {
		t.Error("answers or their result are missing")
	}
	looked.Est.Watch = estimate.WeightWatch{Asked: true, Quiet: true, SmallestGPerH: good(4, 4, 4), NextInS: 5400, NextGPerH: good(3, 3, 3)}
	p = page(looked)
	for _, want := range []string{"No bubbles seen, and no loss above 4 g/h seen; this is not a tightness test.", "It can tell a loss from 4 g/h now. After another 1 h 30 min with everything off it can tell one from about 3 g/h."} {
		if !strings.Contains(p, want) {
			t.Errorf("the result lacks %q", want)
		}
	}
	if words := strings.ToLower(p); strings.Contains(words, "all clear") || strings.Contains(words, "safe") {
		t.Error("the check promises")
	}
	looked.Joints[2].Result = core.Bubbles
	p = page(looked)
	stop, joints := strings.Index(p, "Bubbles: Pigtail or hose"), strings.Index(p, "The joints, in this order")
	if stop < 0 || stop > joints || !strings.Contains(p[stop:joints], "Close the cylinder valve.") || !strings.Contains(p[stop:joints], "qualified fitter") {
		t.Error("bubbles do not stand first with what to do")
	}
	if strings.Contains(p, "No bubbles seen, and no loss") || strings.Contains(p, "No bubbles seen at any joint") {
		t.Error("with bubbles at one joint the result still says none")
	}
}

func TestMachinesSeeWhatIsAskedAndWhatWasSeen(t *testing.T) {
	snap := justChanged()
	snap.Cards = []core.Card{{Seq: 41, Alarm: "co-alarm", Wall: parked, TimesN: 1}}
	snap.Joints = []core.JointAnswer{{JointCheck: core.JointCheck{Joint: "pigtail", Result: core.Bubbles}}}
	body := ask(pageFor(snap), "GET", "/api/snapshot", "").Body.String()
	for _, want := range []string{`"blend_said":"unknown"`, `"change_can_be_undone":true`, `"night":{"from":"18:00","to":"10:00","from_the_next_on":""}`,
		`"joints":[{"joint":"pigtail","result":"bubbles"}]`, `"cards":[{"seq":41,"alarm":"co-alarm","wall":"2026-11-25T20:04:12Z","times":1,"choices":["heater-or-flue",`} {
		if !strings.Contains(body, want) {
			t.Errorf("the snapshot lacks %s", want)
		}
	}
}

func TestWhatAWatchSeesSaysWhenItIsBlind(t *testing.T) {
	w := estimate.WeightWatch{SmallestGPerH: estimate.Unknown("young"), BlindForS: 4 * 3600, NextInS: 5 * 3600, NextGPerH: good(5, 5, 5)}
	if got := watchSees(w); got != "It can tell no loss from none yet. The scale settles for another 4 h after the change; what it says counts from then on." {
		t.Error(got)
	}
}

func TestACardAsksOnceAndOffersTheAnswersOfItsAlarm(t *testing.T) {
	snap := quietEvening()
	snap.Cards = []core.Card{{Seq: 41, Alarm: "starved", Wall: parked.Add(-16 * time.Hour), TimesN: 2}, {Seq: 50, Alarm: "gas-warning", TimesN: 1}}
	page := ask(pageFor(snap), "GET", "/", "").Body.String()
	for _, want := range []string{"What was it?", "Heat called for, no gas burning, on 25 November, 04:04, 2 times", "at an hour that is not known",
		`value="heater-locked-out"`, `value="joint-leaked"`, `maxlength="200"`, "no answer changes a limit"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, id := range []string{"starved", "gas-warning", "co-alarm", "pipe-cold", "battery-low"} {
		for _, c := range core.Choices(id) {
			if w := choiceWord(c); w == "" || strings.Contains(w, "-") {
				t.Errorf("%s is worded %q", c, w)
			}
		}
	}
	if p := ask(pageFor(snap, func(o *Options) { o.Writable = false }), "GET", "/", "").Body.String(); strings.Contains(p, "What was it?") {
		t.Error("a reader is asked")
	}
	if p := ask(pageFor(with(snap, leaveGas(alerts.Unacked))), "GET", "/", "").Body.String(); strings.Contains(p, "What was it?") {
		t.Error("in a gas alarm the page asks about another one")
	}
}

func TestWhileAnAlarmSendsPeopleOutThereIsNothingToDoInside(t *testing.T) {
	s := pageFor(with(justChanged(), leaveGas(alerts.Unacked)))
	for _, path := range []string{"/change", "/check"} {
		if w := ask(s, "GET", path, ""); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/" {
			t.Errorf("%s: %d to %q, want the way to the alarm", path, w.Code, w.Header().Get("Location"))
		}
	}
	falls := alarm("leak-suspicion", alerts.ClassGas, alerts.High, alerts.Unacked, "Weight falls while all is off", "Try the joints with leak-detection fluid.", "")
	if w := ask(pageFor(with(justChanged(), falls)), "GET", "/check", ""); w.Code != http.StatusOK {
		t.Errorf("a weight that falls asks for the joints, and the page of the joints answers %d", w.Code)
	}
	for _, path := range []string{"/change", "/check"} {
		w := ask(pageFor(nil), "GET", path, "")
		if w.Code != 200 || !strings.Contains(w.Body.String(), "Nothing known yet") {
			t.Errorf("%s before the first reading: %d", path, w.Code)
		}
		reader := ask(pageFor(justChanged(), func(o *Options) { o.Writable = false }), "GET", path, "")
		if reader.Code != 200 || strings.Contains(reader.Body.String(), `action="/do"`) {
			t.Errorf("%s: a reader is offered an order", path)
		}
	}
}
