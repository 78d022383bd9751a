package web

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/show"
	"frostline/sensors"
)

// nightPage is the page of a night of a van with nine of them.
func nightPage(t *testing.T, path string, change ...func(*Options)) (string, []*element) {
	t.Helper()
	s := pageFor(quietEvening(), append([]func(*Options){func(o *Options) { o.Past = winter{n: 9} }}, change...)...)
	w := ask(s, "GET", path, "")
	if w.Code != 200 {
		t.Fatalf("%s: %d %s", path, w.Code, w.Body)
	}
	return w.Body.String(), parse(t, w.Body.String())
}

func TestANightHasItsPictureItsNumbersAndItsNeighbours(t *testing.T) {
	page, all := nightPage(t, "/night/2026-11-23")
	if h1 := named(all, "h1"); len(h1) != 1 || h1[0].text != "Night of Mon 23 Nov 2026" {
		t.Errorf("the heading is %v", h1)
	}
	for rel, want := range map[string]string{"prev": "/night/2026-11-22", "next": "/night/2026-11-24"} {
		if got := find(all, "rel", rel).attr["href"]; got != want {
			t.Errorf("%s leads to %q, want %q", rel, got, want)
		}
	}
	for _, class := range []string{"night", "night-burn", "night-spread", "night-unsure", "night-flame", "night-flag", "night-freezing", "night-hour"} {
		if find(all, "class", class).order < 0 {
			t.Errorf("the picture has no %s", class)
		}
	}
	for _, want := range []string{"Burn, kg/h", "Temperatures, °C", "outside", "cabin", "pipe", "liquid", "Forecast the evening before", "kWh of heat, net",
		"Seat margin, least", "if the fuel is wet", "Heat called for, no gas burning (high): empty 6 in 10", "acknowledged by owner", "12 flames lit",
		"nobody watched for 0.10 h", certified} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	// A gap is a gap: the burn is two lines.
	lines := 0
	for _, e := range all {
		if e.attr["class"] == "night-burn" {
			lines++
		}
	}
	if lines != 2 {
		t.Errorf("the burn is drawn as %d lines, want two around the hour without readings", lines)
	}
}

func TestTheCrosshairHasTheServersWordsForEachColumn(t *testing.T) {
	_, all := nightPage(t, "/night/2026-11-23")
	chart := find(all, "id", "chart")
	words := strings.Split(chart.attr["data-words"], "\t")
	lines := strings.Split(chart.attr["data-says"], "\n")
	if len(lines) != show.NightColumns || strings.Join(words, " ") != "burn outside cabin pipe liquid" {
		t.Fatalf("%d columns of %v, want %d", len(lines), words, show.NightColumns)
	}
	gaps := 0
	for _, line := range lines {
		cells := strings.Split(line, "\t")
		if len(cells) != len(words)+1 {
			t.Fatalf("a column says %q, want the time and %d values", line, len(words))
		}
		if cells[1] == "no reading" {
			gaps++
			continue
		}
		if !strings.Contains(cells[1], " kg/h (") || !strings.HasSuffix(cells[2], " °C") {
			t.Errorf("a value without unit or interval: %q", line)
		}
	}
	if gaps < 6 || gaps > 10 { // 54 minutes of columns of 7 minutes
		t.Errorf("%d columns without reading, want about eight", gaps)
	}
}

func TestAPartOfANightIsDrawnFiner(t *testing.T) {
	_, all := nightPage(t, "/night/2026-11-23?from=60&to=120")
	chart := find(all, "id", "chart")
	if first, _, _ := strings.Cut(chart.attr["data-says"], "\t"); first != "19:00" {
		t.Errorf("the part begins at %q, want 19:00", first)
	}
	for _, query := range []string{"?from=60&to=61", "?from=-1&to=60", "?from=0&to=99999", "?from=a&to=b", "?from=9&to=9e9"} {
		_, all := nightPage(t, "/night/2026-11-23"+query)
		if c := find(all, "id", "chart"); c.attr["data-from"] != "0" || c.attr["data-to"] != c.attr["data-span"] {
			t.Errorf("%s: minutes %s to %s of %s, want the whole night", query, c.attr["data-from"], c.attr["data-to"], c.attr["data-span"])
		}
	}
}

func TestTheNightBeingLivedEndsNow(t *testing.T) {
	page, all := nightPage(t, "/night/2026-11-25")
	if h1 := named(all, "h1")[0]; h1.text != "Tonight, so far" || find(all, "class", "night-now").order < 0 || strings.Contains(page, "In numbers") {
		t.Errorf("heading %q; want a picture with now and no numbers that are not there", h1.text)
	}
	_, home := nightPage(t, "/")
	links := 0
	for _, e := range home {
		if e.attr["class"] == "nights-open" {
			links++
		}
	}
	if links != 10 {
		t.Errorf("the strip has %d links, want nine nights and tonight", links)
	}
}

func TestANightThatIsNotThereIsNotFound(t *testing.T) {
	s := pageFor(quietEvening(), func(o *Options) { o.Past = winter{n: 9} })
	none := pageFor(quietEvening(), func(o *Options) { o.Past = nil })
	broken := pageFor(quietEvening(), func(o *Options) { o.Past = diary{err: errors.New("disk full")} })
	for _, x := range []struct {
		s    *Server
		path string
		want int
	}{{s, "/night/2020-01-01", 404}, {s, "/night/tonight", 404}, {s, "/night/2026-11-26", 404}, {none, "/night/2026-11-24", 404},
		{broken, "/night/2026-11-24", 503}} {
		if w := ask(x.s, "GET", x.path, ""); w.Code != x.want {
			t.Errorf("%s: %d, want %d", x.path, w.Code, x.want)
		}
	}
	if w := ask(pageFor(nil, func(o *Options) { o.Past = winter{n: 9} }), "GET", "/night/2026-11-24", ""); w.Code != 200 {
		t.Errorf("before the first reading a night of the ledger is %d", w.Code)
	}
}

func TestAnAlarmStandsAboveTheNightToo(t *testing.T) {
	s := pageFor(with(quietEvening(), leaveGas(alerts.Unacked)), func(o *Options) { o.Past = winter{n: 9} })
	all := parse(t, ask(s, "GET", "/night/2026-11-24", "").Body.String())
	if h1 := named(all, "h1"); len(h1) != 1 || h1[0].text != "Gas at floor level" {
		t.Errorf("the heading of a night during an alarm is %v", h1)
	}
}

func TestANightReadsInThePhonesUnits(t *testing.T) {
	s := pageFor(quietEvening(), func(o *Options) { o.Past = winter{n: 9} })
	cookie := look{Mass: "lb", Temp: "f"}.checked().cookie()
	page := ask(s, "GET", "/night/2026-11-23", "", "Cookie", lookCookie+"="+cookie).Body.String()
	for _, bad := range []string{" kg", "°C"} {
		if i := strings.Index(page, bad); i >= 0 {
			t.Errorf("a page in pounds and Fahrenheit says %q: %s", bad, page[max(0, i-60):i+10])
		}
	}
}

func TestANameIsNoNumberOfTheNight(t *testing.T) {
	n := &night{s: pageFor(nil), f: &frame{}, l: look{Mass: "lb", Temp: "f"}.checked()}
	lines, _ := n.log([]core.Event{
		{Alarm: &alerts.Transition{ID: "tonight-short", To: alerts.Unacked.String(), Priority: "medium", Why: "5.0 kg left"}},
		{Alarm: &alerts.Transition{ID: "tonight-short", To: alerts.Shelved.String(), Actor: "Anna 11 kg"}},
		{Happening: &estimate.Happening{Kind: estimate.SensorChanged, Channel: "locker_c", Quality: "suspect", Why: "moved more than 8 K"}},
	})
	want := []string{"tonight-short (medium): 11.0 lb left", "tonight-short: shelved by Anna 11 kg", "locker_c: suspect moved more than 14.4 °F"}
	for i, line := range lines {
		if line.Text != want[i] {
			t.Errorf("%q, want %q", line.Text, want[i])
		}
	}
	if len(lines) != len(want) {
		t.Errorf("%d lines", len(lines))
	}
}

func TestAThermometerThatIsNotFittedHasNoCurve(t *testing.T) {
	snap := quietEvening()
	snap.Est.Channels = snap.Est.Channels[:2]
	s := pageFor(snap, func(o *Options) { o.Past = winter{n: 9} })
	all := parse(t, ask(s, "GET", "/night/2026-11-23", "").Body.String())
	if words := find(all, "id", "chart").attr["data-words"]; words != "burn\tliquid" {
		t.Errorf("curves %q without the channels %s, %s and %s", words, sensors.OutsideC, sensors.CabinC, sensors.WaterlineC)
	}
}

func TestTheHoursAxisHasWholeHours(t *testing.T) {
	for query, want := range map[string]string{"": "18:00 21:00 00:00 03:00 06:00", "?from=0&to=280": "18:00 19:00 20:00 21:00 22:00", "?from=10&to=40": "18:10 18:15 18:20 18:25 18:30 18:35 18:40"} {
		_, all := nightPage(t, "/night/2026-11-23"+query)
		var got []string
		for _, e := range all {
			if e.attr["class"] == "night-hour" {
				got = append(got, e.text)
			}
		}
		if fmt.Sprint(strings.Join(got, " ")) != want {
			t.Errorf("%q has the hours %v, want %s", query, got, want)
		}
	}
}
