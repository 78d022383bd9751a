package lpg

import "math"

// BubbleKPa returns the pressure over the liquid at tempC, kPa absolute: the saturation
// pressure of a pure substance, the bubble pressure of a blend.
//
// Range -50..60 C for a pure substance, -40..50 C for a blend. Error against the EOS:
// propane 0.009 %, n-butane 0.021 %, isobutane 0.009 %; propane/n-butane 0.56 %;
// propane/isobutane 0.05 % between propane mole fractions of 0.66 and 0.84 and -30..30 C.
// The tables end there: beyond, the correction to Raoult, itself 3.5 % at most, has no check.
//
// Source: ancillary equations of the equations of state; for blends Raoult's law, which
// is always high (up to 5 %), with an own correction fitted to GERG-2008.
func (f Fuel) BubbleKPa(tempC float64) (float64, bool) {
	if !f.covers(tempC) {
		return 0, false
	}
	return f.bubbleKPa(tempC), true
}

// bubbleKPa is BubbleKPa for a temperature known to be in range.
func (f Fuel) bubbleKPa(tempC float64) float64 {
	propane, butane := f.both()
	switch f.propaneMassFrac {
	case 0:
		return butane.saturationKPa(tempC)
	case 1:
		return propane.saturationKPa(tempC)
	}
	x := f.propaneMoleFrac
	raoultKPa := x*propane.saturationKPa(tempC) + (1-x)*butane.saturationKPa(tempC)
	excess := 0.10339 + 9.2042e-4*tempC - 0.03311*(2*x-1)
	if f.butane == NButane {
		excess = 0.10723 + 1.6441e-3*tempC - 0.06947*(2*x-1)
	}
	return raoultKPa / (1 + x*(1-x)*excess)
}

// BubbleC returns the temperature at which the liquid has the pressure kPa, the inverse
// of [Fuel.BubbleKPa]: it holds between the pressures at the ends of that range.
// It inverts the correlation within 1e-6 K; against the EOS that is 0.01 K for a pure
// substance and 0.2 K for a blend.
func (f Fuel) BubbleC(kPa float64) (float64, bool) {
	if !f.Known() {
		return 0, false
	}
	lowC, highC := f.rangeC()
	lowKPa, highKPa := f.bubbleKPa(lowC), f.bubbleKPa(highC)
	if !within(kPa, lowKPa, highKPa) {
		return 0, false
	}
	// ln p is so nearly straight in 1/T that the secant from end to end lands within
	// half a degree, and converges from there without a guard.
	ln := math.Log(kPa)
	x0, y0 := 1/(lowC+zeroCInK), math.Log(lowKPa)-ln
	x1, y1 := 1/(highC+zeroCInK), math.Log(highKPa)-ln
	for range 8 {
		if math.Abs(y1) < 1e-9 || y1 == y0 {
			break
		}
		x2 := x1 - y1*(x1-x0)/(y1-y0)
		x0, y0 = x1, y1
		x1, y1 = x2, math.Log(f.bubbleKPa(1/x2-zeroCInK))-ln
	}
	return min(max(1/x1-zeroCInK, lowC), highC), true
}

// LiquidKgPerM3 returns the density of the saturated liquid. Range as [Fuel.BubbleKPa].
// Within 0.004 % of the EOS for a pure substance. A blend is up to 0.86 % too light:
// the volumes of its parts are added, and the mixture is a little denser.
func (f Fuel) LiquidKgPerM3(tempC float64) (float64, bool) {
	if !f.covers(tempC) {
		return 0, false
	}
	return f.liquidKgPerM3(tempC), true
}

// liquidKgPerM3 is LiquidKgPerM3 for a temperature known to be in range.
func (f Fuel) liquidKgPerM3(tempC float64) float64 {
	propane, butane := f.both()
	switch f.propaneMassFrac {
	case 0:
		return butane.liquidKgPerM3(tempC)
	case 1:
		return propane.liquidKgPerM3(tempC)
	}
	return 1 / f.byMass(1/propane.liquidKgPerM3(tempC), 1/butane.liquidKgPerM3(tempC))
}

// VapourKgPerM3 returns the density of the vapour that stands over the liquid. Range as
// [Fuel.BubbleKPa]. Within 0.03 % of the EOS for a pure substance.
//
// A blend's vapour is rated by the second virial coefficient that each part has at its
// own saturation, mixed by the square roots: an engineering estimate, for which the
// tables hold no check. It joins the pure values without a step at both ends.
func (f Fuel) VapourKgPerM3(tempC float64) (float64, bool) {
	if !f.covers(tempC) {
		return 0, false
	}
	return f.vapourKgPerM3(tempC), true
}

// vapourKgPerM3 is VapourKgPerM3 for a temperature known to be in range.
func (f Fuel) vapourKgPerM3(tempC float64) float64 {
	propane, butane := f.both()
	switch f.propaneMassFrac {
	case 0:
		return butane.vapourKgPerM3(tempC)
	case 1:
		return propane.vapourKgPerM3(tempC)
	}
	y := f.vapour(tempC).propaneMoleFrac
	kPa := f.bubbleKPa(tempC)
	root := y*propane.virialRoot(tempC) + (1-y)*butane.virialRoot(tempC)
	gPerMol := y*propane.molarGPerMol + (1-y)*butane.molarGPerMol
	return kPa * gPerMol / (gasJPerMK * (tempC + zeroCInK) * (1 - root*root*kPa))
}

// virialRoot returns the square root of (1-z)/p of the saturated vapour, p in kPa.
func (s *substance) virialRoot(tempC float64) float64 {
	kPa := s.saturationKPa(tempC)
	z := kPa * s.molarGPerMol / (s.vapourKgPerM3(tempC) * gasJPerMK * (tempC + zeroCInK))
	return math.Sqrt(math.Max(0, 1-z) / kPa)
}
