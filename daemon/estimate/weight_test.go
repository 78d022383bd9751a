package estimate

import (
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

func TestAStandingCylinderIsWeighedWithinItsTareStamp(t *testing.T) {
	b := newBench(t, 7.73+5)
	e := b.run(5*time.Minute, 0)
	holds(t, "fuel", e.FuelKg, 5)
	holds(t, "gross", e.GrossKg, 12.73)
	if w := e.FuelKg.High - e.FuelKg.Low; w < 4*0.04*0.97 || w > 0.2 {
		t.Errorf("interval is %.3f kg wide, want at least that of the stamp, 0.157, and not much more", w)
	}
	if e.FuelKg.Quality != sensors.Good || e.Cylinder != Present || !e.TareEntered {
		t.Errorf("fuel %v (%s), cylinder %v, tare entered %v; want good, present, true", e.FuelKg.Quality, e.FuelKg.Why, e.Cylinder, e.TareEntered)
	}
}

func TestColdWidensTheFuelByTheDataSheetAndNoMore(t *testing.T) {
	b := newBench(t, 12.7)
	warm := b.run(5*time.Minute, 0).FuelKg
	b.lockerC, b.kgPerK = -20, 0.0006
	cold := b.run(6*time.Hour, 0).FuelKg
	if cold.High-cold.Low <= warm.High-warm.Low {
		t.Errorf("interval at -20 C is %.4f kg, at 20 C %.4f: want it wider in the cold", cold.High-cold.Low, warm.High-warm.Low)
	}
	holds(t, "fuel", cold, 5)
}

func TestADeadLockerThermometerIsSaidAndWidens(t *testing.T) {
	b := newBench(t, 12.7)
	warm := b.run(5*time.Minute, 0).FuelKg
	b.wiring, b.last = b.wiring[:1], nil
	b.est = New(b.wiring, testParams())
	r := make([]sensors.Reading, 1)
	for i := range 300 {
		b.upS++
		r[0] = sensors.Of(50000 + 143000*12.7 + float64(i%7))
		b.step(r)
	}
	q := b.last.FuelKg
	if q.Quality != sensors.Suspect || !strings.Contains(q.Why, "thermometer") {
		t.Errorf("fuel is %v, %q; want suspect for want of a thermometer", q.Quality, q.Why)
	}
	if q.High-q.Low <= warm.High-warm.Low {
		t.Errorf("interval %.4f kg, with the thermometer %.4f: want it wider", q.High-q.Low, warm.High-warm.Low)
	}
}

func TestATankOfOutliersDoesNotMoveTheFuel(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(5*time.Minute, 0)
	for range 20 {
		b.kg += 0.4 // a hand on the cylinder for five seconds
		b.run(5*time.Second, 0)
		b.kg -= 0.4
		b.run(40*time.Second, 0)
	}
	e := b.run(time.Minute, 0)
	near(t, "fuel", e.FuelKg.Value, 5, 0.02)
	if e.BurnedKg > 0.01 {
		t.Errorf("burned %.4f kg, want none", e.BurnedKg)
	}
}

func TestALoadPutOnTheScaleIsNoFuelAndTakingItOffIsNoBurn(t *testing.T) {
	b := newBench(t, 12.7)
	before := b.run(5*time.Minute, 0).FuelKg
	b.kg += 0.3
	on := b.run(5*time.Minute, 0)
	near(t, "fuel under a load", on.FuelKg.Value, 5, 0.01)
	if on.FuelKg.High-on.FuelKg.Low < 0.3 || on.FuelKg.Quality != sensors.Suspect {
		t.Errorf("interval %.3f kg, %v: want at least the load, and suspect", on.FuelKg.High-on.FuelKg.Low, on.FuelKg.Quality)
	}
	b.kg -= 0.3
	off := b.run(5*time.Minute, 0)
	near(t, "fuel after the load", off.FuelKg.Value, 5, 0.01)
	near(t, "width after the load", off.FuelKg.High-off.FuelKg.Low, before.High-before.Low, 0.01)
	near(t, "burned", off.BurnedKg, 0, 0.005)
}

func TestADeadScaleHoldsTheFuelAndWidensItByWhatMayBurn(t *testing.T) {
	b := newBench(t, 12.7)
	before := b.run(5*time.Minute, 0)
	gap := b.dead(2*time.Hour, 0.12)
	near(t, "held fuel", gap.FuelKg.Value, before.FuelKg.Value, 0.001)
	near(t, "low end", gap.FuelKg.Low, before.FuelKg.Low-0.3, 0.01)
	if gap.FuelKg.Quality != sensors.Suspect || gap.GrossKg.Known() || gap.BurnKgPerH.Known() {
		t.Errorf("fuel %v, gross known %v, burn known %v: want suspect and unknown", gap.FuelKg.Quality, gap.GrossKg.Known(), gap.BurnKgPerH.Known())
	}
	after := b.run(5*time.Minute, 0)
	near(t, "fuel after the gap", after.FuelKg.Value, 5-0.24, 0.01)
	near(t, "burned over the gap", after.BurnedKg, 0.24, 0.01)
	if n := b.count(CylinderPlaced) + b.count(CylinderRemoved); n != 0 {
		t.Errorf("%d changes of cylinder, want none", n)
	}
	b.dead(25*time.Hour, 0)
	if b.last.FuelKg.Known() {
		t.Errorf("fuel still %v after a day without a scale, want unknown", b.last.FuelKg)
	}
}

func TestGustsNeitherBurnNorEatFuel(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	gust := 0.0
	for range 3600 { // 15 g, alike for 20 s
		gust += (-gust + 0.095*b.rng.NormFloat64()) / 20
		b.kg = 12.7 + gust
		b.run(time.Second, 0)
		if !b.last.FuelKg.Known() || b.last.FuelKg.Low > 5 || b.last.FuelKg.High < 5 {
			t.Fatalf("at %.0f s the fuel is %+v, want the interval to hold 5 kg", b.upS, b.last.FuelKg)
		}
	}
	b.kg = 12.7
	b.run(20*time.Minute, 0)
	if n := b.count(BurnerOn); n > 2 {
		t.Errorf("%d flames in a windy hour, want at most 2", n)
	}
	// What the wind was taken for is paid back by the next burn: the total never falls.
	b.run(30*time.Minute, 0.15)
	b.run(20*time.Minute, 0)
	near(t, "burned in a windy hour and half an hour of heating", b.last.BurnedKg, 0.075, 0.04)
}

func TestAVanWithoutAScaleSaysSo(t *testing.T) {
	p := testParams()
	p.Scale = Scale{}
	e := New(sensors.Wiring{}, p).Step(sensors.Stamp{}, nil)
	for name, q := range map[string]Quantity{"fuel": e.FuelKg, "gross": e.GrossKg, "burn": e.BurnKgPerH, "heater": e.HeaterKgPerH} {
		if q.Known() || q.Why == "" {
			t.Errorf("%s: known %v, why %q; want unknown with a reason", name, q.Known(), q.Why)
		}
	}
}

func TestMoreFuelThanTheCylinderHoldsIsNotTold(t *testing.T) {
	capacity := testParams().Cylinder.CapacityKg
	for _, c := range []struct {
		fuelKg float64
		want   sensors.Quality
	}{{capacity, sensors.Good}, {brimFrac*capacity + 0.02, sensors.Suspect}, {12.5, sensors.Missing}} {
		b := newBench(t, 7.73+c.fuelKg)
		e := b.run(5*time.Minute, 0)
		q := e.FuelKg
		if q.Quality != c.want || c.want != sensors.Good && !strings.Contains(q.Why, "can hold") {
			t.Errorf("%g kg in a cylinder for %g: %v (%s), want %v, and why", c.fuelKg, capacity, q.Quality, q.Why, c.want)
		}
		if q.High > brimFrac*capacity {
			t.Errorf("%g kg in a cylinder for %g: up to %g kg, and the brim is at %g", c.fuelKg, capacity, q.High, brimFrac*capacity)
		}
		if e.Overfilled != (c.fuelKg > 1.1*capacity) {
			t.Errorf("%g kg in a cylinder for %g: overfilled is %v", c.fuelKg, capacity, e.Overfilled)
		}
	}
}
