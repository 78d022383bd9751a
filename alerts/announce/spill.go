package announce

import (
	"slices"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
)

// spillMax bounds the memory queue. The catalogue has some thirty alarms, so that many
// entries hold several transitions of each before any has to be folded.
const spillMax = 256

// spill holds every transition in memory until the store is known to hold it; those the
// store refuses go out from here. When it is full, transitions of one alarm are folded
// into the newest of them, which then names the states in between; only when nothing can
// be folded is one dropped and counted, and never a critical one.
type spill struct {
	max     int
	waiting []held // in order of sequence
	lostN   uint64
}

// held is one transition in memory.
type held struct {
	transition
	firstTick, tick uint64    // of the oldest folded in, and its own
	since           time.Time // when it was delivered
	alone           bool      // the store will not have it: this copy is the only one
}

func (s *spill) add(h held) {
	if len(s.waiting) >= s.max && !s.fold() {
		s.drop()
	}
	s.waiting = append(s.waiting, h)
}

// fold makes room by joining the two oldest transitions of one alarm, of the lowest
// priority that has two.
func (s *spill) fold() bool {
	for _, p := range []string{"low", "medium", "high", "critical"} {
		for i := range s.waiting {
			if s.waiting[i].event.Alarm.Priority != p {
				continue
			}
			later := slices.IndexFunc(s.waiting[i+1:], func(h held) bool {
				return h.event.Alarm.ID == s.waiting[i].event.Alarm.ID && h.boot == s.waiting[i].boot
			})
			if later < 0 {
				continue
			}
			j := i + 1 + later
			s.waiting[j] = joined(s.waiting[i], s.waiting[j])
			s.waiting = slices.Delete(s.waiting, i, i+1)
			return true
		}
	}
	return false
}

// joined is the newer transition told as if it began where the older one did.
func joined(older, newer held) held {
	through := slices.Clone(older.through)
	for _, state := range append([]string{older.event.Alarm.To}, newer.through...) {
		if !slices.Contains(through, state) {
			through = append(through, state)
		}
	}
	a := *newer.event.Alarm // the snapshot's own is shared and must not change
	a.From = older.event.Alarm.From
	if rank(older.event.Alarm.Priority) > rank(a.Priority) {
		a.Priority = older.event.Alarm.Priority
	}
	newer.event.Alarm = &a
	newer.mergedN += older.mergedN + 1
	newer.through = through
	newer.firstTick = older.firstTick
	newer.since = older.since
	newer.alone = newer.alone || older.alone
	return newer
}

// drop counts one transition out: the oldest of the lowest priority. Critical ones stay;
// folded, there is at most one per alarm, so the catalogue bounds them.
func (s *spill) drop() {
	for _, p := range []string{"low", "medium", "high"} {
		if i := slices.IndexFunc(s.waiting, func(h held) bool { return h.event.Alarm.Priority == p }); i >= 0 {
			s.lostN += 1 + uint64(s.waiting[i].mergedN)
			s.waiting = slices.Delete(s.waiting, i, i+1)
			return
		}
	}
}

func rank(priority string) int {
	return slices.Index([]string{"low", "medium", "high", "critical"}, priority)
}

// unsettled is the oldest tick nobody knows the fate of, and when it was delivered.
func (s *spill) unsettled() (tick uint64, since time.Time, ok bool) {
	for i := range s.waiting {
		if h := &s.waiting[i]; !h.alone {
			return h.firstTick, h.since, true
		}
	}
	return 0, time.Time{}, false
}

// committed forgets what the store now holds.
func (s *spill) committed(tick uint64) {
	kept := s.waiting[:0]
	for _, h := range s.waiting {
		switch {
		case h.alone || h.firstTick != tick:
			kept = append(kept, h)
		case h.tick != tick: // folded over several ticks: the rest is still to be asked
			h.firstTick = h.tick
			kept = append(kept, h)
		}
	}
	clear(s.waiting[len(kept):])
	s.waiting = kept
}

// refused marks what the store will not have as the only copy.
func (s *spill) refused(tick uint64) {
	for i := range s.waiting {
		if s.waiting[i].firstTick == tick {
			s.waiting[i].alone = true
		}
	}
}

// oldest is the first transition that must go out from memory.
func (s *spill) oldest() (transition, bool) {
	for i := range s.waiting {
		if s.waiting[i].alone {
			return s.waiting[i].transition, true
		}
	}
	return transition{}, false
}

// sent forgets a transition by its id.
func (s *spill) sent(boot string, seq uint64) {
	s.waiting = slices.DeleteFunc(s.waiting, func(h held) bool { return h.boot == boot && h.event.Seq == seq })
}

// of is the alarm transitions of a snapshot, as they enter the queue.
func transitionsOf(s *core.Snapshot, now time.Time) []held {
	var out []held
	for _, e := range s.Events {
		if e.Alarm == nil {
			continue
		}
		out = append(out, held{
			transition: transition{event: e, boot: s.Boot, clockTrusted: s.Est.ClockTrusted},
			firstTick:  s.Tick, tick: s.Tick, since: now,
		})
	}
	return out
}

// statusOf is the alarm as it stands in s, or nil.
func statusOf(s *core.Snapshot, id string) *alerts.Status {
	for i := range s.Alarms {
		if s.Alarms[i].ID == id {
			return &s.Alarms[i]
		}
	}
	return nil
}
