package lpg

import (
	"math"
	"testing"

	"frostline/testdata/reference"
)

// Source: jt_propane_saturated_single_stage.csv, jt_propane_saturated_two_stage.csv and
// jt_propane_superheated.csv (Lemmon, McLinden, Wagner 2009). Tolerance: physics.md
// section 2, 0.33 K.
func TestThrottledPropane(t *testing.T) {
	const tolK = 0.33
	propane := Pure(Propane)

	t.Run("one stage, saturated", func(t *testing.T) {
		out := reference.Abs(t, "throttled C", tolK)
		for _, r := range reference.Rows(t, "jt_propane_saturated_single_stage.csv", 27) {
			at := r.Num("vapour_temp_C")
			got, ok := propane.ThrottledC(at, reference.Must(t)(propane.BubbleKPa(at)), r.Num("outlet_pressure_kPa_abs"))
			out.That(got, ok, r.Num("outlet_temp_C"), at, r.Num("altitude_m"))
		}
	})
	t.Run("two stages, saturated", func(t *testing.T) {
		first, second := reference.Abs(t, "after first stage C", tolK), reference.Abs(t, "after second stage C", tolK)
		rewarmed := reference.Abs(t, "after second stage, rewarmed, C", tolK)
		for _, r := range reference.Rows(t, "jt_propane_saturated_two_stage.csv", 21) {
			at, between, end := r.Num("vapour_temp_C"), r.Num("intermediate_pressure_kPa_abs"), r.Num("outlet_pressure_kPa_abs")
			got, ok := propane.ThrottledC(at, reference.Must(t)(propane.BubbleKPa(at)), between)
			first.That(got, ok, r.Num("temp_after_first_stage_C"), at)
			got, ok = propane.ThrottledC(got, between, end)
			second.That(got, ok, r.Num("temp_after_second_stage_no_rewarming_C"), at)
			got, ok = propane.ThrottledC(at, between, end)
			rewarmed.That(got, ok, r.Num("temp_after_second_stage_gas_rewarmed_to_inlet_temp_C"), at)
		}
	})
	t.Run("superheated", func(t *testing.T) {
		out := reference.Abs(t, "throttled C", tolK)
		for _, r := range reference.Rows(t, "jt_propane_superheated.csv", 33) {
			at, gas := r.Num("liquid_temp_C"), r.Num("gas_temp_at_regulator_C")
			got, ok := propane.ThrottledC(gas, reference.Must(t)(propane.BubbleKPa(at)), r.Num("outlet_pressure_kPa_abs"))
			out.That(got, ok, r.Num("outlet_temp_C"), at, gas)
		}
	})
}

// Source: regulator_examples.csv and scenarios.csv: cylinder pressure, first seat,
// threshold of a solid, water content. The body of the regulator is not lpg's.
func TestRegulatorExamples(t *testing.T) {
	propane := Pure(Propane)
	kPa, out := reference.Pct(t, "cylinder kPa", 0.009), reference.Abs(t, "after first seat C", 0.33)
	flow := reference.Pct(t, "gas capacity rate W/K", 0.3)
	solid, water := reference.Abs(t, "solid threshold C", 0.01), reference.Pct(t, "water mole fraction", 0.3)
	for _, r := range reference.Rows(t, "regulator_examples.csv", 8) {
		at := r.Num("liquid_temp_C")
		p, ok := propane.BubbleKPa(at)
		kPa.That(p, ok, r.Num("cylinder_pressure_kPa_abs"), at)
		got, ok := propane.ThrottledC(at, p, r.Num("first_seat_outlet_pressure_kPa_abs"))
		out.That(got, ok, r.Num("t_after_first_seat_C"), at)
		// The flow's heat capacity, W/K, of the gas as it leaves the seat.
		got, ok = propane.GasCpKJPerKgK(r.Num("t_after_first_seat_C"), r.Num("first_seat_outlet_pressure_kPa_abs"))
		flow.That(got*r.Num("flow_kg_h")/3.6, ok, r.Num("gas_capacity_rate_W_K"), at)
		got, ok = SolidC(p)
		solid.That(got, ok, r.Num("t_solid_threshold_C"), at)
		got, ok = MaxWaterMoleFrac(at, p)
		water.That(got, ok, r.Num("max_water_mole_fraction"), at)
	}
	for _, r := range reference.Rows(t, "scenarios.csv", 2) {
		at, atm := r.Num("liquid_temp_C"), reference.Must(t)(AtmosphereKPa(r.Num("altitude_m")))
		p, ok := propane.BubbleKPa(at)
		// The temperature is printed to 0.01 K, which is 0.04 % of pressure.
		if want := r.Num("cylinder_pressure_kPa_abs"); !ok || p < 0.9995*want || p > 1.0005*want {
			t.Errorf("scenario at %g C: %g kPa, want %g", at, p, want)
		}
		outKPa := atm + ApplianceGaugeKPa
		if r.Cell["stages"] == "2" {
			outKPa = atm + 69
		}
		got, ok := propane.ThrottledC(at, p, outKPa)
		out.That(got, ok, r.Num("t_after_first_seat_C"), at)
		got, ok = SolidC(p)
		solid.That(got, ok, r.Num("t_solid_threshold_C"), at)
	}
}

// A regulator whose liquid is at 13.56 C breathes out gas at 0 C, and in two stages one
// at 11.27 C (physics.md section 7.1). The outlet moves 0.66 K for each kelvin inside.
func TestOutletAtTheFreezingPoint(t *testing.T) {
	propane := Pure(Propane)
	freezing := reference.Abs(t, "outlet C", 0.33)
	for inC, outKPa := range map[float64]float64{13.56: 104.065, 11.27: 170.325} {
		got, ok := propane.ThrottledC(inC, reference.Must(t)(propane.BubbleKPa(inC)), outKPa)
		freezing.That(got, ok, 0, inC)
	}
}

// Gas cools in a valve, more from a higher pressure, and with no drop not at all.
func TestThrottlingCoolsAlways(t *testing.T) {
	for _, butane := range []Substance{NButane, Isobutane} {
		for _, frac := range []float64{0, 0.2, 0.5, 0.8, 1} {
			f := blend(t, frac, butane)
			for at := -20.0; at <= 50; at += 10 {
				inKPa := reference.Must(t)(f.BubbleKPa(at))
				if inKPa > maxGasKPa {
					continue // refused, see TestOutOfRangeIsRefused
				}
				same, ok := f.ThrottledC(at, inKPa, inKPa)
				if !ok || math.Abs(same-at) > 1e-9 {
					t.Errorf("%g at %g C without a drop: %g %v, want %g", frac, at, same, ok, at)
				}
				before := at
				for _, part := range []float64{0.8, 0.6, 0.4, 0.2} {
					out, ok := f.ThrottledC(at, inKPa, part*inKPa)
					if !ok || out >= before {
						t.Errorf("%g at %g C to %g of %g kPa: %g %v, want below %g", frac, at, part, inKPa, out, ok, before)
					}
					before = out
				}
			}
		}
	}
}

// The slope of the enthalpy, on which Newton's steps and the heat capacity of gas rest,
// is that of the enthalpy; at high pressure too, where its last terms count.
func TestEnthalpySlopeIsItsDerivative(t *testing.T) {
	slope := reference.Pct(t, "dh/dT", 1e-4)
	for _, f := range []Fuel{Pure(Propane), Pure(NButane), blend(t, 0.5, Isobutane)} {
		h := f.blended()
		for _, mPa := range []float64{0.02, 0.5, 1.37} {
			for _, tempK := range []float64{230.0, 270, 310} {
				below, _ := h.at(tempK-0.01, mPa)
				above, _ := h.at(tempK+0.01, mPa)
				_, got := h.at(tempK, mPa)
				slope.That(got, true, (above-below)/0.02, tempK, mPa)
			}
		}
	}
}

// In the coldest corner of the range the outlet stays where the enthalpy still holds.
func TestColdestOutlet(t *testing.T) {
	for _, s := range []Substance{Propane, NButane, Isobutane} {
		f := Pure(s)
		got, ok := f.ThrottledC(MinTempC, overSaturation*reference.Must(t)(f.BubbleKPa(MinTempC)), 0.01)
		if !ok || got < -54 || got > MinTempC {
			t.Errorf("substance %d from the coldest gas to nothing: %g %v, want -54 to -50", s, got, ok)
		}
	}
}
