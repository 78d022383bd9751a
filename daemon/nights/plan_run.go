package nights

import (
	"fmt"
	"math"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
)

const (
	planStepS  = 600.0 // the error of longer steps in moving air was not measured
	leastStepS = 0.1   // where a step fails, its halves are tried down to this
	coldEndK   = 10.0  // more than the shortest step can cool
	// mostMoments bounds a course: enough for a picture of a month.
	mostMoments = 250
)

// planRun is a draw being followed.
type planRun struct {
	p            *PlanParams
	airKPa       float64
	leastKPa     float64 // least pressure in the cylinder, absolute
	orificeRatio float64
	dayKg        float64
	filmWPerM2K  float64 // 0 for the given conductance
	pauses       bool    // whether the duties are kept; otherwise everything is on without a pause

	fuel   lpg.Fuel
	now    supply.Contents
	kPa    float64 // absolute, with now
	s      float64 // seconds since the start
	nightS float64 // of them, within the night
	vapour bool    // no liquid is left
	out    PlanRun
	all    []PlanMoment
}

// follow is one run of the plan, with the draw as it is and with no pauses.
func (p *PlanParams) follow(plan Planned, film float64) PlanRun {
	r := p.begin(plan, film)
	r.pauses = true
	r.run()
	full := p.begin(plan, film)
	full.run()
	r.out.FullEnds, r.out.FullAfterH = full.out.Ends, full.out.AfterH
	if full.out.Ends == NotFollowed && r.out.Ends != NotFollowed {
		r.out.notKnown = append(r.out.notKnown, PlanNotKnown{"full input without a pause", full.out.AfterH, full.out.Why})
	}
	r.out.Course = thinned(r.all)
	return r.out
}

func (p *PlanParams) begin(plan Planned, film float64) *planRun {
	r := &planRun{p: p, airKPa: plan.AirKPa, leastKPa: plan.AirKPa + plan.LeastGaugeKPa,
		orificeRatio: plan.OrificeRatio, dayKg: plan.DayKg, filmWPerM2K: film, fuel: p.Fuel,
		now: supply.Contents{ContentsKg: p.StartKg, LiquidTempC: p.startC()}}
	r.out.FilmWPerM2K, r.out.Risk = film, supply.NotAssessed
	return r
}

// run follows the draw from the start to its end.
func (r *planRun) run() {
	if why := r.startGap(); why != "" {
		r.stop(NotFollowed, why)
		return
	}
	r.out.UAWPerK, _ = r.ua(r.now)
	for {
		r.keep()
		switch {
		case r.kPa <= r.leastKPa && r.vapour:
			r.stop(supply.ContentsLimit, "")
		case r.kPa <= r.leastKPa:
			r.stop(supply.PressureLimit, "")
		case r.now.ContentsKg <= unusableKg+1e-9:
			r.stop(supply.ContentsLimit, "")
		case r.s >= r.p.HorizonH*3600-1e-6:
			r.stop(supply.NoLimit, "")
		default:
			r.advance()
		}
		if r.out.Ends != "" {
			return
		}
	}
}

func (r *planRun) stop(ends supply.Limit, why string) {
	r.out.Ends, r.out.Why = ends, why
	r.out.AfterH = r.s / 3600
	r.out.NightsN = r.nightS / 3600 / r.p.nightH()
	if ends == NotFollowed {
		r.gap("pressure and how long it lasts", why)
	}
}

// startGap says why the start cannot be judged, and sets the pressure if it can.
func (r *planRun) startGap() string {
	if !r.fuel.Known() {
		return "the blend is not known"
	}
	var ok bool
	if r.kPa, ok = r.fuel.BubbleKPa(r.now.LiquidTempC); !ok {
		return fmt.Sprintf("liquid of %.1f °C lies outside the data of this fuel, %s", r.now.LiquidTempC, fuelRange(r.fuel))
	}
	if _, _, ok := r.fuel.SplitKg(r.now.LiquidTempC, r.now.ContentsKg, r.p.Cylinder.VolumeL); ok {
		return ""
	}
	if r.overfull() {
		return r.fillsWhy()
	}
	r.vapour = true
	r.kPa *= r.now.ContentsKg / r.saturatedKg()
	return ""
}

func fuelRange(f lpg.Fuel) string {
	if frac := f.PropaneMassFrac(); frac > 0 && frac < 1 {
		return fmt.Sprintf("%g to %g °C", lpg.MinBlendTempC, lpg.MaxBlendTempC)
	}
	return fmt.Sprintf("%g to %g °C", lpg.MinTempC, lpg.MaxTempC)
}

func (r *planRun) fillsWhy() string {
	return fmt.Sprintf("%.4g kg would fill the cylinder with liquid at %.0f °C", r.now.ContentsKg, r.now.LiquidTempC)
}

func (r *planRun) overfull() bool {
	liquidL, ok := r.fuel.LiquidL(r.now.ContentsKg, r.now.LiquidTempC)
	return ok && liquidL >= r.p.Cylinder.VolumeL*0.9999
}

// saturatedKg is the vapour that fills the cylinder when the last liquid has boiled.
func (r *planRun) saturatedKg() float64 {
	kgPerM3, _ := r.fuel.VapourKgPerM3(r.now.LiquidTempC)
	return kgPerM3 * r.p.Cylinder.VolumeL / 1000
}

// ua is the conductance with these contents.
func (r *planRun) ua(now supply.Contents) (float64, bool) {
	if r.filmWPerM2K == 0 {
		return r.p.UAWPerK, true
	}
	return r.p.Cylinder.UAOf(r.fuel, now, r.filmWPerM2K)
}

func (r *planRun) clockMin() int {
	return (r.p.NightStartMin + int((r.s+0.5)/60)) % minPerDay
}

// flows are what is drawn now, and what everything that may be on now would take.
func (r *planRun) flows() (mean, full float64) {
	mean, full = r.p.drawKgPerH(r.p.burned(r.fuel, r.now.LiquidTempC), r.clockMin(), r.orificeRatio)
	if !r.pauses {
		mean = full
	}
	return mean, full
}

// stepS is as long as the draw stays what it is, ends on even ten minutes and keeps the
// horizon and what can be drawn.
func (r *planRun) stepS(mean float64) float64 {
	stepS := planStepS - math.Mod(r.s, planStepS)
	if stepS < leastStepS { // halved steps have come to just before the next
		stepS += planStepS
	}
	sinceMin := r.clockMin() // the edges of the night are whole minutes, and so is every step to one
	for _, edgeMin := range []int{r.p.NightStartMin, r.p.NightEndMin} {
		if to := 60 * float64((edgeMin-sinceMin+minPerDay)%minPerDay); to > 0 {
			stepS = min(stepS, to)
		}
	}
	stepS = min(stepS, r.p.HorizonH*3600-r.s)
	if mean > 0 {
		stepS = min(stepS, (r.now.ContentsKg-unusableKg)/mean*3600)
	}
	return stepS
}

// advance takes one step and stops at what ends it.
func (r *planRun) advance() {
	mean, _ := r.flows()
	stepS := r.stepS(mean)
	if r.vapour {
		r.thin(mean, stepS)
		return
	}
	next, left, tookS, ok := r.draw(mean, stepS)
	if !ok {
		r.failed(mean)
		return
	}
	nextKPa, _ := left.BubbleKPa(next.LiquidTempC) // draw has seen that it has one
	part := 1.0
	if nextKPa <= r.leastKPa {
		part = (r.kPa - r.leastKPa) / (r.kPa - nextKPa)
		next.ContentsKg = r.now.ContentsKg + part*(next.ContentsKg-r.now.ContentsKg)
		next.LiquidTempC = r.now.LiquidTempC + part*(next.LiquidTempC-r.now.LiquidTempC)
		nextKPa = r.leastKPa
	}
	r.pass(part * tookS)
	r.now, r.fuel, r.kPa = next, left, nextKPa
}

func (r *planRun) pass(s float64) {
	if r.p.night(r.clockMin()) {
		r.nightS += s
	}
	r.s += s
}

// draw is one step of stepS seconds, or of its half, quarter and so on that can be made.
func (r *planRun) draw(mean, stepS float64) (next supply.Contents, left lpg.Fuel, tookS float64, ok bool) {
	for ; ; stepS /= 2 {
		drawnKg := mean * stepS / 3600
		ua, ok := r.ua(supply.Contents{ContentsKg: r.now.ContentsKg - drawnKg/2, LiquidTempC: r.now.LiquidTempC})
		if ok {
			at := supply.Conditions{AirTempC: r.p.airC(r.s + stepS/2), UAWPerK: ua, DrawKgPerH: mean}
			next, ok = r.p.Cylinder.Step(r.fuel, r.now, at, stepS)
		}
		if ok {
			left, ok = supply.Deplete(r.fuel, r.now.LiquidTempC, r.now.ContentsKg, drawnKg)
		}
		if ok {
			if _, ok = left.BubbleKPa(next.LiquidTempC); ok {
				return next, left, stepS, true
			}
		}
		if stepS <= leastStepS {
			return supply.Contents{}, lpg.Fuel{}, 0, false
		}
	}
}

// failed says why not even the shortest step could be made.
func (r *planRun) failed(mean float64) {
	_, _, liquid := r.fuel.SplitKg(r.now.LiquidTempC, r.now.ContentsKg-mean*leastStepS/3600, r.p.Cylinder.VolumeL)
	_, cold := r.fuel.BubbleKPa(r.now.LiquidTempC - coldEndK)
	_, warm := r.fuel.BubbleKPa(r.now.LiquidTempC + coldEndK)
	ua, uaKnown := r.ua(r.now)
	switch {
	case r.overfull():
		r.stop(NotFollowed, r.fillsWhy())
	case !liquid:
		r.vapour = true // from the next step on
	case !uaKnown || ua > 100:
		r.stop(NotFollowed, "the cylinder takes more heat from the air than the model covers, 100 W/K")
	case !cold:
		r.stop(NotFollowed, fmt.Sprintf("the liquid grows colder than the data of this fuel, %s, before it reaches what the regulator needs", fuelRange(r.fuel)))
	case !warm:
		r.stop(NotFollowed, fmt.Sprintf("the liquid grows warmer than the data of this fuel, %s", fuelRange(r.fuel)))
	default:
		r.stop(NotFollowed, "the cylinder could not be followed further")
	}
}

// thin draws on the vapour that the last liquid left: its pressure falls in proportion, the
// temperature is taken to stay.
func (r *planRun) thin(mean, stepS float64) {
	kg := r.now.ContentsKg
	endKg := min(max(unusableKg, kg*r.leastKPa/r.kPa), kg)
	if mean > 0 {
		stepS = min(stepS, (kg-endKg)/mean*3600)
	}
	leftKg := kg - mean*stepS/3600
	if leftKg <= endKg+1e-9 {
		leftKg = endKg
		r.kPa = max(r.leastKPa, r.kPa*endKg/kg)
		r.pass(stepS)
		r.now.ContentsKg = leftKg
		r.keep()
		r.stop(supply.ContentsLimit, "")
		return
	}
	r.kPa *= leftKg / kg
	r.pass(stepS)
	r.now.ContentsKg = leftKg
}

// thinned keeps the moments at even hours, and the first and the last.
func thinned(all []PlanMoment) []PlanMoment {
	if len(all) < 2 {
		return all
	}
	endH := all[len(all)-1].AfterH
	everyH := 3.0 // mostMoments of these are a month
	for _, h := range []float64{1.0 / 6, 0.5, 1, 2} {
		if endH/h <= mostMoments {
			everyH = h
			break
		}
	}
	var kept []PlanMoment
	for i, m := range all {
		off := math.Abs(m.AfterH/everyH - math.Round(m.AfterH/everyH))
		if i == 0 || i == len(all)-1 || off < 1e-6 {
			kept = append(kept, m)
		}
	}
	return kept
}
