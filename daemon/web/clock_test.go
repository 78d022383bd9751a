package web

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

func TestAPhoneSetsTheClock(t *testing.T) {
	zone := time.FixedZone("van", 2*3600)
	for form, want := range map[string]string{
		"do=clock&wall=2026-11-25T18:04:12.250Z&local=":      "2026-11-25T18:04:12.25Z",
		"do=clock&wall=&local=2026-11-25T20:04":              "2026-11-25T18:04:00Z", // typed: in the van's zone
		"do=clock&local=2026-11-25T20:04:30":                 "2026-11-25T18:04:30Z",
		"do=clock&wall=2026-11-25T18:04:12Z&local=elsewhere": "2026-11-25T18:04:12Z",
	} {
		var got core.Command
		s := pageFor(quietEvening(), func(o *Options) {
			o.Zone = zone
			o.Built = time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC)
			o.Command = func(_ context.Context, c core.Command) error { got = c; return nil }
		})
		w := ask(s, "POST", "/do", form, "Content-Type", asForm)
		if w.Code != http.StatusSeeOther || got.WallSet == nil || got.WallSet.Wall.Format(time.RFC3339Nano) != want {
			t.Errorf("%s: %d, %+v; want %s", form, w.Code, got.WallSet, want)
		}
	}
}

func TestATimeOfDayThatNoPhoneHasIsRefused(t *testing.T) {
	s := pageFor(quietEvening(), func(o *Options) {
		o.Built = time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC)
		o.Command = func(context.Context, core.Command) error { t.Error("it was taken"); return nil }
	})
	for wall, want := range map[string]string{
		"2026-09-01T00:00:00Z": "before this program was made",
		"2046-11-01T00:00:00Z": "more than 20 years after",
		"1970-01-01T00:12:00Z": "not between the years",
		"noon":                 "no date with a time of day",
		"":                     "enter the date",
	} {
		w := ask(s, "POST", "/do", "do=clock&wall="+url.QueryEscape(wall), "Content-Type", asForm)
		if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s: %d, want 422 and %q", wall, w.Code, want)
		}
	}
	if w := ask(s, "POST", "/api/command", `{"wall_set":{"wall":"2046-11-01T00:00:00Z"}}`, "Content-Type", asJSON); w.Code != 422 {
		t.Errorf("in JSON: %d, want 422", w.Code)
	}
}

func TestThePageOffersToSetAClockThatIsNotTrusted(t *testing.T) {
	offer := "The board does not know the time of day."
	page := func(snap *core.Snapshot, change ...func(*Options)) string {
		return ask(pageFor(snap, change...), "GET", "/", "").Body.String()
	}
	if p := page(quietEvening()); strings.Contains(p, offer) || !strings.Contains(p, "Clock wrong?") {
		t.Error("a clock that is trusted is to be set aside from the rest only")
	}
	net := quietEvening()
	net.Est.Channels = append(net.Est.Channels, estimate.ChannelState{Channel: sensors.ClockSynced, Quality: sensors.Good, Value: 1})
	if p := page(net); strings.Contains(p, `value="clock"`) {
		t.Error("a clock that has its time from the network is offered to be set")
	}
	lost := quietEvening()
	lost.Est.ClockTrusted = false
	if p := page(lost); !strings.Contains(p, offer) || strings.Count(p, `value="clock"`) != 1 {
		t.Error("a clock that is not trusted is not offered to be set, once")
	}
	if p := page(lost, func(o *Options) { o.Writable = false }); strings.Contains(p, `value="clock"`) {
		t.Error("a reader is asked to set the clock")
	}
	if p := page(with(lost, leaveGas(alerts.Unacked))); strings.Contains(p, `value="clock"`) {
		t.Error("in a gas alarm the page asks for the time of day")
	}
	lost.Est.ClockTrusted = true
	lost.Est.ClockSet = &estimate.ClockSet{Was: time.Date(1970, 1, 1, 0, 12, 0, 0, time.UTC), Is: parked}
	if p := page(lost); !strings.Contains(p, "The clock was set from a phone to 25 November 2026, 20:04:12; before it read 1 January 1970, 00:12:00.") {
		t.Error("what was set is not confirmed with the time before")
	}
	if b := ask(pageFor(lost), "GET", "/api/snapshot", "").Body.String(); !strings.Contains(b, `"clock_set":{"was":"1970-01-01T00:12:00.000Z","is":"2026-11-25T20:04:12.000Z"}`) {
		t.Error("the API does not say who set the clock")
	}
}
