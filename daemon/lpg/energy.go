package lpg

// A Basis says whether the heat of condensing the water in the flue is counted. US
// appliance ratings are Gross; European plates may be either, 8.6 % apart, so a
// setting must say which. The zero value is neither.
type Basis uint8

// Bases of a heating value and of an appliance's rating.
const (
	Gross Basis = iota + 1 // higher heating value, Hs
	Net                    // lower heating value, Hi
)

// wattsPerBTUPerH is exact for the international table Btu.
const wattsPerBTUPerH = 0.29307107

// HeatingMJPerKg returns the heating value at 25 C of the ideal gas. The fuel is what
// burns: of a blend, what [Fuel.Vapour] returned, or the liquid if all of it is meant.
// Computed from ATcT 1.112 enthalpies of formation, to 0.001 MJ/kg; blends by mass.
// Trade tables give 0.4 % less for commercial propane.
func (f Fuel) HeatingMJPerKg(basis Basis) (float64, bool) {
	if !f.Known() {
		return 0, false
	}
	propane, butane := f.both()
	switch basis {
	case Gross:
		return f.byMass(propane.grossMJPerKg, butane.grossMJPerKg), true
	case Net:
		return f.byMass(propane.netMJPerKg, butane.netMJPerKg), true
	}
	return 0, false
}

// BurnKgPerH returns the fuel flow that an appliance input of kW takes, kg/h, where the
// input is stated on basis. Any input from 0 to 1e9 kW; exact for the heating value.
func (f Fuel) BurnKgPerH(kW float64, basis Basis) (float64, bool) {
	mJPerKg, ok := f.HeatingMJPerKg(basis)
	if !ok || !within(kW, 0, 1e9) {
		return 0, false
	}
	return 3.6 * kW / mJPerKg, true
}

// HeatKW returns the appliance input that a fuel flow makes, kW on basis, the inverse
// of [Fuel.BurnKgPerH]. Any flow from 0 to 1e9 kg/h.
func (f Fuel) HeatKW(kgPerH float64, basis Basis) (float64, bool) {
	mJPerKg, ok := f.HeatingMJPerKg(basis)
	if !ok || !within(kgPerH, 0, 1e9) {
		return 0, false
	}
	return kgPerH * mJPerKg / 3.6, true
}

// BTUPerH converts kW to Btu/h, international table, for any value.
func BTUPerH(kW float64) float64 { return kW * 1000 / wattsPerBTUPerH }

// KWFromBTUPerH converts Btu/h to kW, international table, for any value.
func KWFromBTUPerH(btuPerH float64) float64 { return btuPerH * wattsPerBTUPerH / 1000 }
