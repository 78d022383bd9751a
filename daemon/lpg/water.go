package lpg

import "math"

// waterGPerMol is the molar mass of water.
const waterGPerMol = 18.015

// WaterKPa returns the saturation pressure of water over ice below 0 C and over liquid
// from 0 C up, kPa. Range -40..40 C. Within 0.11 % over ice and 0.26 % over liquid of
// the IAPWS formulations.
//
// Source: Alduchov and Eskridge 1996, coefficients from memory, checked against
// water_saturation.csv (IAPWS SR1-86 and R14-08).
func WaterKPa(tempC float64) (float64, bool) {
	if !within(tempC, -40, 40) {
		return 0, false
	}
	if tempC < 0 {
		return 0.61121 * math.Exp(22.587*tempC/(273.86+tempC)), true
	}
	return overLiquidKPa(tempC), true
}

// SupercooledWaterKPa returns the saturation pressure over liquid water also below
// 0 C, kPa: what a relative humidity refers to in frost. Range -40..40 C. Within 0.45 %
// of IAPWS SR1-86. Source as [WaterKPa].
func SupercooledWaterKPa(tempC float64) (float64, bool) {
	if !within(tempC, -40, 40) {
		return 0, false
	}
	return overLiquidKPa(tempC), true
}

func overLiquidKPa(tempC float64) float64 {
	return 0.61094 * math.Exp(17.625*tempC/(243.04+tempC))
}

// MaxWaterMoleFrac returns the most water that the vapour can hold over free water or
// ice at tempC and cylinder pressure kPa, as mole fraction: e_w/p, ideal vapour. Range
// -40..40 C, and not below the water's own pressure. It agrees within 2 % with the
// regulator bulletin of water_in_propane_handbook.csv. How wet the fuel is, nobody knows.
func MaxWaterMoleFrac(tempC, kPa float64) (float64, bool) {
	waterKPa, ok := WaterKPa(tempC)
	if !ok || !(kPa >= waterKPa) || math.IsInf(kPa, 1) {
		return 0, false
	}
	return waterKPa / kPa, true
}

// MaxWaterMgPerKg returns [MaxWaterMoleFrac] over this fuel's liquid at tempC and
// bubble pressure, as milligrams of water per kilogram of vapour. Range -40..40 C.
// For propane within 0.3 % of water_saturation.csv, beside its rounding to 1 mg.
func (f Fuel) MaxWaterMgPerKg(tempC float64) (float64, bool) {
	waterKPa, ok := WaterKPa(tempC)
	if !ok || !f.covers(tempC) {
		return 0, false
	}
	y := f.vapour(tempC).propaneMoleFrac
	propane, butane := f.both()
	gPerMol := y*propane.molarGPerMol + (1-y)*butane.molarGPerMol
	return 1e6 * waterKPa / f.bubbleKPa(tempC) * waterGPerMol / gPerMol, true
}

// The propane hydrate's two branches meet where ice melts; above the upper quadruple
// point propane is liquid and the temperature rises no further. From memory: Sloan.
const (
	hydrateIceKPa = 178.7
	hydrateCapK   = 278.8
)

// HydrateC returns the temperature below which propane hydrate (structure II, a solid
// of water and propane) can form, if there is water, at a partial pressure of propane
// in kPa ([Fuel.PropaneKPa]). Range 40..2200 kPa; it rises to 5.65 C and stays there.
// N-butane makes no hydrate of its own; isobutane does (275.0 K at 167 kPa, from
// memory), and for its blends this is only a lower bound.
//
// Error: +-1 K on the water branch. On the ice branch the one model at hand is 1.5 to
// 4.7 K warmer, most near 140 kPa; there ice at 0 C is the threshold that matters.
//
// Source: ice branch Kamath 1984 in Sloan and Koh, from memory, agreeing with the
// abstract of Yasuda and Ohmura, J. Chem. Eng. Data 53 (2008) 2182, at 41 kPa; water
// branch own, drawn between the quadruple points.
func HydrateC(propaneKPa float64) (float64, bool) {
	if !within(propaneKPa, 40, 2200) {
		return 0, false
	}
	if propaneKPa <= hydrateIceKPa {
		return 3269.6455/(17.156-math.Log(propaneKPa)) - zeroCInK, true
	}
	tempK := 1 / (1/zeroCInK - math.Log(propaneKPa/hydrateIceKPa)/15300)
	return min(tempK, hydrateCapK) - zeroCInK, true
}

// SolidC returns the temperature below which a solid can form at a valve seat if the
// fuel is wet, C: ice at 0 C, or the hydrate's threshold where that is higher, so 0 to
// 5.65 C. The argument is the partial pressure of propane, 0..2200 kPa; error and
// source as [HydrateC]. Not for isobutane blends, whose own hydrate it does not know.
func SolidC(propaneKPa float64) (float64, bool) {
	if !within(propaneKPa, 0, 2200) {
		return 0, false
	}
	hydrateC, ok := HydrateC(propaneKPa)
	if !ok {
		return 0, true // below 40 kPa hydrate needs -30 C, and ice comes first
	}
	return max(0, hydrateC), true
}
