package alerts

import (
	"fmt"
	"time"

	"frostline/sensors"
)

// The operator's verbs. Each does what the table of sensing.md 6.2 says, answers nothing
// where the table has a dash, and refuses with a reason that says what to do instead. The
// stamp is that of the tick that carries the command.

// Ack acknowledges an alarm: it stops the sound and changes nothing else. What is still on
// stays on the page, and a higher level, a recurrence and the re-alarm timer sound again.
func (e *Engine) Ack(id, actor string, st sensors.Stamp) ([]Transition, error) {
	a, err := e.find("ack", id)
	if err != nil {
		return nil, err
	}
	switch a.state {
	case Unacked, Returned, LatchedUnacked:
		return e.ack(a, actor, st, nil), nil
	case Acked, LatchedAcked:
		return nil, nil
	}
	return nil, a.refuse("ack", "nothing stands to be acknowledged")
}

func (e *Engine) ack(a *alarm, actor string, st sensors.Stamp, moves []Transition) []Transition {
	to := Acked
	switch a.state {
	case Returned:
		to = Normal
	case LatchedUnacked:
		to = LatchedAcked
	}
	moves = e.move(a, to, st, "acknowledged", actor, moves)
	e.sound(a)
	return moves
}

// AckAudible acknowledges everything that sounds, except gas and carbon monoxide: those ask
// for a look at what they say, and a glove in the dark has not looked.
func (e *Engine) AckAudible(actor string, st sensors.Stamp) []Transition {
	var moves []Transition
	for i := range e.alarms {
		a := &e.alarms[i]
		if a.sounding && a.rule.Class != ClassGas && a.rule.Class != ClassCO {
			moves = e.ack(a, actor, st, moves)
		}
	}
	return moves
}

// Reset returns a latched, acknowledged alarm to normal. Its condition must be gone and
// what it rests on good, as of the last Step.
func (e *Engine) Reset(id, actor string, st sensors.Stamp) ([]Transition, error) {
	a, err := e.find("reset", id)
	if err != nil {
		return nil, err
	}
	switch {
	case a.state == Acked:
		return nil, a.refuse("reset", "its condition still holds; wait until it is gone")
	case a.state == LatchedUnacked:
		return nil, a.refuse("reset", "acknowledge it first")
	case a.state != LatchedAcked:
		return nil, a.refuse("reset", "only a latched, acknowledged alarm can be reset")
	case a.truth == True:
		return nil, a.refuse("reset", "its condition is back; wait until it is gone")
	case a.truth != False || a.quality != sensors.Good:
		return nil, a.refuse("reset", "what it rests on cannot be believed now; mend the sensor or wait for good readings")
	}
	why := "reset by a person"
	if a.rule.OnReset != "" {
		why += "; " + a.rule.OnReset
	}
	a.owed = false
	moves := e.move(a, Normal, st, why, actor, nil)
	e.sound(a)
	return moves, nil
}

// Shelve takes an alarm off the list for a while, 8 h at most from its first shelving. On a
// shelved alarm it sets a new end.
func (e *Engine) Shelve(id, actor string, d time.Duration, st sensors.Stamp) ([]Transition, error) {
	a, err := e.find("shelve", id)
	if err != nil {
		return nil, err
	}
	first := st.Up
	switch a.state {
	case LatchedUnacked, LatchedAcked:
		return nil, a.refuse("shelve", "a latched alarm is acknowledged and reset, not shelved")
	case Suppressed, OutOfService:
		return nil, a.refuse("shelve", "it is off the list already")
	case Shelved:
		first = a.shelvedUp
	}
	switch {
	case !a.rule.CanShelve:
		return nil, a.refuse("shelve", "this alarm cannot be shelved; acknowledge it and deal with its cause")
	case d <= 0:
		return nil, a.refuse("shelve", "say for how long, 8 h at most")
	case d > first+maxShelf-st.Up:
		return nil, a.refuse("shelve", fmt.Sprintf("8 h is the most, %d min are left; ask for less",
			int((first+maxShelf-st.Up)/time.Minute)))
	}
	a.shelvedUp, a.untilUp = first, st.Up+d
	why := fmt.Sprintf("shelved for %d min", int((d+time.Minute-1)/time.Minute))
	moves := e.move(a, Shelved, st, why, actor, nil)
	e.sound(a)
	return moves, nil
}

// Unshelve puts a shelved alarm back on the list; on any other it changes nothing.
func (e *Engine) Unshelve(id, actor string, st sensors.Stamp) ([]Transition, error) {
	a, err := e.find("unshelve", id)
	if err != nil || a.state != Shelved {
		return nil, err
	}
	return e.rejoin(a, st, "put back on the list", actor), nil
}

// OutOfService takes an alarm out of service until a person puts it back; a restart does
// not. On one that is out of service it changes nothing.
func (e *Engine) OutOfService(id, actor string, st sensors.Stamp) ([]Transition, error) {
	a, err := e.find("out of service", id)
	if err != nil || a.state == OutOfService {
		return nil, err
	}
	if !a.rule.CanLeaveService {
		return nil, a.refuse("out of service", "this alarm always stays in service; acknowledge it and deal with its cause")
	}
	a.by = ""
	moves := e.move(a, OutOfService, st, "taken out of service", actor, nil)
	e.sound(a)
	return moves, nil
}

// InService puts an alarm back into service; on one that is in service it changes nothing.
func (e *Engine) InService(id, actor string, st sensors.Stamp) ([]Transition, error) {
	a, err := e.find("in service", id)
	if err != nil || a.state != OutOfService {
		return nil, err
	}
	return e.rejoin(a, st, "put back into service", actor), nil
}

func (e *Engine) rejoin(a *alarm, st sensors.Stamp, why, actor string) []Transition {
	if a.quality < sensors.Suspect {
		why += "; what it rests on cannot be believed now"
	}
	moves := e.move(a, a.back(), st, why, actor, nil)
	e.sound(a)
	return moves
}

func (e *Engine) find(verb, id string) (*alarm, error) {
	if i := e.index(id); i >= 0 {
		return &e.alarms[i], nil
	}
	return nil, fmt.Errorf("%s %.40q: there is no such alarm; the list of alarms has their ids", verb, id)
}

func (a *alarm) refuse(verb, reason string) error {
	return fmt.Errorf("%s %s: it is %s: %s", verb, a.rule.ID, a.state, reason)
}
