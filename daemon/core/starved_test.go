package core

import (
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors/sim"
)

// causeOf is what a monitor should name for what keeps the simulated heater from burning.
var causeOf = map[string]string{
	"removed": estimate.CauseValve, "valve": estimate.CauseValve, "battery": estimate.CauseHeater, "empty": estimate.CauseEmpty,
	"cold": estimate.CauseThin, "regulator": estimate.CauseIce, "broken": estimate.CauseRegulator, "heater": estimate.CauseHeater,
}

// starvedMin counts the minutes of a starved heater by how well its cause was named.
type starvedMin struct {
	said, right, unsure, wrong int
	amongThree                 int // of unsure: the truth is one of the first three
	first                      map[string]int
}

// add judges a minute in which the heater starves by truth and the monitor says so.
func (m *starvedMin) add(s *Snapshot, truth func() sim.Truth) {
	if s.Stamp.Up%time.Minute != 0 || s.Est.Starved != estimate.Yes || len(s.Est.Causes) == 0 {
		return
	}
	tr := truth()
	if !tr.Starved {
		return
	}
	want, causes := causeOf[tr.Cause], s.Est.Causes
	m.said++
	m.first[causes[0].ID]++
	switch {
	case strings.HasPrefix(s.Est.StarvedWhy, "cannot tell"):
		m.unsure++
		for _, c := range causes[:3] {
			if c.ID == want {
				m.amongThree++
			}
		}
	case causes[0].ID == want:
		m.right++
	default:
		m.wrong++
	}
}

// TestTheCauseOfAStarvedHeaterIsNamed holds the first cause against the truth of the
// simulated van, minute by minute. Where nothing that is measured can tell two causes apart
// it must say so, and still name the true one among the first three.
func TestTheCauseOfAStarvedHeaterIsNamed(t *testing.T) {
	for name, least := range map[string]struct {
		rightPct, wrongPct float64 // of the minutes in which the alarm stands; the rest cannot tell
		saidMin            int
	}{
		"empty-at-three":    {95, 0, 60},
		"regulator-ices":    {95, 0, 60},
		"valve-left-shut":   {95, 0, 20},
		"excess-flow-shuts": {95, 0, 60},
		"battery-runs-down": {95, 0, 60},
		"cylinder-too-cold": {95, 0, 20},
		"heater-locks-out":  {35, 0, 60}, // after a small flame; before it nobody can tell
		"regulator-fails":   {0, 0, 60},
	} {
		t.Run(name, func(t *testing.T) {
			long(t, name)
			t.Parallel()
			m := livedOnce(t, name).starve
			t.Logf("%s: starved %d min, first %v: right %d, wrong %d, cannot tell %d (true one among three %d)", name, m.said, m.first, m.right, m.wrong, m.unsure, m.amongThree)
			of := func(n int) float64 { return 100 * float64(n) / float64(max(m.said, 1)) }
			if m.said < least.saidMin {
				t.Errorf("the alarm stands with its causes for %d min, want %d", m.said, least.saidMin)
			}
			if of(m.right) < least.rightPct || of(m.wrong) > least.wrongPct {
				t.Errorf("of %d min %d have the right cause and %d a wrong one, want %.0f %% and at most %.0f %%", m.said, m.right, m.wrong, least.rightPct, least.wrongPct)
			}
			if m.amongThree < m.unsure {
				t.Errorf("in %d of %d min in which it cannot tell the true cause is not among the first three", m.unsure-m.amongThree, m.unsure)
			}
		})
	}
}
