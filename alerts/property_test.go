package alerts

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// watcher holds the invariants of sensing.md 6.2 against whatever happens to an alarm. It
// keeps its own account of what was true when, apart from the engine's.
type watcher struct {
	*rig
	rt *rapid.T

	state    State
	unheard  bool // entered B or E, and nobody acknowledged, shelved or took it out of service, nor was it suppressed
	latched  bool // a latching alarm was in B or E, and nobody reset it
	trueUp   time.Duration
	isTrue   bool // true since trueUp, without a false between
	falseUp  time.Duration
	isFalse  bool          // false since falseUp, with no more between than a short doubt
	lastUp   time.Duration // when it was last false
	shelvedS time.Duration
}

// note checks the moves of one step or verb. By is the verb, "" for a step.
func (w *watcher) note(by string) {
	for _, m := range w.last {
		from, to := savedState(m.From), savedState(m.To)
		if from != w.state {
			w.rt.Fatalf("move %+v starts from %v", m, w.state)
		}
		if !legal(from, to, w.rule.Latch) {
			w.rt.Fatalf("no such move in the table: %+v", m)
		}
		w.people(by, from, to)
		w.state = to
		if to == Unacked && !w.status().Sounding && by == "" && w.status().State == Unacked {
			w.rt.Fatalf("entered unacknowledged without a sound")
		}
		if to == Shelved && from != Shelved {
			w.shelvedS = w.up
		}
	}
	if got := w.status().State; got != w.state {
		w.rt.Fatalf("state went from %v to %v without a logged move", w.state, got)
	}
	if w.state == Shelved && w.up-w.shelvedS > maxShelf {
		w.rt.Fatalf("on the shelf for %v", w.up-w.shelvedS)
	}
	if w.status().Sounding != (w.state == Unacked) {
		w.rt.Fatalf("sounding is %v in state %v", w.status().Sounding, w.state)
	}
}

// people checks what only a person may do.
func (w *watcher) people(by string, from, to State) {
	switch {
	case by == "ACK" || by == "SHELVE" || by == "OOS+" || to == Suppressed:
		w.unheard = false
	case by == "RESET":
		w.latched = false
	}
	if to == Normal && w.unheard {
		w.rt.Fatalf("%v to normal, and nobody acknowledged", from)
	}
	if to == Normal && w.latched {
		w.rt.Fatalf("%v to normal by %q: a latch went without a reset", from, by)
	}
	switch {
	case to == Unacked && from != Unacked:
		w.unheard = true
		w.latched = w.rule.Latch
	case to == LatchedUnacked:
		w.unheard, w.latched = true, true
	}
}

// legal is the set of moves the table has.
func legal(from, to State, latch bool) bool {
	if to == Suppressed {
		return from != OutOfService && from != Suppressed
	}
	if to == OutOfService {
		return true
	}
	var to2 []State
	switch from {
	case Normal:
		to2 = []State{Unacked, Shelved}
	case Unacked:
		to2 = []State{Acked, Returned, Shelved}
		if latch {
			to2 = []State{Acked, LatchedUnacked, Shelved}
		}
	case Acked:
		to2 = []State{Unacked, Normal, Shelved}
		if latch {
			to2 = []State{Unacked, LatchedAcked, Shelved}
		}
	case Returned:
		to2 = []State{Unacked, Normal, Shelved}
	case LatchedUnacked:
		to2 = []State{Unacked, LatchedAcked}
	case LatchedAcked:
		to2 = []State{Unacked, Normal}
	case Shelved:
		to2 = []State{Unacked, Normal, LatchedUnacked, Shelved}
	case Suppressed, OutOfService:
		to2 = []State{Unacked, Normal, LatchedUnacked}
	}
	return slices.Contains(to2, to)
}

// tick steps by dt and checks the delays and what a dead sensor may do.
func (w *watcher) tick(dt time.Duration) {
	before, restarted := w.state, w.e.alarms[0].restored
	w.step(dt)
	switch w.truth {
	case True:
		if !w.isTrue {
			w.isTrue, w.trueUp = true, w.up
		}
		w.isFalse = false
	case False:
		if !w.isFalse {
			w.isFalse, w.falseUp = true, w.up
		}
		w.isTrue = false
	case Unknown: // a short one leaves the off-delay alone
		w.isFalse = w.isFalse && w.up-w.lastUp <= longestGap
	}
	if w.truth == False {
		w.lastUp = w.up
	}
	w.note("")
	if restarted {
		return // moves of the Restart column have no delay
	}
	raised := before <= LatchedAcked && before != Acked && before != Unacked && w.state == Unacked
	if raised && (w.truth != True || w.up-w.trueUp < rigOn) {
		w.rt.Fatalf("raised by truth %v after %v", w.truth, w.up-w.trueUp)
	}
	cleared := (before == Unacked || before == Acked) && (w.state == Returned || w.state == LatchedUnacked || w.state == LatchedAcked || w.state == Normal)
	if cleared && (w.truth != False || w.up-w.falseUp < rigOff) {
		w.rt.Fatalf("cleared by truth %v after %v", w.truth, w.up-w.falseUp)
	}
}

func TestNoOrderOfEventsBreaksTheInvariants(t *testing.T) {
	for _, latch := range []bool{false, true} {
		name := map[bool]string{false: "not latching", true: "latching"}[latch]
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(rt *rapid.T) {
				w := &watcher{rig: newRig(rt, latch), rt: rt}
				// The engine saw one false tick already.
				w.isFalse, w.falseUp = true, w.up
				w.rule.ReAnnounce = rapid.Bool().Draw(rt, "announce again")
				dts := rapid.IntRange(1, 10)
				truths := rapid.SampledFrom([]Truth{True, True, False, False, Unknown})
				verbs := rapid.SampledFrom([]string{"ACK", "RESET", "SHELVE", "UNSHELVE", "OOS+", "OOS-", "ACK", "ACK"})
				rt.Repeat(map[string]func(*rapid.T){
					"ticks": func(rt *rapid.T) {
						w.truth = truths.Draw(rt, "truth")
						for range rapid.IntRange(1, 30).Draw(rt, "ticks") {
							w.tick(time.Duration(dts.Draw(rt, "dt")) * time.Second)
						}
					},
					"flicker": func(rt *rapid.T) {
						w.tick(10 * time.Second)
						for _, w.truth = range rapid.SliceOfN(truths, 1, 12).Draw(rt, "truths") {
							w.tick(time.Duration(dts.Draw(rt, "dt")) * time.Second)
						}
					},
					"verb": func(rt *rapid.T) {
						v := verbs.Draw(rt, "verb")
						if w.verb(v) == nil {
							w.note(v)
						} else if w.status().State != w.state {
							rt.Fatalf("%s was refused and moved the alarm", v)
						}
					},
					"long shelf": func(rt *rapid.T) {
						d := time.Duration(rapid.IntRange(-1, 10*60).Draw(rt, "minutes")) * time.Minute
						var err error
						if w.last, err = w.e.Shelve("x", "ann", d, w.stamp()); err == nil {
							w.note("SHELVE")
						}
					},
					"hours": func(rt *rapid.T) {
						for range 6 * 60 * rapid.IntRange(1, 5).Draw(rt, "hours") {
							w.tick(10 * time.Second)
						}
					},
					"suppress": func(rt *rapid.T) {
						w.by = rapid.SampledFrom([]string{"", CylinderRemoved, WaterDrained}).Draw(rt, "by")
						w.tick(time.Second)
					},
					"restart": func(rt *rapid.T) {
						w.restart()
						w.isTrue, w.isFalse, w.shelvedS = false, false, 0
						w.tick(time.Second)
					},
				})
			})
		})
	}
}

// Gas levels come one above the other; whatever was done about the lower, the higher
// sounds when it is entered, at any hour.
func TestAHigherGasLevelAlwaysSounds(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		set := Defaults()
		set.QuietFromMin, set.QuietToMin = 0, 23*60+59
		set.Stored, set.WaterDrained = rapid.Bool().Draw(rt, "stored"), rapid.Bool().Draw(rt, "drained")
		e := NewEngine(Catalogue(set), set)
		f := ordinaryFacts()
		for range rapid.IntRange(1, 40).Draw(rt, "rounds") {
			level := rapid.SampledFrom(gasBands()).Draw(rt, "level")
			f.Est.GasLevel, f.Est.GasHold, f.Est.Band = level, level, level
			for range rapid.IntRange(1, 60).Draw(rt, "ticks") {
				f.Stamp.Up += time.Duration(rapid.IntRange(1, 10).Draw(rt, "dt")) * time.Second
				for _, m := range e.Step(f) {
					loud := m.ID == "gas-leave" || m.ID == "gas-warning" || m.ID == "gas-blind"
					if i := e.index(m.ID); loud && m.To == Unacked.String() && !e.Status()[i].Sounding {
						rt.Fatalf("%s was entered without a sound", m.ID)
					}
				}
			}
			for _, s := range e.Status() {
				if s.ID == "gas-trace" && s.Sounding {
					rt.Fatalf("trace sounds")
				}
			}
			for _, id := range rapid.SliceOf(rapid.SampledFrom([]string{"gas-warning", "gas-leave", "gas-trace", "gas-blind"})).Draw(rt, "acks") {
				e.Ack(id, "ann", f.Stamp) // a refusal is fine here: the next rise must sound whatever was answered
				if _, err := e.Shelve(id, "ann", time.Hour, f.Stamp); err == nil {
					rt.Fatalf("%s was shelved", id)
				}
				if _, err := e.OutOfService(id, "ann", f.Stamp); err == nil {
					rt.Fatalf("%s was taken out of service", id)
				}
			}
		}
	})
}
