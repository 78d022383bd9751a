package alerts

import (
	"time"

	"frostline/sensors"
)

// Saved is the state of an engine as JSON: what a restart or a reload needs and nothing a
// tick finds out again.
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
	Boot      savedBoot `json:"this_boot,omitzero"`
}

// savedBoot is what holds within one boot only: moments of Up, and what was last seen of the
// condition. A restart drops it, because Up starts again and nobody looked meanwhile.
type savedBoot struct {
	SinceUp    time.Duration  `json:"since_up,omitzero"`
	SoundUp    time.Duration  `json:"sound_up,omitzero"`
	WhyUp      time.Duration  `json:"why_up,omitzero"`
	ShelvedUp  time.Duration  `json:"shelved_up,omitzero"`
	UntilUp    time.Duration  `json:"until_up,omitzero"`
	RaisingUp  *time.Duration `json:"raising_up,omitempty"` // nil: no delay is running
	ClearingUp *time.Duration `json:"clearing_up,omitempty"`
	Priority   Priority       `json:"priority,omitzero"`
	Parts      uint64         `json:"parts,omitzero"`
	Advice     string         `json:"advice,omitempty"`
}

// Save returns the state to restore from, in catalogue order.
func (e *Engine) Save() Saved {
	s := Saved{Alarms: make([]SavedAlarm, len(e.alarms))}
	for i := range e.alarms {
		a := &e.alarms[i]
		s.Alarms[i] = SavedAlarm{ID: a.rule.ID, State: a.state.String(), On: a.on, Owed: a.owed,
			SinceWall: a.sinceWall, Why: a.why, By: a.by, SoundN: a.soundN, RaisedN: a.raisedN, Boot: a.saveBoot()}
	}
	return s
}

// saveBoot leaves out what would not be asked for in the state the alarm is in: most are
// normal, and a checkpoint is written to a card.
func (a *alarm) saveBoot() savedBoot {
	b := savedBoot{SinceUp: a.sinceUp, Advice: a.advice}
	if a.raising {
		b.RaisingUp = new(a.raisingUp)
	}
	if a.clearing {
		b.ClearingUp = new(a.clearingUp)
	}
	if a.state == Shelved {
		b.ShelvedUp, b.UntilUp = a.shelvedUp, a.untilUp
	}
	if a.on || a.state.Standing() {
		b.SoundUp, b.WhyUp, b.Priority, b.Parts = a.soundUp, a.whyUp, a.priority, a.parts
	}
	return b
}

// Restore continues from an earlier run by the Restart column of sensing.md 6.2. The moves
// that column makes (a shelf dropped, gas announced again) happen at the next Step, which
// has the stamp for them. Alarms the save does not have start normal, alarms this program
// does not have end with that Step, and a state this program does not know is taken for the
// worst.
func (e *Engine) Restore(s Saved) {
	e.stepped = false
	e.restore(s, func(a *alarm, _ *savedBoot) { a.restored = true })
}

// Continue goes on within the boot in which s was saved at up, as after a change of the
// configuration. It is no restart: what is shelved, acknowledged or being waited for stays
// so, and the delays and limits of the rules as they are now hold from the next Step on.
func (e *Engine) Continue(s Saved, up time.Duration) {
	e.stepped, e.up = true, up
	e.restore(s, func(a *alarm, b *savedBoot) {
		a.sinceUp, a.soundUp, a.whyUp = b.SinceUp, b.SoundUp, b.WhyUp
		a.shelvedUp, a.untilUp = b.ShelvedUp, b.UntilUp
		if a.raising = b.RaisingUp != nil && !a.on; a.raising {
			a.raisingUp = *b.RaisingUp
		}
		if a.clearing = b.ClearingUp != nil && a.on; a.clearing {
			a.clearingUp, a.falseUp = *b.ClearingUp, up
		}
		a.advice = b.Advice
		if a.on || a.state.Standing() {
			a.priority, a.parts, a.seen = b.Priority, b.Parts, true
		}
	})
}

func (e *Engine) restore(s Saved, boot func(*alarm, *savedBoot)) {
	for i := range e.alarms {
		r := e.alarms[i].rule
		e.alarms[i] = alarm{rule: r, priority: r.Priority, quality: sensors.Missing}
	}
	e.gone = nil
	for _, saved := range s.Alarms {
		i := e.index(saved.ID)
		if i < 0 {
			if saved.State != Normal.String() {
				e.gone = append(e.gone, Transition{Kind: "alarm", ID: saved.ID, From: saved.State, To: Normal.String(),
					Priority: Low.String(), Why: "this version of frostline no longer has this alarm; nothing watches for its condition"})
			}
			continue
		}
		a := &e.alarms[i]
		a.state = savedState(saved.State)
		a.on, a.owed = saved.On, saved.Owed
		a.sinceWall, a.why, a.by = saved.SinceWall, saved.Why, saved.By
		a.soundN, a.raisedN = saved.SoundN, saved.RaisedN
		a.agree()
		boot(a, &saved.Boot)
	}
	e.stale = true
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
