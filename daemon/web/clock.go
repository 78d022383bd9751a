package web

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// yearsAhead is how far after this program was built a phone's clock is believed.
const yearsAhead = 20

// formWall reads the time of day of a phone: by its script to the millisecond in UTC, or as
// a person typed it in the van's own zone.
func formWall(f url.Values, zone *time.Location) (core.Command, error) {
	text, layout := strings.TrimSpace(f.Get("wall")), time.RFC3339Nano
	if text == "" {
		text, layout = strings.TrimSpace(f.Get("local")), "2006-01-02T15:04"
	}
	if text == "" {
		return core.Command{}, errors.New("clock: enter the date and the time of day")
	}
	t, err := time.ParseInLocation(layout, text, zone)
	if err != nil && layout != time.RFC3339Nano { // some phones send the seconds too
		t, err = time.ParseInLocation("2006-01-02T15:04:05", text, zone)
	}
	if err != nil {
		return core.Command{}, fmt.Errorf("clock: %q is no date with a time of day; write it as 2031-05-25T09:30", text)
	}
	return core.Command{WallSet: &core.WallSet{Wall: t.UTC()}}, nil
}

// nonsense refuses a time of day that no phone has: from before this program was built, or
// decades after. The core's own bounds are wider, since a recording must be judged alike by
// every build.
func (s *Server) nonsense(cmd core.Command) error {
	if cmd.WallSet == nil || s.opt.Built.IsZero() {
		return nil
	}
	t := cmd.WallSet.Wall
	switch {
	case t.Before(s.opt.Built.Add(-24 * time.Hour)): // a day, for zones
		return fmt.Errorf("clock: %s is before this program was made (%s); look at the clock of the phone",
			s.day(t), s.day(s.opt.Built))
	case t.After(s.opt.Built.AddDate(yearsAhead, 0, 0)):
		return fmt.Errorf("clock: %s is more than %d years after this program was made; look at the clock of the phone", s.day(t), yearsAhead)
	}
	return nil
}

// clockSays is what the page says of the time of day; nothing of a clock that is right by
// itself.
func (s *Server) clockSays(e *estimate.Estimates) string {
	switch set := e.ClockSet; {
	case set != nil && set.Was.IsZero():
		return "The clock was set from a phone to " + s.moment(set.Is) + "; before it had no time."
	case set != nil:
		return "The clock was set from a phone to " + s.moment(set.Is) + "; before it read " + s.moment(set.Was) + "."
	case !e.ClockTrusted:
		return "The clock is not set: times of day here may be wrong."
	}
	return ""
}

// fromNetwork reports whether the board says that its clock has the right time: then it takes
// none from a phone.
func fromNetwork(e *estimate.Estimates) bool {
	return slices.ContainsFunc(e.Channels, func(c estimate.ChannelState) bool {
		return c.Channel == sensors.ClockSynced && c.Quality == sensors.Good && c.Value == 1
	})
}

// moment is a date and a time of day in the van's zone.
func (s *Server) moment(t time.Time) string {
	return t.In(s.opt.Zone).Format("2 January 2006, 15:04:05")
}

func (s *Server) day(t time.Time) string { return t.In(s.opt.Zone).Format("2 January 2006") }

// clockSetJSON says for machines what a person set the clock to.
type clockSetJSON struct {
	Was string `json:"was"`
	Is  string `json:"is"`
}

func clockSetOf(c *estimate.ClockSet) *clockSetJSON {
	if c == nil {
		return nil
	}
	return &clockSetJSON{core.FormatWall(c.Was), core.FormatWall(c.Is)}
}

// clockOf is a time of day as a form sends it, without the seconds some phones add.
func clockOf(text string) string {
	text = strings.TrimSpace(text)
	if len(text) == len("15:04:05") {
		text = strings.TrimSuffix(text, ":00")
	}
	return text
}

// hoursView is the hours of a night, for the form that chooses them.
type hoursView struct{ From, To, Next string }

func nightOf(snap *core.Snapshot) hoursView {
	at := func(minute int) string { return fmt.Sprintf("%02d:%02d", minute/60, minute%60) }
	v := hoursView{From: at(snap.Night.StartMin), To: at(snap.Night.EndMin)}
	if n := snap.NextNight; n != nil {
		v.Next = at(n.StartMin) + " to " + at(n.EndMin)
	}
	return v
}
