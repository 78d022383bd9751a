package lpg

import "math"

// ApplianceGaugeKPa is the gauge pressure behind the last regulator, 11 inches of water.
const ApplianceGaugeKPa = 2.74

const seaLevelKPa = 101.325

// AtmosphereKPa returns the pressure of the standard atmosphere at an altitude in m.
// Range -500..11000 m, the troposphere of ISO 2533, where it is the definition. Weather
// moves the real value by 3 %, so a barometer on board is better.
func AtmosphereKPa(altitudeM float64) (float64, bool) {
	if !within(altitudeM, -500, 11000) {
		return 0, false
	}
	return seaLevelKPa * math.Pow(1-2.25577e-5*altitudeM, 5.25588), true
}

// OrificeRatio returns the gas mass flow through an unchanged burner orifice at
// atmospheric pressure atmKPa, as a ratio to that at sea level: the regulator holds a
// gauge pressure, so the gas is thinner and flow goes with the root of its absolute
// pressure. Range 20..110 kPa; exact for ideal gas at one temperature. A van is never
// re-jetted, so this holds and the code factor of 4 % per 1000 ft does not.
func OrificeRatio(atmKPa float64) (float64, bool) {
	if !within(atmKPa, 20, 110) {
		return 0, false
	}
	return math.Sqrt((atmKPa + ApplianceGaugeKPa) / (seaLevelKPa + ApplianceGaugeKPa)), true
}
