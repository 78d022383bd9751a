package supply

import "frostline/daemon/lpg"

// LimitC returns the liquid temperature at which the cylinder's pressure is just the
// least that the regulator needs, leastGaugeKPa above the atmosphere. Colder liquid
// starves it. Range: atmosphere 20 to 110 kPa, gauge 0 to 1000 kPa; it refuses a limit
// outside the fuel's own range, so one below -50 C (propane) or -40 C (a blend).
// Error as [lpg.Fuel.BubbleC].
func LimitC(f lpg.Fuel, atmKPa, leastGaugeKPa float64) (float64, bool) {
	if !within(atmKPa, 20, 110) || !within(leastGaugeKPa, 0, 1000) {
		return 0, false
	}
	return f.BubbleC(atmKPa + leastGaugeKPa)
}

// SteadyKgPerH returns the flow of vapour that the heat of the air sustains for ever
// with the liquid at limitC, kg/h: UA (T_air - T_limit)/h_eff. It is 0 where the air is
// no warmer than the limit. More can be drawn for a while, as the liquid cools.
// Range: UA 0 to 100 W/K, air -50 to 60 C, limitC as [lpg.Fuel.BubbleKPa].
//
// For a given UA within 0.05 % of the EOS for a pure substance; a blend is judged as it
// now is, and loses its propane as it is drawn.
func SteadyKgPerH(f lpg.Fuel, uaWPerK, airC, limitC float64) (float64, bool) {
	kJPerKg, ok := f.WithdrawalKJPerKg(limitC)
	if !ok || !within(uaWPerK, 0, maxUAWPerK) || !within(airC, lpg.MinTempC, lpg.MaxTempC) {
		return 0, false
	}
	return 3.6 * uaWPerK * max(0, airC-limitC) / kJPerKg, true
}
