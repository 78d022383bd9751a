package alerts

import (
	"time"

	"frostline/sensors"
)

// Saved is the state of an engine as JSON: what a restart needs and nothing a tick finds
// out again. Delays, timers and Up are not in it; they start again with the boot.
type Saved struct {
	Alarms []SavedAlarm `json:"alarms"`
}

// SavedAlarm is one alarm of a [Saved].
type SavedAlarm struct {
	ID        string    `json:"id"`
	State     string    `json:"state"`
	On        bool      `json:"on,omitempty"`    // the condition held
	Owed      bool      `json:"owed,omitempty"`  // latched and not reset by a person
	SinceWall time.Time `json:"since,omitzero"`  // when State was entered
	Why       string    `json:"why,omitempty"`   // the numbers behind it
	By        string    `json:"by,omitempty"`    // the named suppression
	SoundN    uint64    `json:"sounds,omitzero"` // times the sound started
	RaisedN   uint64    `json:"raised,omitzero"`
}

// Save returns the state to restore from, in catalogue order.
func (e *Engine) Save() Saved {
	s := Saved{Alarms: make([]SavedAlarm, len(e.alarms))}
	for i := range e.alarms {
		a := &e.alarms[i]
		s.Alarms[i] = SavedAlarm{ID: a.rule.ID, State: a.state.String(), On: a.on, Owed: a.owed,
			SinceWall: a.sinceWall, Why: a.why, By: a.by, SoundN: a.soundN, RaisedN: a.raisedN}
	}
	return s
}

// Restore continues from an earlier run by the Restart column of sensing.md 6.2. The moves
// that column makes (a shelf dropped, gas announced again) happen at the next Step, which
// has the stamp for them. Alarms this program does not have are ignored, alarms the save
// does not have start normal, and a state this program does not know is taken for the worst.
func (e *Engine) Restore(s Saved) {
	for i := range e.alarms {
		r := e.alarms[i].rule
		e.alarms[i] = alarm{rule: r, priority: r.Priority, quality: sensors.Missing}
	}
	for _, saved := range s.Alarms {
		i := e.index(saved.ID)
		if i < 0 {
			continue
		}
		a := &e.alarms[i]
		a.state = savedState(saved.State)
		a.on, a.owed = saved.On, saved.Owed
		a.sinceWall, a.why, a.by = saved.SinceWall, saved.Why, saved.By
		a.soundN, a.raisedN = saved.SoundN, saved.RaisedN
		a.restored = true
		a.agree()
	}
	e.stepped, e.stale = false, true
}

func savedState(word string) State {
	for _, s := range States() {
		if s.String() == word {
			return s
		}
	}
	return Unacked
}

// agree makes a saved state fit its rule as it is now: it may have been edited, or the rule
// may have changed with the program. Nothing that stood is lost by it.
func (a *alarm) agree() {
	latched := a.state == LatchedUnacked || a.state == LatchedAcked
	switch {
	case a.state == Unacked || a.state == Acked:
		a.on = true
	case a.state <= LatchedAcked:
		a.on = false
	}
	switch {
	case latched && !a.rule.Latch:
		a.state = Returned
	case a.state == Returned && a.rule.Latch:
		a.state = LatchedUnacked
	case a.state == OutOfService && !a.rule.CanLeaveService:
		a.state = a.back()
	}
	if a.state != Suppressed {
		a.by = ""
	}
	switch {
	case !a.rule.Latch || a.state == Normal:
		a.owed = false
	case a.state.Standing() || a.on:
		a.owed = true
	}
}

// restart makes the moves of the Restart column. An alarm that stood still stands: it was
// on when last seen, and only readings can say otherwise.
func (e *Engine) restart(a *alarm, f *Facts, moves []Transition) []Transition {
	a.restored = false
	a.sinceUp, a.soundUp, e.stale = f.Stamp.Up, f.Stamp.Up, true
	a.priority = a.rule.priority(f)
	switch a.state {
	case Unacked:
		a.soundN++
	case Acked:
		if a.rule.ReAnnounce {
			return e.move(a, Unacked, f.Stamp, a.rule.because("restarted while it stood", f), "", moves)
		}
	case Shelved:
		return e.move(a, a.back(), f.Stamp, "shelving dropped by a restart", "", moves)
	case OutOfService:
		return e.move(a, OutOfService, f.Stamp, "still out of service after a restart", "", moves)
	}
	return moves
}
