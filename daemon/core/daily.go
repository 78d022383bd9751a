package core

import (
	"fmt"
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// Daily is a word once a day that somebody watches, so that its absence means something to
// people who are not in the van. It holds what was true at that moment and promises nothing:
// what is unknown says why. In JSON a number that is unknown is left out.
type Daily struct {
	Kind            string   `json:"kind"` // always "still-watching"
	At              string   `json:"at"`   // local time of day it is due, "08:00"
	FuelKg          *float64 `json:"fuel_kg,omitempty"`
	FuelLowKg       *float64 `json:"fuel_low_kg,omitempty"`
	FuelHighKg      *float64 `json:"fuel_high_kg,omitempty"`
	FuelWhy         string   `json:"fuel_why,omitempty"`    // why it is unknown or doubtful
	NightsLeftN     *float64 `json:"nights_left,omitempty"` // with the 95 % interval
	NightsLeftLowN  *float64 `json:"nights_left_low,omitempty"`
	NightsLeftHighN *float64 `json:"nights_left_high,omitempty"`
	NightsWhy       string   `json:"nights_left_why,omitempty"`
	GasBand         string   `json:"gas_band"` // blind if nobody watches
	GasWhy          string   `json:"gas_why,omitempty"`
	Certified       string   `json:"certified_alarm"` // sounding, not-sounding or unknown
	Faults          []string `json:"faults"`          // of sensors: channel and what is wrong
	Alarms          []string `json:"alarms"`          // that stand: id and state
}

const dailyKind = "still-watching"

// dailySettle is how long after a start the word waits, so that it does not say what nobody
// knows yet: the gas sensor's three minutes, and the cylinder's.
const dailySettle = 10 * time.Minute

// daySaid is the local day on which a word was said last.
type daySaid struct {
	At  string `json:"at"`
	Day string `json:"day"`
}

// daily says each word that is due: once on a local day, at its time or at the first trusted
// moment after it. Without a trusted clock there is none.
func (c *Core) daily(s *Snapshot) (said bool) {
	if len(c.p.DailyMin) == 0 || !s.Est.ClockTrusted || s.Stamp.Up-c.startUp < dailySettle {
		return false
	}
	zone := c.p.Nights.Zone
	if zone == nil {
		zone = time.UTC
	}
	local := s.Stamp.Wall.In(zone)
	day, now := local.Format(time.DateOnly), local.Hour()*60+local.Minute()
	for _, due := range c.p.DailyMin {
		at := DailyAt(due)
		i := c.saidIndex(at)
		if now < due || c.said[i].Day == day {
			continue
		}
		c.said[i].Day = day
		s.Events = append(s.Events, c.event(s.Stamp, Event{Daily: dailyOf(s, at)}))
		said = true
	}
	return said
}

// DailyAt is how the word of that minute after midnight is named: "08:00".
func DailyAt(minute int) string { return fmt.Sprintf("%02d:%02d", minute/60, minute%60) }

func (c *Core) saidIndex(at string) int {
	for i := range c.said {
		if c.said[i].At == at {
			return i
		}
	}
	c.said = append(c.said, daySaid{At: at})
	return len(c.said) - 1
}

func dailyOf(s *Snapshot, at string) *Daily {
	e := s.Est
	d := &Daily{Kind: dailyKind, At: at, GasBand: string(e.Band), GasWhy: e.BandWhy, Certified: "unknown",
		Faults: []string{}, Alarms: []string{}}
	if d.GasBand == "" {
		d.GasBand = string(estimate.Blind)
	}
	switch e.Certified {
	case estimate.Yes:
		d.Certified = "sounding"
	case estimate.No:
		d.Certified = "not-sounding"
	}
	d.FuelKg, d.FuelLowKg, d.FuelHighKg, d.FuelWhy = told(e.FuelKg)
	d.NightsLeftN, d.NightsLeftLowN, d.NightsLeftHighN, d.NightsWhy = told(s.Tonight.NightsLeft)
	for i := range e.Channels {
		ch := &e.Channels[i]
		if ch.Channel.IsHealth() || ch.Quality >= sensors.Suspect {
			continue
		}
		why := ch.Why
		if why == "" {
			why = ch.Quality.String()
		}
		d.Faults = append(d.Faults, string(ch.Channel)+": "+why)
	}
	for i := range s.Alarms {
		a := &s.Alarms[i]
		if a.State.Standing() || a.State == alerts.Shelved || a.State == alerts.OutOfService {
			d.Alarms = append(d.Alarms, a.ID+": "+a.State.String())
		}
	}
	return d
}

// told is a quantity as three numbers, nil while it is unknown, and what is wrong with it.
func told(q estimate.Quantity) (value, low, high *float64, why string) {
	if !q.Known() {
		why = q.Why
		if why == "" {
			why = "not known yet"
		}
		return nil, nil, nil, why
	}
	return &q.Value, &q.Low, &q.High, q.Why
}
