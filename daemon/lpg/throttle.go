package lpg

import "math"

// enthalpy is the vapour equation h = a1 x + a2 x^2 + a3 x^3 + p (b1/x + b3/x^3) +
// c p^2/x^5 in kJ/kg, with x = T/300 K and p in MPa. Its datum is its own: only
// differences mean anything. Fitted to the EOS of each substance [own].
// The coefficients stand in that order.
type enthalpy [6]float64

// at returns the enthalpy, kJ/kg, and its slope by temperature, kJ/(kg K).
func (h *enthalpy) at(tempK, mPa float64) (kJPerKg, slope float64) {
	a1, a2, a3, b1, b3, c := h[0], h[1], h[2], h[3], h[4], h[5]
	x := tempK / 300
	r := 1 / x
	r2 := r * r
	kJPerKg = x*(a1+x*(a2+x*a3)) + mPa*r*(b1+b3*r2+c*mPa*r2*r2)
	slope = a1 + x*(2*a2+3*x*a3) - mPa*r2*(b1+3*b3*r2+5*c*mPa*r2*r2)
	return kJPerKg, slope / 300
}

// blended returns the equation of a gas of the fuel's composition: the parts weighed by
// mass, each at the whole pressure.
func (f Fuel) blended() (h enthalpy) {
	propane, butane := f.both()
	for i := range h {
		h[i] = f.byMass(propane.enthalpy[i], butane.enthalpy[i])
	}
	return h
}

// overSaturation is how far a measured pressure may exceed the fuel's own saturation
// and its gas still be judged: commercial propane holds ethane, and real cylinders
// stand up to about 15 % above pure propane.
const overSaturation = 1.15

// maxGasKPa bounds the enthalpy fit: propane's saturation at 40 C. Nearer to the
// critical point it strays fast, to 3 kJ/kg at 60 C, and would call the outlet too warm.
const maxGasKPa = 1370.0

// gaseous reports whether the gas has a known enthalpy at this temperature and
// pressure: in range, and vapour.
func (f Fuel) gaseous(tempC, kPa float64) bool {
	return f.covers(tempC) && kPa > 0 && kPa <= min(maxGasKPa, overSaturation*f.bubbleKPa(tempC))
}

// VapourKJPerKg returns the enthalpy of gas of the fuel's own composition at tempC and
// kPa. The datum is arbitrary and differs from fuel to fuel: use differences of one
// fuel. Range as [Fuel.BubbleKPa], and up to 1370 kPa (propane at 40 C) or 15 % over the
// bubble pressure at tempC; it refuses more, where the gas is liquid. Differences along
// saturation are within 0.5 kJ/kg (propane), 0.07 (n-butane) and 0.16 (isobutane) of the
// EOS. Own fit.
func (f Fuel) VapourKJPerKg(tempC, kPa float64) (float64, bool) {
	if !f.gaseous(tempC, kPa) {
		return 0, false
	}
	h := f.blended()
	kJPerKg, _ := h.at(tempC+zeroCInK, kPa/1000)
	return kJPerKg, true
}

// GasCpKJPerKgK returns the isobaric heat capacity of gas of the fuel's own composition
// at tempC and kPa, as in a pipe behind a valve. Range as [Fuel.VapourKJPerKg]. Within
// 0.3 % of the EOS for propane behind a first seat (regulator_examples.csv, 104 to 170
// kPa); at saturation [Fuel.VapourCpKJPerKgK] is the better one. Slope of the own
// enthalpy fit.
func (f Fuel) GasCpKJPerKgK(tempC, kPa float64) (float64, bool) {
	if !f.gaseous(tempC, kPa) {
		return 0, false
	}
	h := f.blended()
	_, slope := h.at(tempC+zeroCInK, kPa/1000)
	return slope, true
}

// ThrottledC returns the temperature of gas after a valve that takes it from inC and
// inKPa to outKPa without heat (constant enthalpy, Joule-Thomson). The receiver is the
// gas and not the liquid: for a blend, what [Fuel.Vapour] returned. inC is the liquid's
// temperature for saturated gas, the worst case, or higher where the gas has warmed on
// its way.
//
// Range: inC as [Fuel.BubbleKPa]; inKPa up to 1370 kPa (propane at 40 C), and up to 15 %
// above the bubble pressure at inC, since commercial propane stands that high; outKPa above 0
// and not above inKPa. The coldest outlet of that range is -54 C. Error against the EOS: propane
// within 0.33 K, n-butane and isobutane 0.04 K (by
// correlations.csv; no table of them here), blends from 0.1 K too warm to
// 0.73 K too cold, mostly cold, which is the cautious side.
//
// Source: own enthalpy fits, solved for h(T1, p1) = h(T2, p2).
func (f Fuel) ThrottledC(inC, inKPa, outKPa float64) (float64, bool) {
	if !f.gaseous(inC, inKPa) || !(outKPa > 0) || outKPa > inKPa {
		return 0, false
	}
	h := f.blended()
	tempK := inC + zeroCInK
	target, _ := h.at(tempK, inKPa/1000)
	// Newton's steps: h is almost straight in T, and the root is within 30 K.
	for range 8 {
		now, slope := h.at(tempK, outKPa/1000)
		step := (target - now) / slope
		tempK += step
		if math.Abs(step) < 1e-6 {
			break
		}
	}
	return tempK - zeroCInK, true
}
