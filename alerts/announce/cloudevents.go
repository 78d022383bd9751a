package announce

import (
	"bytes"
	"encoding/json"
	"fmt"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
)

// transition is one alarm transition on its way out, or a daily word.
type transition struct {
	event        core.Event // its Alarm is set, or its Daily
	boot         string
	recorded     time.Time // when the store wrote it; zero if it never did
	clockTrusted bool      // of the event's wall label
	durable      bool      // false: it only ever was in memory
	mergedN      int       // older transitions of the same alarm folded into this one
	through      []string  // the states those passed, each once
}

// cloudEvent is an alarm transition in its envelope.
type cloudEvent = envelope[eventData]

// envelope is CloudEvents 1.0 in structured mode, the only one MQTT 3.1.1 can carry. The
// order of the fields is the order on the wire.
type envelope[D any] struct {
	SpecVersion     string `json:"specversion"`
	ID              string `json:"id"`
	Source          string `json:"source"`
	Type            string `json:"type"`
	Subject         string `json:"subject"`
	Time            string `json:"time,omitempty"`
	RecordedTime    string `json:"recordedtime,omitempty"`
	Sequence        string `json:"sequence,omitempty"`
	ExpiryTime      string `json:"expirytime,omitempty"`
	SeverityNumber  int    `json:"severitynumber"`
	SeverityText    string `json:"severitytext"`
	DataContentType string `json:"datacontenttype"`
	Data            D      `json:"data"`
}

type eventData struct {
	Alarm    string   `json:"alarm"`
	From     string   `json:"from"`
	To       string   `json:"to"`
	Priority string   `json:"priority"`
	Why      string   `json:"why"`
	Actor    string   `json:"actor,omitempty"`
	Title    string   `json:"title,omitempty"`
	Action   string   `json:"action,omitempty"` // what to do first
	Runbook  string   `json:"runbook,omitempty"`
	UpS      float64  `json:"up_s"` // seconds since that start of the program
	Boot     string   `json:"boot"`
	Durable  bool     `json:"durable"`
	Merged   int      `json:"merged,omitempty"`
	Through  []string `json:"through,omitempty"`
}

const (
	eventType = "frostline.alarm.transition"
	testType  = "frostline.path.test"
	dailyType = "frostline.still-watching"

	fatal = 21 // severity number of what is high or critical

	// redatedAfter tells a re-dated event from one that merely waited for its commit.
	redatedAfter = time.Minute

	// A word about tonight's fuel is worth nothing after the night, and a daily one after the
	// next. Gas never expires.
	expiresAfter = 24 * time.Hour
)

// message is the transition as one CloudEvents JSON document. Sending it again gives the
// same id, by which receivers drop duplicates; the sequence sorts as text and gives the
// order where no clock can be believed. now is the alarm as it stands, for its texts; nil
// if it is not in the catalogue any more.
func (t transition) message(deviceID string, now *alerts.Status) ([]byte, error) {
	a := t.event.Alarm
	number, word := severity(a.Priority)
	e := cloudEvent{
		SpecVersion:     "1.0",
		ID:              t.id(),
		Source:          source(deviceID),
		Type:            eventType,
		Subject:         a.ID,
		Sequence:        t.sequence(),
		SeverityNumber:  number,
		SeverityText:    word,
		DataContentType: "application/json",
		Data: eventData{
			Alarm: a.ID, From: a.From, To: a.To, Priority: a.Priority, Why: a.Why, Actor: a.Actor,
			UpS: t.event.Stamp.UpS(), Boot: t.boot, Durable: t.durable, Merged: t.mergedN, Through: t.through,
		},
	}
	if now != nil {
		e.Data.Title, e.Data.Action, e.Data.Runbook = now.Title, now.Action, now.Runbook
	}
	e.date(t, now != nil && now.Class == alerts.ClassFuel)
	return e.json()
}

// daily is the daily word as one CloudEvents JSON document.
func (t transition) daily(deviceID string) ([]byte, error) {
	e := envelope[*core.Daily]{SpecVersion: "1.0", ID: t.id(), Source: source(deviceID), Type: dailyType, Subject: t.event.Daily.Kind,
		Sequence: t.sequence(), DataContentType: "application/json", Data: t.event.Daily}
	e.SeverityNumber, e.SeverityText = severity("low")
	e.date(t, true)
	return e.json()
}

// date says when it was, if the clock could be believed then.
func (e *envelope[D]) date(t transition, expires bool) {
	wall := t.event.Stamp.Wall
	if !t.clockTrusted || wall.IsZero() {
		return
	}
	e.Time = core.FormatWall(wall)
	if !t.recorded.IsZero() && t.recorded.Sub(wall).Abs() >= redatedAfter {
		e.RecordedTime = core.FormatWall(t.recorded)
	}
	if expires {
		e.ExpiryTime = core.FormatWall(wall.Add(expiresAfter))
	}
}

// id is the same however often the transition is sent.
func (t transition) id() string { return t.boot + "-" + t.sequence() }

// sequence sorts as text: it has the width of the largest uint64.
func (t transition) sequence() string { return fmt.Sprintf("%020d", t.event.Seq) }

func source(deviceID string) string { return "urn:frostline:" + deviceID }

func (e envelope[D]) json() ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false) // "<" in a reason stays readable
	if err := enc.Encode(e); err != nil {
		return nil, fmt.Errorf("cloud event %s: %w", e.ID, err)
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

// severity maps a priority to the numbers of the OpenTelemetry scale that the CloudEvents
// severity extension uses. A word it does not know is taken for the worst.
func severity(priority string) (int, string) {
	switch priority {
	case "low":
		return 9, "INFO"
	case "medium":
		return 13, "WARN"
	}
	return fatal, "FATAL"
}
