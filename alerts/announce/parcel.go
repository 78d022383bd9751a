package announce

import (
	"cmp"
	"slices"

	"frostline/alerts"
	"frostline/daemon/core"
)

// What a courier carries, what of it is still worth carrying, and in which order. Nothing here
// waits, sends or asks the store.

// parcel is one transition on its way out.
type parcel struct {
	transition
	row     int64 // of the store; 0: it is in memory only
	urgent  bool
	shunned bool // refused for itself
}

// stillNews parts what is worth telling from what is not: what is too old, a daily word that
// a newer one follows, and what was low and is over. Rest is in the order in which it happened.
func stillNews(all []parcel, now *core.Snapshot) (rest, over []parcel) {
	slices.SortStableFunc(all, func(a, b parcel) int { return cmp.Compare(a.event.Seq, b.event.Seq) })
	var newest uint64
	for _, p := range all {
		if p.event.Daily != nil {
			newest = p.event.Seq
		}
	}
	for _, p := range all {
		if p.expired(now) || p.event.Daily != nil && p.event.Seq != newest {
			over = append(over, p)
		} else {
			rest = append(rest, p)
		}
	}
	rest, ended := collapse(rest)
	return rest, append(over, ended...)
}

// collapse takes out what was of low priority, began and was over before it could be told: its
// receivers would learn of nothing that is. What ends something they were told of stays. All is in the order in
// which it happened.
func collapse(all []parcel) (rest, over []parcel) {
	ends := map[string]uint64{}  // by alarm: the number of the newest end that has its beginning here
	begun := map[string]uint64{} // that of its first beginning here
	for _, p := range all {
		a := p.event.Alarm
		if a == nil || a.Priority != alerts.Low.String() {
			continue
		}
		switch a.To {
		case alerts.Unacked.String():
			if begun[a.ID] == 0 {
				begun[a.ID] = p.event.Seq
			}
		case alerts.Returned.String(), alerts.Normal.String():
			if begun[a.ID] != 0 {
				ends[a.ID] = p.event.Seq
			}
		}
	}
	for _, p := range all {
		if a := p.event.Alarm; a != nil && a.Priority == alerts.Low.String() && begun[a.ID] <= p.event.Seq && p.event.Seq <= ends[a.ID] {
			over = append(over, p)
		} else {
			rest = append(rest, p)
		}
	}
	return rest, over
}

// inOrder puts what is urgent first, what was refused for itself last, and leaves the rest in
// the order in which it happened.
func inOrder(all []parcel) {
	slices.SortStableFunc(all, func(a, b parcel) int {
		return cmp.Or(before(a.urgent, b.urgent), before(b.shunned, a.shunned), cmp.Compare(a.event.Seq, b.event.Seq))
	})
}

func before(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// fits is how many of the first may share a message of most: nothing waits in one for what is
// less urgent, and what was refused goes alone, as a daily word does.
func fits(due []parcel, most int) int {
	alone := func(p parcel) bool { return p.shunned || p.event.Daily != nil }
	n := 1
	for n < len(due) && n < most && due[n].urgent == due[0].urgent && !alone(due[n]) && !alone(due[0]) {
		n++
	}
	return n
}

// urgent reports whether it is told at any hour.
func (t transition) urgent(now *core.Snapshot) bool {
	return t.event.Alarm != nil && urgent(t.event.Alarm, now)
}

// urgent reports whether an alarm is told at any hour: what is high or critical, and the few
// below that which break quiet hours.
func urgent(a *alerts.Transition, now *core.Snapshot) bool {
	if number, _ := severity(a.Priority); number >= fatal {
		return true
	}
	st := statusOf(now, a.ID)
	return st != nil && st.BreaksQuiet
}

// expired reports whether it is no longer news: a word about tonight's fuel or a daily one,
// after a day, by a clock that was right then and is now. Nothing urgent ever is.
func (t transition) expired(now *core.Snapshot) bool {
	if !t.clockTrusted || !now.Est.ClockTrusted || now.Stamp.Wall.Sub(t.event.Stamp.Wall) <= expiresAfter {
		return false
	}
	if t.event.Daily != nil {
		return true
	}
	st := statusOf(now, t.event.Alarm.ID)
	return st != nil && st.Class == alerts.ClassFuel && !t.urgent(now)
}
