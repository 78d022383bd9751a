package alerts

import (
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
)

// heard lives hours of a van and lists what became unacknowledged, with the local time, each as
// "11:00 tonight-short". change is asked at every minute of the day.
func heard(t *testing.T, fromH, hours int, change func(minute int, f *Facts)) string {
	t.Helper()
	set := Defaults()
	set.Zone = time.FixedZone("UTC+1", 3600)
	e, f := NewEngine(Catalogue(set), set), ordinaryFacts()
	f.Stamp.Wall = time.Date(2026, 11, 25, fromH-1, 0, 0, 0, time.UTC)
	var out []string
	for s := range hours * 3600 {
		if s%60 == 0 {
			change(fromH*60+s/60, f)
		}
		f.Stamp.Up += time.Second
		f.Stamp.Wall = f.Stamp.Wall.Add(time.Second)
		for _, m := range e.Step(f) {
			switch m.ID {
			case "tonight-short", "fuel-below-night", "supply-thin":
				if m.To == Unacked.String() {
					out = append(out, f.Stamp.Wall.In(set.Zone).Format("15:04 ")+m.ID)
					if _, err := e.Ack(m.ID, "ann", f.Stamp); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
	}
	return strings.Join(out, ", ")
}

func odds(fuel, pressure float64) func(*Facts) {
	return func(f *Facts) {
		f.Tonight.FuelOdds, f.Tonight.PressureOdds = q(fuel, fuel, fuel), q(pressure, pressure, pressure)
	}
}

func TestNobodyIsToldTwiceOfOneCause(t *testing.T) {
	noHistory := estimate.Unknown("learning: night 1 of 5")
	for name, c := range map[string]struct {
		fromH, hours int
		change       func(int, *Facts)
		want         string
	}{
		"enough": {8, 20, func(_ int, f *Facts) { odds(0.99, 0.97)(f) }, ""},
		"tomorrow doubtful all day and night": {8, 26, func(_ int, f *Facts) { odds(0.97, 0.97)(f); f.Tonight.NightsLeft = q(1.9, 1.5, 2.4) },
			"11:00 tonight-short"},
		"tomorrow doubtful, and in the night less than one left": {8, 26, func(minute int, f *Facts) {
			odds(0.97, 0.97)(f)
			f.Tonight.NightsLeft = q(1.9, 1.5, 2.4)
			if minute > 27*60 {
				f.Tonight.NightsLeft = q(0.9, 0.7, 1.2)
			}
		}, "11:00 tonight-short"},
		"tomorrow doubtful, and in the evening not enough for tonight": {8, 26, func(minute int, f *Facts) {
			odds(0.97, 0.97)(f)
			f.Tonight.NightsLeft = q(1.9, 1.5, 2.4)
			if minute >= 20*60 {
				odds(0.3, 0.3)(f)
				f.Tonight.NightsLeft = q(0.8, 0.5, 1.1)
			}
		}, "11:00 tonight-short, 20:00 tonight-short"},
		"nothing said in the morning, in the night less than one left": {12, 20, func(minute int, f *Facts) {
			odds(0.97, 0.97)(f)
			f.Tonight.NightsLeft = q(2.6, 2.2, 3)
			if minute >= 27*60 {
				f.Tonight.NightsLeft = q(0.9, 0.7, 1.2)
			}
			if minute >= 31*60 { // the next night is not covered: the same cause
				odds(0.2, 0.2)(f)
			}
		}, "03:10 fuel-below-night"},
		"not enough from one minute to the next": {14, 20, func(minute int, f *Facts) {
			odds(0.97, 0.97)(f)
			if minute >= 16*60 {
				odds(0.4, 0.4)(f)
				f.Tonight.NightsLeft = q(0.8, 0.5, 1.1)
			}
		}, "16:10 tonight-short"},
		"a drive with under two nights left": {14, 5, func(minute int, f *Facts) {
			odds(0.97, 0.97)(f)
			f.Tonight.NightsLeft = q(1.9, 1.5, 2.4)
			f.Est.Moving = minute >= 16*60 && minute < 17*60
		}, "16:10 tonight-short"},
		"pressure likely thin":                 {8, 26, func(_ int, f *Facts) { odds(0.97, 0.8)(f) }, "11:00 supply-thin"},
		"pressure doubtful from the afternoon": {13, 12, func(_ int, f *Facts) { odds(0.97, 0.7)(f) }, ""},
		"pressure too thin from the evening, and then it is": {13, 20, func(minute int, f *Facts) {
			odds(0.97, 0.95)(f)
			if minute >= 19*60 {
				odds(0.97, 0.3)(f)
			}
			if minute >= 28*60 {
				f.Est.SupplyRatio = q(0.8, 0.6, 1.1)
			}
		}, "19:05 supply-thin"},
		"fuel and pressure both short: the fuel is the cause": {8, 26, func(_ int, f *Facts) {
			odds(0.2, 0.02)(f)
			f.Tonight.NightsLeft = q(0.4, 0.2, 0.7)
		}, "08:10 tonight-short"},
		"first day, by what is typical not enough": {8, 20, func(_ int, f *Facts) {
			odds(0.3, 0.3)(f)
			f.Tonight.NightsLeft = noHistory
			f.Tonight.Enough = estimate.Unsure
		}, "11:00 tonight-short"},
		"first afternoon, by what is typical not enough": {13, 20, func(_ int, f *Facts) {
			odds(0.3, 0.3)(f)
			f.Tonight.NightsLeft = noHistory
			f.Tonight.Enough = estimate.Unsure
		}, ""},
		"first day, but enough at full heat": {8, 20, func(_ int, f *Facts) {
			odds(0.45, 0.45)(f)
			f.Tonight.NightsLeft = noHistory
			f.Tonight.Enough = estimate.Yes
		}, ""},
	} {
		if got := heard(t, c.fromH, c.hours, c.change); got != c.want {
			t.Errorf("%s: heard %q, want %q", name, got, c.want)
		}
	}
}

func TestAPressureNoticeSaysWhenAndHowLikely(t *testing.T) {
	set := Defaults()
	rule, f := supplyThin(set), ordinaryFacts()
	odds(0.97, 0.4)(f)
	f.Stamp.Wall = time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)
	f.Tonight.ThinAfterH = q(8.2, 5, 12)
	f.Est.SupplyRatio = estimate.Unknown("nothing is burning")
	if got, want := rule.Why(f), "odds that tonight's pressure lasts 4 in 10, thin after 04:10; nothing is burning"; got != want {
		t.Errorf("why %q, want %q", got, want)
	}
	if rule.Test(f, false) != True {
		t.Error("a night that is likelier thin than not raises nothing")
	}
	odds(0.97, 0.97*0.94)(f)
	if rule.Test(f, true) != True || rule.Test(f, false) == True {
		t.Error("within the deadband: want it to hold what stands and to raise nothing")
	}
}

func TestTheSilentAlarmOfACauseIsSaidToBeSuppressed(t *testing.T) {
	set := Defaults()
	e, f := NewEngine(Catalogue(set), set), ordinaryFacts()
	odds(0.2, 0.2)(f)
	f.Tonight.NightsLeft = q(0.4, 0.2, 0.7)
	step := func(d time.Duration) {
		for end := f.Stamp.Up + d; f.Stamp.Up < end; {
			f.Stamp.Up += time.Second
			e.Step(f)
		}
	}
	step(20 * time.Minute)
	if s := e.Status()[e.index("fuel-below-night")]; s.State != Suppressed || s.SuppressedBy != SameCause {
		t.Errorf("fuel-below-night is %v by %q, want it suppressed by %q", s.State, s.SuppressedBy, SameCause)
	}
	if _, err := e.Shelve("tonight-short", "ann", time.Hour, f.Stamp); err != nil {
		t.Fatal(err)
	}
	step(time.Minute)
	if s := e.Status()[e.index("fuel-below-night")]; s.State != Suppressed {
		t.Errorf("with the other one shelved fuel-below-night is %v: whoever shelves a cause has heard of it", s.State)
	}
	if _, err := e.OutOfService("tonight-short", "ann", f.Stamp); err != nil {
		t.Fatal(err)
	}
	step(time.Minute)
	if s := e.Status()[e.index("fuel-below-night")]; s.State != Unacked {
		t.Errorf("with the other one out of service fuel-below-night is %v, want it to stand: nothing else says it", s.State)
	}
}
