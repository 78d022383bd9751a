package lpg

import "math"

// water60FKgPerM3 is the density of water at 60 F, to which specific gravity refers.
const water60FKgPerM3 = 999.016

// LiquidL returns the volume of kg of liquid at tempC, in litres. Range and error as
// [Fuel.LiquidKgPerM3]; any mass from 0 to 1e9 kg.
func (f Fuel) LiquidL(kg, tempC float64) (float64, bool) {
	if !f.covers(tempC) || !within(kg, 0, 1e9) {
		return 0, false
	}
	return 1000 * kg / f.liquidKgPerM3(tempC), true
}

// LiquidPct returns how full of liquid a vessel of volumeL litres is with kg of
// contents at tempC, all counted as liquid as the trade does, in percent of its water
// capacity. Range as [Fuel.LiquidL]; it may exceed 100, more than the vessel
// can hold. A fill of "80 %" is so at 40 F: the same fill is 94 % at 50 C.
func (f Fuel) LiquidPct(kg, tempC, volumeL float64) (float64, bool) {
	liquidL, ok := f.LiquidL(kg, tempC)
	if !ok || !within(volumeL, 0.001, 1e9) {
		return 0, false
	}
	return 100 * liquidL / volumeL, true
}

// SpecificGravity60F returns the liquid's density at 60 F over that of water at 60 F;
// 0 if the fuel is unset. Error as [Fuel.LiquidKgPerM3]. Pure propane is 0.507, where
// the trade's commercial propane is 0.504.
func (f Fuel) SpecificGravity60F() float64 {
	if !f.Known() {
		return 0
	}
	return f.liquidKgPerM3(fahrenheit60C) / water60FKgPerM3
}

// FillingDensityPct returns the most LP gas that may be filled, in percent by mass of
// the water capacity, for a specific gravity at 60 F from 0.496 to 0.600, rounded to
// the table's three decimals: 42 for propane.
//
// Source: WAC 296-307-41037 table U-4, first column: above ground up to 1200 gal.
func FillingDensityPct(specificGravity float64) (float64, bool) {
	thousandths := math.Round(1000 * specificGravity)
	if !within(thousandths, 496, 600) {
		return 0, false
	}
	// Each band adds one percent; its first value is listed.
	pct := 40.0
	for _, first := range [...]float64{496, 504, 511, 520, 528, 537, 545, 553, 561, 569, 577, 585, 593} {
		if thousandths < first {
			break
		}
		pct++
	}
	return pct, true
}

// FillLimitKg returns the most fuel that a cylinder of waterL litres of water capacity
// may be filled with, kg, by [FillingDensityPct]. Any capacity above 0 up to 1e9 L.
// What is stamped on the cylinder overrides it.
func (f Fuel) FillLimitKg(waterL float64) (float64, bool) {
	pct, ok := FillingDensityPct(f.SpecificGravity60F())
	if !ok || !within(waterL, 0.001, 1e9) {
		return 0, false
	}
	return pct / 100 * waterL / 1000 * water60FKgPerM3, true
}
