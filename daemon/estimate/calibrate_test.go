package estimate

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/sensors"
)

// wrongParams are those of a scale that is not calibrated: 5 % off, and a zero of 80 g.
func wrongParams() Params {
	p := testParams()
	p.Scale.CountsPerKg, p.Scale.ZeroCounts = 136000, 62000
	return p
}

func (b *bench) calibrate(s CalibrationStep) {
	b.t.Helper()
	if err := b.est.Calibrate(s, "tester"); err != nil {
		b.t.Fatalf("%+v: %v", s, err)
	}
}

// refused wants a step refused with a text, and nothing changed by it.
func (b *bench) refused(s CalibrationStep, why string) {
	b.t.Helper()
	before, _ := json.Marshal(b.est.Save())
	err := b.est.Calibrate(s, "tester")
	if err == nil || !strings.Contains(err.Error(), why) {
		b.t.Errorf("%+v: %v, want %q in it", s, err, why)
	}
	if after, _ := json.Marshal(b.est.Save()); string(after) != string(before) {
		b.t.Errorf("%+v was refused and changed the state", s)
	}
}

func shop(kg float64) CalibrationStep {
	return CalibrationStep{Weight: &KnownWeight{Kind: Shop, Kg: kg}}
}

func TestWaterWeighsWhatTheTableSays(t *testing.T) {
	for tempC, kg := range map[float64]float64{0: 9.998, 10: 9.997, 15: 9.991, 20: 9.982, 25: 9.970, 30: 9.957} {
		if got := 10 * waterKgPerL(tempC); math.Abs(got-kg) > 0.00055 { // printed to the gram
			t.Errorf("10 L at %g C weigh %.4f kg, want %.3f", tempC, got, kg)
		}
	}
	near(t, "the air's part", 100*airOnWaterFrac, 0.105, 0.001)
	kg, sd, err := KnownWeight{Kind: Water, VolumeL: 10, WaterC: 20, ContainerKg: 0.4}.mass()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "10 L at 20 C in a can of 400 g", kg, 9.982*(1-0.00105)+0.4, 0.001)
	near(t, "and how well that is known", sd, 0.15, 0.01)
}

// TestAScaleIsCalibratedWithACylinderInUse is the whole way on a scale whose numbers are
// wrong: the cylinder off, the empty cradle, a known weight, the cylinder back.
func TestAScaleIsCalibratedWithACylinderInUse(t *testing.T) {
	const trueKg = 7.7 + 6.0
	b := newBench(t, trueKg)
	b.est = New(b.wiring, wrongParams())
	b.run(10*time.Minute, 0)
	if q := b.last.FuelKg; q.Low < 6.0 && 6.0 < q.High {
		t.Fatalf("the wrong scale is to be wrong: %+v holds 6 kg", q)
	}
	burned := b.last.BurnedKg

	b.refused(CalibrationStep{Zero: true}, "begins")
	b.calibrate(CalibrationStep{Begin: TheScale})
	b.refused(CalibrationStep{Zero: true}, "no reading")
	b.run(15*time.Second, 0)
	b.refused(CalibrationStep{Zero: true}, "lift the cylinder off")
	b.kg = 0
	b.run(30*time.Second, 0)
	if b.last.Cylinder != Removed || b.last.FuelKg.Known() || b.last.FuelKg.Why != whyHeld {
		t.Errorf("while it is calibrated: %s, %+v", b.last.Cylinder, b.last.FuelKg)
	}
	b.calibrate(CalibrationStep{Zero: true})
	b.kg = 10.020 // heavy enough to be taken for a cylinder
	b.run(15*time.Second, 0)
	b.calibrate(shop(10.020))
	b.run(2*time.Minute, 0)
	if n := b.count(CylinderPlaced); n != 0 {
		t.Errorf("the known weight was taken for a cylinder %d times", n)
	}
	b.kg = trueKg
	b.run(15*time.Second, 0)
	b.calibrate(CalibrationStep{End: TheScale})
	b.run(5*time.Minute, 0)

	now := b.last.Calibration.ScaleNow
	near(t, "counts per kg", now.CountsPerKg, 143000, 100)
	near(t, "zero", now.ZeroCounts, 50000, 30)
	near(t, "reference temperature", now.CalibratedAtC, 20, 0.1)
	if n := len(b.last.Calibration.Scale); n != 1 {
		t.Errorf("%d records of one session, want 1", n)
	}
	if q := b.last.FuelKg; !(q.Low < 6.0 && 6.0 < q.High) || math.Abs(q.Value-6) > 0.03 {
		t.Errorf("fuel after the calibration %+v, want 6 kg", q)
	}
	if h := b.lastOf(CylinderPlaced); h.Guess != guessSame {
		t.Errorf("the same cylinder came back and was called %s", h.Guess)
	}
	if b.last.BurnedKg != burned {
		t.Errorf("calibrating burned %.3f kg", b.last.BurnedKg-burned)
	}
	if b.last.Watch.Suspected {
		t.Errorf("calibrating is called a loss: %s", b.last.Watch.Why)
	}
	if b.count(Calibrated) != 2 {
		t.Errorf("%d words about it in the log, want 2", b.count(Calibrated))
	}

	// Undo with the cylinder on: the old numbers again, and still nothing has burned.
	if err := b.est.Undo(TheScale); err != nil {
		t.Fatal(err)
	}
	b.run(time.Second, 0)
	if !strings.Contains(b.last.FuelKg.Why, "calibrated just now") {
		t.Errorf("after an undo: %+v", b.last.FuelKg)
	}
	b.run(5*time.Minute, 0)
	near(t, "gross by the old numbers", b.last.GrossKg.Value, (50000+143000*trueKg-62000)/136000, 0.01)
	if b.last.BurnedKg != burned || b.last.Calibration.ScaleNow.CountsPerKg != 136000 {
		t.Errorf("after an undo %+v, burned %.3f", b.last.Calibration.ScaleNow, b.last.BurnedKg-burned)
	}
	if err := b.est.Undo(TheScale); err == nil {
		t.Error("undone beyond the configuration")
	}
}

func TestAScaleWithoutNumbersIsUnknownUntilItIsCalibrated(t *testing.T) {
	b := newBench(t, 0)
	p := testParams()
	p.Scale.CountsPerKg, p.Scale.ZeroCounts = 0, 0
	b.est = New(b.wiring, p)
	b.run(time.Minute, 0)
	if q := b.last.FuelKg; q.Known() || q.Why != whyUncalibrated {
		t.Fatalf("fuel %+v, want it unknown and why", q)
	}
	b.calibrate(CalibrationStep{Begin: TheScale})
	b.run(15*time.Second, 0)
	b.refused(shop(10), "empty cradle first")
	b.calibrate(CalibrationStep{Zero: true})
	b.kg = 10
	b.run(15*time.Second, 0)
	b.calibrate(shop(10))
	b.kg = 7.7 + 5
	b.run(15*time.Second, 0)
	b.calibrate(CalibrationStep{End: TheScale})
	b.run(5*time.Minute, 0)
	if q := b.last.FuelKg; !(q.Low < 5 && 5 < q.High && q.Quality == sensors.Good) {
		t.Errorf("fuel of the first cylinder %+v, want 5 kg", q)
	}
}

func TestWhatMovesIsNotTaken(t *testing.T) {
	b := newBench(t, 0)
	b.calibrate(CalibrationStep{Begin: TheScale})
	b.refused(CalibrationStep{Zero: true}, "no reading")
	b.run(5*time.Second, 0)
	b.refused(CalibrationStep{Zero: true}, "of 10")
	b.noiseKg = 0.02
	b.run(15*time.Second, 0)
	b.refused(CalibrationStep{Zero: true}, "moves by")
	b.noiseKg = 0.0002
	b.run(15*time.Second, 0)
	b.calibrate(CalibrationStep{Zero: true})
	b.refused(shop(10), "no reading")
	b.run(15*time.Second, 0)
	b.refused(shop(10), "is the weight on it")
	b.refused(shop(31), "more than the cell")
	b.refused(CalibrationStep{Weight: &KnownWeight{Kind: "cylinder", Kg: 16.8}}, "stamped tares")
	b.refused(CalibrationStep{Weight: &KnownWeight{Kind: Shop, Kg: math.NaN()}}, "between")
	b.refused(CalibrationStep{}, "one of")
	b.refused(CalibrationStep{End: TheGas}, "no calibration of the gas")
	b.dead(time.Minute, 0)
	b.refused(CalibrationStep{Zero: true}, "no reading")
}

func TestWhoeverWalksAwayIsNotCalibrating(t *testing.T) {
	b := newBench(t, 7.7+5)
	b.run(5*time.Minute, 0)
	b.calibrate(CalibrationStep{Begin: TheScale})
	b.run(sessionLastsS*time.Second-5*time.Second, 0)
	if b.last.Calibration.Begun != TheScale || b.last.Cylinder != Removed {
		t.Fatalf("after 29 min: %q, %s", b.last.Calibration.Begun, b.last.Cylinder)
	}
	b.run(5*time.Minute, 0)
	if b.last.Calibration.Begun != "" || b.last.Cylinder != Present {
		t.Errorf("after 35 min: %q, %s; want the cylinder weighed again", b.last.Calibration.Begun, b.last.Cylinder)
	}
	near(t, "fuel", b.last.FuelKg.Value, 5, 0.02)
}

func TestTwoWeightsShowWhetherTheLineIsStraight(t *testing.T) {
	before := testParams().Scale
	zero := &ScalePoint{Counts: 50000, SDCounts: 30}
	load := func(kg, offKg float64) ScalePoint {
		return ScalePoint{Counts: 50000 + 143000*(kg+offKg), SDCounts: 30, Kg: kg, SDKg: 0.011, Kind: Shop}
	}
	straight, err := solveScale(before, zero, []ScalePoint{load(5, 0), load(10, 0)}, 20, true)
	if err != nil || straight.ResidualKg > 1e-6 || len(straight.Notes) != 0 {
		t.Errorf("straight: %+v, %v", straight, err)
	}
	bent, err := solveScale(before, zero, []ScalePoint{load(5, 0.05), load(10, 0)}, 20, true)
	if err != nil || bent.ResidualKg < linearKg || len(bent.Notes) != 1 || !strings.Contains(bent.Notes[0], "off a line") {
		t.Errorf("bent by 50 g: %+v, %v", bent, err)
	}
	if bent.SpanSDFrac <= straight.SpanSDFrac {
		t.Errorf("bent is said to be known to %.4f, straight to %.4f", bent.SpanSDFrac, straight.SpanSDFrac)
	}
	if _, err := solveScale(before, zero, []ScalePoint{load(5, 1), load(10, 0)}, 20, true); err == nil || !strings.Contains(err.Error(), "contradict") {
		t.Errorf("a weight that is not what was said: %v", err)
	}
}

func TestWhatWasNotWeighedStaysWide(t *testing.T) {
	zero := &ScalePoint{Counts: 50100, SDCounts: 30}
	before := testParams().Scale
	before.SpanSDFrac, before.ZeroSDKg = 0.01, 0.005
	kept, err := solveScale(before, zero, nil, 5, true)
	if err != nil || kept.CountsPerKg != 143000 || kept.ZeroCounts != 50100 || kept.CalibratedAtC != 5 {
		t.Fatalf("zero alone: %+v, %v", kept, err)
	}
	if kept.SpanSDFrac <= 0.01 {
		t.Errorf("15 K away the kept slope is known to %.5f, want worse than 0.01", kept.SpanSDFrac)
	}
	span, err := solveScale(before, nil, []ScalePoint{{Counts: 50000 + 1430000, SDCounts: 30, Kg: 10, SDKg: 0.011}}, 5, true)
	if err != nil || span.ZeroCounts != 50000 || span.CalibratedAtC != 20 || span.ZeroSDKg != 0.005 {
		t.Errorf("weight alone: %+v, %v: the zero is that of before, at its temperature", span, err)
	}
	// 0.42 g/K over 15 K makes 3.6 g of doubt in 10 kg, beside the 5 g of the zero before.
	if span.SpanSDFrac < 0.0008 {
		t.Errorf("the old zero's doubt is not in the slope: %.6f", span.SpanSDFrac)
	}

	// Skipped, with nothing but the data sheet: wide, and it says so.
	before.CountsPerKg, before.RatedMVPerV, before.CapacityKg = 0, 2, 50
	sheet, err := solveScale(before, zero, nil, 20, true)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "counts per kg by the data sheet (sensing.md 3.1: 85 counts/g)", sheet.CountsPerKg, 85900, 50)
	if sheet.SpanSDFrac != sheetSDFrac || !strings.Contains(sheet.Says(), "give or take 10 %") {
		t.Errorf("by the data sheet: %s", sheet.Says())
	}
	// Four times the data sheet's slope is told.
	odd, err := solveScale(before, zero, []ScalePoint{{Counts: 50100 + 3.4e6, SDCounts: 30, Kg: 10, SDKg: 0.01}}, 20, true)
	if err != nil || !strings.Contains(odd.Says(), "where the data sheet gives") {
		t.Errorf("%s, %v", odd.Says(), err)
	}
	cold, err := solveScale(before, zero, []ScalePoint{{Counts: 50100 - 859000, SDCounts: 30, Kg: 10, SDKg: 0.01}}, 0, false)
	if err != nil || cold.CellC != nil || !strings.Contains(cold.Says(), "no locker thermometer") || !strings.Contains(cold.Says(), "swapped") {
		t.Errorf("%s, %v", cold.Says(), err)
	}
}

func TestACalibrationHoldsUntilTheConfigurationChanges(t *testing.T) {
	b := newBench(t, 0)
	b.est = New(b.wiring, wrongParams())
	b.run(time.Minute, 0)
	b.calibrate(CalibrationStep{Begin: TheScale})
	b.run(15*time.Second, 0)
	b.calibrate(CalibrationStep{Zero: true})
	b.kg = 10
	b.run(15*time.Second, 0)
	b.calibrate(shop(10))
	b.kg = 7.7 + 5
	b.run(15*time.Second, 0)
	b.calibrate(CalibrationStep{End: TheScale})
	b.run(5*time.Minute, 0)
	again := func(p Params) *Estimator {
		text, err := json.Marshal(b.est.Save())
		if err != nil {
			t.Fatal(err)
		}
		var s State
		if err := json.Unmarshal(text, &s); err != nil {
			t.Fatal(err)
		}
		e := New(b.wiring, p)
		e.Restore(s, 60, 0, true)
		return e
	}
	slope := func(e *Estimator) float64 { return e.weigh.p.Scale.CountsPerKg }
	near(t, "slope after a restart", slope(again(wrongParams())), 143000, 100)
	cold := b.est.Save().Entered()
	e := New(b.wiring, wrongParams())
	e.Restore(cold, 60, 0, true)
	near(t, "slope after a start without beliefs", slope(e), 143000, 100)

	changed := wrongParams()
	changed.Scale.CountsPerKg = 140000
	e = again(changed)
	if slope(e) != 140000 {
		t.Errorf("the owner wrote 140000 into the configuration, and %.0f holds", slope(e))
	}
	// The level is said again in the new numbers: neither a burn nor another cylinder.
	b.est, b.upS = e, 0
	b.told = nil
	defer func() {
		if h := b.lastOf(Calibrated); !strings.Contains(h.Why, "other numbers") {
			t.Errorf("the log says %q of the changed configuration", h.Why)
		}
	}()
	burned := b.last.BurnedKg
	b.last = nil
	b.run(5*time.Minute, 0)
	if n := b.count(CylinderPlaced); n != 0 || math.Abs(b.last.BurnedKg-burned) > 0.001 {
		t.Errorf("a changed configuration placed %d cylinders and burned %.3f kg", n, b.last.BurnedKg-burned)
	}
	if err := e.Undo(TheScale); err != nil {
		t.Fatal(err)
	}
	near(t, "slope after the configuration was undone", slope(e), 143000, 100)
}

func TestTenCalibrationsAreKept(t *testing.T) {
	b := newBench(t, 0)
	b.run(time.Minute, 0)
	for range 13 {
		b.calibrate(CalibrationStep{Begin: TheScale})
		b.run(15*time.Second, 0)
		b.calibrate(CalibrationStep{Zero: true})
		b.calibrate(CalibrationStep{End: TheScale})
	}
	b.run(time.Second, 0)
	if n := len(b.last.Calibration.Scale); n != keptN {
		t.Errorf("%d kept, want %d", n, keptN)
	}
}

// TestAnyOrderOfStepsLeavesASoundEstimator gives nonsense in any order.
func TestAnyOrderOfStepsLeavesASoundEstimator(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t, 0)
		if rapid.Bool().Draw(rt, "bare") {
			p := testParams()
			p.Scale = Scale{CapacityKg: 30}
			b.est = New(b.wiring, p)
		}
		for range rapid.IntRange(1, 25).Draw(rt, "n") {
			b.kg = rapid.SampledFrom([]float64{0, 0, 5, 10, 15, -3}).Draw(rt, "kg")
			b.run(time.Duration(rapid.IntRange(0, 90).Draw(rt, "s"))*time.Second, 0)
			var step CalibrationStep
			switch rapid.IntRange(0, 7).Draw(rt, "what") {
			case 0:
				step.Begin = TheScale
			case 1:
				step.Zero = true
			case 2:
				step.Weight = &KnownWeight{Kind: Shop, Kg: rapid.SampledFrom([]float64{1, 5, 10, 30}).Draw(rt, "said")}
			case 3:
				step.End = TheScale
			case 4:
				step.CleanAir = true
			case 5:
				step.Mix = &TestMix{Ppm: 800, Gas: "propane"}
			case 6:
				_ = b.est.Undo(TheScale)
				continue
			case 7:
				s := b.est.Save()
				p := b.est.params
				b.est = New(b.wiring, p)
				b.est.Restore(s, 10, time.Duration(b.upS)*time.Second, false)
				continue
			}
			_ = b.est.Calibrate(step, "x")
			b.run(time.Second, 0)
			sound(rt, b.last, 30)
			if _, err := json.Marshal(b.est.Save()); err != nil {
				rt.Fatal(err)
			}
		}
	})
}

func gasEstimator(t *testing.T) (*Estimator, func(volts float64, d time.Duration) *Estimates) {
	p := testParams()
	p.Gas = divider()
	p.Gas.R0Ohm, p.Gas.TestMix = 0, false
	w := sensors.Wiring{{Channel: sensors.GasV, Period: time.Second}}
	e := New(w, p)
	up, n := time.Duration(0), 0
	return e, func(volts float64, d time.Duration) (out *Estimates) {
		t.Helper()
		for range int(d.Seconds()) {
			up += time.Second
			n++
			out = e.Step(sensors.Stamp{Up: up}, []sensors.Reading{sensors.Of(volts + 0.0005*float64(n%3-1))})
		}
		return out
	}
}

func TestATestMixGivesANumberAndCleanAirDoesNot(t *testing.T) {
	e, run := gasEstimator(t)
	clean := func() error { return e.Calibrate(CalibrationStep{CleanAir: true}, "tester") }
	mix := func() error {
		return e.Calibrate(CalibrationStep{Mix: &TestMix{Ppm: 850, Gas: "propane"}}, "tester")
	}
	wants := func(err error, why string) {
		t.Helper()
		if err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%v, want %q in it", err, why)
		}
	}
	run(0.60, 10*time.Minute)
	wants(clean(), "warming up")
	run(0.60, 15*time.Minute)
	if err := clean(); err != nil {
		t.Fatal(err)
	}
	out := run(0.60, time.Minute)
	g := out.Calibration.Gas
	if len(g) != 1 || g[0].TestMix || math.Abs(g[0].Ohm-146700) > 500 || math.Abs(g[0].R0Ohm-22600) > 100 {
		t.Fatalf("clean air (sensing.md 2.1: 146.7 kohm, R0 22.6 kohm): %+v", g)
	}
	if out.FloorGasPctLEL.Known() || out.Band != Background || !strings.Contains(out.BandWhy, "indicative") {
		t.Errorf("by clean air: %+v, %s", out.FloorGasPctLEL, out.BandWhy)
	}

	wants(mix(), "begins")
	if err := e.Calibrate(CalibrationStep{Begin: TheGas}, "tester"); err != nil {
		t.Fatal(err)
	}
	wants(mix(), "has not seen the mix")
	wants(e.Calibrate(CalibrationStep{Mix: &TestMix{Ppm: 20000, Gas: "propane"}}, "tester"), "at most half")
	wants(e.Calibrate(CalibrationStep{Mix: &TestMix{Ppm: 850, Gas: "lighter gas"}}, "tester"), "lighter gas")
	// This sensor answers a third stronger than its sheet: 850 ppm at 3.60 V.
	run(2.0, 5*time.Second)
	wants(mix(), "moves by")
	run(3.60, 90*time.Second)
	if err := mix(); err != nil {
		t.Fatal(err)
	}
	out = run(3.60, 5*time.Second)
	near(t, "what it shows in the mix, %LEL", out.FloorGasPctLEL.Value, 850.0/170, 0.1)
	wants(clean(), "see to that first")
	// Away from the mix, the mode stays and an undo gives the one before.
	out = run(0.60, 30*time.Minute)
	if n := len(out.Calibration.Gas); n != 2 || !out.Calibration.Gas[1].TestMix {
		t.Errorf("%+v", out.Calibration.Gas)
	}
	if err := e.Undo(TheGas); err != nil {
		t.Fatal(err)
	}
	if out = run(0.60, time.Minute); out.FloorGasPctLEL.Known() || len(out.Calibration.Gas) != 1 {
		t.Errorf("undone: %+v", out.FloorGasPctLEL)
	}
}

func TestAMixOfAnotherSensorsCurveIsRefused(t *testing.T) {
	e, run := gasEstimator(t)
	run(0.60, 25*time.Minute)
	if err := e.Calibrate(CalibrationStep{Begin: TheGas}, "tester"); err != nil {
		t.Fatal(err)
	}
	run(4.90, 2*time.Minute) // 400 ohm in 850 ppm: clean air would be 359 times that
	if err := e.Calibrate(CalibrationStep{Mix: &TestMix{Ppm: 850, Gas: "propane"}}, "tester"); err == nil {
		t.Error("a sensor far from its class was taken")
	}
}
