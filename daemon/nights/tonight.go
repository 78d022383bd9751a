package nights

import (
	"fmt"
	"math"
	"strings"
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
	likelyOdds    = 0.9         // "likely enough"
	doubtfulOdds  = 0.5         // below this "not enough" is the likelier word
	leastSpreadKg = 0.02        // a night of nothing is not known better than two weighings
)

// Tonight is the forecast after the last step. It is computed at most once a minute and is
// never changed afterwards.
func (l *Ledger) Tonight(st sensors.Stamp, e *estimate.Estimates) Tonight {
	// What hangs on whether there is a cylinder must not be a minute old.
	same := l.tonightOf == e.Cylinder && l.tonightFuel == e.FuelKg.Known()
	if l.hasTonight && same && st.Up >= l.tonightAt && st.Up-l.tonightAt < tonightEvery {
		return l.tonight
	}
	l.tonightOf, l.tonightFuel = e.Cylinder, e.FuelKg.Known()
	l.tonight, l.tonightAt, l.hasTonight = l.forecast(st, e), st.Up, true
	return l.tonight
}

func (l *Ledger) forecast(st sensors.Stamp, e *estimate.Estimates) Tonight {
	t := Tonight{NightsSeen: len(l.recent), ExpectedLowC: l.expectedLow(st), Heat: l.HeatLoss().at(st.Up)}
	var ahead hours
	if e.ClockTrusted && !st.Wall.IsZero() {
		_, from, to := l.coming(st.Wall)
		t.EndsWall = to
		ahead = hours{before: max(0, from.Sub(st.Wall).Hours()), left: to.Sub(maxTime(st.Wall, from)).Hours(), night: to.Sub(from).Hours()}
	}
	t.FullInputLeftH = l.fullInput(e)
	u := l.usual()
	switch {
	case !e.FuelKg.Known():
		why := e.FuelKg.Why
		t.NightsLeft = estimate.Unknown(why)
		t.Verdict, t.Facts = "Fuel unknown.", []string{why}
	case u.nights < leastNights:
		t.NightsLeft = estimate.Unknown(learning(u.nights))
		l.firstDay(&t, st, e, ahead)
	default:
		l.judge(&t, e, u, ahead)
	}
	thinAhead(&t, e, ahead)
	return t
}

// thinAhead says where the cylinder may be too cold for what burns before the night is over:
// then the fuel that is left promises no heat.
func thinAhead(t *Tonight, e *estimate.Estimates, ahead hours) {
	h := math.Inf(1)
	for _, o := range append([]estimate.Outlook{e.Outlook}, e.ApplianceOutlooks...) {
		if o.HoursH.Known() && o.EndsLow == estimate.EndsByPressure && o.Name != "all" {
			h = min(h, o.HoursH.Low)
		}
	}
	if h >= ahead.before+ahead.left {
		return
	}
	when := "now"
	if h >= 1 {
		when = fmt.Sprintf("after %.0f h", math.Floor(h))
	} else if h > 0.1 {
		when = fmt.Sprintf("after %.0f min", math.Floor(60*h))
	}
	t.Facts = append([]string{"pressure may be thin " + when + " at full heat, however much fuel is left"}, t.Facts...)
	if t.Enough == estimate.Yes || strings.HasPrefix(t.Verdict, "Learning. At least") {
		t.Verdict = "Fuel enough. Pressure may be thin."
		if t.Enough != estimate.Yes {
			t.Verdict = "Learning. Pressure may be thin."
		}
	}
}

// hours are what lies ahead: until the night begins, of the night, and its whole length.
type hours struct{ before, left, night float64 }

func learning(n int) string {
	return fmt.Sprintf("learning: night %d of %d", min(n+1, learntNights), learntNights)
}

// firstDay answers without a history: how long the least fuel lasts at the most the heater
// can take, from now on.
func (l *Ledger) firstDay(t *Tonight, st sensors.Stamp, e *estimate.Estimates, ahead hours) {
	t.Odds = t.NightsLeft.Why
	if !t.FullInputLeftH.Known() {
		t.Verdict = "Learning. No bound yet."
		t.Facts = []string{t.FullInputLeftH.Why}
		return
	}
	least := t.FullInputLeftH.Low
	until := fmt.Sprintf("%.0f h", math.Floor(least))
	switch {
	case t.EndsWall.IsZero():
		t.Verdict = "Learning. Clock not trusted."
	case least >= ahead.before+ahead.left:
		t.Verdict, t.Enough = "Likely enough, even at full heat.", estimate.Yes
	case l.inside(st.Wall):
		clock := st.Wall.Add(time.Duration(least * float64(time.Hour))).In(l.p.Zone).Format("15:04")
		t.Verdict, until = "Learning. At least until "+clock+".", "until "+clock
	default:
		t.Verdict = "Learning. At least " + fmt.Sprintf("%.0f hours.", math.Floor(least))
	}
	t.Facts = []string{"at full heater input, cooking not counted, the least fuel you may have lasts " + until + "; with typical use, longer",
		show.Interval(e.FuelKg.Low, e.FuelKg.High, show.Kg) + " in the cylinder"}
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
	heaterKg           float64 // of that the heater's
	otherKg, otherSDKg float64 // of all else
	dayKg              float64 // between two nights
	lowC               float64 // mean of the nights' outside lows
	coldestC           float64
	degreeKH           float64 // mean kelvin-hours of cabin above outside
	hasCold            bool
}

// usual reads the rows whose fuel is known and that were mostly watched.
func (l *Ledger) usual() usual {
	var u usual
	var sq, days, lows float64
	for _, x := range l.recent {
		if x.BurnedKg == nil || x.GapH > 0.25*(x.GapH+x.WatchedH) {
			continue
		}
		u.nights++
		u.kg += *x.BurnedKg
		sq += *x.BurnedKg * *x.BurnedKg
		if x.HeaterKg != nil {
			u.heaterKg += min(*x.HeaterKg, *x.BurnedKg)
		}
		if x.DayKg != nil {
			u.dayKg += *x.DayKg
			days++
		}
		if x.OutsideLowC != nil && x.DegreeHours != nil {
			if lows == 0 || *x.OutsideLowC < u.coldestC {
				u.coldestC = *x.OutsideLowC
			}
			u.lowC += *x.OutsideLowC
			u.degreeKH += *x.DegreeHours
			lows++
		}
	}
	n := float64(u.nights)
	if n < leastNights {
		return u
	}
	u.kg, u.heaterKg = u.kg/n, u.heaterKg/n
	if days > 0 {
		u.dayKg /= days
	}
	if lows > 0 {
		u.lowC, u.degreeKH, u.hasCold = u.lowC/lows, u.degreeKH/lows, true
	}
	// Few nights show less than the true spread; the floor is the day-to-day spread of
	// estimation.md 1 (9.4 % about the degree-hour line) and as much again for weather.
	variance := max(0, sq/n-u.kg*u.kg) * n / (n - 1)
	u.sdKg = max(math.Sqrt(variance), 0.15*u.kg, leastSpreadKg) * math.Sqrt(1+1/n)
	u.kg = max(u.kg, leastSpreadKg)
	return u
}

// at is the usual night at another outside low: its heater's share goes with the
// degree-hours. Beyond what was lived the line is a guess, and the spread says so.
func (u usual) at(lowC, nightH float64) usual {
	if !u.hasCold || u.degreeKH <= 0 {
		return u
	}
	factor := min(max((u.degreeKH+(u.lowC-lowC)*nightH)/u.degreeKH, 0.3), 4)
	more := u.heaterKg * (factor - 1)
	u.kg = max(u.kg+more, leastSpreadKg)
	u.sdKg = math.Hypot(u.sdKg, 0.25*more)
	if lowC < u.coldestC {
		u.sdKg = math.Hypot(u.sdKg, 0.2*u.kg)
	}
	return u
}

// judge chooses the verdict from the odds that the fuel outlasts the night.
func (l *Ledger) judge(t *Tonight, e *estimate.Estimates, u usual, ahead hours) {
	said := t.ExpectedLowC.Known() && t.ExpectedLowC.Quality == sensors.Good // by the owner
	tonight := u
	if said {
		tonight = u.at(t.ExpectedLowC.Value, max(ahead.night, 1))
	}
	// A weight that is only held has all its doubt below it, so its middle is what counts.
	low, high := max(0, e.FuelKg.Low-unusableKg), max(0, e.FuelKg.High-unusableKg)
	fuel := min(max(0, e.FuelKg.Value-unusableKg), (low+high)/2)
	fuelSD := (high - low) / (2 * 1.96)
	share := 1.0 // of the night that is still ahead
	if ahead.night > 0 {
		share = min(1, ahead.left/ahead.night)
	}
	day := u.dayKg * min(1, ahead.before/max(1, 24-ahead.night)) // before the night begins
	need := tonight.kg*share + day
	odds := normalCDF((fuel - need) / math.Hypot(fuelSD, tonight.sdKg*math.Sqrt(share)))
	t.Odds = show.Odds(odds)
	t.NightsLeft = nightsOf(low, fuel, high, day, tonight, e.FuelKg)
	if u.nights < learntNights {
		t.NightsLeft.Quality, t.NightsLeft.Why = sensors.Suspect, learning(u.nights)
	}
	nights := math.Floor(t.NightsLeft.Value)
	switch {
	case odds < doubtfulOdds:
		t.Verdict, t.Enough = "Not enough for tonight.", estimate.No
	case odds < likelyOdds || low < need: // what nobody has weighed promises nothing
		t.Verdict = "Doubtful for the whole night."
	case nights >= 1:
		t.Verdict, t.Enough = fmt.Sprintf("Likely enough. About %.0f more %s.", nights, plural(nights, "night")), estimate.Yes
	default:
		t.Verdict, t.Enough = "Likely enough for tonight only.", estimate.Yes
	}
	t.Facts = []string{
		show.Interval(e.FuelKg.Low, e.FuelKg.High, show.Kg) + " in the cylinder",
		show.Interval(max(0, tonight.kg-1.96*tonight.sdKg), tonight.kg+1.96*tonight.sdKg, show.Kg) +
			fmt.Sprintf(" a night, by the last %d", u.nights),
	}
	if t.ExpectedLowC.Known() {
		fact := "expected low " + show.Interval(t.ExpectedLowC.Low, t.ExpectedLowC.High, show.C)
		if said && u.hasCold && t.ExpectedLowC.Value < u.coldestC {
			fact += ", colder than the nights this rests on"
		}
		t.Facts = append(t.Facts, fact)
	}
}

// nightsOf is how many nights like tonight the fuel holds, the days between them counted.
func nightsOf(low, fuel, high, day float64, u usual, of estimate.Quantity) estimate.Quantity {
	n := func(kg, night float64) float64 { return max(0, kg-day+u.dayKg) / (night + u.dayKg) }
	return estimate.Quantity{Value: n(fuel, u.kg), Low: min(n(low, u.kg+1.96*u.sdKg), n(fuel, u.kg)),
		High: max(n(high, max(u.kg-1.96*u.sdKg, 0.3*u.kg)), n(fuel, u.kg)), Quality: of.Quality, Why: of.Why, At: of.At}
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
