package nights

import (
	"math"
	"math/rand/v2"
	"slices"

	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/daemon/supply"
	"frostline/sensors"
)

const (
	drawsN     = 64
	courseH    = 0.5 // of a step of the forecast
	mostCourse = 100 // steps: two days, and a clock that changes in them

	// Habits before there are rows. Engineering judgement, no source.
	typicalOtherKg   = 0.10
	typicalOtherSDKg = 0.06
	habitSpreadFrac  = 0.4  // of a day's burn, from day to day
	leastHabitKg     = 0.02 // a night without cooking is not promised
	guessedLowSDK    = 4.0  // of a low that nobody gave and no night has shown
	lineNights       = 3    // cold nights from which this van's own are asked, with what is typical as the prior

	lockerFadeH = 2.0 // what the locker is now above its usual; its own and the cylinder's time constant
	// A liquid within it of the limit is as likely short as not: thermometer, level and film
	// are not known better from hour to hour. The same as estimate's of the locker's air.
	edgeSDK = 0.8
)

// What one draw of a night is made of: each a number of deviations, or an odds.
const (
	ofLow = iota
	ofBelief
	ofNight
	ofCabin
	ofOther
	ofDay
	ofFuel
	ofFilm
	ofLiquid
	ofGrade
	ofBlend
	ofLocker
	dimsN
)

// draws are the nights that are tried, the same ones in every forecast, so that a verdict
// moves with what is known and never by itself. In each dimension every 64th of the odds
// is met once (a Latin square); the seed chooses what meets what.
type draws [drawsN][dimsN]float64

func newDraws(seed uint64) *draws {
	r := rand.New(rand.NewPCG(seed, 0x66726f73746c696e))
	d := new(draws)
	for k := range dimsN {
		for i, at := range r.Perm(drawsN) {
			odds := (float64(at) + 0.5) / drawsN
			switch k {
			case ofBelief:
				d[i][k] = odds
			case ofNight:
				d[i][k] = studentQuantile(odds)
			default:
				d[i][k] = math.Sqrt2 * math.Erfinv(2*odds-1)
			}
		}
	}
	return d
}

// studentQuantile inverts studentCDF.
func studentQuantile(odds float64) float64 {
	low, high := -50.0, 50.0
	for range 60 {
		if mid := (low + high) / 2; studentCDF(mid) < odds {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// ahead is what lies between now and the end of the coming night.
type moment struct {
	h, forH   float64 // from now, and how long
	nightFrac float64 // of the step
	otherFrac float64 // of a night's cooking
	outsideC  float64 // with the low that is expected
	lowShare  float64 // by how much a kelvin of the low moves it
	lockerC   float64 // above outside, what is left of now
}

// asked is everything a forecast starts from.
type asked struct {
	u        usual
	hours    hours
	clockMin float64 // local, now
	startMin float64 // local, of the night's begin
	est      *estimate.Estimates
	lowC     float64
	lowSDK   float64
	cold     bool // whether lowC means anything
	said     bool // by the owner
	swingK   float64
	offsetK  estimate.Quantity // of the locker's air above outside
	fuelKg   float64           // that can be burned, and how well it is known
	fuelSDKg float64
}

// tried is what the draws came to.
type tried struct {
	needKg    [drawsN]float64 // until the end
	nightKg   [drawsN]float64 // of a whole night like this one
	dayKg     [drawsN]float64 // and of the day before it
	beforeKg  [drawsN]float64 // of the day that is still ahead
	fuelKg    [drawsN]float64
	endKg     [drawsN]float64
	spareK    [drawsN]float64
	thinH     [drawsN]float64
	ratio     [drawsN]float64
	marginK   [drawsN]float64
	boundK    [drawsN]float64
	heatedN   int    // draws that light the heater before the end
	marginsN  int    // draws with a seat to judge
	pressure  string // why there is none; "" if there is
	line      bool   // by the heat loss; else by the rows alone
	lineNight int    // nights the line rests on, 0: typical
}

// tonightBook is what forecasts keep from one to the next; all of it can be made again.
type tonightBook struct {
	draws   *draws
	table   liquidTable
	tried   tried
	course  [mostCourse]moment
	whole   [mostCourse]moment
	courseN int
	wholeN  int

	byHeat   heatKey
	byKnown  bool
	beliefs  [drawsN]belief
	cabinC   float64
	cabinSDK float64
}

// heatKey tells whether the nights of the heat loss are still those of the last forecast.
type heatKey struct {
	n    int
	last heatNight
}

// run tries the night. Rows without thermometers are enough for the fuel.
func (l *Ledger) run(a *asked) (*tried, bool) {
	b := &l.book
	if b.draws == nil {
		b.draws = newDraws(l.p.Seed)
	}
	l.believe()
	t := &b.tried
	*t = tried{lineNight: b.byHeat.n}
	hasLine := b.byHeat.n >= lineNights || a.u.nights < leastNights
	t.line = hasLine && a.cold
	if !t.line && a.u.nights < leastNights {
		return nil, false
	}
	b.courseN = a.lay(&b.course, a.clockMin, a.hours.before, a.hours.left, true)
	b.wholeN = a.lay(&b.whole, a.startMin, 0, a.hours.night, false)
	t.pressure = a.noPressure()
	if v := &a.est.Vessel; t.pressure == "" && !b.table.of(v.Shape, v.LeanMassFrac < 1) {
		t.pressure = "the cylinder is outside what the model holds for"
	}
	for i := range drawsN {
		l.try(a, i)
	}
	return t, true
}

// noPressure is why the liquid cannot be carried through the night.
func (a *asked) noPressure() string {
	v := &a.est.Vessel
	switch {
	case v.Why != "":
		return v.Why
	case !v.Shape.Known():
		return "the cylinder is not known"
	case !a.est.AirKPa.Known():
		return "the air pressure is not known"
	case !a.cold:
		return "tonight's outside temperature is not known"
	case v.LiquidTempC <= liquidLeastC || v.LiquidTempC >= liquidMostC:
		return "the liquid is outside the temperatures its pressure is known for"
	}
	return ""
}

// believe gives each draw a van, of those that the cold nights so far may have been lived in.
// Fewer nights than a claim of the heat loss needs still tell what a night like them costs.
func (l *Ledger) believe() {
	b := &l.book
	nights := l.heat.nights
	key := heatKey{n: len(nights)}
	if key.n > 0 {
		key.last = nights[key.n-1]
	}
	if b.byKnown && b.byHeat == key {
		return
	}
	b.byHeat, b.byKnown = key, true
	b.cabinC, b.cabinSDK = typicalCabinC, typicalCabinSDK
	if key.n < lineNights {
		b.byHeat.n, nights = key.n, nil
	} else {
		b.cabinC, b.cabinSDK = spread(nights, func(x heatNight) float64 { return x.CabinC })
		b.cabinSDK = math.Hypot(b.cabinSDK, typicalCabinSDK/math.Sqrt(float64(key.n)))
	}
	all := fitHeat(nights)
	const liftK = 20.0 // by what they burn on an ordinary cold night
	slices.SortStableFunc(all, func(x, y belief) int {
		switch p, q := x.wPerK*liftK-x.gainsW, y.wPerK*liftK-y.gainsW; {
		case p < q:
			return -1
		case p > q:
			return 1
		}
		return 0
	})
	var inOrder [drawsN]belief
	k, below := 0, 0.0
	for i := range drawsN {
		odds := (float64(i) + 0.5) / drawsN
		for k < len(all)-1 && below+all[k].likelyFrac < odds {
			below += all[k].likelyFrac
			k++
		}
		inOrder[i] = all[k]
	}
	for i := range drawsN {
		b.beliefs[i] = inOrder[min(int(b.draws[i][ofBelief]*drawsN), drawsN-1)]
	}
}

// lay makes the course of the hours: anchored at what it is now, or of a whole night with
// nothing seen of it yet.
func (a *asked) lay(to *[mostCourse]moment, fromMin, beforeH, nightH float64, now bool) int {
	endH := beforeH + nightH
	outside := a.est.OutsideC
	if locker := a.est.LockerC; !outside.Known() && locker.Known() {
		outside = locker
		outside.Value -= a.offsetK.Value
	}
	clock := func(h float64) float64 { return math.Mod(fromMin+60*h, minPerDay) }
	n, others := 0, 0.0
	for h := 0.0; h < endH && n < mostCourse; n++ {
		m := moment{h: h, forH: min(courseH, endH-h)}
		h += m.forH
		m.nightFrac = min(max((h-beforeH)/m.forH, 0), 1)
		mid := m.h + m.forH/2
		m.otherFrac = m.nightFrac * m.forH * awake(clock(mid))
		others += m.otherFrac
		m.outsideC, m.lowShare = a.lowC+a.swingK*dayCurve(clock(mid)), 1
		if now && outside.Known() {
			left := math.Exp(-mid / anchorFadeH)
			m.outsideC += left * (outside.Value - a.lowC - a.swingK*dayCurve(clock(0)))
			m.lowShare = 1 - left
			if locker := a.est.LockerC; locker.Known() {
				m.lockerC = math.Exp(-mid/lockerFadeH) * (locker.Value - outside.Value - a.offsetK.Value)
			}
		}
		to[n] = m
	}
	// What has been cooked of tonight's is not asked again.
	whole := awakeH(a.startMin, a.hours.night)
	for i := range n {
		if whole > 0 {
			to[i].otherFrac /= whole
		} else {
			to[i].otherFrac = to[i].nightFrac * to[i].forH / max(a.hours.night, 1)
		}
	}
	return n
}

const (
	anchorFadeH = 4.0 // the day's own weather against the usual curve; engineering judgement
	coldestMin  = 6.5 * 60
	warmestMin  = 15.0 * 60
	minutesOfDH = 60.0
)

// dayCurve is the shape of a day's outside temperature, 0 at its low and 1 at its high: two
// halves of a cosine between the low at 06:30 and the high at 15:00 (conventions.md 8.1).
func dayCurve(clockMin float64) float64 {
	if clockMin >= coldestMin && clockMin < warmestMin {
		return (1 - math.Cos(math.Pi*(clockMin-coldestMin)/(warmestMin-coldestMin))) / 2
	}
	if clockMin < coldestMin {
		clockMin += minPerDay
	}
	return (1 + math.Cos(math.Pi*(clockMin-warmestMin)/(minPerDay+coldestMin-warmestMin))) / 2
}

// awake is 1 while people cook, by the clock. The rows have no hours; habit, no source.
func awake(clockMin float64) float64 {
	if h := clockMin / minutesOfDH; h >= 6.5 && h < 10 || h >= 17 && h < 22 {
		return 1
	}
	return 0
}

func awakeH(fromMin, hours float64) (sum float64) {
	for h := 0.0; h < hours; h += courseH {
		forH := min(courseH, hours-h)
		sum += forH * awake(math.Mod(fromMin+60*(h+forH/2), minPerDay))
	}
	return sum
}

// try lives draw i.
func (l *Ledger) try(a *asked, i int) {
	b := &l.book
	t, z := &b.tried, &b.draws[i]
	w := l.want(a, i)
	for k := range b.wholeN {
		heat, other, _ := w.at(&b.whole[k])
		t.nightKg[i] += (heat + other) * b.whole[k].forH
	}
	t.nightKg[i] = max(t.nightKg[i], leastSpreadKg)
	t.fuelKg[i] = max(0, a.fuelKg+a.fuelSDKg*z[ofFuel])
	t.dayKg[i] = w.dayKgPerH * max(0, 24-a.hours.night)
	v := &a.est.Vessel
	s := chill{t: &b.table, kg: t.fuelKg[i] + unusableKg, tempC: v.LiquidTempC + v.LiquidSDK*z[ofLiquid],
		propaneFrac: skewed(v.PropaneMassFrac, v.LeanMassFrac, v.RichMassFrac, z[ofBlend]),
		lnGrade:     math.Log(skewed(1, v.GradeLowFrac, v.GradeHighFrac, z[ofGrade])),
		lnLeastKPa:  math.Log(a.est.AirKPa.Value + v.LeastGaugeKPa),
		filmWPerM2K: v.FilmWPerM2K * math.Exp(v.FilmSDFrac*z[ofFilm])}
	t.spareK[i], t.thinH[i], t.ratio[i] = math.Inf(1), math.Inf(1), math.Inf(1)
	var coldest struct{ liquidC, airC, propaneFrac, kgPerH float64 }
	coldest.liquidC = math.Inf(1)
	shortK, dry := 0.0, t.pressure != ""
	for k := range b.courseN {
		m := &b.course[k]
		heat, other, day := w.at(m)
		ask := heat + other + day
		took := ask * m.forH
		if !dry {
			airC := min(max(w.outsideC(m)+m.lockerC+a.offsetK.Value+a.offsetSDK()*z[ofLocker], liquidLeastC), liquidMostC)
			c, ok := s.step(ask, airC, m.forH)
			if dry = !ok; ok {
				took = c.drawnKg
				shortK = t.judge(i, m.h, ask, heat, l.p.HeaterKgPerH, c, shortK)
				if ask > 0 && s.tempC < coldest.liquidC {
					coldest.liquidC, coldest.airC, coldest.propaneFrac, coldest.kgPerH = s.tempC, airC, s.propaneFrac, max(ask, l.p.HeaterKgPerH)
				}
			}
		}
		t.needKg[i] += took
		if m.nightFrac < 1 {
			t.beforeKg[i] += took * (1 - m.nightFrac)
		}
	}
	t.endKg[i] = max(0, t.fuelKg[i]-t.needKg[i]) + min(unusableKg, t.fuelKg[i]+unusableKg)
	if !math.IsInf(coldest.liquidC, 1) {
		t.seat(i, v, coldest.propaneFrac, coldest.kgPerH,
			supply.Inlet{LiquidTempC: coldest.liquidC, AirTempC: coldest.airC, AirKPa: a.est.AirKPa.Value})
	}
}

// judge keeps the worst of a step: how near the liquid came to its limit, and once beyond it
// by how much in all.
func (t *tried) judge(i int, h, ask, heat, fullKgPerH float64, c cooled, shortK float64) float64 {
	if ask <= 0 {
		return shortK
	}
	flame := ask
	if heat > 0 { // a thermostat's flame is the full one, however long it rests
		flame = max(ask, fullKgPerH)
	}
	t.ratio[i] = min(t.ratio[i], c.steadyKg/flame)
	switch {
	case c.spareK < 0:
		shortK -= c.spareK
		t.spareK[i], t.thinH[i] = -shortK, min(t.thinH[i], h)
	case shortK == 0:
		if c.spareK < t.spareK[i] {
			t.spareK[i] = c.spareK
		}
	}
	return shortK
}

// seat judges the regulator's seat at the coldest moment with a flame.
func (t *tried) seat(i int, v *estimate.Vessel, propaneFrac, kgPerH float64, in supply.Inlet) {
	f, ok := lpg.BlendByMass(propaneFrac, lpg.NButane)
	if !ok {
		return
	}
	in.FlowKgPerH = kgPerH
	r := supply.Regulator{TwoStage: v.TwoStage, BodyWPerK: supply.BodyWPerK, LeastGaugeKPa: v.LeastGaugeKPa}
	s, ok := r.Seat(f, in)
	if !ok {
		return
	}
	t.marginK[t.marginsN], t.boundK[t.marginsN] = s.MarginK, s.AdiabaticK
	t.marginsN++
}

func (a *asked) offsetSDK() float64 { return (a.offsetK.High - a.offsetK.Low) / 3.92 }

// skewed is a value z deviations from the middle, with ends of 95 % that differ.
func skewed(mid, low, high, z float64) float64 {
	if z < 0 {
		return max(mid+(mid-low)/1.96*z, low/2)
	}
	return mid + (high-mid)/1.96*z
}

// want is what one draw's van burns.
type want struct {
	line            bool
	b               belief
	cabinC, lowErrK float64
	nightT          float64 // how far this night lies off its line
	mostKgPerH      float64 // 0: no limit
	nightKgPerH     float64 // without a line
	otherKg         float64 // of a night
	dayKgPerH       float64
	dayByLine       bool
}

func (l *Ledger) want(a *asked, i int) want {
	b := &l.book
	z := &b.draws[i]
	w := want{line: b.tried.line, b: b.beliefs[i], cabinC: b.cabinC + b.cabinSDK*z[ofCabin], lowErrK: a.lowSDK * z[ofLow],
		nightT: z[ofNight], mostKgPerH: l.p.HeaterKgPerH}
	if a.u.nights < leastNights {
		w.otherKg, w.dayByLine = max(0, typicalOtherKg+typicalOtherSDKg*z[ofOther]), true
		return w
	}
	night := max(a.hours.night, 1)
	w.dayKgPerH = a.u.dayKg / max(1, 24-a.hours.night) * max(0, 1+habitSpreadFrac*z[ofDay])
	if w.line {
		w.otherKg = max(0, a.u.otherKg+a.u.otherSDKg*z[ofOther])
		return w
	}
	u := a.u
	if a.said {
		u = u.at(a.lowC, night)
	}
	w.nightKgPerH = max(u.kg+u.sdKg*z[ofOther], 0.2*u.kg) / night
	return w
}

// outsideC is the air outside in a moment of this draw.
func (w *want) outsideC(m *moment) float64 { return m.outsideC + m.lowShare*w.lowErrK }

// at is what burns in a moment: the heater by night, all else by night, and the day's, kg/h.
func (w *want) at(m *moment) (heat, other, day float64) {
	heated := m.nightFrac
	if w.dayByLine {
		heated = 1
	} else {
		day = w.dayKgPerH * (1 - m.nightFrac)
	}
	if !w.line {
		return 0, w.nightKgPerH * m.nightFrac, day
	}
	if heated > 0 {
		mean, scale2 := night(w.b.wPerK, w.b.gainsW, w.b.spreadFrac, w.cabinC-w.outsideC(m))
		// However mild a night was against its line, colder never costs less.
		off := max(w.nightT*math.Sqrt(scale2), -0.9*mean)
		heat = (mean + off) / fuelW(1)
		if w.mostKgPerH > 0 {
			heat = min(heat, w.mostKgPerH)
		}
		heat *= heated
	}
	return heat, w.otherKg * m.otherFrac / m.forH, day
}

// odds that a normal error of the fuel leaves enough, over the draws.
func (t *tried) fuelLasts(fuelKg, sdKg float64) float64 {
	sum := 0.0
	for _, need := range t.needKg {
		sum += normalCDF((fuelKg - need) / max(sdKg, 0.005))
	}
	return sum / drawsN
}

// pressureLasts is the odds that the cylinder gives all that is asked until the end: neither
// too cold nor empty.
func (t *tried) pressureLasts(fuelKg, sdKg float64) float64 {
	sum := 0.0
	for i, spareK := range t.spareK {
		warm := 1.0
		if !math.IsInf(spareK, 1) {
			warm = normalCDF(spareK / edgeSDK)
		}
		sum += warm * normalCDF((fuelKg-t.needKg[i])/max(sdKg, 0.005))
	}
	return sum / drawsN
}

// part is the value that odds of the draws do not exceed. It orders what it is given.
func part(of []float64, odds float64) float64 {
	slices.Sort(of)
	at := odds*float64(len(of)) - 0.5
	i := min(max(int(math.Floor(at)), 0), len(of)-1)
	j := min(i+1, len(of)-1)
	f := min(max(at-float64(i), 0), 1)
	return of[i] + f*(of[j]-of[i])
}

// over is the draws as a quantity: their median and 95 %.
func over(of []float64, q sensors.Quality, why string) estimate.Quantity {
	return estimate.Quantity{Value: part(of, 0.5), Low: part(of, 0.025), High: part(of, 0.975), Quality: q, Why: why}
}
