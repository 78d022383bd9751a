package history

import (
	"time"

	"frostline/sensors"
)

// span is a stretch of one boot in which wall time minus up time was one constant. Linux
// slews both clocks alike, so the difference changes only when somebody sets the clock (or
// the board slept).
type span struct {
	id      int64
	boot    string
	offset  time.Duration // wall time at up time 0, since 1970
	trusted bool          // the offset comes from a clock that is known to be right
}

const (
	clockStep = 2 * time.Second // as sensing.md 8: smaller differences are reading jitter
	// A clock that nobody vouches for may start where a file left it, not a year later.
	farAhead = 400 * 24 * time.Hour
)

// at is the date of a moment of up time.
func (s span) at(up time.Duration) time.Time { return time.Unix(0, int64(s.offset+up)).UTC() }

// calendar decides which span a tick belongs to.
type calendar struct {
	now    span
	raw    time.Duration // wall minus up as the tick said it, which an untrusted span may not follow
	nextID int64
	newest time.Duration // end of the newest stored row, since 1970
}

// place returns the span of a tick and whether it is new or has another date than before.
//
// Until the clock is known to be right, a boot cannot be before the newest stored row:
// such a span is laid right behind it, so that charts keep their order, and gets its true
// date later. A step of a clock that was right already (the board slept) starts a new span,
// since the rows before it were dated well.
func (c *calendar) place(boot string, st sensors.Stamp, trusted bool) (span, bool) {
	if y := st.Wall.Year(); y < 1970 || y > 2200 { // no clock at all, and no nanoseconds to count it in
		st.Wall, trusted = time.Unix(0, 0), false
	}
	raw := time.Duration(st.Wall.UnixNano()).Round(time.Millisecond) - st.Up.Round(time.Millisecond)
	stepped := (raw - c.raw).Abs() > clockStep
	switch {
	case c.now.id == 0, boot != c.now.boot, stepped && c.now.trusted && trusted:
		c.now = span{id: c.nextID, boot: boot, offset: raw, trusted: trusted}
		c.nextID++
		if !trusted && !c.plausible(raw+st.Up) {
			c.now.offset = c.newest - st.Up
		}
	case trusted && !c.now.trusted:
		c.now.offset, c.now.trusted = raw, true
	case stepped && !c.now.trusted && c.plausible(raw+st.Up):
		c.now.offset = raw // nobody vouches for it, but it is the better guess
	default: // nothing changed, or a clock that was right stepped and is no longer vouched for
		return c.now, false
	}
	c.raw = raw
	return c.now, true
}

// plausible reports whether an unvouched wall time can follow what is stored.
func (c *calendar) plausible(wall time.Duration) bool {
	return c.newest == 0 || wall >= c.newest && wall <= c.newest+farAhead
}

// stored notes that there are rows up to this moment of the span. A clock that is known to
// be right corrects what a wrong one had claimed.
func (c *calendar) stored(s span, up time.Duration) {
	if end := s.offset + up; s.trusted || end > c.newest {
		c.newest = end
	}
}
