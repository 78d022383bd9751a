package nights

import (
	"math"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/daemon/supply"
)

const (
	drawsN     = 64
	courseH    = 0.5 // of a step of the forecast
	mostCourse = 100 // steps: two days, and a clock that changes in them

	// Habits before there are rows. Engineering judgement, no source.
	typicalOtherKg   = 0.10
	typicalOtherSDKg = 0.06
	firstDayFrac     = 0.5 // of a day that the van is heated as by night
	habitSpreadFrac  = 0.4 // of a day's burn, from day to day
	lineNights       = 3   // cold nights from which this van's own are asked, with what is typical as the prior

	// Weather before there are rows. Engineering judgement, no source.
	guessedLowSDK = 4.0 // of a low that nobody gave and no night has shown
	typicalSwingK = 7.0 // from a day's low to its high in winter
	mostSwingK    = 20.0
	anchorFadeH   = 4.0 // the day's own weather against the usual curve
	coldestMin    = 6.5 * 60
	warmestMin    = 15.0 * 60
	minutesOfDH   = 60.0

	// A vented locker behind a heated wall. Engineering judgement, no source.
	lockerOffsetK   = 1.5
	lockerOffsetSDK = 1.3
	lockerFadeH     = 2.0 // what the locker is now above its usual; its own and the cylinder's time constant
	outsideSDK      = 3.0 // of a locker without a thermometer about the outside air, as estimate has it

	// A liquid within it of the limit is as likely short as not: thermometer, level and film
	// are not known better from hour to hour. The same as estimate's of the locker's air.
	edgeSDK   = 0.8
	mostRatio = 100.0 // of a supply that is not worth a number
)

// moment is a step of what lies ahead.
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
	u         usual
	hours     hours
	ends      time.Time // of the night; zero if the clock is not trusted
	clockMin  float64   // local, now
	startMin  float64   // local, of the night's begin
	est       *estimate.Estimates
	lowC      float64
	lowSDK    float64
	cold      bool // whether lowC means anything
	said      bool // by the owner
	swingK    float64
	offsetK   estimate.Quantity // of the locker's air above outside
	fuelKnown bool
	leastKg   float64 // that can be burned
	fuelKg    float64 // likeliest, and how well it is known
	fuelSDKg  float64
}

// outside is the air outside now, by the locker if need be.
func (a *asked) outside() estimate.Quantity {
	q := a.est.OutsideC
	if locker := a.est.LockerC; !q.Known() && locker.Known() {
		q = locker
		q.Value -= a.offsetK.Value
	}
	return q
}

// tried is what the draws came to.
type tried struct {
	needKg   [drawsN]float64 // asked for until the end
	nightKg  [drawsN]float64 // of a whole night like this one
	dayKg    [drawsN]float64 // and of the day before it
	beforeKg [drawsN]float64 // of the day that is still ahead
	fuelKg   [drawsN]float64
	endKg    [drawsN]float64
	spareK   [drawsN]float64
	thinH    [drawsN]float64
	ratio    [drawsN]float64
	marginK  [drawsN]float64
	nights   [drawsN]float64
	chargeAh [drawsN]float64
	ratiosN  int    // draws that burn anything before the end
	marginsN int    // draws with a seat to judge
	pressure string // why there is none; "" if there is
	line     bool   // by the heat loss; else by the rows alone

	fuelOdds, warmOdds, bothOdds float64
	needMidKg                    float64
	moreNights                   float64 // after this one
	thinEarlyH                   float64 // when one draw in ten has become short
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

	byHeat         heatKey
	byKnown        bool
	beliefs        [drawsN]belief
	cabinC         float64
	cabinSDK       float64
	wattsPerKgPerH float64
	ordered        [drawsN]float64
}

// run tries the night; nil where nothing is known to try. Rows without thermometers are
// enough for the fuel.
func (l *Ledger) run(a *asked) *tried {
	b := &l.book
	if b.draws == nil {
		b.draws = newDraws(l.p.Seed)
	}
	l.believe()
	t := &b.tried
	*t = tried{}
	learning := a.u.nights < leastNights
	t.line = a.cold && (b.byHeat.n >= lineNights || learning && l.p.HeaterKgPerH > 0)
	if !t.line && learning {
		return nil
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
	if w := l.wider(); w > 1 {
		b.stretch(&t.needKg, w)
		b.stretch(&t.nightKg, w)
	}
	return t
}

// stretch widens draws about their middle.
func (b *tonightBook) stretch(of *[drawsN]float64, by float64) {
	b.ordered = *of
	mid := part(b.ordered[:], 0.5)
	for i, x := range of {
		of[i] = max(0, mid+by*(x-mid))
	}
}

// noPressure is why the liquid cannot be carried through the night.
func (a *asked) noPressure() string {
	v := &a.est.Vessel
	switch {
	case v.Why != "":
		return v.Why
	case !a.fuelKnown:
		return a.est.FuelKg.Why
	case !v.Shape.Known():
		return "the cylinder is not known"
	case !a.est.AirKPa.Known() || a.est.AirKPa.Value < 20 || a.est.AirKPa.Value > 110:
		return "the air pressure is not known"
	case !a.cold:
		return "tonight's outside temperature is not known"
	case !(v.LiquidTempC > liquidLeastC && v.LiquidTempC < liquidMostC):
		return "the liquid is outside the temperatures its pressure is known for"
	}
	return ""
}

// lay makes the course of the hours: anchored at what it is now, or of a whole night with
// nothing seen of it yet.
func (a *asked) lay(to *[mostCourse]moment, fromMin, beforeH, nightH float64, now bool) int {
	endH := beforeH + nightH
	outside := a.outside()
	clock := func(h float64) float64 { return math.Mod(fromMin+minutesOfDH*h, minPerDay) }
	n := 0
	for h := 0.0; h < endH && n < mostCourse; n++ {
		m := moment{h: h, forH: min(courseH, endH-h)}
		h += m.forH
		m.nightFrac = min(max((h-beforeH)/m.forH, 0), 1)
		mid := m.h + m.forH/2
		m.otherFrac = m.nightFrac * m.forH * awake(clock(mid))
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
	heatKg := 0.0
	for k := range b.wholeN {
		m := &b.whole[k]
		heat, other, _ := w.at(m)
		heatKg += heat * m.forH
		t.nightKg[i] += (heat + other) * m.forH
	}
	t.nightKg[i] = max(t.nightKg[i], leastSpreadKg)
	t.chargeAh[i] = l.charge(a, heatKg)
	t.fuelKg[i] = max(0, a.fuelKg+a.fuelSDKg*z[ofFuel])
	t.dayKg[i] = w.dayKgPerH * max(0, 24-a.hours.night)
	v := &a.est.Vessel
	s := chill{t: &b.table, kg: t.fuelKg[i] + unusableKg, tempC: v.LiquidTempC + v.LiquidSDK*z[ofLiquid],
		propaneFrac: min(skewed(v.PropaneMassFrac, v.LeanMassFrac, v.RichMassFrac, z[ofBlend]), 1),
		filmWPerM2K: v.FilmWPerM2K * math.Exp(v.FilmSDFrac*z[ofFilm])}
	dry := t.pressure != ""
	if !dry {
		s.lnGrade, s.lnLeastKPa = math.Log(skewed(1, v.GradeLowFrac, v.GradeHighFrac, z[ofGrade])), math.Log(a.est.AirKPa.Value+v.LeastGaugeKPa)
	}
	offsetK := a.offsetK.Value + (a.offsetK.High-a.offsetK.Low)/3.92*z[ofLocker]
	worst := newWorst(a.hours.before + a.hours.left)
	drawnKg := 0.0
	for k := range b.courseN {
		m := &b.course[k]
		heat, other, day := w.at(m)
		ask := heat + other + day
		took := ask * m.forH
		t.needKg[i] += took
		t.beforeKg[i] += took * (1 - m.nightFrac)
		if !dry {
			airC := min(max(w.outsideC(m)+m.lockerC+offsetK, liquidLeastC), liquidMostC)
			c, ok := s.step(ask, airC, m.forH)
			if dry = !ok; ok && ask > 0 {
				took = c.drawnKg
				flame := ask
				if heat > 0 { // a thermostat's flame is the full one, however long it rests
					flame = max(ask, l.p.HeaterKgPerH)
				}
				worst.see(m.h, flame, airC, &c, &s)
			}
		}
		drawnKg += took
	}
	t.endKg[i] = min(max(t.fuelKg[i]+unusableKg-drawnKg, 0), max(a.est.FuelKg.High, 0))
	t.spareK[i], t.thinH[i] = worst.spareK, worst.thinH
	if worst.burned {
		t.ratio[t.ratiosN] = worst.ratio
		t.ratiosN++
		t.seat(v, &worst, a.est.AirKPa.Value)
	}
}

// charge is what the configured loads draw in a whole night that burns heatKg for its heat.
func (l *Ledger) charge(a *asked, heatKg float64) (ah float64) {
	heaterH := a.u.heaterH
	if l.book.tried.line && l.p.HeaterKgPerH > 0 {
		heaterH = min(heatKg/l.p.HeaterKgPerH, a.hours.night)
	}
	for i := range l.p.Loads {
		load := &l.p.Loads[i]
		amps, h := load.DrawA, a.hours.night
		if load.DrawW > 0 {
			amps = load.DrawW / load.volts(a.est)
		}
		if load.WithHeater {
			h = heaterH
		}
		ah += amps * h
	}
	return ah
}

// worst is what a draw came nearest to, and the liquid at its coldest with a flame lit.
type worst struct {
	spareK  float64 // least of the liquid above its limit; once beyond it by how much in all, below 0
	thinH   float64 // when it first was beyond; the end if never
	ratio   float64
	burned  bool
	short   bool
	liquidC float64
	airC    float64
	propane float64
	kgPerH  float64
}

func newWorst(endH float64) worst {
	return worst{spareK: math.Inf(1), thinH: endH, ratio: mostRatio, liquidC: math.Inf(1)}
}

func (w *worst) see(h, flameKgPerH, airC float64, c *cooled, s *chill) {
	w.burned = true
	w.ratio = min(w.ratio, c.steadyKgPerH/flameKgPerH)
	switch {
	case c.spareK < 0 && !w.short:
		w.short, w.thinH, w.spareK = true, h, c.spareK
	case c.spareK < 0:
		w.spareK += c.spareK
	case !w.short:
		w.spareK = min(w.spareK, c.spareK)
	}
	if s.tempC < w.liquidC {
		w.liquidC, w.airC, w.propane, w.kgPerH = s.tempC, airC, s.propaneFrac, flameKgPerH
	}
}

// seat judges the regulator's seat at the coldest moment with a flame.
func (t *tried) seat(v *estimate.Vessel, w *worst, airKPa float64) {
	f, ok := lpg.BlendByMass(w.propane, lpg.NButane)
	if !ok {
		return
	}
	r := supply.Regulator{TwoStage: v.TwoStage, BodyWPerK: supply.BodyWPerK, LeastGaugeKPa: v.LeastGaugeKPa}
	s, ok := r.Seat(f, supply.Inlet{LiquidTempC: w.liquidC, AirTempC: w.airC, AirKPa: airKPa, FlowKgPerH: w.kgPerH})
	if !ok {
		return
	}
	t.marginK[t.marginsN] = s.MarginK
	t.marginsN++
}

// skewed is a value z deviations from the middle, with ends of 95 % that differ.
func skewed(mid, low, high, z float64) float64 {
	if z < 0 {
		return max(mid+(mid-low)/1.96*z, low/2)
	}
	return mid + (high-mid)/1.96*z
}
