package sim

import "math"

// heater is a thermostat and the gas heater it calls: blower first, then a trial for
// ignition, three tries, a pause.
type heater struct {
	spec    HeaterSpec
	calling bool
	lit     bool
	waitS   float64 // since the try began
	tries   int
	pauseS  float64 // left of a lockout
	coldS   float64 // called for without a flame
}

const (
	purgeAndTrialS = 25
	triesToLockout = 3
	lightsAbove    = 0.5 // share of supply
	diesBelow      = 0.4
	starvedAfterS  = 90
)

// step decides the flame. supply is the regulator's share.
func (h *heater) step(dt, cabinC, setC, supply, batteryV float64, allowed bool) {
	switch {
	case !allowed || cabinC > setC+h.spec.HysteresisK:
		h.calling = false
	case cabinC < setC-h.spec.HysteresisK:
		h.calling = true
	}
	h.pauseS = max(0, h.pauseS-dt)
	powered := batteryV >= h.spec.BlowerNeedsMinV
	switch {
	case !h.calling:
		h.lit, h.waitS, h.tries, h.coldS = false, 0, 0, 0
		return
	case h.lit && (supply < diesBelow || !powered || h.pauseS > 0):
		h.lit, h.waitS = false, 0
	case !h.lit && powered && h.pauseS == 0:
		h.waitS += dt
		if h.waitS >= purgeAndTrialS {
			h.ignite(supply)
		}
	}
	if h.lit {
		h.coldS = 0
	} else {
		h.coldS += dt
	}
}

func (h *heater) ignite(supply float64) {
	h.waitS = 0
	if supply >= lightsAbove {
		h.lit, h.tries = true, 0
		return
	}
	if h.tries++; h.tries >= triesToLockout {
		h.tries, h.pauseS = 0, h.spec.RetryAfter.Seconds()
	}
}

// blowing reports whether the blower draws current.
func (h *heater) blowing() bool { return h.calling && h.pauseS == 0 }

// starved reports whether heat is called for and no gas has burned for a while.
func (h *heater) starved() bool { return h.coldS > starvedAfterS }

// cabin is two nodes of heat, the pipes and the locker that depend on them.
type cabin struct {
	spec       CabinSpec
	airC       float64
	massC      float64
	waterlineC float64
	lockerC    float64
	absGPerM3  float64 // water in the air
	gainedJ    float64 // heat put in
	lostJ      float64 // through the walls
}

func newCabin(s CabinSpec, outsideC float64) cabin {
	c := cabin{spec: s, airC: s.StartC, massC: s.StartC}
	c.waterlineC = c.waterlineToward(outsideC)
	c.lockerC = outsideC + lockerShare*(c.airC-outsideC)
	return c
}

// How much of the cabin's warmth reaches the coldest pipe and the locker: floor and bays run
// several degrees colder (sensing.md 7), figures are engineering judgement.
const (
	pipeShare   = 0.40
	lockerShare = 0.06
	pipeLagS    = 90 * 60
	lockerLagS  = 20 * 60
	lockerWPerK = 9 // vented to the outside
)

func (c *cabin) waterlineToward(outsideC float64) float64 {
	return outsideC + pipeShare*(c.airC-outsideC)
}

// step warms the cabin with heatW for dt seconds.
func (c *cabin) step(dt, heatW, outsideC, windMPerS float64, cyl *cylinder, sunK float64) {
	loss := (c.spec.UAWPerK + c.spec.WindUAJPerKM*windMPerS) * (c.airC - outsideC)
	into := c.spec.CouplingWPerK * (c.airC - c.massC)
	c.airC += (heatW - loss - into) * dt / (1000 * c.spec.AirKJPerK)
	c.massC += into * dt / (1000 * c.spec.MassKJPerK)
	c.gainedJ += heatW * dt
	c.lostJ += loss * dt
	c.waterlineC = lagged(c.waterlineC, c.waterlineToward(outsideC), dt, pipeLagS)

	// The locker is ventilated; the cylinder takes heat from its air.
	lockerC := outsideC + lockerShare*(c.airC-outsideC) + sunK
	if cyl.present {
		lockerC += cyl.uaWPerK / (lockerWPerK + cyl.uaWPerK) * (cyl.liquidC - lockerC)
	}
	c.lockerC = lagged(c.lockerC, lockerC, dt, lockerLagS)
}

// Windows are this share of the way from outside to inside, and water settles on them at so
// many cabin volumes an hour.
const (
	windowShare    = 0.35
	windowVolPerH  = 3.0
	cookToAirShare = 0.5 // of the cooktop's heat; the rest leaves by the open hatch
)

// moisten adds gPerH of water to the air and lets it out with the fresh air.
func (c *cabin) moisten(dt, gPerH, freshM3PerH, outsideC, outsideGPerM3 float64) {
	settles := windowVolPerH * max(0, c.absGPerM3-saturatedGPerM3(outsideC+windowShare*(c.airC-outsideC)))
	fresh := freshM3PerH / c.spec.VolumeM3 * (c.absGPerM3 - outsideGPerM3)
	c.absGPerM3 += dt / 3600 * (gPerH/c.spec.VolumeM3 - fresh - settles)
	c.absGPerM3 = min(c.absGPerM3, saturatedGPerM3(c.airC))
}

// battery is the house battery: an open-circuit line and a resistance.
type battery struct {
	spec BatterySpec
	ah   float64
	v    float64
}

func (b *battery) step(dt, sun float64, blowing, driving bool) {
	drawA := b.spec.IdleA - b.spec.SolarA*sun
	if blowing {
		drawA += b.spec.BlowerA
	}
	if driving {
		drawA -= 20
	}
	b.ah = min(max(b.ah-drawA*dt/3600, 0), b.spec.CapacityAh)
	frac := b.ah / b.spec.CapacityAh
	if frac >= 1 {
		drawA = max(drawA, -0.5) // full: the charger holds back
	}
	b.v = lagged(b.v, min(b.openV()-0.035*drawA, 14.4), dt, 30)
}

// openV is 11.6 V flat, 12.75 V full, with a knee near empty; from memory, lead-acid.
func (b *battery) openV() float64 {
	frac := b.ah / b.spec.CapacityAh
	return 11.6 + 1.15*frac - 1.2*math.Exp(-frac/0.04)
}
