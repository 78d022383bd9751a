package supply

import "frostline/daemon/lpg"

const (
	// LeastInletGaugeKPa is the least inlet pressure of a usual low-pressure regulator at
	// its rated flow. Common practice, no source; physics.md 6.3 computes with it.
	LeastInletGaugeKPa = 75.0
	// FirstStageGaugeKPa is what the first of two stages holds, 10 psi. Common practice.
	FirstStageGaugeKPa = 69.0

	// Heat that a regulator's body takes from the air per kelvin, W/K: 0.02 to 0.03 m2 at
	// 9 W/m2K and the pigtail. An assumption; no published value was found.
	LeastBodyWPerK = 0.2
	BodyWPerK      = 0.3
	MostBodyWPerK  = 0.4

	// CautionK is by how much both margins must clear the solid threshold before solids
	// are held for impossible: the threshold is known to 1 K, the throttling to 0.3 K.
	CautionK = 2.0

	waterGPerMol = 18.015
	fuelGPerMol  = 44.1 // propane's, as physics.md 7.4 has it
)

// A Regulator is the first seat that vapour meets on its way from the cylinder. Two stages
// do not warm that seat; they give it a larger orifice.
type Regulator struct {
	TwoStage      bool
	BodyWPerK     float64 // heat from the air, 0.01 to 10 W/K; [BodyWPerK] unless measured
	LeastGaugeKPa float64 // least inlet pressure at which it holds its outlet, 0 to 1000 kPa
}

// An Inlet is what comes to the seat and what stands around it.
type Inlet struct {
	LiquidTempC float64 // in the cylinder; the gas comes as cold as this, the worst case
	CylinderKPa float64 // measured; 0 takes the bubble pressure
	AirTempC    float64 // about the regulator, -50 to 60 C
	AirKPa      float64 // outside, 20 to 110
	FlowKgPerH  float64 // above 0, to 100 kg/h; without flow nothing is throttled
	BodyTempC   float64 // of the body, if BodyKnown: measured, it replaces the model's
	BodyKnown   bool
}

// A Seat is how cold it is where the gas expands, and what could freeze there. Nothing
// here knows whether there is water in the fuel: every statement is "if the fuel is wet".
type Seat struct {
	ThrottledC   float64 // gas just behind the seat, no heat taken up
	BodyC        float64 // of the body that the gas cools and the air warms
	SolidC       float64 // warmest temperature of ice or hydrate at the seat, 0 to 5.65 C
	AdiabaticK   float64 // ThrottledC less SolidC: the bound. Negative below 22.5 C of liquid
	MarginK      float64 // BodyC less SolidC: the estimate, called the seat margin
	DepositGPerH float64 // most that freezes out, if the fuel is saturated with water
}

// Seat returns the state of the first seat. It refuses arguments out of range, an unset
// fuel, a fuel with isobutane (whose own hydrate is not known here), liquid outside -40 to
// 50 C, a cylinder above 1370 kPa (propane at 40 C) or more than 15 % above what its liquid
// explains, and pressures that leave nothing to throttle: the cylinder below the outlet.
//
// ThrottledC has the error of [lpg.Fuel.ThrottledC], SolidC is within 1 K; BodyC rests on
// BodyWPerK, which nobody has published, and is an engineering estimate (+-30 % of the
// difference to the air). Against regulator_examples.csv, with the conductance that it assumes,
// each temperature and margin is within 0.08 K, the deposit within 0.001 g/h. The deposit counts
// every molecule of gas as propane, and is up to a third too high for butane. It allocates nothing.
//
// Source: h(liquid, cylinder) = h(ThrottledC, outlet); BodyC = (UA T_air + m cp
// T_throttled)/(UA + m cp); deposit m (18.015/44.1)(y - e(ThrottledC)/p) at upstream
// pressure, because the expanded gas is unsaturated and deposits on the lip before it.
func (r Regulator) Seat(f lpg.Fuel, in Inlet) (Seat, bool) {
	mixed := f.PropaneMassFrac() < 1
	if mixed && f.Butane() == lpg.Isobutane || !within(in.LiquidTempC, -40, 50) ||
		!within(r.BodyWPerK, 0.01, 10) || !within(in.AirKPa, 20, 110) ||
		!within(in.FlowKgPerH, 0, maxDrawKgPerH) || in.FlowKgPerH == 0 ||
		!within(in.AirTempC, lpg.MinTempC, lpg.MaxTempC) ||
		in.BodyKnown && !within(in.BodyTempC, lpg.MinTempC, lpg.MaxTempC) {
		return Seat{}, false
	}
	gas, ok := f.Vapour(in.LiquidTempC)
	if !ok {
		return Seat{}, false
	}
	cylinderKPa := in.CylinderKPa
	if cylinderKPa == 0 {
		cylinderKPa, _ = f.BubbleKPa(in.LiquidTempC)
	}
	outletKPa := r.outletKPa(in.AirKPa)
	var s Seat
	if s.ThrottledC, ok = gas.ThrottledC(in.LiquidTempC, cylinderKPa, outletKPa); !ok {
		return Seat{}, false
	}
	// The propane of the vapour decides on hydrate; a measured pressure scales its share.
	if s.SolidC, ok = lpg.SolidC(gas.PropaneMoleFrac() * cylinderKPa); !ok {
		return Seat{}, false
	}
	s.BodyC = in.BodyTempC
	if !in.BodyKnown {
		// Gas at the body is as good as that at the coldest outlet the heat capacity is known for.
		kJPerKgK, ok := gas.GasCpKJPerKgK(max(s.ThrottledC, lpg.MinBlendTempC), outletKPa)
		if !ok {
			return Seat{}, false
		}
		gasWPerK := in.FlowKgPerH / secondsPerH * 1000 * kJPerKgK
		s.BodyC = (r.BodyWPerK*in.AirTempC + gasWPerK*s.ThrottledC) / (r.BodyWPerK + gasWPerK)
	}
	s.AdiabaticK, s.MarginK = s.ThrottledC-s.SolidC, s.BodyC-s.SolidC
	s.DepositGPerH = depositGPerH(in.LiquidTempC, s.ThrottledC, cylinderKPa, in.FlowKgPerH)
	return s, true
}

// outletKPa is what stands behind the first seat.
func (r Regulator) outletKPa(airKPa float64) float64 {
	if r.TwoStage {
		return airKPa + FirstStageGaugeKPa
	}
	return airKPa + lpg.ApplianceGaugeKPa
}

// depositGPerH is the water that saturated gas cannot carry past the seat. Colder than the
// water tables it is taken to carry none, which deposits more by less than a hundredth.
func depositGPerH(liquidC, throttledC, kPa, kgPerH float64) float64 {
	carried, ok := lpg.MaxWaterMoleFrac(min(liquidC, 40), kPa)
	if !ok {
		return 0
	}
	kept, _ := lpg.MaxWaterMoleFrac(throttledC, kPa)
	return 1000 * kgPerH * waterGPerMol / fuelGPerMol * max(0, carried-kept)
}

// Risk is the freeze-up risk in words. It is never a number: how wet the fuel is, nobody
// knows.
type Risk string

// The risks, from the least told to the most.
const (
	NotAssessed   Risk = "not-assessed"
	NotExpected   Risk = "not-expected"    // ice not expected at these temperatures; wet fuel and the vent not assessed
	PossibleIfWet Risk = "possible-if-wet" // a cold spot at the seat only, or too near to tell
	LikelyIfWet   Risk = "likely-if-wet"   // the body itself is below the threshold
)

// Risk judges the two margins: solids cannot form where both clear the threshold by
// [CautionK], and can form through the body where its margin is negative. Between, only
// the seat's coldest spot may freeze. Own rule, from physics.md 7.4.
func (s Seat) Risk() Risk {
	switch {
	case s.MarginK < 0:
		return LikelyIfWet
	case s.MarginK > CautionK && s.AdiabaticK > CautionK:
		return NotExpected
	}
	return PossibleIfWet
}

// Outside says what settles on the regulator's outside.
type Outside string

// What may settle. None of it plugs a vent by itself: that needs precipitation, spray or
// slush, which no thermometer tells.
const (
	Dry   Outside = "dry"
	Dew   Outside = "dew"
	Frost Outside = "frost"
)

// Settles says whether dew or frost settles on a body of bodyC in air of airC and a
// relative humidity over liquid water, %. Range -40 to 40 C, 0 to 100 %; a humidity that is
// not known is to be given as 100, saturated, which is what a sweating locker has.
// Source: e = RH e_w(T_air) against the saturation pressure at the body's temperature.
func Settles(bodyC, airC, humidityPct float64) (Outside, bool) {
	airKPa, ok := lpg.SupercooledWaterKPa(airC)
	if !ok || !within(humidityPct, 0, 100) {
		return "", false
	}
	bodyKPa, ok := lpg.WaterKPa(bodyC)
	switch {
	case !ok:
		return "", false
	case airKPa*humidityPct/100 <= bodyKPa:
		return Dry, true
	case bodyC < 0:
		return Frost, true
	}
	return Dew, true
}

// recondensesK is how much colder than the liquid the way to the regulator must be before
// vapour condenses there at no flow (physics.md 7.4).
const recondensesK = 2.0

// Recondenses reports whether vapour that stands still condenses in a pigtail or regulator
// in air of airC: liquid may then stand at the regulator when the next flame is lit.
func Recondenses(liquidC, airC float64) bool { return airC < liquidC-recondensesK }
