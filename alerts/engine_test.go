package alerts

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

func TestDelaysAndUnknownReadings(t *testing.T) {
	type tick struct {
		at   int // seconds
		tr   Truth
		want State
	}
	tests := map[string][]tick{ // on-delay 5 s, off-delay 20 s
		"one bad sample is no alarm": {
			{10, True, Normal}, {11, False, Normal}, {12, True, Normal}, {16, True, Normal}, {17, True, Unacked},
		},
		"ticks ten seconds apart never shorten the on-delay": {
			{10, True, Normal}, {20, True, Unacked},
		},
		"a dead sensor clears nothing": {
			{10, True, Normal}, {15, True, Unacked}, {16, Unknown, Unacked}, {900, Unknown, Unacked},
		},
		"a dead sensor raises nothing": {
			{10, True, Normal}, {15, Unknown, Normal}, {100, Unknown, Normal},
		},
		"a gap in the readings does not restart the way up": {
			{10, True, Normal}, {12, Unknown, Normal}, {15, True, Unacked},
		},
		"a doubt as short as a missed reading leaves the way down alone": {
			{10, True, Normal}, {15, True, Unacked}, {20, False, Unacked}, {22, False, Unacked}, {25, Unknown, Unacked},
			{35, Unknown, Unacked}, {38, False, Unacked}, {39, False, Unacked}, {40, False, Returned},
		},
		"a doubt clears nothing at the end of the way down": {
			{10, True, Normal}, {15, True, Unacked}, {20, False, Unacked}, {30, False, Unacked}, {41, Unknown, Unacked},
			{50, Unknown, Unacked}, {51, False, Returned},
		},
		"a longer doubt restarts the way down": {
			{10, True, Normal}, {15, True, Unacked}, {20, False, Unacked}, {30, False, Unacked}, {35, Unknown, Unacked},
			{60, Unknown, Unacked}, {61, Unknown, Unacked}, {62, False, Unacked}, {81, False, Unacked}, {82, False, Returned},
		},
		"doubts in a row add up": {
			{10, True, Normal}, {15, True, Unacked}, {20, False, Unacked}, {35, Unknown, Unacked}, {50, Unknown, Unacked},
			{51, Unknown, Unacked}, {52, False, Unacked}, {71, False, Unacked}, {72, False, Returned},
		},
		"a return in a doubt starts it again": {
			{10, True, Normal}, {15, True, Unacked}, {20, False, Unacked}, {25, Unknown, Unacked}, {30, True, Unacked},
			{35, False, Unacked}, {54, False, Unacked}, {55, False, Returned},
		},
		"time in which nobody looked is no evidence that it is gone": {
			{10, True, Normal}, {15, True, Unacked}, {20, False, Unacked}, {100, False, Unacked}, {119, False, Unacked}, {120, False, Returned},
		},
		"a return within the off-delay starts it again": {
			{10, True, Normal}, {15, True, Unacked}, {20, False, Unacked}, {39, True, Unacked}, {40, False, Unacked},
			{59, False, Unacked}, {60, False, Returned},
		},
	}
	for name, ticks := range tests {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, false)
			for _, k := range ticks {
				r.truth = k.tr
				r.step(time.Duration(k.at)*time.Second - r.up)
				if got := r.status().State; got != k.want {
					t.Fatalf("at %d s: %v, want %v", k.at, got, k.want)
				}
			}
		})
	}
}

// Of gas and carbon monoxide a doubt ends the way down, however short.
func TestADoubtOfGasStartsTheWayDownAgain(t *testing.T) {
	for _, class := range []Class{ClassGas, ClassCO} {
		r := newRig(t, false)
		r.rule.Class = class
		r.make()
		r.reach(Unacked, "")
		r.hold(False, rigOff-2*time.Second)
		r.hold(Unknown, time.Second)
		r.hold(False, rigOff-time.Second)
		r.want(Unacked, "after a doubt of a second")
		r.hold(False, 3*time.Second)
		r.want(Returned, "after the off-delay without a doubt")
	}
}

// A thermometer that stumbles now and then must not hold an alarm of half an hour for ever.
func TestARareDoubtHoldsNoAlarmForEver(t *testing.T) {
	r := newRig(t, false)
	r.rule.OffDelay = 30 * time.Minute
	r.make()
	r.reach(Unacked, "")
	for range 2 {
		r.hold(False, 20*time.Minute)
		r.hold(Unknown, 10*time.Second)
	}
	r.want(Returned, "after 40 minutes in which only two readings were doubtful")
}

func TestTheConditionIsAskedWithItsDeadband(t *testing.T) {
	r := newRig(t, false)
	var asked []bool
	r.rule.Test = func(_ *Facts, active bool) Truth {
		asked = append(asked, active)
		return r.truth
	}
	r.make()
	r.hold(True, 8*time.Second)
	r.do("ACK")
	r.hold(True, time.Second)
	if first, last := asked[0], asked[len(asked)-1]; first || !last {
		t.Errorf("active was %v while normal and %v while acknowledged, want false and true", first, last)
	}
}

func TestReAlarmComesByTheClockAndNotByTheTick(t *testing.T) {
	for _, tick := range []time.Duration{time.Second, 7 * time.Second, 10 * time.Second} {
		r := newRig(t, true)
		r.reach(Acked, "")
		from := r.up
		for r.truth = True; r.status().State == Acked; {
			r.step(tick)
			if r.up-from > rigAgain+tick {
				t.Fatalf("ticks of %v: no sound %v after the acknowledgement", tick, r.up-from)
			}
		}
		if r.up-from < rigAgain {
			t.Errorf("ticks of %v: sounded again after %v, want %v at least", tick, r.up-from, rigAgain)
		}
		if n := r.status().RaisedN; n != 1 {
			t.Errorf("a re-alarm counts as raised: %d", n)
		}
	}
}

func TestUpThatStartsAgainIsANewBoot(t *testing.T) {
	r := newRig(t, false)
	r.hold(True, time.Hour)
	r.do("SHELVE")
	r.up = 0
	r.step(time.Second)
	r.want(Unacked, "shelf dropped by the new boot")
	r.hold(False, rigOff-time.Second)
	r.want(Unacked, "before the off-delay of the new boot")
	r.hold(False, 3*time.Second)
	r.want(Returned, "after it")
}

func TestAnOldSaveAndANewCatalogue(t *testing.T) {
	var s Saved
	text := `{"alarms":[{"id":"gone","state":"unacknowledged"},{"id":"x","state":"acknowledged"},{"id":"z","state":"from-the-future"}]}`
	if err := json.Unmarshal([]byte(text), &s); err != nil {
		t.Fatal(err)
	}
	still := func(*Facts, bool) Truth { return False }
	e := NewEngine([]Rule{{ID: "x", OffDelay: time.Minute, Test: still}, {ID: "new", Test: still}, {ID: "z", OffDelay: time.Minute, Test: still}}, Setpoints{})
	e.Restore(s)
	e.Step(&Facts{Est: &estimate.Estimates{}})
	for i, want := range []State{Acked, Normal, Unacked} {
		if got := e.Status()[i]; got.State != want {
			t.Errorf("%s restored as %v, want %v", got.ID, got.State, want)
		}
	}
}

func TestASaveOfAnotherRuleLosesNoLatchAndNoAlarm(t *testing.T) {
	hold := func(*Facts, bool) Truth { return Unknown }
	for _, c := range []struct {
		saved State
		latch bool
		want  State
	}{
		{LatchedUnacked, false, Returned}, {LatchedAcked, false, Returned}, {Returned, true, LatchedUnacked}, {OutOfService, false, Unacked},
	} {
		e := NewEngine([]Rule{{ID: "x", Latch: c.latch, Test: hold}}, Setpoints{})
		e.Restore(Saved{Alarms: []SavedAlarm{{ID: "x", State: c.saved.String(), On: true}}})
		e.Step(&Facts{Est: &estimate.Estimates{}})
		if got := e.Status()[0].State; got != c.want {
			t.Errorf("%v under a rule with latch %v reads %v, want %v", c.saved, c.latch, got, c.want)
		}
	}
}

func TestARestartKeepsWhenAndWhy(t *testing.T) {
	r := newRig(t, true)
	r.rule.Why = func(*Facts) string { return "the numbers" }
	r.make()
	r.reach(Unacked, "")
	before := r.status()
	r.restart()
	r.step(time.Second)
	after := r.status()
	if !after.SinceWall.Equal(before.SinceWall) || after.Why != before.Why || after.RaisedN != before.RaisedN {
		t.Errorf("after the restart since %v, why %q, raised %d; want %v, %q, %d",
			after.SinceWall, after.Why, after.RaisedN, before.SinceWall, before.Why, before.RaisedN)
	}
	if after.SinceUp > r.up || after.SinceUp < 0 {
		t.Errorf("since %v on a clock that reads %v", after.SinceUp, r.up)
	}
}

func TestAResetIsTheEndOfALatch(t *testing.T) {
	r := newRig(t, true)
	r.reach(LatchedAcked, "")
	r.do("RESET")
	r.do("SHELVE")
	r.do("UNSHELVE")
	r.want(Normal, "shelved and back after the reset")
}

func TestARefusedResetSaysWhatToWaitFor(t *testing.T) {
	for tr, want := range map[Truth]string{True: "its condition is back", Unknown: "cannot be believed now"} {
		r := newRig(t, true)
		r.reach(LatchedAcked, "")
		r.hold(tr, time.Second)
		if err := r.verb("RESET"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("with truth %v the reset answered %v, want %q in it", tr, err, want)
		}
	}
}

func TestALatchIsOwedEvenIfTheSaveForgotIt(t *testing.T) {
	r := newRig(t, true)
	r.by = CylinderRemoved
	r.e.Restore(Saved{Alarms: []SavedAlarm{{ID: "x", State: Acked.String()}}})
	r.hold(False, rigOff+2*time.Second)
	r.by = ""
	r.step(time.Second)
	r.want(LatchedUnacked, "out of suppression with the condition gone")
}

func TestAReminderDoesNotChangeSinceWhen(t *testing.T) {
	r := newRig(t, false)
	r.do("OOS+")
	since := r.status().SinceWall
	r.step(time.Hour)
	r.restart()
	r.step(time.Second)
	if got := r.status(); !got.SinceWall.Equal(since) || len(r.last) != 1 {
		t.Errorf("out of service since %v, now said to be since %v, with %d reminders", since, got.SinceWall, len(r.last))
	}
}

func TestTheReasonOfAnAlarmSurvivesItsSensor(t *testing.T) {
	r := newRig(t, false)
	r.rule.Why = func(*Facts) string {
		if r.truth == Unknown {
			return "sensor unplugged"
		}
		return "1.2 °C"
	}
	r.make()
	r.reach(Unacked, "")
	r.hold(Unknown, 2*time.Second)
	if got, want := r.status().Why, "1.2 °C; now unknown: sensor unplugged"; got != want {
		t.Errorf("why reads %q, want %q", got, want)
	}
	r.hold(True, time.Second)
	if got := r.status().Why; got != "1.2 °C" {
		t.Errorf("with the sensor back why reads %q", got)
	}
}

func TestQuietHoursHoldBackOnlyWhatCanWait(t *testing.T) {
	night := time.Date(2026, 11, 25, 2, 0, 0, 0, time.UTC)
	day := night.Add(10 * time.Hour)
	tests := map[string]struct {
		rule    Rule
		wall    time.Time
		trusted bool
		want    bool
	}{
		"medium at night waits":                      {Rule{Priority: Medium}, night, true, false},
		"medium by day sounds":                       {Rule{Priority: Medium}, day, true, true},
		"medium at night with a wrong clock sounds":  {Rule{Priority: Medium}, night, false, true},
		"high at night sounds":                       {Rule{Priority: High}, night, true, true},
		"critical at night sounds":                   {Rule{Priority: Critical}, night, true, true},
		"medium that is high at night sounds":        {Rule{Priority: Medium, NightPriority: High}, night, true, true},
		"medium that breaks quiet hours sounds":      {Rule{Priority: Medium, BreaksQuiet: true}, night, true, true},
		"a silent notice never sounds":               {Rule{Priority: Critical, Silent: true, BreaksQuiet: true}, day, true, false},
		"one that rises by what else is true sounds": {Rule{Priority: Low, Escalate: func(*Facts) Priority { return High }}, night, true, true},
	}
	set := Setpoints{Zone: time.FixedZone("UTC+1", 3600), QuietFromMin: 22 * 60, QuietToMin: 7 * 60, NightFromMin: 20 * 60, NightToMin: 8 * 60}
	for name, c := range tests {
		t.Run(name, func(t *testing.T) {
			c.rule.ID = "x"
			c.rule.Test = func(*Facts, bool) Truth { return True }
			e := NewEngine([]Rule{c.rule}, set)
			e.Step(&Facts{Stamp: sensors.Stamp{Wall: c.wall}, Est: &estimate.Estimates{ClockTrusted: c.trusted}})
			if s := e.Status()[0]; s.State != Unacked || s.Sounding != c.want {
				t.Errorf("state %v, sounding %v; want unacknowledged, %v", s.State, s.Sounding, c.want)
			}
		})
	}
}

func TestQuietHoursEndToTheMinuteOverMidnight(t *testing.T) {
	s := Setpoints{QuietFromMin: 22 * 60, QuietToMin: 7 * 60}
	at := func(h, m int) time.Time { return time.Date(2026, 11, 25, h, m, 0, 0, time.UTC) }
	for _, c := range []struct {
		h, m int
		want bool
	}{{21, 59, false}, {22, 0, true}, {0, 0, true}, {6, 59, true}, {7, 0, false}} {
		if got := s.Quiet(at(c.h, c.m), true); got != c.want {
			t.Errorf("quiet at %02d:%02d is %v, want %v", c.h, c.m, got, c.want)
		}
	}
	if (Setpoints{QuietFromMin: 60, QuietToMin: 60}).Quiet(at(1, 0), true) {
		t.Error("equal ends must mean no quiet hours")
	}
	if s.Night(at(12, 0), true) || !s.Night(at(12, 0), false) {
		t.Error("noon is night only under a clock that is not trusted")
	}
}

func TestWhatWaitedSoundsWhenQuietHoursEnd(t *testing.T) {
	set := Setpoints{QuietFromMin: 22 * 60, QuietToMin: 7 * 60}
	e := NewEngine([]Rule{{ID: "x", Priority: Medium, Test: func(*Facts, bool) Truth { return True }}}, set)
	wall := time.Date(2026, 11, 25, 6, 59, 58, 0, time.UTC)
	for i := range 4 {
		st := sensors.Stamp{Up: time.Duration(i) * time.Second, Wall: wall.Add(time.Duration(i) * time.Second)}
		e.Step(&Facts{Stamp: st, Est: &estimate.Estimates{ClockTrusted: true}})
		if got, want := e.Status()[0].Sounding, i >= 2; got != want {
			t.Errorf("at %v sounding is %v, want %v", st.Wall.Format("15:04:05"), got, want)
		}
	}
}

func TestTheGloveButtonLeavesGasAndCarbonMonoxideSounding(t *testing.T) {
	on := func(*Facts, bool) Truth { return True }
	e := NewEngine([]Rule{
		{ID: "gas", Class: ClassGas, Priority: Critical, Test: on},
		{ID: "co", Class: ClassCO, Priority: Critical, Test: on},
		{ID: "heat", Class: ClassHeat, Priority: High, Test: on},
		{ID: "notice", Class: ClassProgram, Priority: Low, Silent: true, Test: on},
	}, Setpoints{})
	e.Step(&Facts{Est: &estimate.Estimates{}})
	moves := e.AckAudible("button", sensors.Stamp{})
	if len(moves) != 1 || moves[0].ID != "heat" || moves[0].Actor != "button" {
		t.Fatalf("the button moved %+v, want heat alone", moves)
	}
	for i, want := range []State{Unacked, Unacked, Acked, Unacked} {
		if got := e.Status()[i]; got.State != want {
			t.Errorf("%s is %v after the button, want %v", got.ID, got.State, want)
		}
	}
}

func TestTwoRulesOfOneIdAreAMistake(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("two rules of one id were taken")
		}
	}()
	NewEngine([]Rule{{ID: "x"}, {ID: "x"}}, Setpoints{})
}

func TestAQuietTickAllocatesNothing(t *testing.T) {
	e, f := ordinaryVan()
	e.Step(f)
	e.Status()
	n := testing.AllocsPerRun(100, func() {
		f.Stamp.Up += time.Second
		e.Step(f)
		e.Status()
	})
	if n != 0 {
		t.Errorf("%v allocations per tick in which nothing changes, want none", n)
	}
}

func BenchmarkStep(b *testing.B) {
	e, f := ordinaryVan()
	b.ReportAllocs()
	for b.Loop() {
		f.Stamp.Up += time.Second
		e.Step(f)
		e.Status()
	}
}

// ordinaryVan is the whole catalogue over a van in which all is well.
func ordinaryVan() (*Engine, *Facts) {
	set := Defaults()
	set.RequalifyBy = "2031-05"
	return NewEngine(Catalogue(set), set), ordinaryFacts()
}

func ordinaryFacts() *Facts {
	good := func(v, low, high float64) estimate.Quantity {
		return estimate.Quantity{Value: v, Low: low, High: high, Quality: sensors.Good}
	}
	est := &estimate.Estimates{
		FuelKg: good(5.2, 4.9, 5.5), CapacityKg: good(9.07, 9, 9.1), SupplyRatio: good(2.5, 2, 3),
		Band: estimate.Background, GasLevel: estimate.Background, GasHold: estimate.Background,
		PipeC: good(9, 8.5, 9.5), OutsideC: good(-6, -6.5, -5.5), BatteryV: good(12.7, 12.6, 12.8),
		Cylinder: estimate.Present, Starved: estimate.No, Certified: estimate.No, CO: estimate.No,
		Watch:        estimate.WeightWatch{Quiet: true, LossGPerH: good(0.2, -1, 1.4)},
		ClockTrusted: true,
	}
	for _, ch := range sensors.Known() {
		c := estimate.ChannelState{Channel: ch, Quality: sensors.Good, Seen: true}
		if ch == sensors.BrokerLink || ch == sensors.SounderOK || ch == sensors.WebhookLink || ch == sensors.MailLink {
			c.Value = 1
		}
		est.Channels = append(est.Channels, c)
	}
	return &Facts{Stamp: sensors.Stamp{Wall: time.Date(2026, 11, 25, 15, 0, 0, 0, time.UTC)}, Est: est,
		Tonight: &nights.Tonight{NightsLeft: good(5, 4, 6), Enough: estimate.Yes, Odds: "19 in 20"}}
}

func TestChosenHoursOfANightDecideItsPriorities(t *testing.T) {
	e := NewEngine(nil, Setpoints{Zone: time.UTC, NightFromMin: 20 * 60, NightToMin: 8 * 60})
	at := func(hour int) bool {
		f := Facts{Stamp: sensors.Stamp{Wall: time.Date(2026, 1, 14, hour, 0, 0, 0, time.UTC)}, Est: &estimate.Estimates{ClockTrusted: true}}
		e.Step(&f)
		return f.AtNight
	}
	if at(12) || !at(22) {
		t.Error("the hours of the setpoints do not hold")
	}
	e.SetNight(11*60, 13*60)
	if !at(12) || at(22) {
		t.Error("the chosen hours do not hold")
	}
}
