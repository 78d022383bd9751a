package alerts

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// throughJSON is what a checkpoint makes of a save.
func throughJSON(t tester, s Saved) Saved {
	t.Helper()
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatalf("save: %v", err)
	}
	var read Saved
	if err := json.Unmarshal(b, &read); err != nil {
		t.Fatalf("read: %v", err)
	}
	return read
}

// reload makes an engine of the rule as it is now, in the same boot.
func (r *rig) reload() {
	s := throughJSON(r.t, r.e.Save())
	r.e = NewEngine([]Rule{r.rule}, r.set)
	r.e.Continue(s, r.up)
}

func TestAReloadMovesNoAlarm(t *testing.T) {
	for name, c := range map[string]struct {
		state State
		latch bool
		cond  string
	}{
		"a shelf stays": {Shelved, false, "on"},
		"an acknowledged gas alarm is not said again":  {Acked, true, ""},
		"what sounds does not begin to sound again":    {Unacked, false, ""},
		"what is out of service is not called to mind": {OutOfService, false, "on"},
		"a suppression stays":                          {Suppressed, false, "on"},
		"a latch stays":                                {LatchedAcked, true, ""},
	} {
		r := newRig(t, c.latch)
		r.rule.ReAnnounce = true
		r.make()
		r.reach(c.state, c.cond)
		before := r.status()
		r.reload()
		r.step(time.Second)
		if len(r.last) > 0 {
			t.Errorf("%s: the reload moved it: %+v", name, r.last)
		}
		after := r.status()
		before.Quality, after.Quality = 0, 0
		if before != after {
			t.Errorf("%s:\n%+v before,\n%+v after", name, before, after)
		}
	}
}

func TestAShelfEndsAfterAReloadWhenItWouldHave(t *testing.T) {
	r := newRig(t, false)
	r.reach(Shelved, "on")
	r.hold(True, 40*time.Minute)
	r.reload()
	r.hold(True, 19*time.Minute)
	r.want(Shelved, "59 min after it was shelved for an hour")
	r.hold(True, 2*time.Minute)
	r.want(Unacked, "after the hour")
}

func TestAReloadTakesOverChangedDelaysAndLimits(t *testing.T) {
	r := newRig(t, false)
	r.hold(True, 3*time.Second)
	r.rule.OnDelay = 10 * time.Second
	r.reload()
	r.hold(True, 4*time.Second)
	r.want(Normal, "7 s into a delay that is 10 s now")
	r.hold(True, 4*time.Second)
	r.want(Unacked, "11 s after the condition began")

	r.hold(False, 10*time.Second)
	r.rule.OffDelay = 12 * time.Second
	r.reload()
	r.hold(False, 4*time.Second)
	r.want(Returned, "14 s after the condition ended, with 12 s of delay")

	r = newRig(t, false)
	r.rule.Test = func(f *Facts, _ bool) Truth { return truth(f.Est.BatteryV.Value < 11.8) }
	r.facts.Est.BatteryV = estimate.Quantity{Value: 11.5, Quality: sensors.Good}
	r.make()
	r.hold(True, rigOn+2*time.Second)
	r.want(Unacked, "under its limit")
	r.rule.Test = func(f *Facts, _ bool) Truth { return truth(f.Est.BatteryV.Value < 11.2) }
	r.reload()
	r.hold(True, rigOff/2)
	r.want(Unacked, "over a lower limit, and the off-delay is not over")
	r.hold(True, rigOff)
	r.want(Returned, "over a lower limit for the off-delay")
}

// Whoever was told that an alarm stands is told that this program has it no longer.
func TestAnAlarmThatIsNoMoreEndsWithAReason(t *testing.T) {
	saved := Saved{Alarms: []SavedAlarm{{ID: "gone", State: Acked.String(), On: true}, {ID: "quiet", State: Normal.String()}}}
	for name, restore := range map[string]func(*Engine){
		"restart": func(e *Engine) { e.Restore(saved) },
		"reload":  func(e *Engine) { e.Continue(saved, time.Hour) },
	} {
		e := NewEngine([]Rule{{ID: "x", Test: func(*Facts, bool) Truth { return False }}}, Setpoints{})
		restore(e)
		f := Facts{Est: &estimate.Estimates{}, Stamp: sensors.Stamp{Up: time.Hour + time.Second}}
		moves := e.Step(&f)
		if len(moves) != 1 || moves[0].ID != "gone" || moves[0].From != Acked.String() || moves[0].To != Normal.String() ||
			!strings.Contains(moves[0].Why, "no longer") {
			t.Errorf("%s: %+v, want one move of the alarm that is gone, with its reason", name, moves)
		}
		if moves = e.Step(&f); len(moves) > 0 {
			t.Errorf("%s: said again: %+v", name, moves)
		}
	}
}

// TestReloadedAtAnyTickAnEngineGoesOnAsItWas: an engine that is taken over by a new one
// again and again, and one that never is, move alike and say alike.
func TestReloadedAtAnyTickAnEngineGoesOnAsItWas(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(rt, rapid.Bool().Draw(rt, "latch"))
		quality, numbers, parts := sensors.Good, 0, uint64(1)
		r.set.NightFromMin, r.set.NightToMin = 3*60, 5*60
		r.rule.Priority, r.rule.NightPriority, r.rule.ReAnnounce = Medium, High, true
		r.rule.Rests = func(*Facts) sensors.Quality { return quality }
		r.rule.Why = func(*Facts) string {
			if quality < sensors.Suspect || r.truth == Unknown {
				return "no reading" // who takes over words it anew, with the numbers of that tick
			}
			return time.Duration(numbers).String()
		}
		r.rule.Advise = func(*Facts) string { return "do " + time.Duration(numbers).String() }
		r.rule.Parts = func(*Facts) uint64 { return parts }
		r.make()
		whole, other := r.e, NewEngine([]Rule{r.rule}, r.set)
		other.Continue(throughJSON(rt, whole.Save()), r.up)
		same := func(what string, a, b any) {
			if !reflect.DeepEqual(a, b) {
				rt.Fatalf("%s:\n%+v without reloads,\n%+v with them", what, a, b)
			}
		}
		tick := func(dt time.Duration) {
			numbers++
			r.e = whole
			r.step(dt)
			moves := r.last
			same("moves", moves, other.Step(&r.facts))
			same("status", whole.Status(), other.Status())
		}
		tick(time.Second) // until then nobody knows what a reset would rest on
		rt.Repeat(map[string]func(*rapid.T){
			"ticks": func(rt *rapid.T) {
				r.truth = rapid.SampledFrom([]Truth{True, True, False, Unknown}).Draw(rt, "truth")
				quality = rapid.SampledFrom([]sensors.Quality{sensors.Good, sensors.Suspect, sensors.Bad}).Draw(rt, "quality")
				parts = rapid.Uint64Range(0, 7).Draw(rt, "parts")
				for range rapid.IntRange(1, 60).Draw(rt, "ticks") {
					tick(time.Duration(rapid.IntRange(1, 40).Draw(rt, "dt")) * time.Second)
				}
			},
			"suppress": func(rt *rapid.T) {
				r.by = rapid.SampledFrom([]string{"", CylinderRemoved}).Draw(rt, "by")
				tick(time.Second)
			},
			"verb": func(rt *rapid.T) {
				verb := rapid.SampledFrom([]string{"ACK", "ACK", "RESET", "SHELVE", "UNSHELVE", "OOS+", "OOS-"}).Draw(rt, "verb")
				r.e = whole
				err := r.verb(verb)
				moves := r.last
				r.e = other
				same("answer", err, r.verb(verb))
				same("moves of a verb", moves, r.last)
			},
			"reload": func(rt *rapid.T) {
				s := throughJSON(rt, other.Save())
				other = NewEngine([]Rule{r.rule}, r.set)
				other.Continue(s, r.up)
				tick(time.Second)
			},
		})
	})
}
