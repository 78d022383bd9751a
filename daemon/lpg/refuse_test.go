package lpg

import (
	"math"
	"testing"
)

// Every function of temperature refuses what it has no data for, and returns 0 then.
func TestOutOfRangeIsRefused(t *testing.T) {
	propane, mixed := Pure(Propane), blend(t, 0.6, NButane)
	nan, inf := math.NaN(), math.Inf(1)
	tooCold, tooHot := -50.01, 60.01
	ofTemp := map[string]func(Fuel, float64) (float64, bool){
		"BubbleKPa": Fuel.BubbleKPa, "LiquidKgPerM3": Fuel.LiquidKgPerM3, "VapourKgPerM3": Fuel.VapourKgPerM3,
		"LatentKJPerKg": Fuel.LatentKJPerKg, "WithdrawalKJPerKg": Fuel.WithdrawalKJPerKg,
		"LiquidCpKJPerKgK": Fuel.LiquidCpKJPerKgK, "VapourCpKJPerKgK": Fuel.VapourCpKJPerKgK,
		"PropaneKPa": Fuel.PropaneKPa, "MaxWaterMgPerKg": Fuel.MaxWaterMgPerKg,
		"Vapour": func(f Fuel, c float64) (float64, bool) {
			gas, ok := f.Vapour(c)
			return gas.PropaneMassFrac(), ok
		},
		"VapourKJPerKg": func(f Fuel, c float64) (float64, bool) { return f.VapourKJPerKg(c, 50) },
		"GasCpKJPerKgK": func(f Fuel, c float64) (float64, bool) { return f.GasCpKJPerKgK(c, 50) },
		"ThrottledC":    func(f Fuel, c float64) (float64, bool) { return f.ThrottledC(c, 50, 40) },
		"TwoPhaseJPerK": func(f Fuel, c float64) (float64, bool) { return f.TwoPhaseJPerK(c, 5, 21.6) },
		"LiquidL":       func(f Fuel, c float64) (float64, bool) { return f.LiquidL(5, c) },
		"LiquidPct":     func(f Fuel, c float64) (float64, bool) { return f.LiquidPct(5, c, 21.6) },
	}
	for name, of := range ofTemp {
		for what, got := range map[string]func() (float64, bool){
			"propane below range": func() (float64, bool) { return of(propane, tooCold) },
			"propane above range": func() (float64, bool) { return of(propane, tooHot) },
			"propane at NaN":      func() (float64, bool) { return of(propane, nan) },
			"propane at infinity": func() (float64, bool) { return of(propane, inf) },
			"blend below range":   func() (float64, bool) { return of(mixed, -40.01) },
			"blend above range":   func() (float64, bool) { return of(mixed, 50.01) },
			"unset fuel":          func() (float64, bool) { return of(Fuel{}, 0) },
		} {
			if v, ok := got(); ok || v != 0 {
				t.Errorf("%s, %s: %g %v, want 0 and refused", name, what, v, ok)
			}
		}
		if v, ok := of(propane, 0); !ok || !(v > -100) {
			t.Errorf("%s of propane at 0 C: %g %v, want a value", name, v, ok)
		}
	}
}

// Arguments other than the fuel's temperature are refused the same way.
func TestImpossibleArgumentsAreRefused(t *testing.T) {
	propane := Pure(Propane)
	nan, inf := math.NaN(), math.Inf(1)
	type result struct {
		v  float64
		ok bool
	}
	of := func(v float64, ok bool) result { return result{v, ok} }
	for name, got := range map[string]result{
		"pressure below range":            of(propane.BubbleC(70)),
		"pressure above range":            of(propane.BubbleC(2120)),
		"pressure NaN":                    of(propane.BubbleC(nan)),
		"pressure of no fuel":             of(Fuel{}.BubbleC(200)),
		"throttling liquid":               of(propane.ThrottledC(0, 1.16*474.458, 104)),
		"throttling hot propane":          of(propane.ThrottledC(50, 1713, 104)),
		"throttling to a higher pressure": of(propane.ThrottledC(0, 200, 201)),
		"throttling to nothing":           of(propane.ThrottledC(0, 200, 0)),
		"throttling to NaN":               of(propane.ThrottledC(0, 200, nan)),
		"throttling from NaN":             of(propane.ThrottledC(0, nan, 100)),
		"enthalpy at a negative pressure": of(propane.VapourKJPerKg(0, -1)),
		"a vessel without liquid":         of(propane.TwoPhaseJPerK(0, 0.2, 21.6)),
		"a vessel with too much liquid":   of(propane.TwoPhaseJPerK(0, 12, 21.6)),
		"a vessel without volume":         of(propane.TwoPhaseJPerK(0, 5, 0)),
		"a vessel of NaN":                 of(propane.TwoPhaseJPerK(0, nan, 21.6)),
		"a negative fill":                 of(propane.LiquidL(-1, 0)),
		"a full vessel of no volume":      of(propane.LiquidPct(1, 0, 0)),
		"a fill limit without capacity":   of(propane.FillLimitKg(0)),
		"a fill limit of no fuel":         of(Fuel{}.FillLimitKg(20)),
		"a specific gravity NaN":          of(FillingDensityPct(nan)),
		"a heating value on no basis":     of(propane.HeatingMJPerKg(0)),
		"a heating value of no fuel":      of(Fuel{}.HeatingMJPerKg(Net)),
		"a negative input":                of(propane.BurnKgPerH(-1, Net)),
		"an infinite input":               of(propane.BurnKgPerH(inf, Net)),
		"a flow NaN":                      of(propane.HeatKW(nan, Net)),
		"a limit by no table":             of(propane.LowerLimitPctVol(0)),
		"an upper limit by no table":      of(propane.UpperLimitPctVol(9)),
		"a limit of no fuel":              of(Fuel{}.LowerLimitPctVol(NFPA497)),
		"an altitude above range":         of(AtmosphereKPa(11001)),
		"an altitude NaN":                 of(AtmosphereKPa(nan)),
		"an atmosphere below range":       of(OrificeRatio(10)),
		"water below range":               of(WaterKPa(-40.1)),
		"water above range":               of(WaterKPa(40.1)),
		"water NaN":                       of(WaterKPa(nan)),
		"supercooled water above range":   of(SupercooledWaterKPa(41)),
		"water in vapour of no pressure":  of(MaxWaterMoleFrac(10, 0)),
		"water in vapour at infinity":     of(MaxWaterMoleFrac(10, inf)),
		"hydrate below range":             of(HydrateC(39)),
		"hydrate above range":             of(HydrateC(2201)),
		"hydrate NaN":                     of(HydrateC(nan)),
		"a solid at a negative pressure":  of(SolidC(-1)),
		"a solid at a pressure NaN":       of(SolidC(nan)),
	} {
		if got.ok || got.v != 0 {
			t.Errorf("%s: %g %v, want 0 and refused", name, got.v, got.ok)
		}
	}
}

// A blend needs a butane and a fraction; a fuel that is not one is unset.
func TestWhatIsNoFuelIsUnset(t *testing.T) {
	for name, of := range map[string]func(float64, Substance) (Fuel, bool){
		"mass": BlendByMass, "mole": BlendByMole, "liquid volume": BlendByLiquidVolume60F,
	} {
		for _, c := range []struct {
			frac   float64
			butane Substance
		}{{-0.01, NButane}, {1.01, NButane}, {math.NaN(), NButane}, {0.5, Propane}, {0.5, 0}, {0.5, 4}} {
			if f, ok := of(c.frac, c.butane); ok || f.Known() {
				t.Errorf("by %s, %g propane with substance %d: a fuel, want none", name, c.frac, c.butane)
			}
		}
		if f, ok := of(1, Isobutane); !ok || f != Pure(Propane) {
			t.Errorf("by %s, all propane is %v, want pure propane", name, f)
		}
		if f, ok := of(0, Isobutane); !ok || f != Pure(Isobutane) {
			t.Errorf("by %s, no propane is %v, want pure isobutane", name, f)
		}
	}
	if Pure(0).Known() || Pure(4).Known() || (Fuel{}).Known() {
		t.Error("a fuel of no substance is set")
	}
	if (Fuel{}).SpecificGravity60F() != 0 || (Fuel{}).PropaneLiquidVolume60FFrac() != 0 {
		t.Error("the unset fuel has a composition")
	}
}

// perTick is what the daemon computes each second.
func perTick() map[string]func(f Fuel) (float64, bool) {
	return map[string]func(f Fuel) (float64, bool){
		"BubbleKPa":         func(f Fuel) (float64, bool) { return f.BubbleKPa(-5) },
		"BubbleC":           func(f Fuel) (float64, bool) { return f.BubbleC(300) },
		"LiquidKgPerM3":     func(f Fuel) (float64, bool) { return f.LiquidKgPerM3(-5) },
		"WithdrawalKJPerKg": func(f Fuel) (float64, bool) { return f.WithdrawalKJPerKg(-5) },
		"TwoPhaseJPerK":     func(f Fuel) (float64, bool) { return f.TwoPhaseJPerK(-5, 5, 21.6) },
		"ThrottledC":        func(f Fuel) (float64, bool) { return f.ThrottledC(-5, 300, 104.065) },
		"Vapour": func(f Fuel) (float64, bool) {
			gas, ok := f.Vapour(-5)
			return gas.PropaneMassFrac(), ok
		},
		"SolidC": func(Fuel) (float64, bool) { return SolidC(300) },
	}
}

func TestATickAllocatesNothing(t *testing.T) {
	for _, f := range []Fuel{Pure(Propane), blend(t, 0.7, NButane)} {
		for name, of := range perTick() {
			if _, ok := of(f); !ok {
				t.Errorf("%s refused", name)
			}
			if n := testing.AllocsPerRun(100, func() { of(f) }); n != 0 {
				t.Errorf("%s: %g allocations, want none", name, n)
			}
		}
	}
}

func BenchmarkTick(b *testing.B) {
	mixed, _ := BlendByMass(0.7, NButane)
	for fuelName, f := range map[string]Fuel{"propane": Pure(Propane), "blend": mixed} {
		for name, of := range perTick() {
			b.Run(name+"/"+fuelName, func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, ok := of(f); !ok {
						b.Fatal("refused")
					}
				}
			})
		}
	}
}
