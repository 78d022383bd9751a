package supply

import (
	"math"
	"testing"

	"frostline/testdata/reference"

	"frostline/daemon/lpg"
)

// usual is the regulator that the tables compute with.
func usual(r reference.Row, column string) Regulator {
	r.T.Helper()
	body := BodyWPerK
	if column != "" {
		body = r.Num(column)
	}
	return Regulator{TwoStage: r.Num("stages") == 2, BodyWPerK: body, LeastGaugeKPa: LeastInletGaugeKPa}
}

// Source: regulator_examples.csv, Lemmon, McLinden, Wagner 2009. Tolerances: throttling
// 0.33 K (physics.md 2), of which at most its share reaches the body; the rest print
// rounding and 0.3 % of the water tables.
func TestRegulatorExamples(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	in, out := reference.Pct(t, "cylinder kPa", 0.01), reference.Abs(t, "outlet kPa", 0.001)
	throttled, body := reference.Abs(t, "behind the first seat C", 0.33), reference.Abs(t, "body C", 0.1)
	rate := reference.Pct(t, "gas capacity rate W/K", 0.3)
	solid := reference.Abs(t, "solid threshold C", 0.0051)
	bound, margin := reference.Abs(t, "adiabatic margin K", 0.33), reference.Abs(t, "seat margin K", 0.1)
	water, deposit := reference.Pct(t, "water mole fraction", 0.3), reference.Span(t, "deposit g/h", -0.001, 0.001, false)
	dew := reference.Abs(t, "frost or dew point C", 0.03)
	for _, r := range reference.Rows(t, "regulator_examples.csv", 8) {
		at, airC := r.Num("liquid_temp_C"), r.Num("locker_air_C")
		reg := usual(r, "UA_regulator_W_K")
		atmKPa := reference.Must(t)(lpg.AtmosphereKPa(r.Num("altitude_m")))
		inlet := Inlet{LiquidTempC: at, AirTempC: airC, AirKPa: atmKPa, FlowKgPerH: r.Num("flow_kg_h")}
		s, ok := reg.Seat(propane, inlet)
		kPa, okKPa := propane.BubbleKPa(at)
		in.That(kPa, okKPa, r.Num("cylinder_pressure_kPa_abs"), r.Cell["case"])
		out.That(reg.outletKPa(atmKPa), true, r.Num("first_seat_outlet_pressure_kPa_abs"), r.Cell["case"])
		throttled.That(s.ThrottledC, ok, r.Num("t_after_first_seat_C"), r.Cell["case"])
		// What the gas takes up is what the air gives: UA (air - body) = C (body - throttled).
		rate.That(reg.BodyWPerK*(airC-s.BodyC)/(s.BodyC-s.ThrottledC), ok, r.Num("gas_capacity_rate_W_K"), r.Cell["case"])
		body.That(s.BodyC, ok, r.Num("t_body_C"), r.Cell["case"])
		solid.That(s.SolidC, ok, r.Num("t_solid_threshold_C"), r.Cell["case"])
		bound.That(s.AdiabaticK, ok, r.Num("margin_adiabatic_K"), r.Cell["case"])
		margin.That(s.MarginK, ok, r.Num("margin_body_K"), r.Cell["case"])
		frac, okFrac := lpg.MaxWaterMoleFrac(at, kPa)
		water.That(frac, okFrac, r.Num("max_water_mole_fraction"), r.Cell["case"])
		deposit.That(s.DepositGPerH, ok, r.Num("max_solid_deposit_g_h"), r.Cell["case"])

		// The bubble pressure, measured, is the same to the seat.
		inlet.CylinderKPa = kPa
		if again, ok := reg.Seat(propane, inlet); !ok || again != s {
			t.Errorf("case %s with its pressure measured: %+v, want %+v", r.Cell["case"], again, s)
		}
		if r.Cell["locker_RH_percent"] == "" {
			continue // the table says nothing of the outside then
		}
		pct := r.Num("locker_RH_percent")
		got, ok := Settles(s.BodyC, airC, pct)
		if !ok || string(got) != r.Cell["outside_of_body"] {
			t.Errorf("case %s: %q settles, want %s", r.Cell["case"], got, r.Cell["outside_of_body"])
		}
		dew.That(settlesBelowC(t, airC, pct), true, r.Num("frost_or_dew_point_C"), r.Cell["case"])
	}
}

// settlesBelowC finds by halving the warmest body on which something settles.
func settlesBelowC(t *testing.T, airC, humidityPct float64) float64 {
	t.Helper()
	low, high := -40.0, 40.0
	for range 50 {
		mid := (low + high) / 2
		got, ok := Settles(mid, airC, humidityPct)
		if !ok {
			t.Fatalf("refused at %g C", mid)
		}
		if got == Dry {
			high = mid
		} else {
			low = mid
		}
	}
	return low
}

// Source: scenarios.csv, the regulator at the end of the chain: the seat of the liquid as
// the table has it. Tolerances as of the examples.
func TestScenariosEndAtTheRegulator(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	throttled, body := reference.Abs(t, "behind the first seat C", 0.33), reference.Abs(t, "body C", 0.1)
	solid := reference.Abs(t, "solid threshold C", 0.0051)
	bound, margin := reference.Abs(t, "adiabatic margin K", 0.33), reference.Abs(t, "seat margin K", 0.1)
	for _, r := range reference.Rows(t, "scenarios.csv", 2) {
		s, ok := usual(r, "").Seat(propane, Inlet{
			LiquidTempC: r.Num("liquid_temp_C"), AirTempC: r.Num("locker_air_C"), FlowKgPerH: r.Num("flow_kg_h"),
			AirKPa: reference.Must(t)(lpg.AtmosphereKPa(r.Num("altitude_m"))),
		})
		throttled.That(s.ThrottledC, ok, r.Num("t_after_first_seat_C"), r.Cell["case"])
		body.That(s.BodyC, ok, r.Num("t_body_C"), r.Cell["case"])
		solid.That(s.SolidC, ok, r.Num("t_solid_threshold_C"), r.Cell["case"])
		bound.That(s.AdiabaticK, ok, r.Num("margin_adiabatic_K"), r.Cell["case"])
		margin.That(s.MarginK, ok, r.Num("margin_body_K"), r.Cell["case"])
	}
}

// Source: blend_snapshots.csv, GERG-2008: a blend's threshold is that of the propane in its
// vapour, ice where hydrate needs more cold. Tolerances of lpg's test of the table.
func TestSeatOfABlend(t *testing.T) {
	solid, throttled := reference.Abs(t, "solid threshold C", 0.05), reference.Span(t, "behind the first seat C", -0.75, 0.05, false)
	for _, r := range reference.Rows(t, "blend_snapshots.csv", 5) {
		w := r.Num("propane_mass_fraction")
		f, _ := lpg.BlendByMass(w, lpg.NButane)
		reg, in := still()
		in.LiquidTempC, in.AirKPa = r.Num("liquid_temp_C"), reference.Must(t)(lpg.AtmosphereKPa(r.Num("altitude_m")))
		s, ok := reg.Seat(f, in)
		solid.That(s.SolidC, ok, max(0, r.Num("t_hydrate_C")), w, in.LiquidTempC)
		throttled.That(s.ThrottledC, ok, r.Num("t_after_single_stage_C"), w, in.LiquidTempC)
	}
}

// A cold blend expands to below its own range of -40 C, and its seat is still told.
func TestSeatOfAColdBlend(t *testing.T) {
	f, _ := lpg.BlendByMass(0.9, lpg.NButane)
	reg, in := still()
	in.LiquidTempC, in.AirTempC, in.AirKPa = -39, -35, 60
	if s, ok := reg.Seat(f, in); !ok || s.ThrottledC >= lpg.MinBlendTempC || s.Risk() != LikelyIfWet {
		t.Errorf("%+v %v, want a seat below -40 C, likely if wet", s, ok)
	}
}

// still is a regulator and its inlet as on a mild day: 5 C of liquid, half a kilogram an hour.
func still() (Regulator, Inlet) {
	return Regulator{BodyWPerK: BodyWPerK, LeastGaugeKPa: LeastInletGaugeKPa},
		Inlet{LiquidTempC: 5, AirTempC: 10, AirKPa: 101.325, FlowKgPerH: 0.5}
}

// Two stages warm the first seat by 1.2 to 2 K (about 1.5, physics.md 7.1), and by
// nothing like what ice would need.
func TestTwoStagesHardlyWarmTheFirstSeat(t *testing.T) {
	reg, in := still()
	for at := -20.0; at <= 40; at += 5 {
		in.LiquidTempC = at
		reg.TwoStage = false
		one, ok1 := reg.Seat(lpg.Pure(lpg.Propane), in)
		reg.TwoStage = true
		two, ok2 := reg.Seat(lpg.Pure(lpg.Propane), in)
		if !ok1 || !ok2 || two.ThrottledC-one.ThrottledC < 1.2 || two.ThrottledC-one.ThrottledC > 2 {
			t.Errorf("liquid at %g C: %g C in two stages, %g in one", at, two.ThrottledC, one.ThrottledC)
		}
	}
}

// A measured body replaces the model's, and with it the margin; the bound stays.
func TestAMeasuredBodyReplacesTheModel(t *testing.T) {
	reg, in := still()
	modelled, ok1 := reg.Seat(lpg.Pure(lpg.Propane), in)
	in.BodyTempC, in.BodyKnown = 7.5, true
	measured, ok2 := reg.Seat(lpg.Pure(lpg.Propane), in)
	want := modelled
	want.BodyC, want.MarginK = 7.5, 7.5-modelled.SolidC
	if !ok1 || !ok2 || measured != want {
		t.Errorf("with the body at 7.5 C: %+v, want %+v", measured, want)
	}
}

// Butane in the fuel lowers the propane that hydrate needs, and so the threshold; a fuel
// without propane can only make ice.
func TestLessPropaneLowersTheThreshold(t *testing.T) {
	reg, in := still()
	before := math.Inf(1)
	for _, frac := range []float64{1, 0.8, 0.5, 0.2} {
		f, _ := lpg.BlendByMass(frac, lpg.NButane)
		s, ok := reg.Seat(f, in)
		if !ok || s.SolidC >= before {
			t.Errorf("%g of propane: threshold %g C %v, want below %g", frac, s.SolidC, ok, before)
		}
		before = s.SolidC
	}
	if s, ok := reg.Seat(lpg.Pure(lpg.NButane), in); !ok || s.SolidC != 0 {
		t.Errorf("n-butane: threshold %g C %v, want ice at 0", s.SolidC, ok)
	}
}

// Rule of physics.md 7.4: likely only where the body itself is too cold, not expected only
// where both margins are clear; a number that is none is never the mild word.
func TestRiskFollowsTheTwoMargins(t *testing.T) {
	for name, tc := range map[string]struct {
		adiabaticK, marginK float64
		want                Risk
	}{
		"the body is below the threshold":         {-9, -0.01, LikelyIfWet},
		"the body is at the threshold":            {-9, 0, PossibleIfWet},
		"only the lip of the seat is cold":        {-9, 8, PossibleIfWet},
		"both are clear by less than is known":    {1.9, 5, PossibleIfWet},
		"both are clear by just what is known":    {2, 2, PossibleIfWet},
		"both are clear":                          {2.1, 2.1, NotExpected},
		"a warm gas and a body barely warm":       {5, 1, PossibleIfWet},
		"neither is a number":                     {math.NaN(), math.NaN(), PossibleIfWet},
		"a cold body in gas that is no number":    {math.NaN(), -1, LikelyIfWet},
		"a warm body and gas that is no number":   {math.NaN(), 9, PossibleIfWet},
		"a body measured colder than its own gas": {5, -3, LikelyIfWet},
	} {
		if got := (Seat{AdiabaticK: tc.adiabaticK, MarginK: tc.marginK}).Risk(); got != tc.want {
			t.Errorf("%s: %s, want %s", name, got, tc.want)
		}
	}
}

// The bound is clear only with warm liquid: at 22.5 C it is at the threshold (physics.md
// 7.4), so by itself it would warn all year.
func TestTheBoundIsAtTheThresholdWithLiquidAtSummer(t *testing.T) {
	reg, in := still()
	bound := reference.Abs(t, "adiabatic margin K", 0.33)
	in.LiquidTempC, in.AirTempC = 22.5, 25
	s, ok := reg.Seat(lpg.Pure(lpg.Propane), in)
	bound.That(s.AdiabaticK, ok, 0)
	in.LiquidTempC = 28
	if s, ok := reg.Seat(lpg.Pure(lpg.Propane), in); !ok || s.Risk() != NotExpected {
		t.Errorf("liquid at 28 C: %s, want %s", s.Risk(), NotExpected)
	}
}

// Unknown humidity is given as saturated: what is colder than the air sweats above 0 C and
// frosts below; a body as warm as its air stays dry above 0 C.
func TestSaturatedAirSettlesOnWhatIsColder(t *testing.T) {
	for name, tc := range map[string]struct {
		bodyC, airC, pct float64
		want             Outside
	}{
		"a cold body on a warm day":  {8, 20, 100, Dew},
		"a body just above freezing": {0.2, 5, 100, Dew},
		"a body below freezing":      {-0.5, 5, 100, Frost},
		"a body as warm as its air":  {10, 10, 100, Dry},
		"a warmer body":              {12, 10, 100, Dry},
		"dry air":                    {1, 20, 10, Dry},
		"air with no water at all":   {-40, 20, 0, Dry},
		"frost in air below zero":    {-12, -10, 100, Frost},
		"the ends of the range":      {-40, 40, 100, Frost},
		"air of half its saturation": {9, 20, 50, Dew},
	} {
		if got, ok := Settles(tc.bodyC, tc.airC, tc.pct); !ok || got != tc.want {
			t.Errorf("%s: %q %v, want %s", name, got, ok, tc.want)
		}
	}
}

// Vapour condenses in a pigtail more than 2 K colder than the liquid, and a temperature
// that is not known says nothing.
func TestAColdPigtailCondenses(t *testing.T) {
	for name, tc := range map[string]struct {
		liquidC, airC float64
		want          bool
	}{
		"3 K colder": {10, 7, true}, "just 2 K colder": {10, 8, false}, "as warm": {10, 10, false},
		"warmer": {-5, 5, false}, "unknown liquid": {math.NaN(), 5, false}, "unknown air": {5, math.NaN(), false},
	} {
		if got := Recondenses(tc.liquidC, tc.airC); got != tc.want {
			t.Errorf("%s: %v, want %v", name, got, tc.want)
		}
	}
}

// What the seat has no data for it refuses, with zeros.
func TestImpossibleSeatsAreRefused(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	propane := lpg.Pure(lpg.Propane)
	mixed, _ := lpg.BlendByMass(0.7, lpg.Isobutane)
	for name, change := range map[string]func(*lpg.Fuel, *Regulator, *Inlet){
		"no fuel":                       func(f *lpg.Fuel, _ *Regulator, _ *Inlet) { *f = lpg.Fuel{} },
		"isobutane":                     func(f *lpg.Fuel, _ *Regulator, _ *Inlet) { *f = lpg.Pure(lpg.Isobutane) },
		"a blend with isobutane":        func(f *lpg.Fuel, _ *Regulator, _ *Inlet) { *f = mixed },
		"liquid too cold":               func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.LiquidTempC = -40.1 },
		"liquid too warm":               func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.LiquidTempC = 50.1 },
		"propane above 1370 kPa":        func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.LiquidTempC = 40.1 },
		"liquid NaN":                    func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.LiquidTempC = nan },
		"pressure NaN":                  func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.CylinderKPa = nan },
		"pressure far above the liquid": func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.CylinderKPa = 700 },
		"nothing to throttle":           func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.CylinderKPa = 104 },
		"a negative pressure":           func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.CylinderKPa = -1 },
		"air NaN":                       func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.AirTempC = nan },
		"air too warm":                  func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.AirTempC = 60.1 },
		"no atmosphere":                 func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.AirKPa = 0 },
		"atmosphere NaN":                func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.AirKPa = nan },
		"no flow":                       func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.FlowKgPerH = 0 },
		"a negative flow":               func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.FlowKgPerH = -0.1 },
		"an endless flow":               func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.FlowKgPerH = inf },
		"flow NaN":                      func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.FlowKgPerH = nan },
		"a body of NaN":                 func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.BodyKnown, in.BodyTempC = true, nan },
		"a body out of range":           func(_ *lpg.Fuel, _ *Regulator, in *Inlet) { in.BodyKnown, in.BodyTempC = true, 61 },
		"a regulator without a body":    func(_ *lpg.Fuel, r *Regulator, _ *Inlet) { r.BodyWPerK = 0 },
		"a body that is a radiator":     func(_ *lpg.Fuel, r *Regulator, _ *Inlet) { r.BodyWPerK = 10.1 },
		"a body's heat NaN":             func(_ *lpg.Fuel, r *Regulator, _ *Inlet) { r.BodyWPerK = nan },
	} {
		f := propane
		reg, in := still()
		change(&f, &reg, &in)
		if s, ok := reg.Seat(f, in); ok || s != (Seat{}) {
			t.Errorf("%s: %+v %v, want refused", name, s, ok)
		}
	}
	for name, c := range map[string][3]float64{
		"a body too cold": {-41, 0, 50}, "a body too warm": {41, 0, 50}, "a body NaN": {nan, 0, 50},
		"air too cold": {0, -41, 50}, "air NaN": {0, nan, 50},
		"a negative humidity": {0, 0, -1}, "more than saturated": {0, 0, 101}, "humidity NaN": {0, 0, nan},
	} {
		if got, ok := Settles(c[0], c[1], c[2]); ok || got != "" {
			t.Errorf("%s: %q %v, want refused", name, got, ok)
		}
	}
}

func TestASeatAllocatesNothing(t *testing.T) {
	reg, in := still()
	mixed, _ := lpg.BlendByMass(0.7, lpg.NButane)
	for _, f := range []lpg.Fuel{lpg.Pure(lpg.Propane), mixed} {
		if n := testing.AllocsPerRun(100, func() {
			if _, ok := reg.Seat(f, in); !ok {
				t.Fatal("refused")
			}
		}); n != 0 {
			t.Errorf("%g allocations, want none", n)
		}
	}
}

func BenchmarkSeat(b *testing.B) {
	reg, in := still()
	mixed, _ := lpg.BlendByMass(0.7, lpg.NButane)
	for name, f := range map[string]lpg.Fuel{"propane": lpg.Pure(lpg.Propane), "blend": mixed} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, ok := reg.Seat(f, in); !ok {
					b.Fatal("refused")
				}
			}
		})
	}
}
