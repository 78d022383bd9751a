package lpg

// LatentKJPerKg returns the heat that turns a kilogram of liquid into vapour at tempC.
// Range as [Fuel.BubbleKPa]. Within 0.033 % of the EOS for a pure substance.
//
// For a blend it is the heat of the vapour that leaves, each part counted at its own
// saturation: it neglects heat of mixing and the vapour's departure from each part's
// own pressure, an estimate of 1 to 2 % for which the tables hold no check.
//
// Source: Clapeyron's equation on the ancillary equations.
func (f Fuel) LatentKJPerKg(tempC float64) (float64, bool) {
	if !f.covers(tempC) {
		return 0, false
	}
	return f.latentKJPerKg(tempC), true
}

// latentKJPerKg is LatentKJPerKg for a temperature known to be in range.
func (f Fuel) latentKJPerKg(tempC float64) float64 {
	propane, butane := f.both()
	switch f.propaneMassFrac {
	case 0:
		return butane.latentKJPerKg(tempC)
	case 1:
		return propane.latentKJPerKg(tempC)
	}
	return f.vapour(tempC).byMass(propane.latentKJPerKg(tempC), butane.latentKJPerKg(tempC))
}

// WithdrawalKJPerKg returns the heat that a closed cylinder takes up per kilogram of
// vapour drawn at constant temperature, h_fg/(1 - rho_v/rho_l). It is more than the
// latent heat because vapour must also fill the room that the liquid leaves. Range as
// [Fuel.BubbleKPa]; exact for a pure substance, of which it is within 0.035 % of the
// EOS; blends as [Fuel.LatentKJPerKg].
func (f Fuel) WithdrawalKJPerKg(tempC float64) (float64, bool) {
	if !f.covers(tempC) {
		return 0, false
	}
	return f.latentKJPerKg(tempC) / (1 - f.vapourKgPerM3(tempC)/f.liquidKgPerM3(tempC)), true
}

// LiquidCpKJPerKgK returns the isobaric heat capacity of the saturated liquid. Range as
// [Fuel.BubbleKPa]. Within 0.26 % (propane), 0.18 % (n-butane), 0.39 % (isobutane) of
// the EOS, whose own uncertainty is 0.5 to 1 %; blends by mass fraction. Own fit.
func (f Fuel) LiquidCpKJPerKgK(tempC float64) (float64, bool) {
	if !f.covers(tempC) {
		return 0, false
	}
	return f.liquidCpKJPerKgK(tempC), true
}

// liquidCpKJPerKgK is LiquidCpKJPerKgK for a temperature known to be in range.
func (f Fuel) liquidCpKJPerKgK(tempC float64) float64 {
	propane, butane := f.both()
	return f.byMass(polynomial(&propane.liquidCp, tempC), polynomial(&butane.liquidCp, tempC))
}

// VapourCpKJPerKgK returns the isobaric heat capacity of a vapour of the fuel's own
// composition at saturation. Range as [Fuel.BubbleKPa]. Within 0.48 % (propane), 0.32 %
// (n-butane), 0.58 % (isobutane) of the EOS; blends by mass fraction, each part at its
// own saturation. Own fit. For the gas in a pipe, far below saturation,
// it is too high: see [Fuel.GasCpKJPerKgK].
func (f Fuel) VapourCpKJPerKgK(tempC float64) (float64, bool) {
	if !f.covers(tempC) {
		return 0, false
	}
	propane, butane := f.both()
	return f.byMass(polynomial(&propane.vapourCp, tempC), polynomial(&butane.vapourCp, tempC)), true
}

// SplitKg divides the contents of a closed vessel of volumeL litres into liquid and
// vapour, kg. Range as [Fuel.BubbleKPa]; it refuses contents too small to leave any
// liquid, and contents that would fill the vessel with liquid.
// Exact for a pure substance; a blend's vapour density is an estimate.
func (f Fuel) SplitKg(tempC, contentsKg, volumeL float64) (liquidKg, vapourKg float64, ok bool) {
	if !f.covers(tempC) || !(volumeL > 0) {
		return 0, 0, false
	}
	liquid, vapour := f.liquidKgPerM3(tempC), f.vapourKgPerM3(tempC)
	m3 := volumeL / 1000
	if !within(contentsKg, m3*vapour, m3*liquid) {
		return 0, 0, false
	}
	vapourKg = (m3 - contentsKg/liquid) / (1/vapour - 1/liquid)
	return contentsKg - vapourKg, vapourKg, true
}

// TwoPhaseJPerK returns the heat capacity dU/dT of the contents of a closed vessel,
// liquid and vapour together at constant mass and volume, J/K. Warming such a vessel
// also evaporates liquid to follow the pressure, so at low fill this is up to twice
// mass times cp. Range and refusals as [Fuel.SplitKg].
//
// Within 0.1 % of the EOS in the cases of cylinder_transient_examples.csv. It is exact
// but for cp and for one correction of under 2 % (the liquid's expansion at constant
// pressure is taken along saturation). For a blend the pressures of its parts are
// added by Raoult's law and its parts keep their shares: an estimate.
//
// Source: own, from U = M h_l + T p' (V - M v_l) - p V, which Clapeyron's equation
// gives for any split into liquid and vapour:
//
//	dU/dT = M (cp_l - 2 T p' v_l') + T p'' (V - M v_l)
func (f Fuel) TwoPhaseJPerK(tempC, contentsKg, volumeL float64) (float64, bool) {
	if _, _, ok := f.SplitKg(tempC, contentsKg, volumeL); !ok {
		return 0, false
	}
	propane, butane := f.both()
	_, pSlope, pBend := propane.saturationSlopes(tempC)
	_, bSlope, bBend := butane.saturationSlopes(tempC)
	pKgPerM3, pSwell := propane.liquidSlope(tempC)
	bKgPerM3, bSwell := butane.liquidSlope(tempC)

	x := f.propaneMoleFrac
	kPaPerK, kPaPerK2 := x*pSlope+(1-x)*bSlope, x*pBend+(1-x)*bBend
	liquidM3PerKg, swellM3PerKgK := f.byMass(1/pKgPerM3, 1/bKgPerM3), f.byMass(pSwell, bSwell)

	tempK := tempC + zeroCInK
	liquidKJ := contentsKg * (f.liquidCpKJPerKgK(tempC) - 2*tempK*kPaPerK*swellM3PerKgK)
	headspaceKJ := tempK * kPaPerK2 * (volumeL/1000 - contentsKg*liquidM3PerKg)
	return 1000 * (liquidKJ + headspaceKJ), true
}
