package supply

import (
	"math"
	"testing"

	"frostline/testdata/reference"

	"frostline/daemon/lpg"
)

// run steps a cylinder through hours and returns the contents at the end and the hour at
// which the liquid first fell below limitC, NaN if it did not.
func run(
	t *testing.T, c Cylinder, f lpg.Fuel, start Contents, at Conditions, hours, stepS, limitC float64,
) (end Contents, crossedH float64) {
	t.Helper()
	now, crossed := start, math.NaN()
	for s := 0.0; s < hours*3600-1e-3; {
		took := min(stepS, hours*3600-s)
		next, ok := c.Step(f, now, at, took)
		if !ok {
			t.Fatalf("step at %g s from %+v refused", s, now)
		}
		if math.IsNaN(crossed) && next.LiquidTempC < limitC {
			part := (now.LiquidTempC - limitC) / (now.LiquidTempC - next.LiquidTempC)
			crossed = (s + part*took) / 3600
		}
		now, s = next, s+took
	}
	return now, crossed
}

// Source: cylinder_transient_examples.csv, RK4 on the equation of state. Tolerance 0.02
// K: cp is within 0.26 % and the latent heat within 0.033 %.
func TestCylinderCoolsWhileGasIsDrawn(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	limitC := reference.Must(t)(LimitC(propane, 101.325, 75))
	for _, stepS := range []float64{1, 60, 600, 1800} {
		temp, kg := reference.Abs(t, "liquid C at the end", 0.02), reference.Abs(t, "kg at the end", 6e-4)
		kPa, hours := reference.Pct(t, "kPa at the end", 0.1), reference.Abs(t, "hours to 75 kPa gauge", 0.006)
		tau := reference.Pct(t, "time constant min", 0.1)
		for _, r := range reference.Rows(t, "cylinder_transient_examples.csv", 7) {
			c := Cylinder{DiameterM: 0.22, WallM: 0.0026} // any shape: the rows give UA
			c.VolumeL, c.WallJPerK = 1000*r.Num("cylinder_volume_m3"), r.Num("wall_heat_capacity_J_K")
			start := Contents{r.Num("initial_contents_kg"), r.Num("initial_liquid_temp_C")}
			at := Conditions{AirTempC: r.Num("air_temp_C"), UAWPerK: r.Num("UA_W_K"), DrawKgPerH: r.Num("draw_kg_h")}
			jPerK, ok := propane.TwoPhaseJPerK(start.LiquidTempC, start.ContentsKg, c.VolumeL)
			tau.That((jPerK+c.WallJPerK)/at.UAWPerK/60, ok, r.Num("initial_time_constant_min"), r.Cell["case"])

			end, crossed := run(t, c, propane, start, at, r.Num("duration_h"), stepS, limitC)
			temp.That(end.LiquidTempC, true, r.Num("final_liquid_temp_C"), r.Cell["case"], stepS)
			kg.That(end.ContentsKg, true, r.Num("final_contents_kg"), r.Cell["case"], stepS)
			p, ok := propane.BubbleKPa(end.LiquidTempC)
			kPa.That(p, ok, r.Num("final_pressure_kPa_abs"), r.Cell["case"], stepS)
			if r.Cell["hours_until_pressure_below_75_kPa_gauge"] != "" {
				hours.That(crossed, true, r.Num("hours_until_pressure_below_75_kPa_gauge"), r.Cell["case"], stepS)
			} else if !math.IsNaN(crossed) {
				t.Errorf("case %s starves after %g h, want never", r.Cell["case"], crossed)
			}
		}
	}
}

// Source: scenarios.csv, whole chains to the cylinder's pressure; the regulator of the
// chain is in TestScenariosEndAtTheRegulator, its hours by mass beside Endure.
func TestScenarios(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	temp, kg := reference.Abs(t, "liquid C", 0.02), reference.Abs(t, "contents kg", 6e-4)
	gauge, capacity := reference.Pct(t, "gauge kPa", 0.1), reference.Abs(t, "steady capacity kg/h", 6e-4)
	for _, r := range reference.Rows(t, "scenarios.csv", 2) {
		atmKPa := reference.Must(t)(lpg.AtmosphereKPa(r.Num("altitude_m")))
		c := Cylinder{DiameterM: 0.3054, WallM: 0.0026}
		c.VolumeL, c.WallJPerK = 1000*r.Num("cylinder_volume_m3"), r.Num("wall_heat_capacity_J_K")
		start := Contents{r.Num("initial_contents_kg"), r.Num("initial_liquid_temp_C")}
		at := Conditions{AirTempC: r.Num("locker_air_C"), UAWPerK: r.Num("UA_cylinder_W_K"), DrawKgPerH: r.Num("flow_kg_h")}
		limitC := reference.Must(t)(LimitC(propane, atmKPa, 75))
		end, crossed := run(t, c, propane, start, at, r.Num("duration_h"), 10, limitC)
		if r.Cell["hours_until_75_kPa_gauge"] != "" || !math.IsNaN(crossed) {
			t.Errorf("case %s starves after %g h, want never, as the table", r.Cell["case"], crossed)
		}
		temp.That(end.LiquidTempC, true, r.Num("liquid_temp_C"), r.Cell["case"])
		kg.That(end.ContentsKg, true, r.Num("contents_kg"), r.Cell["case"])
		kPa, ok := propane.BubbleKPa(end.LiquidTempC)
		gauge.That(kPa-atmKPa, ok, r.Num("cylinder_pressure_kPa_gauge"), r.Cell["case"])
		got, ok := SteadyKgPerH(propane, at.UAWPerK, at.AirTempC, limitC)
		capacity.That(got, ok, r.Num("steady_capacity_kg_h"), r.Cell["case"])
	}
}

// Left alone, a cylinder of any fuel comes to the temperature of the air and stays.
func TestAnIdleCylinderComesToTheAir(t *testing.T) {
	mixed, ok := lpg.BlendByMass(0.6, lpg.NButane)
	if !ok {
		t.Fatal("no blend")
	}
	c := Cylinder{DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026, WallJPerK: 3600}
	for _, f := range []lpg.Fuel{lpg.Pure(lpg.Propane), lpg.Pure(lpg.Isobutane), mixed} {
		end, _ := run(t, c, f, Contents{5, -20}, Conditions{AirTempC: 15, UAWPerK: 2.5}, 48, 600, -100)
		if math.Abs(end.LiquidTempC-15) > 0.01 || end.ContentsKg != 5 {
			t.Errorf("after two days at 15 C: %+v, want 5 kg at 15 C", end)
		}
	}
}

// With no heat from outside the liquid pays for its own vapour: the fall is the heat of
// withdrawal over the heat capacity, which change by less than 0.05 % within the step.
func TestAnInsulatedCylinderPaysForItsVapour(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	c := Cylinder{DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026, WallJPerK: 3600}
	next, ok := c.Step(propane, Contents{5, 0}, Conditions{AirTempC: 0, DrawKgPerH: 0.36}, 10)
	// 1 g drawn.
	want := -reference.Must(t)(propane.WithdrawalKJPerKg(0)) / (reference.Must(t)(propane.TwoPhaseJPerK(0, 5, 21.6)) + 3600)
	if !ok || math.Abs(next.LiquidTempC-want) > 5e-4*math.Abs(want) {
		t.Errorf("after 1 g: %+v %v, want %g C", next, ok, want)
	}
}

// The limit lies at capacity: drawing just that much for ever ends at the limit.
func TestDrawingTheCapacityEndsAtTheLimit(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	c := Cylinder{DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026, WallJPerK: 3600}
	limitC := reference.Must(t)(LimitC(propane, 101.325, 75))
	draw := reference.Must(t)(SteadyKgPerH(propane, 3, 0, limitC))
	now := Contents{9, limitC}
	for range 60 {
		next, ok := c.Step(propane, now, Conditions{AirTempC: 0, UAWPerK: 3, DrawKgPerH: draw}, 60)
		if !ok {
			t.Fatal("refused")
		}
		now = next
	}
	if math.Abs(now.LiquidTempC-limitC) > 1e-6 {
		t.Errorf("an hour at capacity: %g C, want the limit %g", now.LiquidTempC, limitC)
	}
}

// What the model has no data for it refuses, with zeros and never NaN.
func TestImpossibleCylindersAreRefused(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	nan := math.NaN()
	good := Cylinder{DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026, WallJPerK: 3600}
	for name, c := range map[string]Cylinder{
		"zero": {}, "too small for its heads": {DiameterM: 0.3054, VolumeL: 7, WallM: 0.0026},
		"without wall": {DiameterM: 0.3054, VolumeL: 21.6}, "of NaN": {DiameterM: nan, VolumeL: 21.6, WallM: 0.0026},
		"of a negative wall heat": {DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026, WallJPerK: -1},
	} {
		_, straightOK := c.StraightM()
		_, depthOK := c.DepthM(1)
		_, wettedOK := c.WettedM2(1)
		_, finOK := c.FinM2(1, 8.5)
		_, uaOK := c.UAWPerK(1, 8.5)
		_, stepOK := c.Step(propane, Contents{5, 0}, Conditions{}, 1)
		if c.Known() || straightOK || depthOK || wettedOK || finOK || uaOK || stepOK {
			t.Errorf("a cylinder %s is accepted", name)
		}
	}
	for _, liquidL := range []float64{-0.1, 21.7, nan} {
		v, ok := good.WettedM2(liquidL)
		w, okUA := good.UAWPerK(liquidL, 8.5)
		d, okDepth := good.DepthM(liquidL)
		if ok || okUA || okDepth || v != 0 || w != 0 || d != 0 {
			t.Errorf("%g L of liquid in 21.6 L is accepted", liquidL)
		}
	}
	for _, film := range []float64{0, 51, nan} {
		if _, ok := good.UAWPerK(10, film); ok {
			t.Errorf("a film coefficient of %g is accepted", film)
		}
	}
}

// A step and a capacity that cannot be are refused the same way.
func TestImpossibleConditionsAreRefused(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	nan := math.NaN()
	good := Cylinder{DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026, WallJPerK: 3600}
	type step struct {
		f       lpg.Fuel
		now     Contents
		at      Conditions
		seconds float64
	}
	start, still := Contents{5, 0}, Conditions{}
	for name, s := range map[string]step{
		"no fuel": {lpg.Fuel{}, start, still, 1}, "a negative time": {propane, start, still, -1},
		"too long": {propane, start, still, 1801}, "time NaN": {propane, start, still, nan},
		"too cold": {propane, Contents{5, -51}, still, 1}, "contents NaN": {propane, Contents{nan, 0}, still, 1},
		"empty": {propane, Contents{0.1, 0}, still, 1}, "overfull": {propane, Contents{12, 20}, still, 1},
		"a negative draw": {propane, start, Conditions{DrawKgPerH: -1}, 1},
		"an endless draw": {propane, start, Conditions{DrawKgPerH: 101}, 1},
		"air NaN":         {propane, start, Conditions{AirTempC: nan}, 1},
		"UA NaN":          {propane, start, Conditions{UAWPerK: nan}, 1},
		"colder than the fuel's range within the step": {
			propane, Contents{0.5, -48}, Conditions{AirTempC: -50, DrawKgPerH: 2}, 600,
		},
	} {
		if end, ok := good.Step(s.f, s.now, s.at, s.seconds); ok || end != (Contents{}) {
			t.Errorf("%s: %+v %v, want refused", name, end, ok)
		}
	}
	for name, got := range map[string]bool{
		"no atmosphere":                    second(LimitC(propane, 0, 75)),
		"gauge NaN":                        second(LimitC(propane, 101, nan)),
		"limit too cold":                   second(LimitC(propane, 60, 0)),
		"no fuel":                          second(LimitC(lpg.Fuel{}, 101, 75)),
		"capacity of NaN":                  second(SteadyKgPerH(propane, nan, 0, -28)),
		"capacity in air of NaN":           second(SteadyKgPerH(propane, 3, nan, -28)),
		"capacity at a limit out of range": second(SteadyKgPerH(propane, 3, 0, -60)),
	} {
		if got {
			t.Errorf("%s is accepted", name)
		}
	}
	if v, ok := SteadyKgPerH(propane, 3, -30, -28); !ok || v != 0 {
		t.Errorf("air colder than the limit: %g %v, want nothing sustained", v, ok)
	}
}

// second keeps only whether a value was given.
func second(v float64, ok bool) bool { return ok || v != 0 }

func TestAStepAllocatesNothing(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	c := Cylinder{DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026, WallJPerK: 3600}
	if n := testing.AllocsPerRun(100, func() {
		ua, _ := c.UAWPerK(10, FilmWPerM2K)
		c.Step(propane, Contents{5, 0}, Conditions{AirTempC: 5, UAWPerK: ua, DrawKgPerH: 0.3}, 1)
	}); n != 0 {
		t.Errorf("%g allocations, want none", n)
	}
}

func BenchmarkStep(b *testing.B) {
	mixed, _ := lpg.BlendByMass(0.7, lpg.NButane)
	c := Cylinder{DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026, WallJPerK: 3600}
	at := Conditions{AirTempC: 5, UAWPerK: 2.5, DrawKgPerH: 0.3}
	for name, f := range map[string]lpg.Fuel{"propane": lpg.Pure(lpg.Propane), "blend": mixed} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, ok := c.Step(f, Contents{5, 0}, at, 1); !ok {
					b.Fatal("refused")
				}
			}
		})
	}
}

func BenchmarkUAWPerK(b *testing.B) {
	c := Cylinder{DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026}
	b.ReportAllocs()
	for b.Loop() {
		if _, ok := c.UAWPerK(2, FilmWPerM2K); !ok {
			b.Fatal("refused")
		}
	}
}
