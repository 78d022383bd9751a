package core

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

// wallLayout is RFC 3339 with milliseconds, always UTC, always the same width.
const wallLayout = "2006-01-02T15:04:05.000Z"

// eventHead stands before the fields of whichever part the event has.
type eventHead struct {
	UpS  float64 `json:"up_s"`
	Wall string  `json:"wall"`
	Seq  uint64  `json:"seq"`
}

// Kind is the word of product.md for what happened: "alarm", "night", "still-watching", or the
// kind of the happening or the note.
func (e Event) Kind() string {
	switch {
	case e.Alarm != nil:
		return e.Alarm.Kind
	case e.Night != nil:
		return e.Night.Kind
	case e.Happening != nil:
		return e.Happening.Kind
	case e.Note != nil:
		return e.Note.Kind
	case e.Daily != nil:
		return e.Daily.Kind
	}
	return ""
}

// MarshalJSON writes one flat object: the stamp, then the fields of the part.
func (e Event) MarshalJSON() ([]byte, error) {
	head := eventHead{e.Stamp.UpS(), FormatWall(e.Stamp.Wall), e.Seq}
	switch {
	case e.Alarm != nil:
		return json.Marshal(struct {
			eventHead
			*alerts.Transition
		}{head, e.Alarm})
	case e.Night != nil:
		return json.Marshal(struct {
			eventHead
			*nights.Night
		}{head, e.Night})
	case e.Happening != nil:
		return json.Marshal(struct {
			eventHead
			*estimate.Happening
		}{head, e.Happening})
	case e.Note != nil:
		return json.Marshal(struct {
			eventHead
			*Note
		}{head, e.Note})
	case e.Daily != nil:
		return json.Marshal(struct {
			eventHead
			*Daily
		}{head, e.Daily})
	}
	return json.Marshal(head)
}

// UnmarshalJSON reads what MarshalJSON wrote. An unknown kind is an error.
func (e *Event) UnmarshalJSON(b []byte) error {
	var head struct {
		eventHead
		Kind string `json:"kind"`
	}
	if err := json.Unmarshal(b, &head); err != nil {
		return fmt.Errorf("event: %w", err)
	}
	wall, err := ParseWall(head.Wall)
	if err != nil {
		return fmt.Errorf("event %d: %w", head.Seq, err)
	}
	*e = Event{Stamp: sensors.Stamp{Up: UpFromS(head.UpS), Wall: wall}, Seq: head.Seq}
	switch head.Kind {
	case "alarm":
		e.Alarm = new(alerts.Transition)
		return json.Unmarshal(b, e.Alarm)
	case "night":
		e.Night = new(nights.Night)
		return json.Unmarshal(b, e.Night)
	case dailyKind:
		e.Daily = new(Daily)
		return json.Unmarshal(b, e.Daily)
	case estimate.CylinderRemoved, estimate.CylinderPlaced, estimate.BurnerOn, estimate.BurnerOff,
		estimate.DriveStart, estimate.DriveEnd, estimate.ClockStep, estimate.SensorChanged, estimate.Calibrated:
		e.Happening = new(estimate.Happening)
		return json.Unmarshal(b, e.Happening)
	case ChangeUndone, JointChecked, AlarmAnswer, NightChosen:
		e.Note = new(Note)
		return json.Unmarshal(b, e.Note)
	}
	return fmt.Errorf("event %d: kind %q is not one of ours", head.Seq, head.Kind)
}

// FormatWall writes a wall label: RFC 3339 in UTC with milliseconds, empty for the zero time.
func FormatWall(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(wallLayout)
}

// ParseWall reads a wall label written as RFC 3339; empty is the zero time.
func ParseWall(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return time.Time{}, fmt.Errorf("wall time %q: want RFC 3339, as 2026-11-25T06:10:00Z", s)
	}
	if y := t.UTC().Year(); y < 0 || y > 9999 { // an offset can push a legal label past what RFC 3339 can write
		return time.Time{}, fmt.Errorf("wall time %q: year out of range", s)
	}
	return t.UTC(), nil
}

// UpFromS turns seconds of a recording into a monotonic duration, rounded to the
// microsecond so that the text reads back to the same value. Anything that does not fit
// is zero.
func UpFromS(s float64) time.Duration {
	if math.IsNaN(s) || s < 0 || s > maxUpS {
		return 0
	}
	return time.Duration(math.Round(s*1e6)) * time.Microsecond
}

// maxUpS bounds up_s at a century: it keeps durations far from overflow.
const maxUpS = 100 * 366 * 86400
