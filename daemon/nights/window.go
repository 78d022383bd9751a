package nights

import "time"

// Window is the hours of a night in minutes after local midnight. It ends the next day if
// it does not end later than it starts.
type Window struct {
	StartMin int `json:"start_min"`
	EndMin   int `json:"end_min"`
}

// LengthMin is how long such a night lasts, daylight saving apart.
func (w Window) LengthMin() int { return (w.EndMin - w.StartMin + minPerDay) % minPerDay }

// valid reports whether w has two different ends within a day.
func (w Window) valid() bool {
	return w.StartMin >= 0 && w.StartMin < minPerDay && w.EndMin >= 0 && w.EndMin < minPerDay && w.StartMin != w.EndMin
}

// chosenWindow is a window that somebody chose, as a checkpoint holds it.
type chosenWindow struct {
	Use  Window  `json:"use"`
	Next *Window `json:"next,omitempty"`
	Of   Window  `json:"configured"` // when it was chosen
}

// Window is the one in use; next is one that was chosen and waits, nil if none does.
func (l *Ledger) Window() (use Window, next *Window) {
	return Window{l.p.StartMin, l.p.EndMin}, l.next
}

// Chosen reports whether a window was chosen that goes before the configured one.
func (l *Ledger) Chosen() bool { return l.chosen }

// Choose takes another window instead of the configured one, until the configuration says
// something else than now. It is used once no night is being lived, by the old window or the
// new one: a row keeps the window it began with, and no evening has two.
func (l *Ledger) Choose(w Window, wall time.Time) {
	l.chosen, l.next = true, &w
	l.turn(wall)
}

// turn takes up a window that waits, if it may.
func (l *Ledger) turn(wall time.Time) {
	if l.next == nil || l.open != nil {
		return
	}
	old, _ := l.Window()
	if !wall.IsZero() {
		if l.around(wall).date != "" {
			return
		}
		l.p.StartMin, l.p.EndMin = l.next.StartMin, l.next.EndMin
		if l.around(wall).date != "" {
			l.p.StartMin, l.p.EndMin = old.StartMin, old.EndMin
			return
		}
	}
	l.p.StartMin, l.p.EndMin = l.next.StartMin, l.next.EndMin
	l.next, l.stretch, l.hasTonight = nil, stretch{}, false
}

func (l *Ledger) saveWindow() *chosenWindow {
	if !l.chosen {
		return nil
	}
	use, next := l.Window()
	return &chosenWindow{Use: use, Next: next, Of: l.configured}
}

// restoreWindow goes on with a chosen window unless the configuration has changed since.
func (l *Ledger) restoreWindow(c *chosenWindow) {
	l.p.StartMin, l.p.EndMin = l.configured.StartMin, l.configured.EndMin
	l.chosen, l.next, l.stretch = false, nil, stretch{}
	if c == nil || c.Of != l.configured || !c.Use.valid() || c.Next != nil && !c.Next.valid() {
		return
	}
	l.chosen, l.next = true, c.Next
	l.p.StartMin, l.p.EndMin = c.Use.StartMin, c.Use.EndMin
}
