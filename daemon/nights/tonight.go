package nights

import (
	"fmt"
	"math"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/show"
	"frostline/sensors"
)

const (
	tonightEvery = time.Minute // the forecast is for people; a minute is soon enough
	leastNights  = 3           // before that there is no spread to speak of
	learntNights = 5           // before that the forecast says it is still learning
	unusableKg   = 0.05        // vapour left in an "empty" cylinder, estimation.md 2
	likelyOdds   = 0.9         // "likely enough"
	doubtfulOdds = 0.5         // below this "not enough" is the likelier word
)

// Tonight is the forecast after the last step. It is computed at most once a minute and is
// never changed afterwards.
func (l *Ledger) Tonight(st sensors.Stamp, e *estimate.Estimates) Tonight {
	if l.hasTonight && st.Up >= l.tonightAt && st.Up-l.tonightAt < tonightEvery {
		return l.tonight
	}
	l.tonight, l.tonightAt, l.hasTonight = l.forecast(st, e), st.Up, true
	return l.tonight
}

func (l *Ledger) forecast(st sensors.Stamp, e *estimate.Estimates) Tonight {
	t := Tonight{NightsSeen: len(l.recent), ExpectedLowC: l.expectedLow(st)}
	var hoursLeft float64 // of the coming or running night
	if e.ClockTrusted && !st.Wall.IsZero() {
		_, from, to := l.coming(st.Wall)
		t.EndsWall = to
		hoursLeft = to.Sub(maxTime(st.Wall, from)).Hours()
	}
	t.FullInputLeftH = l.fullInput(e)
	need, spread, ok := l.perNight()
	switch {
	case !e.FuelKg.Known():
		why := e.FuelKg.Why
		t.NightsLeft = estimate.Unknown(why)
		t.Verdict, t.Facts = "Fuel unknown.", []string{why}
		return t
	case !ok:
		t.NightsLeft = estimate.Unknown(fmt.Sprintf("learning: night %d of %d", len(l.recent)+1, learntNights))
		l.firstDay(&t, st, e, hoursLeft)
		return t
	}
	l.judge(&t, e, need, spread, hoursLeft)
	return t
}

// firstDay answers without a history: how long the least fuel lasts at the most the heater
// can take.
func (l *Ledger) firstDay(t *Tonight, st sensors.Stamp, e *estimate.Estimates, hoursLeft float64) {
	t.Odds = t.NightsLeft.Why
	if !t.FullInputLeftH.Known() {
		t.Verdict = "Learning. No bound yet."
		t.Facts = []string{t.FullInputLeftH.Why}
		return
	}
	least := t.FullInputLeftH.Low
	fact := fmt.Sprintf("at full heater input the least fuel you may have lasts %.0f h; with typical use, longer", math.Floor(least))
	switch {
	case t.EndsWall.IsZero():
		t.Verdict = "Learning. Clock not trusted."
	case least >= hoursLeft && hoursLeft > 0 && l.inside(st.Wall):
		t.Verdict, t.Enough = "Likely enough, even at full heat.", estimate.Yes
	case l.inside(st.Wall):
		until := st.Wall.Add(time.Duration(least * float64(time.Hour))).In(l.p.Zone)
		t.Verdict = "Learning. At least until " + until.Format("15:04") + "."
		fact = fmt.Sprintf("at full heater input the least fuel you may have lasts until %s; with typical use, longer", until.Format("15:04"))
	case least >= hoursLeft:
		t.Verdict, t.Enough = "Likely enough, even at full heat.", estimate.Yes
	default:
		t.Verdict = fmt.Sprintf("Learning. At least %.0f hours.", math.Floor(least))
	}
	t.Facts = []string{fact, show.Interval(e.FuelKg.Low, e.FuelKg.High, show.Kg) + " in the cylinder"}
}

func (l *Ledger) inside(wall time.Time) bool {
	_, _, _, in := l.window(wall)
	return in
}

// fullInput is how long the fuel lasts with every heater at its plate's input.
func (l *Ledger) fullInput(e *estimate.Estimates) estimate.Quantity {
	switch {
	case !e.FuelKg.Known():
		return estimate.Unknown(e.FuelKg.Why)
	case l.p.HeaterKgPerH <= 0:
		return estimate.Unknown("no heater is configured")
	}
	h := func(kg float64) float64 { return max(0, kg-unusableKg) / l.p.HeaterKgPerH }
	// A plate may be a tenth low; the bound must hold then too.
	const plateErr = 1.1
	return estimate.Quantity{Value: h(e.FuelKg.Value), Low: h(e.FuelKg.Low) / plateErr,
		High: h(e.FuelKg.High) * plateErr, Quality: e.FuelKg.Quality, Why: e.FuelKg.Why, At: e.FuelKg.At}
}

// perNight is what a night costs by the ledger: mean and standard deviation, over nights
// that were watched and not driven through. ok is false until there are enough.
func (l *Ledger) perNight() (kg, sd float64, ok bool) {
	var sum, sq, n float64
	for _, x := range l.recent {
		if x.BurnedKg == nil || x.GapH > 0.25*(x.GapH+x.WatchedH) || x.ClockUntrusted {
			continue
		}
		sum += *x.BurnedKg
		sq += *x.BurnedKg * *x.BurnedKg
		n++
	}
	if n < leastNights {
		return 0, 0, false
	}
	kg = sum / n
	variance := max(0, sq/n-kg*kg) * n / (n - 1)
	// Few nights show less than the true spread; the floor is the day-to-day spread of
	// estimation.md 1 (9.4 % about the degree-hour line) and as much again for weather.
	sd = max(math.Sqrt(variance), 0.15*kg) * math.Sqrt(1+1/n)
	return kg, sd, kg > 0
}

// judge chooses the verdict from the odds that the fuel outlasts the night.
func (l *Ledger) judge(t *Tonight, e *estimate.Estimates, need, sd, hoursLeft float64) {
	fuel := max(0, e.FuelKg.Value-unusableKg)
	fuelSD := (e.FuelKg.High - e.FuelKg.Low) / (2 * 1.96)
	t.NightsLeft = estimate.Quantity{Value: fuel / need,
		Low:     max(0, e.FuelKg.Low-unusableKg) / (need + 1.96*sd),
		High:    max(0, e.FuelKg.High-unusableKg) / max(need-1.96*sd, 0.3*need),
		Quality: e.FuelKg.Quality, Why: e.FuelKg.Why, At: e.FuelKg.At}
	if len(l.recent) < learntNights {
		t.NightsLeft.Quality = sensors.Suspect
		t.NightsLeft.Why = fmt.Sprintf("learning: night %d of %d", len(l.recent)+1, learntNights)
	}
	tonight, tonightSD := need, sd
	if l.open != nil && hoursLeft > 0 { // part of the night is behind us
		share := min(1, hoursLeft/l.open.To.Sub(l.open.From).Hours())
		tonight, tonightSD = need*share, sd*math.Sqrt(share)
	}
	odds := normalCDF((fuel - tonight) / math.Hypot(fuelSD, tonightSD))
	t.Odds = show.Odds(odds)
	nights := math.Floor(t.NightsLeft.Value)
	switch {
	case odds >= likelyOdds && nights >= 1:
		t.Verdict, t.Enough = fmt.Sprintf("Likely enough. About %.0f more %s.", nights, plural(nights, "night")), estimate.Yes
	case odds >= likelyOdds:
		t.Verdict, t.Enough = "Likely enough for tonight only.", estimate.Yes
	case odds >= doubtfulOdds:
		t.Verdict, t.Enough = "Doubtful for the whole night.", estimate.No
	default:
		t.Verdict, t.Enough = "Not enough for tonight.", estimate.No
	}
	t.Facts = []string{
		show.Interval(e.FuelKg.Low, e.FuelKg.High, show.Kg) + " in the cylinder",
		show.Interval(max(0, need-1.96*sd), need+1.96*sd, show.Kg) + fmt.Sprintf(" a night over the last %d", len(l.recent)),
	}
	if t.ExpectedLowC.Known() {
		t.Facts = append(t.Facts, "expected low "+show.Interval(t.ExpectedLowC.Low, t.ExpectedLowC.High, show.C))
	}
}

// expectedLow is the owner's number while it holds, else the last nights' lows with the
// error such persistence has.
func (l *Ledger) expectedLow(st sensors.Stamp) estimate.Quantity {
	if !l.lowUntil.IsZero() && st.Wall.Before(l.lowUntil) {
		const forecastErrC = 3 // 95 %, 1.5 K common error of a forecast, estimation.md 2
		return estimate.Quantity{Value: l.lowC, Low: l.lowC - forecastErrC, High: l.lowC + forecastErrC,
			Quality: sensors.Good, At: st.Up}
	}
	var lows []float64
	for _, n := range l.recent {
		if n.OutsideLowC != nil {
			lows = append(lows, *n.OutsideLowC)
		}
	}
	if len(lows) == 0 {
		return estimate.Unknown("no forecast given and no night seen yet")
	}
	lows = lows[max(0, len(lows)-3):]
	var sum, worst float64
	for _, c := range lows {
		sum += c
	}
	mean := sum / float64(len(lows))
	for _, c := range lows {
		worst = max(worst, math.Abs(c-mean))
	}
	half := max(6, 2*worst) // a front changes a night's low by 6 K and more; common practice, no source
	return estimate.Quantity{Value: mean, Low: mean - half, High: mean + half, Quality: sensors.Suspect,
		Why: "as the last nights were; no forecast given", At: st.Up}
}

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

func plural(n float64, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
