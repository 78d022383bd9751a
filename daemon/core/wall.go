package core

import (
	"fmt"
	"time"

	"frostline/daemon/show"
	"frostline/sensors"
)

// WallSet is the time of day by the clock of whoever asks, as a phone knows it.
type WallSet struct {
	Wall time.Time `json:"wall"`
}

// checkWall refuses what no phone says. The bounds are fixed, so that a recording is judged
// alike in any year; whoever takes the order from a person may know closer ones.
func checkWall(t time.Time) error {
	if y := t.UTC().Year(); y < firstYear || y > lastYear {
		return fmt.Errorf("clock: %s is not between the years %d and %d; look at the clock of the phone", t.UTC().Format(time.DateOnly), firstYear, lastYear)
	}
	return nil
}

// The years a clock may be set to: this program is not older, nor will a phone's clock be.
const firstYear, lastYear = 2024, 2099

// doubtedWall is a time of day that was not taken yet, because something that is believed
// says otherwise.
type doubtedWall struct {
	Wall time.Time     `json:"wall"`
	Up   time.Duration `json:"up"` // when it was said
}

const (
	wallAgrees  = 5 * time.Minute  // clocks without a network are off by that after some months (common practice, no source)
	wallTwice   = 10 * time.Minute // in which a time of day is said again
	wallAgainBy = time.Minute      // as well as a person types it
)

// setWall takes the time of day from a person. One that a believed clock or the ledger
// contradicts is taken when it is said twice, by the same phone or another: a wrong one would
// date nights that were never lived, and then contradict every right one.
func (c *Core) setWall(is time.Time, in Input) error {
	st, why := in.Stamp, ""
	if !c.synced(in) { // else it is refused for that
		why = c.contradicts(is, st)
	}
	if d := c.doubt; why != "" && (d == nil || st.Up-d.Up > wallTwice || (is.Sub(d.Wall)-(st.Up-d.Up)).Abs() > wallAgainBy) {
		c.doubt = &doubtedWall{is, st.Up}
		return fmt.Errorf("clock: it would be %s, and %s. Look at the clock of the phone; if it is right, set it once more within %s",
			c.local(is), why, show.Duration(wallTwice))
	}
	if err := c.est.SetWall(is, st, in.Readings); err != nil {
		return err
	}
	c.doubt = nil
	return nil
}

// contradicts says what speaks against a time of day, "" if nothing does.
func (c *Core) contradicts(is time.Time, st sensors.Stamp) string {
	if c.last != nil && c.last.Est.ClockTrusted {
		if is.Sub(st.Wall).Abs() > wallAgrees {
			return "the clock that was believed until now says " + c.local(st.Wall)
		}
		return "" // it is believed now, whatever was dated before it was
	}
	rows := c.led.Recent()
	for i := len(rows) - 1; i >= 0; i-- {
		if rows[i].ClockUntrusted {
			continue
		}
		if end, err := ParseWall(rows[i].ToWall); err == nil && is.Before(end) {
			return "the last night in the ledger ended " + c.local(end)
		}
		break
	}
	return ""
}

// local is a moment by the van's own clock.
func (c *Core) local(t time.Time) string {
	zone := c.p.Nights.Zone
	if zone == nil {
		zone = time.UTC
	}
	return t.In(zone).Format("2006-01-02 15:04")
}
