package announce

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/show"
)

// letter is one mail in words.
type letter struct {
	id            string // the same for the same transitions
	subject, body string
	urgent        bool
}

const (
	subjectMax = 160
	lateAfter  = 2 * time.Minute // then a mail says how long ago it happened
)

// letterOf tells transitions, one paragraph an alarm, in the order in which they happened.
func letterOf(batch []transition, now *core.Snapshot, device string, zone *time.Location) letter {
	newest := batch[0]
	byAlarm := map[string][]transition{}
	var ids []string
	for _, t := range batch {
		if t.event.Seq > newest.event.Seq {
			newest = t
		}
		id := t.event.Alarm.ID
		if byAlarm[id] == nil {
			ids = append(ids, id)
		}
		byAlarm[id] = append(byAlarm[id], t)
	}
	l := letter{id: fmt.Sprintf("%s.%d", newest.id(), len(batch))}
	worst := newest
	var b strings.Builder
	for _, id := range ids {
		of := byAlarm[id]
		last := of[len(of)-1]
		if rank(last.event.Alarm.Priority) > rank(worst.event.Alarm.Priority) {
			worst = last
		}
		l.urgent = l.urgent || urgent(last.event.Alarm, now)
		paragraph(&b, of, now, zone)
		b.WriteString("\n")
	}
	b.WriteString(foot(device))
	l.body = b.String()
	a := worst.event.Alarm
	l.subject = fmt.Sprintf("frostline: %s (%s; %s)", title(a, now), a.Priority, stateWords(a, now))
	if n := len(ids); n > 1 {
		l.subject = fmt.Sprintf("frostline: %d alarms, first %s (%s; %s)", n, title(a, now), a.Priority, stateWords(a, now))
	}
	return l
}

// paragraph tells what one alarm did: its newest state first.
func paragraph(b *strings.Builder, of []transition, now *core.Snapshot, zone *time.Location) {
	last := of[len(of)-1]
	a := last.event.Alarm
	st := statusOf(now, a.ID)
	line := func(key, text string) {
		if text != "" {
			fmt.Fprintf(b, "%-9s %s\n", key+":", oneLine(text, 1000))
		}
	}
	fmt.Fprintf(b, "%s\n", oneLine(title(a, now), subjectMax))
	if st != nil && (a.To == alerts.Unacked.String() || a.To == alerts.Acked.String()) {
		line("First", st.Action)
	}
	line("State", stateWords(a, now))
	line("Priority", a.Priority)
	line("Why", a.Why)
	line("By", a.Actor)
	line("When", when(last, now, zone))
	for _, t := range slices.Backward(of[:len(of)-1]) {
		line("Before", stateWords(t.event.Alarm, now)+", "+when(t, now, zone))
	}
	if last.mergedN > 0 {
		line("Before", fmt.Sprintf("%d more changes: %s", last.mergedN, strings.Join(last.through, ", ")))
	}
	if st != nil && st.State.String() != a.To {
		line("Now", stateWords(&alerts.Transition{ID: a.ID, From: a.To, To: st.State.String()}, now))
	}
	if !last.durable {
		line("Kept", "in memory only; the store did not take it")
	}
}

func title(a *alerts.Transition, now *core.Snapshot) string {
	if st := statusOf(now, a.ID); st != nil && st.Title != "" {
		return st.Title
	}
	return a.ID
}

// when is the time of a transition on the van's clock, and how long ago that was. Where the
// clock could not be believed, the time since the start still tells the age within one run.
func when(t transition, now *core.Snapshot, zone *time.Location) string {
	var text string
	age := time.Duration(-1)
	if t.boot == now.Boot {
		age = now.Stamp.Up - t.event.Stamp.Up
	}
	if wall := t.event.Stamp.Wall; t.clockTrusted && !wall.IsZero() {
		text = wall.In(zone).Format("Mon 2 Jan 2006 15:04 MST")
		if age < 0 && now.Est.ClockTrusted {
			age = now.Stamp.Wall.Sub(wall)
		}
	} else {
		text = "time of day unknown, the clock was not trusted"
	}
	if age >= lateAfter {
		text += "; " + show.Age(age)
	}
	return text
}

// stateWords says what an alarm did. What fell at a gas sensor is not gone.
func stateWords(a *alerts.Transition, now *core.Snapshot) string {
	ended, st := "condition gone", statusOf(now, a.ID)
	switch {
	case st == nil && a.To == alerts.Normal.String(): // the program that has started since does not have it
		return "no longer watched for"
	case a.ID == "gas-leave", a.ID == "gas-warning", a.ID == "gas-trace":
		ended = "level fell, cause unknown"
	case a.ID == "gas-blind":
		ended = "watching again"
	case st != nil && (st.Class == alerts.ClassGas || st.Class == alerts.ClassCO):
		ended = "no longer seen, cause unknown"
	}
	switch a.To {
	case alerts.Unacked.String():
		return "on, not acknowledged"
	case alerts.Acked.String():
		return "on, acknowledged"
	case alerts.Returned.String():
		return ended + ", not acknowledged"
	case alerts.LatchedUnacked.String():
		return ended + ", held until acknowledged and reset"
	case alerts.LatchedAcked.String():
		return ended + ", held until a person resets it"
	case alerts.Normal.String():
		switch a.From {
		case alerts.Shelved.String(), alerts.Suppressed.String(), alerts.OutOfService.String():
			return "back on watch"
		case alerts.LatchedUnacked.String(), alerts.LatchedAcked.String():
			return "reset by a person"
		}
		return ended
	}
	return strings.ReplaceAll(a.To, "-", " ")
}

// dailyLetter is the daily word. It says what the program saw at that moment, what it did not
// see, and no more than that.
func dailyLetter(t transition, now *core.Snapshot, device string, zone *time.Location) letter {
	d := t.event.Daily
	l := letter{id: t.id(), subject: "frostline: still watching"}
	switch {
	case d.GasBand == string(estimate.Blind):
		l.subject = "frostline: running, but blind to gas"
	case len(d.Alarms) > 0 || len(d.Faults) > 0:
		l.subject = fmt.Sprintf("frostline: still watching; alarms %d, faults %d", len(d.Alarms), len(d.Faults))
	}
	var b strings.Builder
	line := func(key, text string) { fmt.Fprintf(&b, "%-16s %s\n", key+":", oneLine(text, 1000)) }
	number := func(key string, value, low, high *float64, unit show.Unit, why string) {
		switch {
		case value == nil || low == nil || high == nil:
			line(key, "unknown: "+why)
		case why != "":
			line(key, fmt.Sprintf("%s (%s); in doubt: %s", show.Number(*value, unit), show.Interval(*low, *high, unit), why))
		default:
			line(key, fmt.Sprintf("%s (%s)", show.Number(*value, unit), show.Interval(*low, *high, unit)))
		}
	}
	list := func(key string, items []string, none string) {
		if len(items) == 0 {
			line(key, none)
		}
		for _, item := range items {
			line(key, item)
		}
	}
	b.WriteString("The program ran at the time below. This is what it saw then, and no more.\n\n")
	line("When", when(t, now, zone))
	number("Fuel", d.FuelKg, d.FuelLowKg, d.FuelHighKg, show.Kg, d.FuelWhy)
	number("Nights left", d.NightsLeftN, d.NightsLeftLowN, d.NightsLeftHighN, show.Nights, d.NightsWhy)
	gas := d.GasBand
	if d.GasWhy != "" {
		gas += ": " + d.GasWhy
	}
	line("Floor gas", gas)
	line("Certified alarm", strings.ReplaceAll(d.Certified, "-", " "))
	list("Alarm", d.Alarms, "none stands")
	list("Fault", d.Faults, "none that the program can see")
	b.WriteString("\n" + foot(device))
	l.body = b.String()
	return l
}

// foot stands under every mail.
func foot(device string) string {
	return "-- \nfrostline complements a certified gas alarm and never replaces it.\n" +
		"A mail may be late or lost: what counts is what sounds and stands in the van.\nSent by " + device + ".\n"
}
