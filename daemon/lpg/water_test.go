package lpg

import (
	"testing"

	"frostline/testdata/reference"
)

// Source: water_saturation.csv (IAPWS SR1-86 over liquid, R14-08 over ice). Tolerances:
// physics.md section 10: 0.26 % over liquid 0..40 C, 0.11 % over ice -40..0 C. The
// supercooled liquid is below the range for which that was stated.
func TestWaterSaturation(t *testing.T) {
	ice, liquid := reference.Pct(t, "over ice kPa", 0.11), reference.Pct(t, "over liquid kPa", 0.26)
	supercooled := reference.Pct(t, "over supercooled liquid kPa", 0.45)
	frac, mg := reference.Pct(t, "water mole fraction", 0.3), reference.Pct(t, "water mg/kg", 1)
	propane := Pure(Propane)
	for _, r := range reference.Rows(t, "water_saturation.csv", 9) {
		at := r.Num("temp_C")
		got, ok := WaterKPa(at)
		if at < 0 {
			ice.That(got, ok, r.Num("e_ice_kPa"), at)
		} else {
			liquid.That(got, ok, r.Num("e_liquid_kPa"), at)
		}
		got, ok = SupercooledWaterKPa(at)
		supercooled.That(got, ok, r.Num("e_liquid_kPa"), at)
		got, ok = MaxWaterMoleFrac(at, reference.Must(t)(propane.BubbleKPa(at)))
		frac.That(got, ok, r.Num("max_water_mole_fraction_in_propane_vapour"), at)
		got, ok = propane.MaxWaterMgPerKg(at)
		mg.That(got, ok, r.Num("max_water_mg_per_kg_propane_vapour"), at) // rounded to 1 mg: 1 % of 47
	}
}

// Source: water_in_propane_handbook.csv, a regulator bulletin that gives 3 1/3 and 1 oz
// where the formula gives 3.28 and 1.01 (physics.md section 7.3).
func TestWaterInTheRegulatorBulletin(t *testing.T) {
	const ouncesPerPound = 16
	ounces := reference.Pct(t, "oz of water in 100 lb of vapour", 2)
	for _, r := range reference.Rows(t, "water_in_propane_handbook.csv", 2) {
		got, ok := Pure(Propane).MaxWaterMgPerKg((r.Num("temp_F") - 32) / 1.8)
		ounces.That(got/1e6*100*ouncesPerPound, ok, r.Num("water_oz_in_vapour_from_100_lb_propane"), r.Num("temp_F"))
	}
}

// Source: hydrate_propane.csv. The recommended line is the formula itself, printed to
// 0.01 K (coefficients from memory); the second column is an independent model, of
// which the water branch is within 1 K and the ice branch up to 4.8 K colder.
func TestHydrateThreshold(t *testing.T) {
	line := reference.Abs(t, "hydrate C", 0.0051)
	water := reference.Abs(t, "hydrate C against the model, water branch", 1)
	ice := reference.Span(t, "hydrate C against the model, ice branch", -4.8, 0, false)
	for _, r := range reference.Rows(t, "hydrate_propane.csv", 9) {
		kPa := r.Num("propane_pressure_kPa_abs")
		got, ok := HydrateC(kPa)
		line.That(got, ok, r.Num("t_hydrate_recommended_C"), kPa)
		model := water
		if kPa <= hydrateIceKPa {
			model = ice
		}
		model.That(got, ok, r.Num("t_klauda_sandler_C"), kPa)
	}

	// Quadruple points, from memory (Sloan): 273.1 K at 172 kPa, 278.8 K at 556 kPa, with
	// the 1 K that physics.md section 7.2 allows: the ice branch reaches 0 C at 178.7 kPa.
	// Yasuda and Ohmura's lowest point, 41.0 kPa near 243 K, is from the abstract.
	published := reference.Abs(t, "hydrate C at published points", 1)
	for kPa, wantC := range map[float64]float64{172: 273.1 - 273.15, 556: 5.65, 41.0: 243.15 - 273.15, 800: 5.65} {
		got, ok := HydrateC(kPa)
		published.That(got, ok, wantC, kPa)
	}
}

// The seat's threshold is ice below the quadruple point, never falls as pressure rises,
// and stays within 0 to 5.65 C.
func TestSolidThresholdRisesFromIceToTheCap(t *testing.T) {
	before := 0.0
	for kPa := 0.0; kPa <= 2200; kPa += 2.5 {
		got, ok := SolidC(kPa)
		if !ok || got < before || got > 5.6501 {
			t.Fatalf("at %g kPa: %g %v, want %g to 5.65", kPa, got, ok, before)
		}
		if kPa <= 178 && got != 0 {
			t.Fatalf("at %g kPa: %g, want ice at 0", kPa, got)
		}
		before = got
	}
	if before < 5.649 {
		t.Errorf("the cap is %g, want 5.65", before)
	}
}
