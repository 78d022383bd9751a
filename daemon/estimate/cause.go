package estimate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"frostline/daemon/supply"
)

// A Cause is one reason why no gas may burn although heat is called for.
type Cause struct {
	ID       string  // one of the Cause words
	PartFrac float64 // of the belief, 0 to 1; all together 1
	Says     string  // the cause in words
	Evidence string  // what speaks for and against it, with its numbers; "" if nothing does
}

// Causes of a starved heater: what a user would otherwise all call a frozen regulator.
const (
	CauseEmpty     = "empty"     // the contents are gone
	CauseThin      = "thin"      // too cold to boil off what is asked
	CauseIce       = "ice"       // ice or hydrate at the regulator's seat
	CauseValve     = "valve"     // cylinder valve or excess-flow device shut
	CauseRegulator = "regulator" // failed for another reason than ice
	CauseHeater    = "heater"    // locked out, or starved of volts
)

// Weights of the causes before and after what is seen: odds by engineering judgement, no
// source. A factor above 1 speaks for a cause.
const (
	lockoutOdds   = 0.5 // the commonest, knowing nothing
	valveOdds     = 0.15
	regulatorOdds = 0.12
	emptyLeast    = 0.02
	emptyMost     = 6.0 // certain to be empty
	thinLeast     = 0.02
	thinMost      = 4.0 // certain to be below the regulator's least pressure
	iceLikely     = 1.0
	icePossible   = 0.35
	iceUnlikely   = 0.02
	iceFarBelowC  = -7   // locker air, where the seat itself is not assessed (estimation.md 2)
	iceBelowC     = 5.65 // warmest at which propane's hydrate forms (physics.md 7.2)
	tellFrac      = 0.4  // the first cause needs this much
	tellTimes     = 1.3  // and so many times the second
	nameFrac      = 0.06
	emptyKg       = 0.1 // where a regulator begins to starve (estimation.md 2)
	litPeakS      = 180.0
	passesAfterS  = 120.0
	passedForS    = 3 * 3600.0 // a heater that has not burned since is most likely still the one that failed then
	gasMemoryS    = 6 * 3600.0
	causeEveryS   = 60.0
	iceMemoryS    = 2 * 3600.0
	meltsS        = 3600.0 // of ice in a seat in air above its threshold; engineering judgement
	jointTimes    = 1.3
	flatBatteryV  = 11.0 // even the more frugal fail
	lowBatteryV   = 11.8 // heaters' boards and blowers are reliable only above 11 to 12 V (sensing.md 7)
)

// causes remembers what went before a starvation and ranks what may be behind it.
type causes struct {
	firstS  float64 // of the first step
	lastS   float64 // of the newest step
	litS    float64 // when gas last burned at a heater's rate
	peakKgH float64 // highest burn in the minutes before that, the heater's in it
	lit     bool    // gas has burned since heat was called for
	failed  bool    // the heater has starved and not burned since
	passesS float64 // since when other flames than the heater's burn although it failed; +Inf if none
	passedS float64 // when they last had for two minutes
	risk    supply.Risk
	riskS   float64
	gasS    float64 // when gas was last at a warning level
	call    Tristate
	sinceS  float64 // when this starvation was first told

	tells bool // something was seen that speaks for the heater itself
	list  []Cause
	told  bool // the first of list stands out from the others
	says  string
	atS   float64
}

func newCauses() causes {
	never := math.Inf(-1)
	return causes{litS: never, riskS: never, gasS: never, atS: never, passesS: math.Inf(1), passedS: never}
}

// watch follows what the ranking will rest on.
func (c *causes) watch(upS float64, out *Estimates, leastKgH float64) {
	if c.lastS == 0 {
		c.firstS = upS
	}
	dt := upS - c.lastS
	c.lastS = upS
	if out.Heat != c.call {
		c.lit = false
	}
	c.call = out.Heat
	b, heater := out.BurnKgPerH, out.HeaterKgPerH
	switch {
	case !b.Known():
	case c.failed && b.Value > leastFlowKgH && heater.Known() && heater.High == 0: // plainly another flame
		c.passesS = min(c.passesS, upS)
		if upS-c.passesS >= passesAfterS && b.Low > leastFlowKgH {
			c.passedS = upS
		}
		if b.Value >= leastKgH && b.Low > 0 {
			c.litS = upS
		}
	case b.Value >= leastKgH && b.Low > 0:
		c.litS, c.lit = upS, true
		c.peakKgH *= math.Exp(-max(dt, 0) / litPeakS)
		if heater.Known() && heater.Low > 0 { // plainly alight among what burns
			c.peakKgH = max(c.peakKgH, b.Value)
			c.failed, c.passesS, c.passedS = false, math.Inf(1), math.Inf(-1)
		}
	case b.Value <= leastFlowKgH:
		c.passesS = math.Inf(1)
	}
	if out.Freeze.Assessed() {
		c.risk, c.riskS = out.Freeze.Risk, upS
	}
}

// smelled notes gas at a warning level: somebody may close the valve.
func (c *causes) smelled(upS float64, level GasBand) {
	if level == Warning || level == Leave {
		c.gasS = upS
	}
}

// rank returns the causes, likeliest first, and a sentence. It works them out anew once a
// minute; unproven is whether nothing has burned since a drive or a placing.
func (c *causes) rank(upS float64, out *Estimates, v *vessel, heaterKgH float64, unproven bool) {
	defer func() { out.Causes, out.CauseTold, out.StarvedWhy = c.list, c.told, c.says }()
	if c.list != nil && upS-c.atS < causeEveryS {
		return
	}
	if c.list == nil {
		c.sinceS, c.failed = upS, true
	}
	c.atS = upS
	list := []Cause{
		c.empty(out), c.thin(out, v), c.ice(upS, out, unproven), c.valve(upS, out, heaterKgH, unproven),
		{ID: CauseRegulator, PartFrac: regulatorOdds, Says: "regulator failed"},
		c.heater(upS, out, heaterKgH),
	}
	sum := 0.0
	for i := range list {
		sum += list[i].PartFrac
	}
	for i := range list {
		list[i].PartFrac /= sum
	}
	slices.SortStableFunc(list, func(a, b Cause) int { return cmp.Compare(b.PartFrac, a.PartFrac) })
	// A heater fails by itself more often than a regulator does, but nothing on a scale tells
	// the two apart, so neither is told for want of other evidence.
	guess := list[0].ID == CauseRegulator || list[0].ID == CauseHeater && !c.tells
	c.told = !guess && list[0].PartFrac >= tellFrac && list[0].PartFrac >= tellTimes*list[1].PartFrac
	c.list, c.says = list, sentence(list, c.told)
}

// forget ends a starvation.
func (c *causes) forget() { c.list, c.told, c.says = nil, false, "" }

// passed reports whether another flame has burned since the heater failed: what stands before
// both of them is not shut.
func (c *causes) passed(upS float64) bool { return upS-c.passedS <= passedForS }

// passing is times where another flame has burned, else 1.
func (c *causes) passing(upS, times float64) float64 {
	if c.passed(upS) {
		return times
	}
	return 1
}

func (c *causes) empty(out *Estimates) Cause {
	r := Cause{ID: CauseEmpty, Says: "cylinder empty", PartFrac: 0.3}
	q := out.FuelKg
	if !q.Known() {
		r.Evidence = "the fuel is not known"
		return r
	}
	sd := max((q.High-q.Low)/3.92, 0.005)
	p := normalCDF((emptyKg - q.Value) / sd)
	// The mass that is left tells less than a flame that has stopped near nothing.
	if q.Low <= emptyKg && q.Value <= 2*emptyKg {
		p = max(p, 0.5)
	}
	r.PartFrac = emptyLeast + emptyMost*p
	r.Evidence = fmt.Sprintf("%.1f to %.1f kg left", q.Low, q.High)
	return r
}

func (c *causes) thin(out *Estimates, v *vessel) Cause {
	r := Cause{ID: CauseThin, Says: "pressure too thin: the cylinder is too cold for this burn", PartFrac: 0.05}
	q := out.LiquidTempC
	limitC, ok := supply.LimitC(v.liquid, out.AirKPa.Value, v.reg.leastGaugeKPa())
	if !q.Known() || !ok {
		r.Evidence = "the liquid's temperature is not known"
		if air := out.LockerC; air.Known() && air.Value < iceFarBelowC {
			r.PartFrac = 0.15
		}
		return r
	}
	sd := max((q.High-q.Low)/3.92, 0.2)
	r.PartFrac = thinLeast + thinMost*normalCDF((limitC-q.Value)/sd)
	r.Evidence = fmt.Sprintf("liquid about %s °C, the regulator's limit is at %s °C", whole(q.Value), whole(limitC))
	return r
}

// ice rests on what was known when the flame went out: nothing cools the seat since, but
// ice stays in it for as long as the air about it is below the warmest hydrate.
func (c *causes) ice(upS float64, out *Estimates, unproven bool) Cause {
	r := Cause{ID: CauseIce, Says: "ice at the regulator's seat", PartFrac: 0.05}
	air := out.LockerC
	if !air.Known() {
		air = out.OutsideC
	}
	assessed := c.sinceS-c.riskS <= iceMemoryS
	switch {
	case air.Known() && air.Low > iceBelowC && upS-max(c.litS, c.sinceS) > meltsS:
		r.PartFrac, r.Evidence = iceUnlikely, "air about the regulator "+whole(air.Value)+" °C, so that ice melts"
	case assessed && c.risk == supply.LikelyIfWet:
		r.PartFrac, r.Evidence = iceLikely, "freeze-up was likely if the fuel is wet"
	case assessed && c.risk == supply.PossibleIfWet:
		r.PartFrac, r.Evidence = icePossible, "freeze-up was possible if the fuel is wet"
	case assessed && c.risk == supply.NotExpected:
		r.PartFrac, r.Evidence = iceUnlikely, "ice was not expected at these temperatures"
	case !air.Known():
		r.Evidence = "no temperature about the regulator"
	case air.Value < iceFarBelowC:
		r.PartFrac, r.Evidence = 0.8*iceLikely, "air about the regulator "+whole(air.Value)+" °C"
	case air.Value < iceBelowC:
		r.PartFrac, r.Evidence = icePossible, "air about the regulator "+whole(air.Value)+" °C"
	default:
		r.PartFrac, r.Evidence = iceUnlikely, "air about the regulator "+whole(air.Value)+" °C"
	}
	switch {
	case unproven: // what cooled the seat before has stopped then
		r.PartFrac *= 0.3
		r.Evidence += "; no gas has flowed since the drive or the change of cylinder"
	case c.sinceS-max(c.litS, c.firstS) > iceMemoryS: // only flowing gas cools the seat
		r.PartFrac *= 0.2
		r.Evidence += "; little gas had flowed for two hours"
	}
	if out.Freeze.FreshFill {
		r.PartFrac *= 1.3
		r.Evidence += "; filled not long ago"
	}
	return r
}

func (c *causes) valve(upS float64, out *Estimates, heaterKgH float64, unproven bool) Cause {
	r := Cause{ID: CauseValve, Says: "valve or excess-flow device shut", PartFrac: valveOdds * c.passing(upS, 0.1)}
	var why []string
	if unproven {
		r.PartFrac *= 8
		why = append(why, "nothing has burned since the drive or the change of cylinder")
	}
	if upS-c.gasS <= gasMemoryS {
		r.PartFrac *= 20 // which is what the alarm's own text asks for
		why = append(why, "gas was at the floor, so somebody may have closed it")
	}
	if c.joint(heaterKgH) { // as when a regulator fails, but an excess-flow device shuts at the largest flow
		r.PartFrac *= 1.5
		why = append(why, "everything stopped at once")
	}
	r.Evidence = strings.Join(why, "; ")
	return r
}

// joint reports whether more than the heater burned before all of it stopped.
func (c *causes) joint(heaterKgH float64) bool { return c.lit && c.peakKgH > jointTimes*heaterKgH }

func (c *causes) heater(upS float64, out *Estimates, heaterKgH float64) Cause {
	r := Cause{ID: CauseHeater, Says: "heater locked out", PartFrac: lockoutOdds * c.passing(upS, 1.5)}
	var why []string
	c.tells = c.passed(upS)
	if c.tells {
		why = append(why, "another flame has burned since it failed")
	}
	if b := out.BatteryV; b.Known() {
		why = append(why, fmt.Sprintf("house battery %.1f V", b.Value))
		if b.Value < lowBatteryV {
			r.Says = "house battery low, so that blower or ignition fails"
			r.PartFrac *= 6
			c.tells = true
		}
		if b.Value < flatBatteryV {
			r.PartFrac *= 4
		}
	}
	r.Evidence = strings.Join(why, "; ")
	if c.joint(heaterKgH) {
		r.PartFrac *= 0.3
	}
	return r
}

// sentence names the causes that are worth a look, the likeliest first; told is whether
// that one stands out.
func sentence(list []Cause, told bool) string {
	var b strings.Builder
	if !told {
		b.WriteString("cannot tell which: ")
	}
	for i, x := range list {
		if i > 0 && x.PartFrac < nameFrac && i > 2 {
			break
		}
		if i > 0 {
			b.WriteString("; ")
		}
		b.WriteString(x.Says)
		if i == 0 && x.Evidence != "" {
			b.WriteString(" (" + x.Evidence + ")")
		}
	}
	return b.String()
}
