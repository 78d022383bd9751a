package estimate

import (
	"time"

	"frostline/sensors"
)

// Limits of the comparisons of sensing.md 4.3.
const (
	stuckAfter    = 2 * time.Hour
	othersMovedK  = 1.0
	warmPipeK     = 3.0
	swappedK      = 5.0 // outside above the cabin while the heater is called for
	oddFor        = 30 * time.Minute
	parkedKPaPerH = 1.0
	parkedFor     = time.Hour
	hourNotes     = 7 // notes of past that span an hour
)

// crossMemory says since when something that should not be has been.
type crossMemory struct {
	PipeWarm held `json:"pipe_warm"`
	Swapped  held `json:"swapped"`
	Parked   held `json:"parked"`
}

// crossCheck compares channels with each other.
func (c *conditioner) crossCheck(up time.Duration) {
	c.checkStuck(up)
	cabin, cabinOK := c.known(c.ix.cabin)
	outside, outsideOK := c.known(c.ix.outside)
	pipe, pipeOK := c.known(c.ix.pipe)

	c.cross.PipeWarm.note(cabinOK && pipeOK && pipe > cabin+warmPipeK, up)
	if c.cross.PipeWarm.forAtLeast(up, oddFor) {
		c.suspect(c.ix.pipe, "warmer than the cabin for 30 min: heated, or swapped")
	}
	call, callOK := c.known(c.ix.heat)
	c.cross.Swapped.note(callOK && call == 1 && cabinOK && outsideOK && outside > cabin+swappedK, up)
	if c.cross.Swapped.forAtLeast(up, oddFor) {
		c.suspect(c.ix.cabin, "colder than outside while heating: swapped with outside?")
		c.suspect(c.ix.outside, "warmer than the cabin while heating: swapped with cabin?")
	}
	ignition, ignitionOK := c.known(c.ix.ignition)
	c.cross.Parked.note(ignitionOK && ignition == 0, up)
	if c.ix.baro >= 0 && c.cross.Parked.forAtLeast(up, parkedFor) {
		if moved, ok := c.chans[c.ix.baro].mem.Past.span(hourNotes); ok && moved > parkedKPaPerH {
			c.suspect(c.ix.baro, "moved more than 1 kPa in an hour while parked")
		}
	}
}

const stuckStill = "stuck: unchanged for 2 h while others moved"

// checkStuck finds a thermometer that has not changed by a digit for two hours while
// another moved by more than a kelvin. It stays stuck until it changes.
func (c *conditioner) checkStuck(up time.Duration) {
	for i := range c.chans {
		m := &c.chans[i].mem
		if c.chans[i].class != classTemp || m.LastUp != up {
			continue
		}
		if m.Run.lasted(up) < stuckAfter {
			m.Frozen = false
			continue
		}
		if m.Frozen { // that the others have come to rest too says nothing for it
			m.GoodN = 0
			m.set(sensors.Bad, stuckStill)
			continue
		}
		for j := range c.chans {
			o := &c.chans[j].mem
			if j == i || c.chans[j].class != classTemp || o.Quality < sensors.Suspect {
				continue
			}
			if moved, ok := o.Past.span(len(o.Past.V)); ok && moved > othersMovedK {
				m.GoodN = 0
				m.Frozen = true
				m.set(sensors.Bad, stuckStill)
				break
			}
		}
	}
}

// known is the value of channel i if there is one to compare.
func (c *conditioner) known(i int) (float64, bool) {
	if i < 0 || c.chans[i].mem.Quality < sensors.Suspect {
		return 0, false
	}
	return c.chans[i].mem.Value, true
}

// suspect lowers a channel to Suspect; it must earn Good again.
func (c *conditioner) suspect(i int, why string) {
	m := &c.chans[i].mem
	m.GoodN = 0
	if m.Quality == sensors.Good || m.Why == recovering {
		m.set(sensors.Suspect, why)
	}
}
