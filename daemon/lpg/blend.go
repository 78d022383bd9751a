package lpg

import "math"

// fahrenheit60C is 60 F, the temperature at which the US trade counts liquid volume.
const fahrenheit60C = 140.0 / 9

// Pure returns the fuel that is one substance; the unset Fuel for anything else.
func Pure(s Substance) Fuel {
	switch s {
	case Propane:
		return Fuel{butane: NButane, propaneMassFrac: 1, propaneMoleFrac: 1}
	case NButane, Isobutane:
		return Fuel{butane: s}
	}
	return Fuel{}
}

// BlendByMass returns propane and a butane by mass fraction of propane, 0 to 1.
func BlendByMass(propaneMassFrac float64, butane Substance) (Fuel, bool) {
	if f, pure := endOfBlend(propaneMassFrac, butane); pure {
		return f, f.Known()
	}
	propane, other := substances[Propane].molarGPerMol, substances[butane].molarGPerMol
	moles := propaneMassFrac / propane
	moleFrac := moles / (moles + (1-propaneMassFrac)/other)
	return Fuel{butane, propaneMassFrac, moleFrac}, true
}

// BlendByMole returns propane and a butane by mole fraction of propane, 0 to 1, which
// is also the volume fraction of the vapour if all liquid evaporates.
func BlendByMole(propaneMoleFrac float64, butane Substance) (Fuel, bool) {
	if f, pure := endOfBlend(propaneMoleFrac, butane); pure {
		return f, f.Known()
	}
	propane, other := substances[Propane].molarGPerMol, substances[butane].molarGPerMol
	mass := propaneMoleFrac * propane
	massFrac := mass / (mass + (1-propaneMoleFrac)*other)
	return Fuel{butane, massFrac, propaneMoleFrac}, true
}

// BlendByLiquidVolume60F returns propane and a butane by liquid volume fraction of
// propane at 60 F, 0 to 1, volumes taken as additive. This is what a US trade percent
// means: the published table of blend pressures fits it with 1.6 psi rms, against 2.7
// for mole and 3.5 for mass percent [own, by fit to handbook_vapour_pressure_psig.csv].
func BlendByLiquidVolume60F(propaneVolumeFrac float64, butane Substance) (Fuel, bool) {
	if f, pure := endOfBlend(propaneVolumeFrac, butane); pure {
		return f, f.Known()
	}
	mass := propaneVolumeFrac * substances[Propane].liquidKgPerM3(fahrenheit60C)
	rest := (1 - propaneVolumeFrac) * substances[butane].liquidKgPerM3(fahrenheit60C)
	return BlendByMass(mass/(mass+rest), butane)
}

// endOfBlend settles what is not a true blend: fractions of 0 and 1, on which every
// basis agrees, and arguments that make none, for which it returns the unset Fuel.
func endOfBlend(propaneFrac float64, butane Substance) (f Fuel, pure bool) {
	switch {
	case butane != NButane && butane != Isobutane, !within(propaneFrac, 0, 1):
		return Fuel{}, true
	case propaneFrac == 0:
		return Pure(butane), true
	case propaneFrac == 1:
		return Pure(Propane), true
	}
	return Fuel{}, false
}

// PropaneLiquidVolume60FFrac returns the liquid volume fraction of propane at 60 F, 0
// to 1, the inverse of [BlendByLiquidVolume60F]; 0 if the fuel is unset.
func (f Fuel) PropaneLiquidVolume60FFrac() float64 {
	if !f.Known() {
		return 0
	}
	propane, butane := f.both()
	volume := f.propaneMassFrac / propane.liquidKgPerM3(fahrenheit60C)
	rest := (1 - f.propaneMassFrac) / butane.liquidKgPerM3(fahrenheit60C)
	return volume / (volume + rest)
}

// Vapour returns the composition of the vapour that stands over this liquid at tempC,
// as a Fuel: what the appliances get, always richer in propane. Range as [Fuel.BubbleKPa].
//
// The mole fraction is within 0.0015 of GERG-2008 for n-butane blends (-40..40 C, mole
// fraction 0.5 to 0.96) and 0.0015 for isobutane blends (-30..30 C, 0.66 to 0.84).
// Raoult alone is up to 0.043 off. Below a mole fraction of 0.5 the tables hold only
// the course of emptying cylinders, which it follows within 0.003 of mass fraction.
// Own fits to bubble_propane_nbutane.csv and bubble_propane_isobutane.csv.
func (f Fuel) Vapour(tempC float64) (Fuel, bool) {
	if !f.covers(tempC) {
		return Fuel{}, false
	}
	return f.vapour(tempC), true
}

// vapour is Vapour for a temperature known to be in range.
func (f Fuel) vapour(tempC float64) Fuel {
	if f.pure() {
		return f
	}
	// Mole fraction, not mass, since Raoult's law counts molecules. The correction is
	// of the logarithm of the relative volatility, and so keeps y between 0 and 1.
	x := f.propaneMoleFrac
	propane, butane := f.both()
	lnCorrection := 0.11837 + 0.0020585*tempC
	if f.butane == NButane {
		lnCorrection = 0.114769 + tempC*(2.61124e-3+1.3928e-5*tempC) + 0.125605*(x-0.5)
	}
	volatility := propane.saturationKPa(tempC) / butane.saturationKPa(tempC) * math.Exp(-lnCorrection)
	y := x * volatility / (x*volatility + (1 - x)) // in this order never above 1, which would be no blend
	vapour, _ := BlendByMole(y, f.butane)
	return vapour
}

// PropaneKPa returns the partial pressure of propane over the liquid, kPa: its mole
// fraction in the vapour times the bubble pressure. [HydrateC] takes it. Range as
// [Fuel.BubbleKPa]; within 0.5 % of GERG-2008 for n-butane blends of
// 0.3 propane by mass and more.
func (f Fuel) PropaneKPa(tempC float64) (float64, bool) {
	if !f.covers(tempC) {
		return 0, false
	}
	return f.vapour(tempC).propaneMoleFrac * f.bubbleKPa(tempC), true
}
