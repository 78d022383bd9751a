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
	tonightEvery  = time.Minute // the forecast is for people; a minute is soon enough
	leastNights   = 3           // before that there is no spread to speak of
	learntNights  = 5           // before that the forecast says it is still learning
	unusableKg    = 0.05        // vapour left in an "empty" cylinder, estimation.md 2
	leastSpreadKg = 0.02        // a night of nothing is not known better than two weighings
)

// Tonight is the forecast after the last step. It is computed once in every whole minute of
// Up, so that one who begins in the middle computes at the same moments, and at once when a
// cylinder comes or goes or the owner says something; it is never changed afterwards.
func (l *Ledger) Tonight(st sensors.Stamp, e *estimate.Estimates) Tonight {
	changed, news := l.basis.changed(e)
	if news {
		l.spoken = spoken{}
	}
	// What hangs on whether there is a cylinder must not be a minute old.
	same := !changed && l.tonightFuel == e.FuelKg.Known()
	if l.hasTonight && same && st.Up/tonightEvery == l.tonightAt/tonightEvery {
		return l.tonight
	}
	l.tonightFuel = e.FuelKg.Known()
	l.tonight, l.tonightAt, l.hasTonight = l.forecast(st, e), st.Up, true
	return l.tonight
}

func (l *Ledger) forecast(st sensors.Stamp, e *estimate.Estimates) Tonight {
	t := Tonight{NightsSeen: len(l.recent), ExpectedLowC: l.expectedLow(st), Heat: l.HeatLoss().at(st.Up)}
	a := l.ask(st, e, t.ExpectedLowC)
	t.EndsWall, t.FullInputLeftH = a.ends, l.fullInput(e)
	tries := l.run(&a)
	l.weigh(&t, &a, tries, st.Up)
	if !e.FuelKg.Known() {
		t.Verdict, t.Facts = "Fuel unknown.", []string{e.FuelKg.Why}
		l.spoken.interrupt() // what nobody sees is not continuously better
		return t
	}
	now := l.judge(&t, &a, tries, st.Wall)
	blind := (tries == nil || tries.pressure != "") && !outlooked(e)
	t.Verdict, t.Enough = l.spoken.say(now, st.Up, t.EndsWall, blind)
	if blind && l.spoken.Rank.thin() && !now.Rank.thin() {
		t.Facts = append([]string{"pressure not known now: " + t.PressureOdds.Why}, t.Facts...)
	}
	return t
}

// ask collects what a forecast starts from.
func (l *Ledger) ask(st sensors.Stamp, e *estimate.Estimates, low estimate.Quantity) asked {
	a := asked{est: e, u: l.usual(), startMin: float64(l.p.StartMin), fuelKnown: e.FuelKg.Known()}
	a.hours.night = math.Mod(float64(l.p.EndMin-l.p.StartMin)/minutesOfDH+24, 24)
	a.hours.left, a.clockMin = a.hours.night, a.startMin
	if e.ClockTrusted && !st.Wall.IsZero() {
		_, from, to := l.coming(st.Wall)
		a.ends = to
		a.hours = hours{before: max(0, from.Sub(st.Wall).Hours()), left: to.Sub(maxTime(st.Wall, from)).Hours(), night: to.Sub(from).Hours()}
		local := st.Wall.In(l.p.Zone)
		a.clockMin = float64(local.Hour())*minutesOfDH + float64(local.Minute())
	}
	a.offsetK = estimate.Quantity{Value: lockerOffsetK, Low: lockerOffsetK - 1.96*lockerOffsetSDK, High: lockerOffsetK + 1.96*lockerOffsetSDK}
	if !e.LockerC.Known() {
		a.offsetK = estimate.Quantity{Low: -1.96 * outsideSDK, High: 1.96 * outsideSDK}
	}
	a.swingK = l.swing()
	outside := a.outside()
	switch {
	case low.Known():
		a.lowC, a.lowSDK, a.cold = low.Value, (low.High-low.Low)/3.92, true
		a.said = low.Quality == sensors.Good
		if outside.Known() && a.hours.before == 0 { // whatever was expected: it is that cold already
			a.lowC = min(a.lowC, outside.Value)
		}
	case outside.Known():
		a.lowC, a.lowSDK, a.cold = outside.Value-a.swingK*dayCurve(a.clockMin), guessedLowSDK, true
	}
	a.lowC = min(max(a.lowC, leastExpectC), mostExpC)
	// A weight that is only held has all its doubt below it, so its middle is what counts.
	q := e.FuelKg
	lowKg, highKg := max(0, q.Low-unusableKg), max(0, q.High-unusableKg)
	a.leastKg, a.fuelKg, a.fuelSDKg = lowKg, min(max(0, q.Value-unusableKg), (lowKg+highKg)/2), (highKg-lowKg)/3.92
	return a
}

// hours are what lies ahead: until the night begins, of the night, and its whole length.
type hours struct{ before, left, night float64 }

func learning(n int) string {
	return fmt.Sprintf("learning: night %d of %d", min(n+1, learntNights), learntNights)
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

// usual is what nights cost by the ledger.
type usual struct {
	nights             int     // rows it rests on
	kg, sdKg           float64 // a night, with its spread
	otherKg, otherSDKg float64 // of all but the heater
	dayKg              float64 // between two nights
	heaterH            float64 // that the heater burned in a night
	coldestC           float64 // of the nights' outside lows
	hasCold            bool
}

// What a row of a spoilt ledger may hold beyond this is no number of a van.
const (
	mostRowKg              = 100.0
	leastRowC, mostRowC    = -90.0, 60.0
	mostRowH               = 48.0
	leastExpectC, mostExpC = -60.0, 50.0
)

func sane(v *float64, low, high float64) bool { return v != nil && *v >= low && *v <= high }

// usual reads the rows whose fuel is known and that were mostly watched.
func (l *Ledger) usual() usual {
	var u usual
	var sq, days, others, othersSq, othersN float64
	for i := range l.recent {
		x := &l.recent[i]
		if !sane(x.BurnedKg, 0, mostRowKg) || x.gappy() {
			continue
		}
		u.nights++
		u.kg += *x.BurnedKg
		sq += *x.BurnedKg * *x.BurnedKg
		if sane(x.OtherKg, 0, mostRowKg) {
			others += *x.OtherKg
			othersSq += *x.OtherKg * *x.OtherKg
			othersN++
		}
		if sane(x.HeaterH, 0, mostRowH) {
			u.heaterH += *x.HeaterH
		}
		if sane(x.DayKg, 0, mostRowKg) {
			u.dayKg += *x.DayKg
			days++
		}
		if c := x.OutsideLowC; sane(c, leastRowC, mostRowC) && (!u.hasCold || *c < u.coldestC) {
			u.coldestC, u.hasCold = *c, true
		}
	}
	n := float64(u.nights)
	if n < leastNights {
		return u
	}
	u.kg, u.heaterH = u.kg/n, u.heaterH/n
	if days > 0 {
		u.dayKg /= days
	}
	// Few nights show less than the true spread; the floor is the day-to-day spread of
	// estimation.md 1 (9.4 % about the degree-hour line) and as much again for weather.
	u.sdKg = max(spreadOf(sq, u.kg, n), 0.15*u.kg, leastSpreadKg) * math.Sqrt(1+1/n)
	u.kg = max(u.kg, leastSpreadKg)
	u.otherKg, u.otherSDKg = typicalOtherKg, typicalOtherSDKg
	if othersN >= leastNights {
		u.otherKg = others / othersN
		u.otherSDKg = max(spreadOf(othersSq, u.otherKg, othersN), leastSpreadKg) * math.Sqrt(1+1/othersN)
	}
	return u
}

// spreadOf is the standard deviation of n numbers with the mean, from their squares' sum.
func spreadOf(sq, mean, n float64) float64 {
	return math.Sqrt(max(0, sq/n-mean*mean) * n / (n - 1))
}

// swing is by how much the day's high lies above its low, of the nights that were seen.
func (l *Ledger) swing() float64 {
	var sum, n float64
	for i := range l.recent {
		if x := &l.recent[i]; sane(x.OutsideMeanC, leastRowC, mostRowC) && sane(x.OutsideLowC, leastRowC, mostRowC) && !x.gappy() {
			sum += *x.OutsideMeanC - *x.OutsideLowC
			n++
		}
	}
	if n < leastNights {
		return typicalSwingK
	}
	nightH := math.Mod(float64(l.p.EndMin-l.p.StartMin)/minutesOfDH+24, 24)
	curve, steps := 0.0, 0.0
	for h := courseH / 2; h < nightH; h += courseH {
		curve += dayCurve(math.Mod(float64(l.p.StartMin)+minutesOfDH*h, minPerDay))
		steps++
	}
	if steps == 0 || curve < 0.05*steps { // a window of an hour or two at dawn
		return typicalSwingK
	}
	return min(max(sum/n/(curve/steps), 0), mostSwingK)
}

// expectedLow is the owner's number while it holds, else the last nights' lows with the
// error such persistence has.
func (l *Ledger) expectedLow(st sensors.Stamp) estimate.Quantity {
	if !l.lowUntil.IsZero() && st.Wall.Before(l.lowUntil) {
		const forecastErrC = 3 // 95 %, 1.5 K common error of a forecast, estimation.md 2
		return estimate.Quantity{Value: l.lowC, Low: l.lowC - forecastErrC, High: l.lowC + forecastErrC,
			Quality: sensors.Good, At: st.Up}
	}
	var lows [3]float64 // of the last nights that have one, newest first
	n := 0
	for i := len(l.recent) - 1; i >= 0 && n < len(lows); i-- {
		if c := l.recent[i].OutsideLowC; sane(c, leastRowC, mostRowC) {
			lows[n] = *c
			n++
		}
	}
	if n == 0 {
		return estimate.Unknown("no forecast given and no night seen yet")
	}
	var sum, worst float64
	for _, c := range lows[:n] {
		sum += c
	}
	mean := sum / float64(n)
	for _, c := range lows[:n] {
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

// kgs is an interval of fuel as a fact.
func kgs(q estimate.Quantity) string { return show.Interval(q.Low, q.High, show.Kg) }
