package lpg

import (
	"testing"

	"frostline/testdata/reference"
)

// Source: filling_density.csv, WAC 296-307-41037 table U-4, both ends of each band. The
// columns for larger and buried containers are no van's, and not in lpg.
func TestFillingDensity(t *testing.T) {
	limit := reference.Abs(t, "percent of water capacity", 0)
	for _, r := range reference.Rows(t, "filling_density.csv", 13) {
		for _, end := range []string{"sg_from", "sg_to"} {
			got, ok := FillingDensityPct(r.Num(end))
			limit.That(got, ok, r.Num("aboveground_0_1200_gal_percent"), r.Num(end))
		}
	}
	for _, gravity := range []float64{0.495, 0.601, -1} {
		if got, ok := FillingDensityPct(gravity); ok {
			t.Errorf("specific gravity %g: %g %%, want refused", gravity, got)
		}
	}
}

// A 20 lb cylinder: 47.6 lb of water, 9.07 kg at 42 %; how full that is (physics.md
// section 4.3 and the second comment line of filling_density.csv, from the EOS, 21.6 L).
func TestTwentyPoundCylinder(t *testing.T) {
	propane := Pure(Propane)
	limit := reference.Abs(t, "fill limit kg", 0.005)
	got, ok := propane.FillLimitKg(47.6 * 0.45359237 / 999.016 * 1000)
	limit.That(got, ok, 9.07)

	full := reference.Abs(t, "percent liquid", 0.06)
	for at, want := range map[float64]float64{0: 79.4, 20: 84.0, 50: 93.5, 60: 98.1} {
		got, ok := propane.LiquidPct(9.07, at, 21.6)
		full.That(got, ok, want, at)
	}
	gallons := reference.Abs(t, "gal at 60 F", 0.006)
	got, ok = propane.LiquidL(9.07, fahrenheit60C)
	gallons.That(got/3.785411784, ok, 4.73)
}

// OSHA 29 CFR 1910.110(b)(19): from 40 to 60 F propane of 0.510 swells by 1.031.
func TestVolumeCorrection(t *testing.T) {
	factor := reference.Abs(t, "volume at 60 F over that at 40 F", 0.001)
	warm, _ := Pure(Propane).LiquidL(1, fahrenheit60C)
	cold, ok := Pure(Propane).LiquidL(1, 40.0/9)
	factor.That(warm/cold, ok, 1.031)
}

// Source: properties_60F_handbook.csv, the columns from the EOS, to their printed
// digits. The trade columns are commercial gas and no check of a pure substance. The
// latent heat of n-butane is allowed 0.3 Btu/lb: the table's 165.6 is that of 0 C in
// sat_nbutane.csv, where the boiling point is -0.5 C and would give 165.8.
func TestPropertiesAt60F(t *testing.T) {
	const kgPerLb, lPerGal, kJPerKgPerBtuPerLb = 0.45359237, 3.785411784, 2.326
	found := 0
	for _, r := range reference.Rows(t, "properties_60F_handbook.csv", 16) {
		for column, f := range map[string]Fuel{"propane_EOS_pure": Pure(Propane), "n_butane_EOS_pure": Pure(NButane)} {
			property := r.Cell["property"] + ", " + r.Cell["unit"]
			density := reference.Must(t)(f.LiquidKgPerM3(fahrenheit60C))
			boilingC := reference.Must(t)(f.BubbleC(101.325))
			gross := reference.Must(t)(f.HeatingMJPerKg(Gross))
			gauge := func(fahrenheit float64) float64 {
				return (reference.Must(t)(f.BubbleKPa((fahrenheit-32)/1.8)) - 101.325) / 6.894757
			}
			want := map[string]struct{ got, tol float64 }{
				"liquid_specific_gravity, water=1":       {f.SpecificGravity60F(), 6e-5},
				"liquid_density, lb/gal":                 {density / 1000 * lPerGal / kgPerLb, 3e-4},
				"liquid_density, kg/m3":                  {density, 0.03},
				"boiling_point_1_atm, F":                 {32 + 1.8*boilingC, 0.051},
				"gross_heat_of_gas, Btu/lb":              {gross * 1000 / kJPerKgPerBtuPerLb, 0.6},
				"gross_heat, Btu/gal":                    {gross * density * lPerGal / 1.05505585, 6},
				"latent_heat_at_boiling_point, Btu/lb":   {reference.Must(t)(f.LatentKJPerKg(boilingC)) / kJPerKgPerBtuPerLb, 0.3},
				"liquid_heat_capacity, Btu/lb.F at 60 F": {reference.Must(t)(f.LiquidCpKJPerKgK(fahrenheit60C)) / 4.1868, 0.0026 * 0.63},
				"vapour_pressure_70F, psig":              {gauge(70), 0.06},
				"vapour_pressure_100F, psig":             {gauge(100), 0.06},
			}
			w, ours := want[property]
			if !ours {
				continue
			}
			found++
			if d := w.got - r.Num(column); d < -w.tol || d > w.tol {
				t.Errorf("%s of %s: got %g, want %g within %g", property, column, w.got, r.Num(column), w.tol)
			}
		}
	}
	if found != 20 {
		t.Errorf("compared %d values, want 20: ten properties of two substances", found)
	}
}

// Source: cylinder_transient_examples.csv, whose heat capacities include the wall.
// Tolerance 0.1 %; cp is
// within 0.26 % anywhere in its range.
func TestHeatCapacityOfAClosedCylinder(t *testing.T) {
	heat := reference.Pct(t, "J/K of contents and wall", 0.1)
	for _, r := range reference.Rows(t, "cylinder_transient_examples.csv", 7) {
		kg, at := r.Num("initial_contents_kg"), r.Num("initial_liquid_temp_C")
		got, ok := Pure(Propane).TwoPhaseJPerK(at, kg, 1000*r.Num("cylinder_volume_m3"))
		heat.That(got+r.Num("wall_heat_capacity_J_K"), ok, r.Num("initial_heat_capacity_J_K"), kg, at)
	}
}

// The mass is divided so that both parts fill the vessel, and nearly empty the heat
// capacity is well above mass times cp, up to twice (physics.md section 6.3).
func TestLiquidAndVapourFillTheVessel(t *testing.T) {
	for _, f := range []Fuel{Pure(Propane), Pure(Isobutane), blend(t, 0.6, NButane)} {
		for _, kg := range []float64{0.5, 2, 9} {
			liquidKg, vapourKg, ok := f.SplitKg(10, kg, 21.6)
			liquid, vapour := reference.Must(t)(f.LiquidKgPerM3(10)), reference.Must(t)(f.VapourKgPerM3(10))
			volumeL := 1000 * (liquidKg/liquid + vapourKg/vapour)
			if !ok || liquidKg < 0 || vapourKg < 0 || volumeL < 21.5999 || volumeL > 21.6001 || liquidKg+vapourKg != kg {
				t.Errorf("%g kg: %g liquid, %g vapour, %g L, %v; want 21.6 L", kg, liquidKg, vapourKg, volumeL, ok)
			}
		}
		low := reference.Must(t)(f.TwoPhaseJPerK(10, 1, 21.6)) / 1000
		high := reference.Must(t)(f.TwoPhaseJPerK(10, 9, 21.6)) / 9 / 1000
		cp := reference.Must(t)(f.LiquidCpKJPerKgK(10))
		if low < 1.1*cp || low > 2*cp || high < 0.95*cp || high > 1.05*cp {
			t.Errorf("heat capacity per kg: %g nearly empty, %g full, cp %g", low, high, cp)
		}
	}
}
