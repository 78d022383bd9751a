package score

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Own gathers redraws of simulated vans: what one redraw says of each score, the good cell
// apart from the cheap one. The zero value is empty.
type Own struct{ cells [2]tally }

// tally is what redraws with one cell said.
type tally struct {
	draws                        int
	fuelG, widthG, gale          sum
	shapesG, nightsPct           []float64
	covered, minutes             int
	calm, windy                  burners
	removed, placed              found
	losses                       map[string]*found
	falseLoss                    []string
	days, quietWeeks             float64
	starved                      found
	starvedFalse, maybe          int
	trace, warned, left          found
	cookTrace, cookAbove, cooked int
}

// burners is what was said of the flames.
type burners struct {
	burn          sum
	agree, shares []float64
	flame         found
}

// windyMPerS parts a windy van from others by its mean wind: Beaufort 5, fresh breeze, begins
// at 8 m/s. No target speaks of those but that of the burn in a gale.
const windyMPerS = 8.0

// Add takes one redraw. The name of its van is that of its scenario.
func (o *Own) Add(r *Recording) {
	t := &o.cells[0]
	if r.Van.Cheap() {
		t = &o.cells[1]
	}
	t.draws++
	t.days += float64(len(r.Minutes)) / (24 * 60)
	t.fuelOf(r)
	t.burnersOf(r)
	for _, n := range r.nights() {
		if !n.leak {
			t.nightsPct = append(t.nightsPct, math.Abs(n.offPct))
		}
	}
	const patience = 10 * time.Minute
	t.removed.join(answers(r.happened("removed"), r.told("cylinder-removed"), patience))
	t.placed.join(answers(r.happened("swap", "refill"), r.told("cylinder-placed"), patience))
	t.lossOf(r)
	t.starvedOf(r)
	t.gasOf(r)
}

func (s *sum) join(b sum) { s.n, s.of, s.square = s.n+b.n, s.of+b.of, s.square+b.square }

func (f *found) join(b found) {
	f.delaysS = append(f.delaysS, b.delaysS...)
	f.missed, f.spare = f.missed+b.missed, f.spare+b.spare
}

func (f *found) n() int { return len(f.delaysS) + f.missed }

// burnersOf leaves out the flames of a van with a leak, which no appliance burns, and of one
// that was hardly heated.
func (t *tally) burnersOf(r *Recording) {
	var wind sum
	lit := 0.0
	for _, m := range r.Minutes {
		lit += m.HeaterFrac
		wind.add(m.WindMPerS)
	}
	b := &t.calm
	if wind.mean() >= windyMPerS {
		b = &t.windy
	}
	off, gale := r.burn15()
	b.burn.join(off)
	t.gale.join(gale)
	if len(r.happened("leak_start")) > 0 || lit < 60 {
		return
	}
	b.agree = append(b.agree, r.heaterAgrees())
	b.shares = append(b.shares, math.Abs(r.shareOffPct()))
	on, gone := r.asleep()
	b.flame.join(on)
	b.flame.join(gone)
}

// fuelOf looks at the first cylinder; of those that come later no tare is entered.
func (t *tally) fuelOf(r *Recording) {
	f := r.fuel()[0]
	t.fuelG.add(f.offG.rms())
	t.widthG.add(f.widthG.mean())
	t.shapesG = append(t.shapesG, f.offG.spread())
	t.covered, t.minutes = t.covered+f.inside, t.minutes+f.offG.n
}

// lossOf pairs what really leaks out of sight of the gas sensor with the calls of the
// weight. A call is false while nothing leaks.
func (t *tally) lossOf(r *Recording) {
	leaks, calls := r.happened("leak_start"), r.raised("leak-suspicion")
	falsely := slices.DeleteFunc(slices.Clone(calls), func(c time.Time) bool { return len(leaks) > 0 && !c.Before(leaks[0]) })
	for _, c := range falsely {
		t.falseLoss = append(t.falseLoss, fmt.Sprintf("%s at %.1f h", r.Van.Name, c.Sub(r.Van.Start).Hours()))
	}
	if t.losses == nil {
		t.losses = map[string]*found{}
	}
	if t.losses[r.Van.Name] == nil {
		t.losses[r.Van.Name] = new(found)
	}
	calls = calls[len(falsely):]
	t.losses[r.Van.Name].join(answers(leaks, calls[:min(1, len(calls))], 48*time.Hour))
}

// starvedOf counts a call as false if it comes when the heater has been lit or not called
// for over the last two minutes.
func (t *tally) starvedOf(r *Recording) {
	began, ended, calls := r.happened("starve_start"), r.happened("starve_end"), r.raised("starved")
	if !r.Van.HeatDemand() {
		if len(began) == 0 {
			t.maybe += len(calls)
			t.quietWeeks += float64(len(r.Minutes)) / (7 * 24 * 60)
		}
		return
	}
	for _, c := range calls {
		i, _ := slices.BinarySearchFunc(began, c, time.Time.Compare) // the starvations before it
		if i == 0 || i-1 < len(ended) && c.Sub(ended[i-1]) > 2*time.Minute {
			t.starvedFalse++
		}
	}
	// Only those that last as long as the target allows have to be called, and none that comes
	// of a cylinder that somebody has just taken away.
	const mustCall = 8 * time.Minute
	var long []time.Time
	for i, b := range began {
		if (i >= len(ended) || ended[i].Sub(b) >= mustCall) && r.present(b) {
			long = append(long, b)
		}
	}
	f := answers(long, calls, time.Hour)
	f.spare = 0 // counted above
	t.starved.join(f)
}

// present says whether a cylinder stood there at the end of a moment's minute.
func (r *Recording) present(at time.Time) bool {
	for _, m := range r.Minutes {
		if !m.At.Before(at) {
			return m.Present
		}
	}
	return false
}

// What sensing.md 1.3 allows: after a calibration on gas the true level may be 2.4 times the
// reading, so a nominal level must have been called when 2.4 times as much is there.
const (
	risingPpm     = 200
	warningPpm    = 2.4 * 850
	leavePpm      = 2.4 * 1700
	warningDelayS = 30
	leaveDelayS   = 5
)

func (t *tally) gasOf(r *Recording) {
	if len(r.happened("leak_start")) == 0 {
		t.cooked++
		t.cookTrace += len(r.raised("gas-trace"))
		t.cookAbove += len(r.raised("gas-warning")) + len(r.raised("gas-leave"))
		for _, row := range r.Rows {
			if row.Band == "warning" || row.Band == "leave" {
				t.cookAbove++
				break
			}
		}
		return
	}
	bands := func(words ...string) []time.Time {
		for _, row := range r.Rows {
			if slices.Contains(words, row.Band) {
				return []time.Time{row.At}
			}
		}
		return nil
	}
	t.trace.join(toldBy(r.reaches(risingPpm), bands("trace", "warning", "leave")))
	t.warned.join(toldBy(r.reaches(warningPpm), bands("warning", "leave")))
	t.left.join(toldBy(r.reaches(leavePpm), bands("leave")))
}

// toldBy is how long after a moment it was told; before is a negative delay.
func toldBy(moment, told []time.Time) found {
	switch {
	case len(moment) == 0:
		return found{}
	case len(told) == 0:
		return found{missed: 1}
	}
	return found{delaysS: []float64{told[0].Sub(moment[0]).Seconds()}}
}

// reaches is when the gas at the floor first reaches a level, between the ends of two
// minutes on a straight line; none if it does not.
func (r *Recording) reaches(ppm float64) []time.Time {
	before := 0.0
	for _, m := range r.Minutes {
		if m.GasPpm >= ppm {
			part := (m.GasPpm - ppm) / (m.GasPpm - before)
			return []time.Time{m.At.Add(-time.Duration(part * float64(time.Minute)))}
		}
		before = m.GasPpm
	}
	return nil
}
