package core

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode"

	"frostline/daemon/estimate"
	"frostline/daemon/nights"
)

// MaxCommandBytes bounds the JSON of one command; a longer one is refused unread.
const MaxCommandBytes = 16 << 10

// ErrNotKept means that a command was carried out but is not on disk: a power cut now would
// undo it. It is not a refusal, and whoever shows it must not say so.
var ErrNotKept = errors.New("done, but not written to disk: a power cut now would undo it; look at the storage notice")

// ParseCommand reads one JSON command, strictly: unknown fields, trailing text, more than
// one verb and values out of range are refused with a reason.
func ParseCommand(b []byte) (Command, error) {
	if len(b) > MaxCommandBytes {
		return Command{}, fmt.Errorf("command: %d bytes, at most %d are taken", len(b), MaxCommandBytes)
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	var c Command
	if err := d.Decode(&c); err != nil {
		return Command{}, fmt.Errorf("command: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return Command{}, errors.New("command: text after the JSON object")
	}
	return c, c.Check()
}

// Verb is the JSON name of the one thing the command asks for, or empty.
func (c Command) Verb() string {
	verbs := c.verbs()
	if len(verbs) != 1 {
		return ""
	}
	return verbs[0]
}

func (c Command) verbs() []string {
	var v []string
	add := func(set bool, name string) {
		if set {
			v = append(v, name)
		}
	}
	add(c.Ack != "", "ack")
	add(c.AckAudible, "ack_audible")
	add(c.Reset != "", "reset")
	add(c.Shelve != nil, "shelve")
	add(c.Unshelve != "", "unshelve")
	add(c.OutOfService != "", "out_of_service")
	add(c.InService != "", "in_service")
	add(c.Changed != nil, "cylinder_changed")
	add(c.ExpectedLow != nil, "expected_low")
	add(c.WeightWatch != nil, "weight_watch")
	add(c.Calibrated != nil, "calibrated")
	add(c.CalibrationUndone != "", "calibration_undone")
	add(c.SounderHeard != nil, "sounder_heard")
	add(c.Undone, "change_undone")
	add(c.Collar != nil, "collar_read")
	add(c.Night != nil, "night_window")
	add(c.Joint != nil, "joint_checked")
	add(c.Answered != nil, "alarm_answered")
	add(c.WallSet != nil, "wall_set")
	add(c.Stop != "", "stop")
	return v
}

// Check says what is wrong with a command before it is taken, in words for the person who
// gave it. Whether the alarm it names is in a state to obey is for Step to say.
func (c Command) Check() error {
	switch n := len(c.verbs()); {
	case n == 0:
		return errors.New("command: nothing asked for; set one of ack, reset, shelve, unshelve, " +
			"cylinder_changed, change_undone, collar_read, joint_checked, alarm_answered, expected_low, night_window, weight_watch, wall_set, " +
			"calibrated, calibration_undone, sounder_heard")
	case n > 1:
		return fmt.Errorf("command: %d things asked for at once (%v); send them one by one", n, c.verbs())
	}
	if len(c.Actor) > 80 {
		return errors.New("command: actor is longer than 80 bytes")
	}
	if s := c.Shelve; s != nil {
		if s.Alarm == "" {
			return errors.New("shelve: name the alarm")
		}
		if !(s.ForS >= 60 && s.ForS <= 8*3600) {
			return errors.New("shelve: for_s must lie between 60 s and 8 h (28800 s)")
		}
	}
	if l := c.ExpectedLow; l != nil && !(l.C >= -60 && l.C <= 50) {
		return fmt.Errorf("expected low: %g C is not between -60 C and 50 C", l.C)
	}
	if c.Calibrated != nil {
		return c.Calibrated.Check()
	}
	if c.WallSet != nil {
		return checkWall(c.WallSet.Wall)
	}
	if c.Night != nil {
		_, err := c.Night.window()
		return err
	}
	if c.Joint != nil {
		return c.Joint.check()
	}
	if c.Answered != nil {
		return c.Answered.check()
	}
	if c.Collar != nil {
		return checkCollar(*c.Collar)
	}
	if c.Changed != nil {
		return checkChange(*c.Changed)
	}
	return nil
}

// The least and the most of a night: shorter ones are naps, and a longer one leaves no day
// between two.
const leastNightMin, mostNightMin = 60, 20 * 60

// window is the order in minutes after midnight.
func (n NightWindow) window() (w nights.Window, err error) {
	for _, end := range []struct {
		text string
		into *int
	}{{n.From, &w.StartMin}, {n.To, &w.EndMin}} {
		t, err := time.Parse("15:04", end.text)
		if err != nil {
			return w, fmt.Errorf("night: %.20q is no time of day; write it as 18:00", end.text)
		}
		*end.into = t.Hour()*60 + t.Minute()
	}
	if long := w.LengthMin(); long < leastNightMin || long > mostNightMin {
		return w, fmt.Errorf("night: from %s to %s lasts %d min; give it %d to %d min", n.From, n.To, long, leastNightMin, mostNightMin)
	}
	return w, nil
}

// named checks what the operator wrote beside the numbers.
func named(ch estimate.Change) error {
	if len(ch.Name) > estimate.MostNameBytes || strings.ContainsFunc(ch.Name, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return fmt.Errorf("cylinder changed: the name is to be one line of at most %d bytes", estimate.MostNameBytes)
	}
	if _, ok := ch.Blend.PropaneMassFrac(); !ok && ch.Blend != "" {
		return fmt.Errorf("cylinder changed: blend %.20q is not one of propane, mix, unknown", ch.Blend)
	}
	return month("cylinder changed", ch.RequalifyBy)
}

// month is a month as collars have it, or none.
func month(what, text string) error {
	if text == "" {
		return nil
	}
	if _, err := time.Parse("2006-01", text); err != nil {
		return fmt.Errorf("%s: %.20q is not a month; write the one on the collar like 2031-05", what, text)
	}
	return nil
}

func checkCollar(c estimate.Collar) error {
	if c == (estimate.Collar{}) {
		return errors.New("collar: nothing entered; enter what the collar says")
	}
	return errors.Join(month("collar", c.RequalifyBy), checkStamps("collar", c.TareKg, c.CapacityKg))
}

func checkChange(ch estimate.Change) error {
	return errors.Join(named(ch), checkStamps("cylinder changed", ch.TareKg, ch.CapacityKg),
		within("cylinder changed: fill by the label", ch.FillKg, 0.1, 50))
}

func checkStamps(what string, tareKg, capacityKg float64) error {
	return errors.Join(within(what+": tare", tareKg, 1, 80), within(what+": fill by the stamp", capacityKg, 0.4, 50))
}

// within refuses a mass that is entered and no cylinder can have.
func within(what string, kg, lowKg, highKg float64) error {
	if kg == 0 { // not entered
		return nil
	}
	if math.IsNaN(kg) || kg < lowKg || kg > highKg {
		return fmt.Errorf("%s %g kg is not between %g kg and %g kg; read the stamp on the collar again", what, kg, lowKg, highKg)
	}
	return nil
}
