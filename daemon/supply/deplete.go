package supply

import (
	"math"

	"frostline/daemon/lpg"
)

// depleteStep bounds the share of the contents that one step of [Deplete] takes.
const depleteStep = 0.02

// Deplete returns the liquid that is left after drawnKg of vapour have been taken at tempC
// from contentsKg. Vapour is richer in propane than its liquid, so a blend loses propane; a
// pure substance stays what it is. Range: tempC as [lpg.Fuel.BubbleKPa], contents above 0,
// drawn from 0 to less than the contents. It follows blend_depletion.csv (GERG-2008) within
// 0.003 of the mass fraction. It allocates nothing.
//
// Source: dx/dn = (y - x)/n, by mass; the vapour that stands in the cylinder is counted as
// liquid: less than a hundredth of what a full cylinder holds, and most of the last.
func Deplete(f lpg.Fuel, tempC, contentsKg, drawnKg float64) (lpg.Fuel, bool) {
	if _, ok := f.Vapour(tempC); !ok || !(contentsKg > 0) || math.IsInf(contentsKg, 1) || !(drawnKg >= 0) || drawnKg >= contentsKg {
		return lpg.Fuel{}, false
	}
	if f.PropaneMassFrac() == 0 || f.PropaneMassFrac() == 1 {
		return f, true
	}
	// In shares of the contents, so that no rounding of kilograms keeps the end from coming.
	end := 1 - drawnKg/contentsKg
	if !(end > 0) {
		return lpg.Fuel{}, false
	}
	for left := 1.0; left > end; {
		take := min(left-end, depleteStep*left)
		gas, _ := f.Vapour(tempC)
		mid, ok := withdraw(f, gas, left, take/2)
		if !ok {
			return lpg.Fuel{}, false
		}
		if gas, ok = mid.Vapour(tempC); !ok {
			return lpg.Fuel{}, false
		}
		if f, ok = withdraw(f, gas, left, take); !ok {
			return lpg.Fuel{}, false
		}
		left -= take
	}
	return f, true
}

// withdraw takes gas out of f, in shares of what there was.
func withdraw(f, gas lpg.Fuel, from, take float64) (lpg.Fuel, bool) {
	propane := f.PropaneMassFrac()*from - gas.PropaneMassFrac()*take
	return lpg.BlendByMass(min(max(propane/(from-take), 0), 1), f.Butane())
}
