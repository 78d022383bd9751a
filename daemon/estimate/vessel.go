package estimate

import (
	"cmp"
	"math"
	"slices"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
	"frostline/sensors"
)

// How well the cylinder's cold is known. Those without a source are engineering judgement.
const (
	vesselStepS   = 10.0
	startSDK      = 10.0                 // of a cylinder of unknown past about the air of its locker
	knownSDK      = startSDK * 0.1353353 // e^-2: two time constants later (physics.md 7.4)
	airSDK        = 0.8                  // between the locker's thermometer and the air about the cylinder
	outsideSDK    = 3.0                  // of a locker without a thermometer about the outside air
	unseenKPerH   = 3.0                  // a cylinder cools so much in an hour by a draw that nobody weighed
	awayKPerH     = 8.0                  // and moves so much towards the air of a room: 20 K in its time constant
	filmSDLn      = 0.20                 // of ln U: 6 to 13 about 8.5 W/m2K at 95 % (physics.md 6.2)
	finSDFrac     = 0.35                 // of what the dry wall adds; engineering judgement
	filmLeastSDLn = 0.05                 // however much has been learned
	shellShareK   = 0.10                 // of the way from the liquid to the air, a thermometer on the shell reads
	shellSDK      = 0.7
	shellEveryS   = 600.0 // its error lasts, so its readings count this seldom
	shellLeastK   = 0.4   // sd that readings of it cannot go below
	airLostS      = 1800.0
	burnMeanS     = 3600.0
	leastFlowKgH  = 0.010 // less is no flame
	flowHeldS     = 1800.0
	mostLnFilm    = 0.425  // ln(13/8.5)
	leastLnFilm   = -0.348 // ln(6/8.5)
	leastModelKg  = 0.3    // below it there may be no liquid left, and no boiling
	gradeRichFrac = 1.15   // commercial propane with ethane, over pure (physics.md 4.1)
	gradePoorFrac = 0.92   // with butanes (physics.md 9)
	mixPoorFrac   = 0.5    // of the propane, or of the butane, that a mix is taken to have, it may have
	unsetPoorFrac = 0.60   // propane by mass, the leanest mix an owner who does not know may have
	sayEveryS     = 60.0
	outlookEveryS = 900.0
	freshFillFrac = 0.75 // above it a cylinder that was just filled still has its wettest gas (physics.md 7.3)
)

// vessel is the cylinder as it cools: liquid temperature and the film coefficient to the air
// as one belief (extended Kalman filter of two states), and the composition of the liquid.
// Without a thermometer on the shell nothing corrects it; then the interval is that of the
// film coefficient, carried through the same equations.
type vessel struct {
	p        Cylinder
	apps     []Appliance
	byInput  []int // of apps, the largest input first
	reg      Regulator
	shape    supply.Cylinder
	shaped   bool
	liquid   lpg.Fuel // likeliest
	lean     lpg.Fuel // with as little propane as it may have
	rich     lpg.Fuel // and with as much, before any was drawn
	blendSet bool
	kept     bool    // the last one put down was taken for the same
	blindK   float64 // by which a draw or the air may have moved it unseen, so far
	blendNew bool    // what is in it was said or configured anew, and how much of it was drawn is not in the liquid yet
	blend    Blend   // said of this cylinder; "" holds what is configured
	soldFrac float64 // propane by mass as configured

	tempC   float64
	lnFilm  float64 // of the film coefficient over the typical one
	varK2   float64
	covK    float64
	varLn   float64
	finFrac float64 // of the heat from the air, through the dry wall
	freshK2 float64 // part of varK2 that is there because nobody saw the cylinder before
	begun   bool
	refused bool // by the model, so that it began anew
	seeing  bool // a shell thermometer speaks
	fresh   bool // filled since, and little used

	lastS     float64
	thereS    float64 // when the cylinder was last not off the scale
	airS      float64 // when air was last known
	airC      float64
	airSDK    float64
	kg        float64
	meanKgH   float64 // burn over the last hour
	flowKgH   float64 // of the newest flame
	flowSDKg  float64 // half its interval
	flowS     float64
	shellS    float64
	shellAt   float64
	outlookS  float64 // when one was worked out
	outlookN  int     // which comes next
	outlooked bool    // all have been worked out once
	sayS      float64
	out       vapour
}

// vapour is what the vessel says, kept between its steps.
type vapour struct {
	liquidC, kPa, gaugeKPa, vapourKgPerH, ratio, marginK Quantity
	outlook                                              Outlook
	appliances                                           []Outlook
	over                                                 []string
	freeze                                               Freeze
}

func newVessel(p Params) *vessel {
	v := &vessel{p: p.Cylinder, soldFrac: p.Cylinder.PropaneMassFrac, apps: p.Appliances, reg: p.Regulator, varLn: filmSDLn * filmSDLn, sayS: -sayEveryS,
		flowS: math.Inf(-1), airS: math.Inf(-1), airSDK: airSDK, shellAt: math.Inf(-1), shellS: math.Inf(-1)}
	for i := range v.apps {
		v.byInput = append(v.byInput, i)
	}
	slices.SortStableFunc(v.byInput, func(a, b int) int { return cmp.Compare(v.apps[b].RatedKW, v.apps[a].RatedKW) })
	v.form(p.Cylinder)
	v.unknown(noHistory)
	return v
}

const (
	noHistory   = "too little is known of the last hours of this cylinder: about two of its time constants are needed"
	noAir       = "no thermometer in the locker or outside"
	airLost     = "the locker's thermometer is not watching"
	nearlyEmpty = "nearly empty: whether liquid is left to boil is not known"
	noModel     = "contents, liquid or air are outside what the model of the cylinder holds for"
	shellAlone  = "from the cylinder's shell alone: whether there is liquid behind it is not known"
	noBlend     = "the blend is not entered"
)

// form takes shape and blend from what the owner says.
func (v *vessel) form(c Cylinder) {
	v.p = c
	v.shape, v.shaped = c.Shape, c.Shape.Known()
	if !v.shaped {
		kg := c.CapacityKg
		if kg <= 0 {
			kg = classCapacityKg
		}
		v.shape, v.shaped = supply.Guess(kg)
	}
	v.blendSet = c.PropaneMassFrac > 0
	v.liquid = lpg.Pure(lpg.Propane)
	if v.blendSet && c.PropaneMassFrac < 1 {
		v.liquid, _ = lpg.BlendByMass(c.PropaneMassFrac, lpg.NButane)
	}
	v.lean, v.rich = v.liquid, v.liquid
	if v.blendSet && c.PropaneMassFrac < 1 { // nobody knows what the filler calls a mix
		v.lean, _ = lpg.BlendByMass(mixPoorFrac*c.PropaneMassFrac, lpg.NButane)
		v.rich, _ = lpg.BlendByMass(1-mixPoorFrac*(1-c.PropaneMassFrac), lpg.NButane)
	}
	if !v.blendSet {
		v.lean, _ = lpg.BlendByMass(unsetPoorFrac, lpg.NButane)
	}
}

// placed forgets the temperature of another cylinder; the same one may have been somewhere
// warmer or colder for as long as it was away.
func (v *vessel) placed(guess string) {
	if guess == guessSame {
		awayK := min(awayKPerH*(v.lastS-v.thereS)/3600, startSDK)
		v.doubt(awayK * awayK)
		v.kept = true
		return
	}
	v.begun, v.fresh, v.kept = false, true, false
	v.form(v.p)
}

// another is said after the fact, where the scale had guessed that the same one came back.
func (v *vessel) another() {
	if v.kept {
		v.placed(guessSwapped)
	}
}

// said takes the stamped fill of the cylinder that stands there or comes next.
func (v *vessel) said(ch Change) {
	if ch.CapacityKg <= 0 || ch.CapacityKg == v.p.CapacityKg {
		return
	}
	v.p.CapacityKg = ch.CapacityKg
	v.p.Shape = supply.Cylinder{} // the configured shape was that of another one
	liquid, lean := v.liquid, v.lean
	v.form(v.p)
	v.liquid, v.lean = liquid, lean
}

// holds takes what a person says is in the cylinder that stands there.
func (v *vessel) holds(b Blend) {
	if b == v.blend {
		return
	}
	v.blend = b
	frac, ok := b.PropaneMassFrac()
	if !ok {
		frac = v.soldFrac
	}
	if frac == v.p.PropaneMassFrac {
		return
	}
	v.p.PropaneMassFrac = frac
	v.form(v.p)
	v.blendNew = true
	v.sayS = math.Inf(-1) // what was said of the other blend is not true of this one
}

// unknown says the same of everything.
func (v *vessel) unknown(why string) {
	q := Unknown(why)
	v.outlooked = false
	v.out = vapour{liquidC: q, kPa: q, gaugeKPa: q, vapourKgPerH: q, ratio: q, marginK: q,
		outlook: Outlook{HoursH: q}, freeze: Freeze{Risk: supply.NotAssessed, Why: why}}
}

// step follows the cylinder to upS.
func (v *vessel) step(upS float64, out *Estimates, shell, body Quantity) {
	if !v.begun || upS-v.lastS >= vesselStepS {
		v.move(upS, out, shell)
		v.say(upS, out, shell, body)
	}
	o := &v.out
	out.LiquidTempC, out.CylinderKPa, out.CylinderGaugeKPa = o.liquidC, o.kPa, o.gaugeKPa
	out.VapourKgPerH, out.SupplyRatio, out.SeatMarginK = o.vapourKgPerH, o.ratio, o.marginK
	out.TooMuch = o.over
	out.Outlook, out.ApplianceOutlooks, out.Freeze = o.outlook, o.appliances, o.freeze
	out.Vessel = v.belief()
}

// move carries the belief through the time since the last step.
func (v *vessel) move(upS float64, out *Estimates, shell Quantity) {
	dt := upS - v.lastS
	v.lastS = upS
	if out.Cylinder != Removed {
		v.thereS = upS
	}
	air, sdK := out.LockerC, airSDK
	if !air.Known() {
		air, sdK = out.OutsideC, outsideSDK
	}
	if air.Known() {
		v.airC, v.airS = air.Value, upS
		v.airSDK = max(sdK, (air.High-air.Low)/3.92)
	}
	if out.FuelKg.Known() {
		v.kg = max(out.FuelKg.Value, leastModelKg)
	}
	if !v.begun {
		if air.Known() && out.FuelKg.Known() {
			v.begin(upS)
		}
		return
	}
	if v.blendNew && out.FuelKg.Known() {
		v.drawnDown()
	}
	drawKgH := v.flow(upS, dt, out)
	if math.IsInf(v.airS, -1) { // since the restart nobody has read the air
		v.blind(dt, false)
		return
	}
	if !v.predict(dt, drawKgH, out.BurnKgPerH.Known()) {
		v.begun, v.refused = false, true
		return
	}
	if shell.Known() && shell.At.Seconds() > v.shellAt {
		v.shellAt, v.seeing = shell.At.Seconds(), true
		if upS-v.shellS >= shellEveryS || v.freshK2 > knownSDK*knownSDK {
			v.shellS = upS
			v.see(shell.Value, (shell.High-shell.Low)/3.92)
		}
	} else if upS-v.shellAt > airLostS {
		v.seeing = false
	}
}

func (v *vessel) begin(upS float64) {
	v.begun = true
	v.form(v.p)
	v.tempC = v.airC
	v.freshK2 = startSDK * startSDK
	v.varK2, v.covK = v.freshK2, 0
	v.flowS, v.meanKgH = math.Inf(-1), 0
	v.drawnDown()
	v.sayS = upS - sayEveryS
}

// drawnDown takes the composition from that of a full cylinder to what is left: what was drawn
// took more propane than butane.
func (v *vessel) drawnDown() {
	v.blendNew = false
	if full := v.p.CapacityKg; full > v.kg {
		if f, ok := supply.Deplete(v.liquid, v.tempC, full, full-v.kg); ok {
			v.liquid = f
		}
		if f, ok := supply.Deplete(v.lean, v.tempC, full, full-v.kg); ok {
			v.lean = f
		}
	}
}

// flow is the burn now, and keeps the mean of the last hour and that of the newest flame.
func (v *vessel) flow(upS, dt float64, out *Estimates) float64 {
	q := out.BurnKgPerH
	if !q.Known() {
		return 0
	}
	v.meanKgH += (1 - math.Exp(-dt/burnMeanS)) * (q.Value - v.meanKgH)
	if q.Value > leastFlowKgH && q.Low > 0 {
		v.flowKgH, v.flowSDKg, v.flowS = q.Value, (q.High-q.Low)/3.92, upS
	}
	return q.Value
}

// predict moves temperature, composition and doubt by dt. What nobody weighed widens. It
// reports whether the model holds for the contents and temperatures there are.
func (v *vessel) predict(dt, drawKgH float64, weighed bool) bool {
	for dt > 0 {
		part := min(dt, 600)
		dt -= part
		ua, ok := v.shape.UAOf(v.liquid, supply.Contents{ContentsKg: v.kg, LiquidTempC: v.tempC}, supply.FilmWPerM2K)
		if !ok {
			return false
		}
		ua *= math.Exp(v.lnFilm)
		now := supply.Contents{ContentsKg: v.kg, LiquidTempC: v.tempC}
		next, ok := v.shape.Step(v.liquid, now, supply.Conditions{AirTempC: clipC(v.airC), UAWPerK: ua, DrawKgPerH: drawKgH}, part)
		if !ok {
			return false
		}
		jPerK, ok := v.liquid.TwoPhaseJPerK(v.tempC, v.kg, v.shape.VolumeL)
		if !ok {
			return false
		}
		v.finFrac, _ = v.shape.FinFrac(v.liquid, now, supply.FilmWPerM2K)
		x := part * ua / (jPerK + v.shape.WallJPerK)
		keep := math.Exp(-x)
		gain := -math.Expm1(-x) * (v.airC - (v.tempC+next.LiquidTempC)/2) // kelvins per unit of ln U
		gain *= v.filmSDLn() / math.Sqrt(v.varLn)                         // what the dry wall adds moves with it
		v.varK2 = keep*keep*v.varK2 + 2*keep*gain*v.covK + gain*gain*v.varLn
		v.covK = keep*v.covK + gain*v.varLn
		v.freshK2 *= keep * keep
		v.blind(part, weighed)
		if drawKgH > 0 {
			v.draw(drawKgH * part / 3600)
		}
		v.tempC = next.LiquidTempC
	}
	v.refused = false
	return true
}

// blind widens the belief by what nobody sees: a draw that is not weighed, and the locker's
// air without a thermometer. Its error is of one sign for as long as it lasts.
func (v *vessel) blind(dt float64, weighed bool) {
	rate := 0.0
	if !weighed {
		rate = unseenKPerH
	}
	if v.lastS-v.airS > airLostS {
		rate = math.Hypot(rate, awayKPerH)
	}
	if rate == 0 {
		v.blindK = 0
		return
	}
	was := v.blindK
	v.blindK = min(was+rate*dt/3600, startSDK)
	v.doubt(v.blindK*v.blindK - was*was)
	v.freshK2 = max(v.freshK2, v.blindK*v.blindK) // it does not settle while nobody looks
	v.varK2 = max(v.varK2, v.freshK2)
}

// doubt adds a variance of what was not seen. A cylinder of unknown past is the most.
func (v *vessel) doubt(k2 float64) {
	v.freshK2 = min(v.freshK2+k2, startSDK*startSDK)
	v.varK2 = max(min(v.varK2+k2, startSDK*startSDK), v.varK2, v.freshK2)
}

// filmSDLn is how far the conductance may be off, as a standard deviation of its logarithm.
func (v *vessel) filmSDLn() float64 { return math.Sqrt(v.varLn + math.Pow(finSDFrac*v.finFrac, 2)) }

// draw takes vapour out of the liquid's composition.
func (v *vessel) draw(kg float64) {
	if v.lean.PropaneMassFrac() == 1 {
		return
	}
	if f, ok := supply.Deplete(v.liquid, v.tempC, v.kg, kg); ok {
		v.liquid = f
	}
	if f, ok := supply.Deplete(v.lean, v.tempC, v.kg, kg); ok {
		v.lean = f
	}
}

// see folds in a thermometer on the shell, which reads between the liquid and the air. The
// film coefficient learns from it within its bounds.
func (v *vessel) see(shellC, readSDK float64) {
	off := v.airC - v.tempC
	sd := math.Hypot(math.Hypot(shellSDK, shellShareK*off), readSDK)
	r := sd * sd
	miss := shellC - shellShareK*v.airC - (1-shellShareK)*v.tempC
	h := 1 - shellShareK
	s := h*h*v.varK2 + r
	kT, kL := h*v.varK2/s, h*v.covK/s
	v.tempC += kT * miss
	v.lnFilm = min(max(v.lnFilm+kL*miss, leastLnFilm), mostLnFilm)
	v.varLn = max(v.varLn-kL*h*v.covK, filmLeastSDLn*filmLeastSDLn)
	v.covK *= 1 - kT*h
	v.varK2 = max((1-kT*h)*v.varK2, shellLeastK*shellLeastK)
	v.freshK2 = min(v.freshK2*(1-kT*h), v.varK2)
}

// span is the temperatures at which the pressure of a fuel is known.
func span(f lpg.Fuel) (leastC, mostC float64) {
	if f.PropaneMassFrac() > 0 && f.PropaneMassFrac() < 1 {
		return lpg.MinBlendTempC, lpg.MaxBlendTempC
	}
	return lpg.MinTempC, lpg.MaxTempC
}

// clipC keeps a temperature within what the models were made for.
func clipC(c float64) float64 { return min(max(c, lpg.MinTempC), lpg.MaxTempC) }

// sdK is how far the liquid may be off.
func (v *vessel) sdK() float64 {
	air := v.airSDK
	if v.seeing {
		air = 0 // what it does to the liquid is seen
	}
	return math.Sqrt(v.varK2 + air*air)
}

// say works out everything that follows from the belief.
func (v *vessel) say(upS float64, out *Estimates, shell, body Quantity) {
	switch {
	case !v.shaped:
		v.unknown("the size of the cylinder is not known")
		return
	case out.Cylinder == Removed:
		v.unknown("no cylinder on the scale")
		return
	case math.IsInf(v.airS, -1):
		v.unknown(noAir)
		return
	case upS-v.airS > airLostS:
		v.unknown(airLost)
		return
	case !out.FuelKg.Known():
		v.unknown("the contents are not known: " + out.FuelKg.Why)
		v.bare(shell)
		return
	case out.FuelKg.Value < leastModelKg:
		v.unknown(nearlyEmpty)
		return
	case v.refused && v.kg < 0.02*v.shape.VolumeL: // so little may all be vapour
		v.unknown(nearlyEmpty)
		return
	case v.refused:
		v.unknown(noModel)
		return
	case !v.begun || v.freshK2 > knownSDK*knownSDK:
		v.unknown(noHistory)
		return
	}
	v.temperature(upS, out)
	v.capacity(upS, out)
	v.seat(upS, out, body)
	v.outlooks(upS, out)
}

// bare is the temperature without a scale, by a thermometer on the shell. Nothing else
// follows from it: an empty cylinder has a shell too.
func (v *vessel) bare(shell Quantity) {
	if !shell.Known() {
		return
	}
	c := (shell.Value - shellShareK*v.airC) / (1 - shellShareK)
	half := math.Hypot(1.96*math.Hypot(shellSDK, shellShareK*(v.airC-c)), (shell.High-shell.Low)/2) / (1 - shellShareK)
	v.out.liquidC = Quantity{Value: c, Low: c - half, High: c + half, Quality: sensors.Suspect, Why: shellAlone, At: shell.At}
}

// temperature fills in temperature and pressure.
func (v *vessel) temperature(upS float64, out *Estimates) {
	half := 1.96 * v.sdK()
	q := Quantity{Value: v.tempC, Low: v.tempC - half, High: v.tempC + half, Quality: sensors.Good, At: seconds(upS)}
	if !out.LockerC.Known() && !v.seeing {
		q.Quality, q.Why = sensors.Suspect, "from the outside air, for want of the locker's thermometer"
	}
	v.out.liquidC = q
	kPa, ok := v.liquid.BubbleKPa(q.Value)
	_, most := span(v.liquid)
	low, _ := v.lean.BubbleKPa(q.Low) // none where it is too cold to say
	high, okHigh := v.rich.BubbleKPa(min(q.High, most))
	switch {
	case !ok || !okHigh:
		v.out.kPa = Unknown("the liquid is outside the temperatures its pressure is known for")
	default:
		p := Quantity{Value: kPa, Low: gradePoorFrac * low, High: gradeRichFrac * high, Quality: q.Quality, Why: q.Why, At: q.At}
		switch {
		case !v.blendSet:
			p.Quality, p.Why = sensors.Suspect, noBlend+": from propane down to a lean mix"
		case v.p.PropaneMassFrac < 1:
			p.Quality, p.Why = sensors.Suspect, "what a mix holds is not known: half as much propane, or half as much butane"
		case out.FuelKg.Known() && out.FuelKg.Low < leastModelKg:
			p.Quality, p.Why = sensors.Suspect, "there may be too little liquid left to boil"
		}
		v.out.kPa = p
	}
	g := v.out.kPa
	if g.Known() {
		a := out.AirKPa
		g.Value, g.Low, g.High = max(0, g.Value-a.Value), max(0, g.Low-a.High), max(0, g.High-a.Low)
	}
	v.out.gaugeKPa = g
}

// capacity fills in what can boil off for ever, and the supply ratio.
func (v *vessel) capacity(upS float64, out *Estimates) {
	v.out.vapourKgPerH, v.out.ratio = v.steady(upS, out), Unknown("nothing is burning")
	q, b := v.out.vapourKgPerH, out.BurnKgPerH
	v.out.over = v.over(q)
	switch {
	case !q.Known():
		v.out.ratio = q
	case !b.Known():
		v.out.ratio = Unknown("the burn is not known: " + b.Why)
	case b.Value > leastFlowKgH && b.Low > 0:
		burnSD := (b.High - b.Low) / 3.92 / b.Value
		r := q.Value / b.Value
		low, high := 0.0, q.High/b.Value
		if q.Low > 0 && r > 0 {
			low = r * math.Exp(-math.Hypot(math.Log(q.Value/q.Low), 1.96*burnSD))
			high = r * math.Exp(math.Hypot(math.Log(q.High/q.Value), 1.96*burnSD))
		}
		v.out.ratio = Quantity{Value: r, Low: low, High: high, Quality: min(q.Quality, b.Quality), Why: cmp.Or(q.Why, b.Why), At: q.At}
	}
}

// steady is the largest burn that the present level sustains for ever.
func (v *vessel) steady(upS float64, out *Estimates) Quantity {
	now := supply.Contents{ContentsKg: v.kg, LiquidTempC: v.tempC}
	ua, ok := v.shape.UAOf(v.liquid, now, supply.FilmWPerM2K)
	if !ok {
		return Unknown(nearlyEmpty)
	}
	ua *= math.Exp(v.lnFilm)
	spread := math.Exp(1.96 * v.filmSDLn())
	a := out.AirKPa
	value, ok1 := v.sustains(v.liquid, ua, v.airC, a.Value)
	low, ok2 := v.sustains(v.lean, ua/spread, v.airC-1.96*v.airSDK, a.High)
	high, ok3 := v.sustains(v.liquid, ua*spread, v.airC+1.96*v.airSDK, a.Low)
	if !ok1 || !ok2 || !ok3 {
		return Unknown("the regulator's least pressure is outside what the fuel's temperatures are known for")
	}
	t := v.out.liquidC
	q := Quantity{Value: value, Low: min(low, value), High: max(high, value), Quality: t.Quality, Why: t.Why, At: seconds(upS)}
	if !v.blendSet {
		q.Quality, q.Why = sensors.Suspect, noBlend
	}
	return q
}

// sustains is the flow at the regulator's least inlet pressure. It refuses where the fuel
// has that pressure outside its range only.
func (v *vessel) sustains(f lpg.Fuel, ua, airC, atmKPa float64) (float64, bool) {
	limitC, ok := supply.LimitC(f, atmKPa, v.reg.leastGaugeKPa())
	if !ok {
		return 0, false
	}
	return supply.SteadyKgPerH(f, ua, clipC(airC), limitC)
}
