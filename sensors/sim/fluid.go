package sim

import "frostline/daemon/lpg"

// fluid is what the cylinder model needs to know of its contents at one temperature and
// composition. It is refreshed when either has moved, because the correlations cost more
// than the rest of a tick.
type fluid struct {
	bubbleKPa      float64
	withdrawJPerKg float64 // heat taken up per kg of vapour drawn
	contentsJPerK  float64 // liquid and vapour together
	liquidL        float64
	vapourKgPerM3  float64
	vapourPropane  float64 // mass fraction of propane in the vapour drawn
	hasLiquid      bool
}

// properties asks daemon/lpg for all of them. The temperature is held inside the range of
// the correlations: a cylinder does not get colder by its own draw than where it stops
// giving gas, which is warmer than the ends.
func properties(tempC, contentsKg, propaneFrac, volumeL float64) fluid {
	low, high := lpg.MinTempC, lpg.MaxTempC
	if propaneFrac < 1 {
		low, high = lpg.MinBlendTempC, lpg.MaxBlendTempC
	}
	tempC = min(max(tempC, low), high)
	fuel, _ := lpg.BlendByMass(min(max(propaneFrac, 0), 1), lpg.NButane)

	var f fluid
	f.bubbleKPa, _ = fuel.BubbleKPa(tempC)
	f.vapourKgPerM3, _ = fuel.VapourKgPerM3(tempC)
	kJPerKg, _ := fuel.WithdrawalKJPerKg(tempC)
	f.withdrawJPerKg = 1000 * kJPerKg
	vapour, _ := fuel.Vapour(tempC)
	f.vapourPropane = vapour.PropaneMassFrac()
	liquidKg, _, ok := fuel.SplitKg(tempC, contentsKg, volumeL)
	f.hasLiquid = ok && liquidKg > 0
	if !f.hasLiquid {
		// Gas only: its heat capacity is small beside the wall's, and nothing boils.
		f.withdrawJPerKg, f.contentsJPerK = 0, 1700*contentsKg
		return f
	}
	f.contentsJPerK, _ = fuel.TwoPhaseJPerK(tempC, contentsKg, volumeL)
	kgPerM3, _ := fuel.LiquidKgPerM3(tempC)
	f.liquidL = 1000 * liquidKg / kgPerM3
	return f
}

// seat is the gas at the regulator's seat and the ice that can form there (physics.md 7.4).
type seat struct {
	throttledC    float64
	solidC        float64 // warmest temperature at which water or hydrate can freeze
	freezingKgPKg float64 // water that can freeze per kg of wet gas
}

// seatOf throttles saturated vapour to the outlet of a single-stage regulator, 2.74 kPa
// over atmosphere.
func seatOf(tempC, bubbleKPa, airKPa, propaneFrac float64) seat {
	fuel, _ := lpg.BlendByMass(min(max(propaneFrac, 0), 1), lpg.NButane)
	throttled, ok := fuel.ThrottledC(tempC, bubbleKPa, airKPa+2.74)
	if !ok {
		return seat{throttledC: tempC}
	}
	propaneKPa, _ := fuel.PropaneKPa(tempC)
	solidC, _ := lpg.SolidC(propaneKPa)
	carried, _ := lpg.MaxWaterMoleFrac(tempC, bubbleKPa)
	kept, _ := lpg.MaxWaterMoleFrac(throttled, bubbleKPa)
	return seat{throttled, solidC, max(0, 18.015/44.1*(carried-kept))}
}

// netJPerKg is the net heating value of the fuel.
func netJPerKg(propaneFrac float64) float64 {
	fuel, _ := lpg.BlendByMass(min(max(propaneFrac, 0), 1), lpg.NButane)
	mJPerKg, _ := fuel.HeatingMJPerKg(lpg.Net)
	return 1e6 * mJPerKg
}
