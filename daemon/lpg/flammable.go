package lpg

// A FlammableTable names a source of flammable limits. They differ by a fifth, so a
// reading in percent of the lower limit must say whose. The zero value is neither.
type FlammableTable uint8

// Sources of flammable limits. IEC60079 is the stricter: its lower limits are lower,
// so the same gas is a greater part of them.
const (
	NFPA497  FlammableTable = iota + 1 // NFPA 497-2008
	IEC60079                           // IEC 60079-20-1:2010
)

// LowerLimitPctVol returns the lower flammable limit (LEL) in air, percent by volume,
// of gas of the fuel's composition. Exactly the table's for a pure substance; for a
// blend by Le Chatelier's rule, 1/sum(y/L), from memory; no table here checks it.
func (f Fuel) LowerLimitPctVol(table FlammableTable) (float64, bool) {
	propane, butane, ok := f.flammable(table)
	if !ok {
		return 0, false
	}
	return f.leChatelier(propane.lowerPctVol, butane.lowerPctVol), true
}

// UpperLimitPctVol returns the upper flammable limit (UEL) in air, as
// [Fuel.LowerLimitPctVol].
func (f Fuel) UpperLimitPctVol(table FlammableTable) (float64, bool) {
	propane, butane, ok := f.flammable(table)
	if !ok {
		return 0, false
	}
	return f.leChatelier(propane.upperPctVol, butane.upperPctVol), true
}

func (f Fuel) flammable(table FlammableTable) (propane, butane limits, ok bool) {
	if !f.Known() || table != NFPA497 && table != IEC60079 {
		return limits{}, limits{}, false
	}
	p, b := f.both()
	return p.flammablePctVol[table-1], b.flammablePctVol[table-1], true
}

// leChatelier mixes limits by mole fraction: each part uses up its share of its own.
func (f Fuel) leChatelier(propanePctVol, butanePctVol float64) float64 {
	switch f.propaneMoleFrac {
	case 0:
		return butanePctVol
	case 1:
		return propanePctVol
	}
	y := f.propaneMoleFrac
	return 1 / (y/propanePctVol + (1-y)/butanePctVol)
}
