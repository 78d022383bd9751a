package estimate

import (
	"errors"
	"time"

	"frostline/sensors"
)

// ClockSet is the time of day as a person gave it, by the clock of a phone. It is never
// changed.
type ClockSet struct {
	AtUp time.Duration `json:"at_up"` // Up of the tick in which it was said
	Was  time.Time     `json:"was"`   // label of that tick before; the zero time if it had none
	Is   time.Time     `json:"is"`    // and after
}

const whySet = "set from a phone"

// SetWall takes the time of day from a person, at a tick whose label is st. The board's own
// clock stays as it is; from then on [Estimator.Label] counts on from here by the monotonic
// clock, until the board's clock is set by something else: its label steps, it is known to
// be right, or another boot begins, of which nobody knows how long the van was dark. The
// error says why it is not taken.
func (e *Estimator) SetWall(is time.Time, st sensors.Stamp, r []sensors.Reading) error {
	if e.clock.knownRight(r) {
		return errors.New("clock: the board's clock has its time from the network; nothing to set")
	}
	e.clock.mem.Set = &ClockSet{AtUp: st.Up, Was: st.Wall, Is: is.UTC().Truncate(time.Millisecond)}
	return nil
}

// Label is the stamp of a tick with the wall label that is to be used for it. It takes the
// board's own, of every tick, before [Estimator.Step] gets the other one.
func (e *Estimator) Label(st sensors.Stamp, r []sensors.Reading) sensors.Stamp {
	m := &e.clock.mem
	if m.Set != nil && (st.Up < m.Raw.Up || stepped(m.Raw, st) || e.clock.knownRight(r)) {
		m.Set = nil
	}
	m.Raw = st
	if m.Set != nil {
		st.Wall = m.Set.Is.Add(st.Up - m.Set.AtUp).Truncate(time.Millisecond)
	}
	return st
}

// stepped reports whether the board's own label has been set between two ticks.
func stepped(from, to sensors.Stamp) bool {
	if from.Wall.IsZero() || to.Wall.IsZero() {
		return from.Wall.IsZero() != to.Wall.IsZero()
	}
	return (to.Wall.Sub(from.Wall) - (to.Up - from.Up)).Abs() > stepLimit
}

// knownRight reports whether the board says that its clock has the right time.
func (c *clock) knownRight(r []sensors.Reading) bool {
	return c.synced >= 0 && r[c.synced].Quality == sensors.Good && r[c.synced].Value == 1
}

// whySet is the reason for a step of this tick, "" if no person made it.
func (c *clock) whySet(st sensors.Stamp) string {
	if c.mem.Set != nil && c.mem.Set.AtUp == st.Up {
		return whySet
	}
	return ""
}
