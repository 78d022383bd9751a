package score

import (
	"math"
	"slices"
	"time"
)

// errors of many values: their count, sums and worst.
type sum struct {
	n          int
	of, square float64
}

func (s *sum) add(v float64) { s.n++; s.of += v; s.square += v * v }

func (s *sum) mean() float64 { return s.of / float64(s.n) }

func (s *sum) rms() float64 { return math.Sqrt(s.square / float64(s.n)) }

// spread is the root mean square after the mean is taken off.
func (s *sum) spread() float64 { return math.Sqrt(max(0, s.square/float64(s.n)-s.mean()*s.mean())) }

// median of values; NaN without any.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	v := slices.Sorted(slices.Values(values))
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// minute is a Minute with the rows that fell into it; the last is the state at its end.
type minute struct {
	Minute
	rows []Row
}

func (m *minute) last() Row { return m.rows[len(m.rows)-1] }

// watched calls each with every minute that has rows and a cylinder that stood still and was
// there. What the weight says of the others is not asked.
func (r *Recording) watched(each func(m minute)) {
	k := 0
	for _, m := range r.Minutes {
		from := k
		for from < len(r.Rows) && !r.Rows[from].At.After(m.At.Add(-time.Minute)) {
			from++
		}
		for k = from; k < len(r.Rows) && !r.Rows[k].At.After(m.At); k++ {
		}
		if k > from && m.Present && !m.Moving {
			each(minute{m, r.Rows[from:k]})
		}
	}
}

// fuel is how far the estimate was off, by cylinder.
type fuel struct {
	offG    sum // estimate less truth
	widthG  sum // of the 95 % interval
	inside  int // minutes with the truth in it
	unknown int // minutes
}

func (r *Recording) fuel() []fuel {
	var out []fuel
	r.watched(func(m minute) {
		for m.Cylinder >= len(out) {
			out = append(out, fuel{})
		}
		f, row := &out[m.Cylinder], m.last()
		if math.IsNaN(row.FuelKg) {
			f.unknown++
			return
		}
		f.offG.add(1000 * (row.FuelKg - m.FuelKg))
		f.widthG.add(1000 * (row.FuelHighKg - row.FuelLowKg))
		if m.FuelKg >= row.FuelLowKg-printed && m.FuelKg <= row.FuelHighKg+printed {
			f.inside++
		}
	})
	return out
}

// printed is half the last digit of a mass in kg, on both sides of a comparison.
const printed = 1e-4

// galeMPerS parts a gale from other weather: Beaufort 7, near gale, begins at 13.9 m/s.
const galeMPerS = 13.9

// burn15 compares the published burn with the truth over quarters of an hour, in g/h: off is
// calm weather, gale is a gale. Quarters with a minute that was not watched are left out.
func (r *Recording) burn15() (off, gale sum) {
	var est, truth, wind sum
	var from time.Time
	r.watched(func(m minute) {
		if from.IsZero() || m.At.Sub(from) != time.Duration(truth.n)*time.Minute {
			from, est, truth, wind = m.At, sum{}, sum{}, sum{}
		}
		var rate sum
		for _, row := range m.rows {
			if !math.IsNaN(row.BurnKgPerH) {
				rate.add(1000 * row.BurnKgPerH)
			}
		}
		if rate.n == 0 {
			from = time.Time{}
			return
		}
		est.add(rate.mean())
		truth.add(1000 * m.OutKgPerH)
		wind.add(m.WindMPerS)
		if truth.n < 15 {
			return
		}
		if wind.mean() >= galeMPerS {
			gale.add(est.mean() - truth.mean())
		} else {
			off.add(est.mean() - truth.mean())
		}
		from = time.Time{}
	})
	return off, gale
}

// night is a row of the ledger against the truth of its window, in percent of what was used.
type night struct {
	offPct     float64
	fuelOffPct float64 // the fall of the fuel estimate instead; NaN if the cylinder was changed
	leak       bool

	// What was forecast at its begin: whether its 95 % held what was used, how far its middle
	// was off, and the width, kg. NaN and false without one.
	held              bool
	missedKg, widthKg float64
}

// nights takes the rows whose window lies within the recording and in which something
// burned. The window ends with the tick of the event; only its length is taken from labels.
func (r *Recording) nights() []night {
	var out []night
	for _, e := range r.Events {
		if e.Kind != "night" || e.BurnedKg == nil {
			continue
		}
		from, err1 := time.Parse(time.RFC3339, e.From)
		to, err2 := time.Parse(time.RFC3339, e.To)
		start := e.At.Add(from.Sub(to))
		if err1 != nil || err2 != nil || start.Before(r.Van.Start) {
			continue
		}
		trueKg, leakKg := 0.0, 0.0
		cylinder, changed := -1, false
		for _, m := range r.Minutes {
			if m.At.After(start) && !m.At.After(e.At) {
				trueKg += m.OutKgPerH / 60
				leakKg += m.LeakKgPerH / 60
				changed = changed || !m.Present || cylinder >= 0 && m.Cylinder != cylinder
				cylinder = m.Cylinder
			}
		}
		if trueKg == 0 {
			continue
		}
		n := night{100 * (*e.BurnedKg/trueKg - 1), math.NaN(), leakKg > 0, false, math.NaN(), math.NaN()}
		if !changed {
			n.fuelOffPct = 100 * ((r.fuelAt(start)-r.fuelAt(e.At))/trueKg - 1)
		}
		if e.ForecastKg != nil && e.ForecastLowKg != nil && e.ForecastHighKg != nil {
			n.held = *e.ForecastLowKg <= trueKg && trueKg <= *e.ForecastHighKg
			n.missedKg, n.widthKg = *e.ForecastKg-trueKg, *e.ForecastHighKg-*e.ForecastLowKg
		}
		out = append(out, n)
	}
	return out
}

// fuelAt is the fuel estimate in the last row of the minute up to a true time, or NaN.
func (r *Recording) fuelAt(at time.Time) float64 {
	for i := len(r.Rows) - 1; i >= 0; i-- {
		if row := r.Rows[i]; !row.At.After(at) {
			if at.Sub(row.At) >= time.Minute {
				break
			}
			return row.FuelKg
		}
	}
	return math.NaN()
}

// heaterAgrees is the share of minutes in which estimate and truth agree on whether the
// heater is lit: more than half of the minute, and more than half of the rate it usually has
// in the estimates. NaN if the heater was never lit.
func (r *Recording) heaterAgrees() float64 {
	var lit []float64
	for _, row := range r.Rows {
		if row.HeaterKgPerH > r.Van.plateKgPerH()/2 {
			lit = append(lit, row.HeaterKgPerH)
		}
	}
	rate := median(lit)
	n, agree, ever := 0, 0, false
	r.watched(func(m minute) {
		var est sum
		for _, row := range m.rows {
			if !math.IsNaN(row.HeaterKgPerH) {
				est.add(row.HeaterKgPerH)
			}
		}
		n++
		on := m.HeaterFrac > 0.5
		ever = ever || on
		if (est.n > 0 && est.mean() > rate/2) == on {
			agree++
		}
	})
	if !ever {
		return math.NaN()
	}
	return float64(agree) / float64(n)
}

// shareOffPct is how far the heater's share of the gas that appliances burned is off, in
// points; the share of the burners is off by as much the other way, for the truth does not
// tell one burner from the other. NaN if nothing burned.
func (r *Recording) shareOffPct() float64 {
	var heater, burners, trueHeater, trueBurners float64
	r.watched(func(m minute) {
		for _, row := range m.rows {
			heater += row.SplitHeaterKgPerH / float64(len(m.rows))
			burners += row.SplitBurnersKgPerH / float64(len(m.rows))
		}
		trueHeater += m.HeaterKgPerH
		trueBurners += m.StoveKgPerH
	})
	if trueHeater+trueBurners == 0 {
		return math.NaN()
	}
	return 100 * (heater/(heater+burners) - trueHeater/(trueHeater+trueBurners))
}

// liquid compares the liquid's temperature: the error in K, and the minutes its interval held.
func (r *Recording) liquid() (offK sum, inside int) {
	r.watched(func(m minute) {
		row := m.last()
		if math.IsNaN(row.LiquidC) {
			return
		}
		offK.add(row.LiquidC - m.LiquidC)
		if m.LiquidC >= row.LiquidLowC && m.LiquidC <= row.LiquidHighC {
			inside++
		}
	})
	return offK, inside
}

// found is how events of the truth were answered by the binary.
type found struct {
	delaysS []float64
	missed  int
	spare   int // answers to nothing
}

// answers pairs each true moment with the first answer to it within its patience.
func answers(moments, given []time.Time, patience time.Duration) found {
	var f found
	used := make([]bool, len(given))
	for _, at := range moments {
		i := slices.IndexFunc(given, func(g time.Time) bool { return !g.Before(at) && g.Sub(at) <= patience })
		for i >= 0 && i < len(given) && used[i] {
			i++
		}
		if i < 0 || i == len(given) || given[i].Sub(at) > patience {
			f.missed++
			continue
		}
		used[i] = true
		f.delaysS = append(f.delaysS, given[i].Sub(at).Seconds())
	}
	for _, u := range used {
		if !u {
			f.spare++
		}
	}
	return f
}

// told are the times of events of a kind.
func (r *Recording) told(kind string) []time.Time {
	var out []time.Time
	for _, e := range r.Events {
		if e.Kind == kind {
			out = append(out, e.At)
		}
	}
	return out
}

// raised are the times an alarm called for somebody who had not acknowledged it. An alarm
// that only becomes more urgent does not count again.
func (r *Recording) raised(id string) []time.Time {
	var out []time.Time
	for _, e := range r.Events {
		if e.Kind == "alarm" && e.ID == id && e.To == "unacknowledged" && e.From != e.To {
			out = append(out, e.At)
		}
	}
	return out
}

// happened are the true times of any of the kinds.
func (r *Recording) happened(kinds ...string) []time.Time {
	var out []time.Time
	for _, h := range r.Truth {
		if slices.Contains(kinds, h.Kind) {
			out = append(out, h.At)
		}
	}
	return out
}

// Hours of the van's own time in which people are taken to sleep.
const (
	asleepFromH = 23
	asleepToH   = 6
)

// asleep are the answers to the heater's flame lit and gone out while people sleep. The truth
// gives the share of the minute the heater was lit, so the moment is known to a second where
// the minutes beside it are whole; a flame within one minute is left out.
func (r *Recording) asleep() (on, off found) {
	const patience = 5 * time.Minute
	var lit, gone []time.Time
	for k := 1; k+1 < len(r.Minutes); k++ {
		before, m, after := r.Minutes[k-1], r.Minutes[k], r.Minutes[k+1]
		hour := m.At.Add(time.Duration(r.Van.UTCOffsetH * float64(time.Hour))).Hour()
		if m.HeaterFrac == 0 || hour < asleepFromH && hour >= asleepToH || !r.covers(m.At) {
			continue
		}
		part := time.Duration(m.HeaterFrac * float64(time.Minute))
		switch {
		case before.HeaterFrac == 0 && after.HeaterFrac > 0:
			lit = append(lit, m.At.Add(-part))
		case before.HeaterFrac > 0 && after.HeaterFrac == 0:
			gone = append(gone, m.At.Add(part-time.Minute))
		}
	}
	return answers(lit, r.told("burner-on"), patience), answers(gone, r.told("burner-off"), patience)
}

// covers says whether the program ran at a true time.
func (r *Recording) covers(at time.Time) bool {
	i, _ := slices.BinarySearchFunc(r.Rows, at, func(row Row, at time.Time) int { return row.At.Compare(at) })
	return i < len(r.Rows) && r.Rows[i].At.Sub(at) < time.Minute
}
