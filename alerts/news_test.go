package alerts

import (
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

func TestAnAlarmThatGrowsMoreUrgentSoundsAgain(t *testing.T) {
	r := newRig(t, false)
	more := false
	r.rule.Priority, r.rule.ReAlarm = Medium, 0
	r.rule.Escalate = func(*Facts) Priority {
		if more {
			return High
		}
		return Low
	}
	r.rule.Why = func(*Facts) string { return "11.6 V" }
	r.make()
	r.hold(True, time.Minute)
	if _, err := r.e.Ack("x", "owner", r.stamp()); err != nil {
		t.Fatal(err)
	}
	r.hold(True, time.Minute)
	r.want(Acked, "acknowledged as medium")
	more = true
	r.hold(True, time.Second)
	r.want(Unacked, "now high")
	if len(r.last) != 1 || r.last[0].Priority != "high" || !strings.Contains(r.last[0].Why, "more urgent now: 11.6 V") {
		t.Errorf("told %+v", r.last)
	}
	if n := r.status().RaisedN; n != 1 {
		t.Errorf("counted as %d alarms, it is one", n)
	}
	r.hold(True, time.Minute)
	if len(r.last) != 0 {
		t.Errorf("it goes on telling: %+v", r.last)
	}
}

func TestAnAcknowledgementKeepsTheReason(t *testing.T) {
	r := newRig(t, true)
	r.rule.Why = func(*Facts) string { return "10 % LEL" }
	r.make()
	r.hold(True, time.Minute)
	moves, err := r.e.Ack("x", "owner", r.stamp())
	if err != nil || len(moves) != 1 || moves[0].Why != "acknowledged" {
		t.Fatalf("moves %+v, %v", moves, err)
	}
	r.hold(True, time.Second)
	if why := r.status().Why; why != "10 % LEL" {
		t.Errorf("after the acknowledgement the reason reads %q", why)
	}
}

func TestASecondSensorThatDiesIsNotSwallowedByTheFirst(t *testing.T) {
	e := NewEngine([]Rule{sensorFault()}, Defaults())
	f := &Facts{Est: &estimate.Estimates{ClockTrusted: true, Channels: []estimate.ChannelState{
		{Channel: sensors.CabinC, Quality: sensors.Good}, {Channel: sensors.WaterlineC, Quality: sensors.Good}}}}
	var last []Transition
	live := func(d time.Duration) {
		last = nil
		for end := f.Stamp.Up + d; f.Stamp.Up < end; {
			f.Stamp.Up += time.Second
			last = append(last, e.Step(f)...)
		}
	}
	live(time.Minute)
	f.Est.Channels[0].Quality, f.Est.Channels[0].Why = sensors.Bad, "crc"
	live(time.Minute)
	if _, err := e.Ack("sensor-fault", "owner", f.Stamp); err != nil {
		t.Fatal(err)
	}
	live(time.Hour)
	f.Est.Channels[0].Quality = sensors.Good
	f.Est.Channels[1].Quality, f.Est.Channels[1].Why = sensors.Bad, "open"
	live(time.Minute)
	if s := e.Status()[0]; s.State != Unacked || !strings.Contains(s.Why, "freeze watch blind") {
		t.Errorf("the pipe's thermometer died: %v, %q", s.State, s.Why)
	}
	if len(last) != 1 {
		t.Errorf("told %+v, want it once", last)
	}
}

func TestWhileGasStandsNoOtherActionComesFirst(t *testing.T) {
	rules := []Rule{gasLeave(), gasTrace(), starved(Defaults())}
	e := NewEngine(rules, Defaults())
	f := &Facts{Est: &estimate.Estimates{ClockTrusted: true, Band: estimate.Leave, GasLevel: estimate.Leave, GasHold: estimate.Leave,
		Starved: estimate.Yes, StarvedWhy: "valve shut", Channels: []estimate.ChannelState{{Channel: sensors.GasV, Quality: sensors.Good}}}}
	for range 600 {
		f.Stamp.Up += time.Second
		e.Step(f)
	}
	for _, s := range e.Status() {
		if !s.State.Standing() {
			t.Errorf("%s should stand, it is %v", s.ID, s.State)
		}
		if under := strings.HasPrefix(s.Action, underGas); under != (s.ID != "gas-leave") {
			t.Errorf("%s asks first: %.60q", s.ID, s.Action)
		}
	}
}

func TestAGasReadingOutOfRangeIsNoNumber(t *testing.T) {
	f := &Facts{Est: &estimate.Estimates{Band: estimate.Background, GasLevel: estimate.Background, BandWhy: "below the trace level here",
		FloorGasPctLEL: estimate.Quantity{Value: 0.04, High: 2.8, Quality: sensors.Suspect, Why: "below range: under 200 ppm"}}}
	if why := gasWhy(f); strings.Contains(why, "0.0") || !strings.Contains(why, "below range") {
		t.Errorf("it says %q", why)
	}
}

func TestTheReasonOfAStandingAlarmIsNotOlderThanAMinute(t *testing.T) {
	r := newRig(t, true)
	why := "warming up"
	r.rule.Why, r.rule.ReAlarm = func(*Facts) string { return why }, 0
	r.make()
	r.hold(True, 10*time.Second)
	why = "unplugged"
	asked := 0
	for r.status().Why != "unplugged" {
		if asked++; asked > 60 {
			t.Fatalf("a minute later it still reads %q", r.status().Why)
		}
		r.hold(True, time.Second)
		if len(r.last) != 0 {
			t.Fatalf("another reason is no transition: %+v", r.last)
		}
	}
	if asked < 50 {
		t.Errorf("reworded after %d s: a retained message would change all the time", asked)
	}
	r.hold(False, time.Second)
	why = "nothing wrong"
	r.hold(False, rigOff-2*time.Second)
	if got := r.status().Why; got != "unplugged" {
		t.Errorf("while its condition does not hold it reads %q; the reason it stands for is the last that held", got)
	}
}

func TestAStandingAlarmAdvisesByWhatIsKnown(t *testing.T) {
	r := newRig(t, false)
	advice := "Open the valve."
	r.rule.Action, r.rule.Advise = "Take the causes in order.", func(*Facts) string { return advice }
	r.make()
	if got := r.status().Action; got != r.rule.Action {
		t.Errorf("before it stands: %q", got)
	}
	r.hold(True, 10*time.Second)
	if got := r.status().Action; got != advice {
		t.Errorf("raised: %q, want %q at once", got, advice)
	}
	advice = ""
	r.hold(True, whyAge+time.Second)
	if got := r.status().Action; got != r.rule.Action {
		t.Errorf("no longer known: %q, want %q", got, r.rule.Action)
	}
}

func TestWhatComesBackFromAShelfAdvisesByWhatIsKnownNow(t *testing.T) {
	r := newRig(t, false)
	advice := "Open the valve."
	r.rule.Advise = func(*Facts) string { return advice }
	r.make()
	r.hold(True, 10*time.Second)
	if _, err := r.e.Shelve("x", "owner", time.Minute, r.stamp()); err != nil {
		t.Fatal(err)
	}
	r.hold(True, 10*time.Second)
	advice = "Change the cylinder."
	for n := 0; r.status().State != Unacked; n++ {
		if n > 120 {
			t.Fatal("the shelf never ended")
		}
		r.hold(True, time.Second)
	}
	if got := r.status().Action; got != advice {
		t.Errorf("back from the shelf it says %q, want %q", got, advice)
	}
}

func TestWhatIsOverAdvisesNothingOfItsLastTime(t *testing.T) {
	r := newRig(t, false)
	r.rule.Action, r.rule.Advise = "Take the causes in order.", func(*Facts) string { return "Change the cylinder." }
	r.make()
	r.reach(Returned, "")
	r.do("ACK")
	if got := r.status().Action; got != "Take the causes in order." {
		t.Errorf("normal again, it says %q", got)
	}
}

func TestAPartThatJoinedOffTheListIsToldOnce(t *testing.T) {
	r := newRig(t, false)
	parts := uint64(1)
	r.rule.Parts = func(*Facts) uint64 { return parts }
	r.make()
	r.reach(Suppressed, "on")
	parts = 3
	r.hold(True, 2*time.Second)
	r.by = ""
	r.step(time.Second)
	r.want(Unacked, "no longer suppressed")
	r.hold(True, 5*time.Second)
	if len(r.last) > 0 {
		t.Errorf("told again: %+v", r.last)
	}
}

// A heater that fails again and again is one failure: between its flames the alarm stands,
// and says what it waits for.
func TestAHeaterThatFailsAgainAndAgainIsOneAlarm(t *testing.T) {
	f := ordinaryFacts()
	e := NewEngine([]Rule{starved(Defaults())}, Defaults())
	f.Est.Heat = estimate.Yes
	var moves []Transition
	live := func(starved estimate.Tristate, d time.Duration) {
		f.Est.Starved, f.Est.StarvedWhy = starved, ""
		if starved == estimate.Yes {
			f.Est.StarvedWhy = "house battery low"
		}
		for end := f.Stamp.Up + d; f.Stamp.Up < end; {
			f.Stamp.Up += 10 * time.Second
			moves = append(moves, e.Step(f)...)
		}
	}
	for range 5 {
		live(estimate.Yes, 20*time.Minute)
		live(estimate.No, 25*time.Minute)
		if why := e.Status()[0].Why; !strings.Contains(why, "house battery low") || !strings.Contains(why, "gas is burning again") || !strings.Contains(why, "30 min") {
			t.Fatalf("between two failures it says %q", why)
		}
	}
	if len(moves) != 1 {
		t.Fatalf("five failures in four hours: %+v, want one", moves)
	}
	live(estimate.No, 10*time.Minute)
	if len(moves) != 2 || moves[1].To != Returned.String() || strings.Contains(e.Status()[0].Why, "30 min") {
		t.Errorf("after half an hour of flame: %+v, %q", moves[1:], e.Status()[0].Why)
	}
}

func TestWhatTheCylinderCannotKeepBurningIsNoHeat(t *testing.T) {
	f := ordinaryFacts()
	e := NewEngine([]Rule{starved(Defaults())}, Defaults())
	live := func(d time.Duration) (moves []Transition) {
		for end := f.Stamp.Up + d; f.Stamp.Up < end; {
			f.Stamp.Up += 10 * time.Second
			moves = append(moves, e.Step(f)...)
		}
		return moves
	}
	f.Est.Heat, f.Est.HeatFrac, f.Est.Starved, f.Est.SupplyRatio = estimate.Yes, 1, estimate.No, q(0.4, 0.2, 0.6)
	if moves := live(time.Hour); len(moves) > 0 {
		t.Fatalf("a thin pressure alone raised %+v", moves)
	}
	f.Est.Starved, f.Est.StarvedWhy = estimate.Yes, "pressure too thin"
	live(10 * time.Minute)
	f.Est.Starved, f.Est.StarvedWhy = estimate.No, ""
	if moves := live(4 * time.Hour); len(moves) > 0 {
		t.Errorf("it limps at supply ratio 0.4: %+v", moves)
	}
	if why := e.Status()[0].Why; !strings.Contains(why, "gas burns") || !strings.Contains(why, "0.4") {
		t.Errorf("limping, it says %q", why)
	}
	if action := e.Status()[0].Action; !strings.Contains(action, "burn one thing at a time") {
		t.Errorf("limping, it advises %q", action)
	}
	f.Est.SupplyRatio = estimate.Unknown("nothing burns")
	f.Est.Heat = estimate.No
	if moves := live(time.Hour); len(moves) != 1 || moves[0].To != Returned.String() {
		t.Errorf("no heat is called for any more: %+v", moves)
	}
}

// A flame without end would be too much for the cylinder, and a thermostat's are not without end.
func TestAHeaterThatWorksByHalvesIsNotTakenForOneThatLimps(t *testing.T) {
	f := ordinaryFacts()
	e := NewEngine([]Rule{starved(Defaults())}, Defaults())
	live := func(d time.Duration) (moves []Transition) {
		for end := f.Stamp.Up + d; f.Stamp.Up < end; {
			f.Stamp.Up += 10 * time.Second
			moves = append(moves, e.Step(f)...)
		}
		return moves
	}
	f.Est.Heat, f.Est.HeatFrac, f.Est.Starved, f.Est.StarvedWhy = estimate.Yes, 0.5, estimate.Yes, "heater locked out"
	if moves := live(10 * time.Minute); len(moves) != 1 {
		t.Fatalf("no heat: %+v, want one alarm", moves)
	}
	f.Est.Starved, f.Est.StarvedWhy = estimate.No, ""
	var moves []Transition
	for range 4 { // 8 minutes of 20
		f.Est.Heat, f.Est.HeatFrac, f.Est.SupplyRatio = estimate.Yes, 0.45, q(0.9, 0.8, 0.95)
		moves = append(moves, live(8*time.Minute)...)
		if action := e.Status()[0].Action; strings.Contains(action, "burn one thing at a time") {
			t.Fatalf("40 %% of the time at supply ratio 0.9, and it advises %q", action)
		}
		f.Est.Heat, f.Est.HeatFrac, f.Est.SupplyRatio = estimate.No, 0.35, estimate.Unknown("nothing is burning")
		moves = append(moves, live(12*time.Minute)...)
	}
	if len(moves) != 1 || moves[0].To != Returned.String() {
		t.Errorf("80 minutes of a thermostat's flames: %+v, want the alarm returned", moves)
	}
}
