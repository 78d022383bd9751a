package estimate

import (
	"time"

	"frostline/sensors"
)

// stepLimit is how far wall less up may move between two ticks before it is a step.
// Time daemons slew by 0.5 ms/s and step beyond that (common practice, no source).
const stepLimit = 2 * time.Second

// clockProof is how long a doubtful wall clock must run on without a step before it is
// believed: a board that has a network gets its time within minutes of starting.
const clockProof = 30 * time.Minute

// resumedWithin is how soon after the newest stored label a boot looks like a board that
// restored its clock from a file rather than kept it (sensing.md 8).
const resumedWithin = 10 * time.Minute

// clockFloorUnix is before the first van with this program; boards without a clock boot in
// 1970 or at the date their image was made. It does not depend on the build, so a replay
// judges the same in any year.
const clockFloorUnix = 1704067200 // 2024-01-01T00:00:00Z

// clock says whether the wall label of a tick can be believed, and when it stepped.
//
// With clock_synced wired, the label is trusted while that input reads 1, and never
// before 2024. Without it:
//   - the first boot ever is trusted (nothing contradicts it);
//   - a boot whose label is older than the newest label seen before is not, until the
//     label has passed that one by a step forward;
//   - a boot that goes on within ten minutes of that label may have restored its clock
//     from a file, so it is not trusted until it steps forward or has run 30 min;
//   - after a step back the newest label is forgotten (it was the wrong one) and trust
//     returns after 30 min without another step.
//
// A step within a boot is reported whether or not the clock is trusted. The label of a
// new boot is not a step: how long the van was dark is not known.
//
// A clock that a person has set is believed from then on: [Estimator.SetWall].
type clock struct {
	synced int
	mem    clockState
}

// clockState is a clock as a checkpoint holds it.
type clockState struct {
	Begun   bool          `json:"begun"`
	Up      time.Duration `json:"up"`
	Wall    time.Time     `json:"wall"`
	Newest  time.Time     `json:"newest"`   // newest label ever, the dark before this boot included
	Behind  bool          `json:"behind"`   // this boot began before Newest
	Unsure  bool          `json:"unsure"`   // on probation
	SinceUp time.Duration `json:"since_up"` // start of the probation

	Set *ClockSet     `json:"set,omitempty"` // by a person; it goes before the board's label
	Raw sensors.Stamp `json:"raw"`           // newest stamp as the board gave it
}

func newClock(w sensors.Wiring) *clock { return &clock{synced: w.Index(sensors.ClockSynced)} }

// step takes one tick. stepS is how far the wall stepped, seconds, positive forward; it is
// zero unless stepped.
func (c *clock) step(st sensors.Stamp, state []ChannelState) (trusted bool, stepS float64, stepped bool) {
	m := &c.mem
	switch {
	case !m.Begun:
		m.Begun, m.Newest = true, st.Wall
	case st.Up < m.Up:
		gone := st.Wall.Sub(m.Newest)
		m.Behind = gone < 0
		m.Unsure, m.SinceUp = gone >= 0 && gone < resumedWithin, st.Up
	default:
		jump := st.Wall.Sub(m.Wall) - (st.Up - m.Up)
		if jump.Abs() > stepLimit {
			stepS, stepped = jump.Seconds(), true
			c.stepped(st, jump)
		}
	}
	m.Up, m.Wall = st.Up, st.Wall
	if !st.Wall.Before(m.Newest) {
		m.Newest = st.Wall
	}
	if m.Unsure && st.Up-m.SinceUp >= clockProof {
		m.Unsure = false
	}
	if m.Set != nil && m.Set.AtUp == st.Up { // a person vouches for it, whatever was seen before
		m.Newest, m.Behind, m.Unsure, stepped = st.Wall, false, false, true
	}
	return c.trusts(st, state), stepS, stepped
}

func (c *clock) stepped(st sensors.Stamp, jump time.Duration) {
	m := &c.mem
	if jump < 0 {
		if !m.Behind { // else Newest belongs to an earlier boot and still counts
			m.Newest = st.Wall
		}
		m.Unsure, m.SinceUp = true, st.Up
		return
	}
	m.Unsure = false
	m.Behind = st.Wall.Before(m.Newest)
}

func (c *clock) trusts(st sensors.Stamp, state []ChannelState) bool {
	if st.Wall.Unix() < clockFloorUnix {
		return false
	}
	if c.mem.Set != nil {
		return true
	}
	if c.synced >= 0 {
		s := state[c.synced]
		return s.Quality >= sensors.Suspect && s.Value == 1
	}
	return !c.mem.Behind && !c.mem.Unsure
}

func (c *clock) save() clockState     { return c.mem }
func (c *clock) restore(s clockState) { c.mem = s }
