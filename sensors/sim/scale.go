package sim

import (
	"math"
	"math/rand/v2"
)

// scale is the cradle, the load cell and its bridge ADC: mass in, signed 24-bit counts out.
type scale struct {
	spec        ScaleSpec
	grade       cellGrade
	rng         *rand.Rand
	countsPerKg float64
	zeroCounts  float64
	zeroTC      float64 // g/K, true
	spanTC      float64 // ppm/K, true
	creepPct    float64 // after 30 min, true
	cellC       float64
	quick, slow float64 // creep that has happened, as a share of the load's, kg
	walk        [3]wander
	siteG       float64
	hurryG      float64 // hands on the cradle
}

const (
	calibratedAtC  = 20.0
	fullScale      = 1<<23 - 1
	cylinderAirM3  = 0.0226 // sensing.md 3.5, buoyancy
	calibratedAirD = 1.204  // kg/m3, 20 C at sea level
	quickCreepS    = 8 * 60
	slowCreepS     = 2 * 3600
	roadG          = 250.0 // 880 g in each sample while driving (sensing.md 3.5), in a mean of 1 s
	stormMPerS     = 17.0
	stormG         = 30.0 // wind as moving about (sensing.md 3.5)
	swayLogSpread  = 0.8  // one second is not like the next, judgement; the rms stays
)

// newScale draws what the data sheet leaves open: the true coefficients within their
// limits, the slope within 5 %, the zero within 1 %.
func newScale(s ScaleSpec, rng *rand.Rand, dt float64) scale {
	g := gradeOf(s.Grade)
	c := scale{spec: s, grade: g, rng: rng, zeroTC: s.ZeroTCGPerK, spanTC: s.SpanTCPPMPerK}
	draw := func(limit float64) float64 { return limit * (2*rng.Float64() - 1) }
	c.countsPerKg = math.Round(100*g.countsPerKg*(1+draw(0.05))) / 100
	c.zeroCounts = math.Round(draw(0.012 * fullScale))
	// Drawn even when the scenario says them, so that the rest of the draws stay the same.
	zeroTC, spanTC := draw(g.zeroTCGPerK), draw(g.spanTCPPMPerK)
	if c.zeroTC == 0 {
		c.zeroTC = zeroTC
	}
	if c.spanTC == 0 {
		c.spanTC = spanTC
	}
	c.creepPct = g.creepPct30min * (0.65 + draw(0.35))
	// Three memories, a decade and more apart, stand in for 1/f.
	each := s.WalkG / math.Sqrt(3)
	c.walk = [3]wander{newWander(each, 40, dt), newWander(each, 900, dt), newWander(each, 4*3600, dt)}
	c.siteG = -3 + 6*rng.NormFloat64()
	return c
}

// settle is a load that has stood there for days.
func (c *scale) settle(loadKg, tempC float64) { c.cellC, c.quick, c.slow = tempC, loadKg, loadKg }

// step follows load and temperature; the cell lags behind the locker air.
func (c *scale) step(dt, loadKg, lockerC float64) {
	c.cellC = lagged(c.cellC, lockerC, dt, 60*c.spec.LagMin)
	c.quick = lagged(c.quick, loadKg, dt, quickCreepS)
	c.slow = lagged(c.slow, loadKg, dt, slowCreepS)
	c.hurryG = 0
}

// creepG is the creep so far. The figure is reached after 30 min; 0.79 is the share of the
// two memories by then.
func (c *scale) creepG() float64 {
	return 10 * c.creepPct / 0.79 * (0.75*c.quick + 0.25*c.slow)
}

// newSite is another place to stand: another tilt (estimation.md 2).
func (c *scale) newSite() { c.siteG = -3 + 6*c.rng.NormFloat64() }

// counts is the mean of one second. airKgPerM3 is the air around the cylinder.
func (c *scale) counts(loadKg, airKgPerM3 float64, p *people, w *weather, moving bool) float64 {
	cellK := c.cellC - calibratedAtC
	g := loadKg*1000*(1+1e-6*c.spanTC*cellK) + c.zeroTC*cellK + c.creepG() + c.siteG + p.offsetG + p.swing + c.hurryG
	if loadKg > 0.5 {
		g -= 1000 * cylinderAirM3 * (airKgPerM3 - calibratedAirD)
	}
	g += c.spec.NoiseG*c.rng.NormFloat64() + c.windG(w)
	for i := range c.walk {
		g += c.walk[i].step(c.rng)
	}
	if moving {
		g += roadG * c.rng.NormFloat64() * swayScale(c.rng.NormFloat64())
	}
	overloadG := 1500 * c.grade.capacityKg // the stops
	raw := math.Round(c.zeroCounts + min(max(g, -overloadG), overloadG)/1000*c.countsPerKg)
	return min(max(raw, -fullScale-1), fullScale)
}

// windG is what gusts do to the body: a push that lasts seconds and a rocking. Both grow
// faster than the square of the wind, which joins 0.4 g at 4 m/s and some grams at 10 m/s
// (estimation.md 1) with moving about in a storm (sensing.md 3.5).
func (c *scale) windG(w *weather) float64 {
	share := w.meanWindMS / stormMPerS
	rms := stormG * share * share * share
	return rms * (0.9*c.rng.NormFloat64() + 0.43*w.shake.step(c.rng))
}

// swayScale makes one second unlike the next without changing the rms.
func swayScale(z float64) float64 {
	return math.Exp(swayLogSpread * (z - swayLogSpread))
}
