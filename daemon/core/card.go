package core

import (
	"fmt"
	"slices"
	"time"

	"frostline/alerts"
	"frostline/sensors"
)

// Dismissed is the choice of whoever does not want to be asked.
const Dismissed = "dismissed"

const (
	cardsMostN  = 8         // older ones are not asked about any more
	cardRest    = time.Hour // nobody is asked in the thick of it
	cardFromMin = 8 * 60    // daylight, by the van's own clock
	cardToMin   = 18 * 60
)

// Choices lists what an alarm may have been, in the order they are offered; nil for an alarm
// nobody is asked about. The words are for the log: whatever is answered, no limit changes.
func Choices(alarm string) []string {
	switch alarm {
	case "gas-leave", "gas-warning", "leak-suspicion", "certified-alarm":
		return []string{"joint-leaked", "appliance-open", "cooking", "spray-or-alcohol", "from-outside", "alarm-itself", "test", "not-known"}
	case "co-alarm":
		return []string{"heater-or-flue", "cooktop", "engine-or-generator", "from-outside", "alarm-itself", "test", "not-known"}
	case "starved":
		return []string{"cylinder-empty", "valve-shut", "too-cold-or-iced", "heater-locked-out", "battery-low", "not-wanted", "test", "not-known"}
	case "pipe-cold":
		return []string{"froze", "did-not-freeze", "alarm-itself", "test", "not-known"}
	case "battery-low":
		return []string{"load-left-on", "not-charged", "battery-worn", "alarm-itself", "test", "not-known"}
	}
	return nil
}

// Card asks, by daylight, what an alarm was. It waits until it is answered or dismissed.
type Card struct {
	Seq    uint64    `json:"seq"` // of the event that raised the alarm
	Alarm  string    `json:"alarm"`
	Wall   time.Time `json:"wall,omitzero"` // when; zero if the clock was not trusted
	TimesN int       `json:"times"`         // it was raised before this card was asked
}

// cards are the alarms whose story nobody has told yet.
type cards struct {
	list  []waiting
	due   []Card // as last shown; never changed in place
	stale bool   // due must be made anew
}

// waiting is a card and how long ago its alarm was raised last.
type waiting struct {
	Card
	AgeS    float64 `json:"age_s"` // in a checkpoint; else sinceUp holds
	sinceUp time.Duration
	asked   bool // now
	shown   bool // once it was asked another alarm is another card
}

// step takes in the events of a tick and returns the cards to be asked now. The slice stays
// the same until they change.
func (k *cards) step(s *Snapshot, zone *time.Location) []Card {
	for i := range s.Events {
		k.raised(&s.Events[i], s.Est.ClockTrusted)
	}
	for i := range k.list {
		w := &k.list[i]
		if now := k.isDue(w, s, zone); now != w.asked {
			w.asked, w.shown, k.stale = now, w.shown || now, true
		}
	}
	if !k.stale {
		return k.due
	}
	k.due, k.stale = nil, false
	for _, w := range k.list {
		if w.asked {
			k.due = append(k.due, w.Card)
		}
	}
	return k.due
}

// raised makes a card of an alarm that was raised. One that comes again before its card was
// asked joins it: nobody is asked six times about one night.
func (k *cards) raised(e *Event, trusted bool) {
	if e.Alarm == nil || !e.Alarm.Raised() || Choices(e.Alarm.ID) == nil {
		return
	}
	for i := range k.list {
		if w := &k.list[i]; w.Alarm == e.Alarm.ID && !w.shown {
			w.TimesN++
			w.sinceUp = e.Stamp.Up
			return
		}
	}
	w := waiting{Card: Card{Seq: e.Seq, Alarm: e.Alarm.ID, TimesN: 1}, sinceUp: e.Stamp.Up}
	if trusted {
		w.Wall = e.Stamp.Wall
	}
	k.list = append(k.list, w)
	if len(k.list) > cardsMostN {
		k.list = slices.Delete(k.list, 0, 1)
		k.stale = true
	}
}

// isDue reports whether a card is to be asked: an hour after its alarm, when that is over, by
// daylight; where nobody knows the hour, once it has been acknowledged.
func (k *cards) isDue(w *waiting, s *Snapshot, zone *time.Location) bool {
	if s.Stamp.Up-w.sinceUp < cardRest {
		return false
	}
	for i := range s.Alarms {
		a := &s.Alarms[i]
		if a.ID != w.Alarm {
			continue
		}
		switch a.State {
		case alerts.Unacked, alerts.Acked:
			return false
		case alerts.Returned, alerts.LatchedUnacked:
			if !s.Est.ClockTrusted {
				return false
			}
		}
	}
	if !s.Est.ClockTrusted {
		return true
	}
	if zone == nil {
		zone = time.UTC
	}
	hour, minute, _ := s.Stamp.Wall.In(zone).Clock()
	now := hour*60 + minute
	return now >= cardFromMin && now < cardToMin // the evening belongs to the night that comes
}

// answer takes a card off; the note is for the log.
func (k *cards) answer(a Answer, actor string) (*Note, error) {
	i := slices.IndexFunc(k.list, func(w waiting) bool { return w.Seq == a.Card })
	if i < 0 {
		return nil, fmt.Errorf("answer: no card %d waits; it was answered, or there are newer ones", a.Card)
	}
	alarm := k.list[i].Alarm
	if a.Choice != Dismissed && !slices.Contains(Choices(alarm), a.Choice) {
		return nil, fmt.Errorf("answer: %.40q is none of the answers about %s", a.Choice, alarm)
	}
	k.list = slices.Delete(k.list, i, i+1)
	k.stale = true
	return &Note{Kind: AlarmAnswer, Actor: actor, Alarm: alarm, Of: a.Card, Choice: a.Choice, Text: a.Text}, nil
}

// save is the list as a checkpoint holds it.
func (k *cards) save(up time.Duration) []waiting {
	out := slices.Clone(k.list)
	for i := range out {
		out[i].AgeS = (up - out[i].sinceUp).Seconds()
	}
	return out
}

// restore goes on at up, after a gap that counts if it is known.
func (k *cards) restore(list []waiting, st sensors.Stamp, gap time.Duration) {
	k.list, k.due, k.stale = nil, nil, false
	for _, w := range list[max(0, len(list)-cardsMostN):] {
		if Choices(w.Alarm) == nil || !(w.AgeS >= 0 && w.AgeS < maxUpS) {
			continue
		}
		w.sinceUp, w.AgeS = st.Up-gap-time.Duration(w.AgeS*float64(time.Second)), 0
		k.list = append(k.list, w)
	}
}
