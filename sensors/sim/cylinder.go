package sim

import "math"

// cylinder is the contents as a closed two-phase balance (physics.md 6.3): drawing vapour
// takes heat out of the liquid, the locker air gives it back through the wetted wall.
type cylinder struct {
	spec      CylinderSpec
	present   bool
	valveOpen bool
	fuelKg    float64
	propaneKg float64 // part of fuelKg
	liquidC   float64
	dewKg     float64 // water on the wall
	uaWPerK   float64

	props            fluid
	propsC           float64 // temperature and contents of props
	propsKg          float64
	propsPropane     float64
	outKg            float64 // left through valve and leaks since the start
	outJ             float64 // taken up by that vapour
	fromAirJ         float64
	storedJ          float64 // gained by contents and wall
	contentsChangeKg float64 // kg put in or taken away by hand since the start
}

func newCylinder(s CylinderSpec, tempC float64) cylinder {
	c := cylinder{spec: s, present: true, valveOpen: true, fuelKg: s.FuelKg, liquidC: tempC}
	c.propaneKg = s.PropaneMassFrac * s.FuelKg
	c.refresh()
	return c
}

// replace puts a cylinder back on the scale, filled and as warm as tempC. The valve is as
// before; a scenario says so when it is left shut.
func (c *cylinder) replace(tareKg, fillKg, tempC float64) {
	c.contentsChangeKg += fillKg - c.fuelKg
	c.spec.TareKg, c.fuelKg, c.propaneKg = tareKg, fillKg, c.spec.PropaneMassFrac*fillKg
	c.liquidC, c.present, c.dewKg = tempC, true, 0
	c.refresh()
}

// refresh asks for the properties anew.
func (c *cylinder) refresh() {
	c.propsPropane = 1
	if c.spec.PropaneMassFrac < 1 && c.fuelKg > 0 {
		c.propsPropane = min(max(c.propaneKg/c.fuelKg, 0), 1)
	}
	c.propsC, c.propsKg = c.liquidC, c.fuelKg
	c.props = properties(c.liquidC, c.fuelKg, c.propsPropane, c.spec.VolumeL)
	c.uaWPerK = c.spec.UAWPerK
	if c.uaWPerK == 0 {
		c.uaWPerK = conductanceWPerK(c.spec, c.props.liquidL)
	}
}

// kPa is the pressure in the cylinder: of boiling while there is liquid, and of what gas
// is left afterwards.
func (c *cylinder) kPa() float64 {
	if c.props.hasLiquid {
		return c.props.bubbleKPa
	}
	return c.props.bubbleKPa * min(1, c.fuelKg/(c.props.vapourKgPerM3*c.spec.VolumeL/1000))
}

// step draws kgPerS of vapour for dt seconds in locker air of airC.
func (c *cylinder) step(dt, kgPerS, airC float64) {
	if math.Abs(c.liquidC-c.propsC) > 0.02 || math.Abs(c.fuelKg-c.propsKg) > 0.002 {
		c.refresh()
	}
	drawnKg := min(kgPerS*dt, c.fuelKg)
	fromAirJ := c.uaWPerK * (airC - c.liquidC) * dt
	outJ := drawnKg * c.props.withdrawJPerKg
	c.liquidC += (fromAirJ - outJ) / (c.props.contentsJPerK + 1000*c.spec.WallKJPerK)
	c.fuelKg -= drawnKg
	c.propaneKg -= drawnKg * c.props.vapourPropane
	c.outKg += drawnKg
	c.outJ += outJ
	c.fromAirJ += fromAirJ
	c.storedJ += fromAirJ - outJ
}

// Dew on a wall colder than the dew point: at most 35 g, drying at 2 to 5 g/h
// (estimation.md 2). Settling adds about 2.5 W/m2K to the wall (physics.md 6.2), on 0.22 m2
// and at 2.83 MJ/kg that is 0.7 g/h per kelvin.
const (
	mostDewKg    = 0.035
	dewKgPerSK   = 0.0007 / 3600
	dewDryKgPerS = 0.0035 / 3600
)

// sweat lets water settle on the wall or dry from it.
func (c *cylinder) sweat(dt, dewPointC float64) {
	switch {
	case c.spec.Dry || !c.present:
		c.dewKg = 0
	case c.liquidC < dewPointC:
		c.dewKg = min(mostDewKg, c.dewKg+dewKgPerSK*(dewPointC-c.liquidC)*dt)
	case c.liquidC > dewPointC+0.5:
		c.dewKg = max(0, c.dewKg-dewDryKgPerS*dt)
	}
}

// conductanceWPerK is U times the wetted wall and the dry wall as a fin, for an upright
// cylinder with 2:1 heads (physics.md 6.1).
func conductanceWPerK(s CylinderSpec, liquidL float64) float64 {
	d := s.DiameterM
	b := d / 4
	headM3, headM2 := math.Pi*d*d*d/24, 1.084*d*d
	straightM := max(0, (s.VolumeL/1000-2*headM3)/(math.Pi*d*d/4))
	liquidM3 := liquidL / 1000

	wetM2, dryStraightM := 0.0, straightM
	if liquidM3 >= headM3 {
		wetStraightM := min(straightM, (liquidM3-headM3)/(math.Pi*d*d/4))
		wetM2 = headM2 + math.Pi*d*wetStraightM
		dryStraightM -= wetStraightM
	} else if liquidM3 > 0 {
		h := capDepthM(d, liquidM3)
		r2 := d * d / 4 * (1 - (1-h/b)*(1-h/b))
		wetM2 = math.Pi * r2 * (1 + 0.38*h/b)
	}
	const steelWPerMK, wallM = 50, 0.0026
	m := math.Sqrt(s.UWPerM2K / (steelWPerMK * wallM))
	finM2 := math.Pi * d * math.Tanh(m*(dryStraightM+b)) / m
	return s.UWPerM2K * (wetM2 + finM2)
}

// capDepthM inverts V(h) = pi (D/2)^2 h^2 (3b - h)/(3 b^2) by bisection.
func capDepthM(d, volumeM3 float64) float64 {
	b := d / 4
	low, high := 0.0, b
	for range 30 {
		h := (low + high) / 2
		if math.Pi*d*d/4*h*h*(3*b-h)/(3*b*b) < volumeM3 {
			low = h
		} else {
			high = h
		}
	}
	return (low + high) / 2
}

// regulator passes what is asked until the inlet pressure or ice at the seat forbids it.
type regulator struct {
	spec       RegulatorSpec
	iceG       float64
	brokenFrac float64 // of what is asked, that a broken one does not pass
	bodyC      float64
	seat       seat
	seatC      float64 // liquid temperature seat belongs to
}

// An open seat passes seatSpare times what is asked, so ice must close most of it before
// flow falls; an inlet at leastGaugeKPa gives nothing. Both engineering judgement.
const (
	seatSpare      = 3.0
	leastGaugeKPa  = 3.0
	iceWPerK       = 0.01  // from the body into the ice; engineering judgement
	iceMeltJPerG   = 333.6 // heat of fusion of water
	vapourJPerKgK  = 1700  // of propane gas near 0 C (physics.md 2)
	refreshSeatByK = 0.25  // the seat is asked anew when the liquid has moved this far
)

// supply is the share of what is asked that passes, 0 to 1.
func (r *regulator) supply(c *cylinder, airKPa float64) float64 {
	if !c.present || !c.valveOpen {
		return 0
	}
	return min(r.pressureShare(c, airKPa), r.iceShare(), 1-r.brokenFrac)
}

func (r *regulator) pressureShare(c *cylinder, airKPa float64) float64 {
	return min(max((c.kPa()-airKPa-leastGaugeKPa)/(r.spec.NeedGaugeKPa-leastGaugeKPa), 0), 1)
}

func (r *regulator) iceShare() float64 {
	return min(max(seatSpare*(1-r.iceG/r.spec.IceG), 0), 1)
}

// step cools the body by the gas that expands in it and grows or melts ice (physics.md
// 7.4). Only wet fuel freezes.
func (r *regulator) step(dt, kgPerS, airC, airKPa float64, c *cylinder) {
	if math.Abs(c.liquidC-r.seatC) > refreshSeatByK || r.seat == (seat{}) {
		r.seat, r.seatC = seatOf(c.liquidC, c.props.bubbleKPa, airKPa, c.propsPropane), c.liquidC
	}
	gasWPerK := kgPerS * vapourJPerKgK
	r.bodyC = (r.spec.UAWPerK*airC + gasWPerK*r.seat.throttledC) / (r.spec.UAWPerK + gasWPerK)
	switch {
	case r.bodyC > r.seat.solidC:
		r.iceG = max(0, r.iceG-(r.bodyC-r.seat.solidC)*iceWPerK/iceMeltJPerG*dt)
	case r.spec.Wet && kgPerS > 0:
		r.iceG = min(r.spec.IceG, r.iceG+1000*kgPerS*r.seat.freezingKgPKg*dt)
	}
}
