package estimate

import (
	"math"
	"testing"
	"time"

	"frostline/sensors"
)

func TestWhatComesBackIsGuessedAndNeverCarriesTheOldTareSilently(t *testing.T) {
	for name, c := range map[string]struct {
		before, after float64 // fuel
		tare          float64 // of what comes back
		away          time.Duration
		drive         bool
		guess         string
		entered       bool
	}{
		"the same one, looked at":            {5, 5, 7.72, 5 * time.Minute, false, guessSame, true},
		"refilled at a station":              {0.9, 9.03, 7.72, 25 * time.Minute, true, guessRefilled, false},
		"a full one with another tare":       {0.2, 9.0, 7.45, 6 * time.Minute, false, guessSwapped, false},
		"an under-filled one from the cage":  {0.2, 6.85, 7.9, 8 * time.Minute, false, guessSwapped, false},
		"a half-empty one from the garage":   {0.5, 4.1, 7.3, 10 * time.Minute, false, guessSwapped, false},
		"another one lighter than the first": {8.0, 3.0, 7.6, 10 * time.Minute, false, guessSwapped, false},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, 7.72+c.before)
			b.run(10*time.Minute, 0)
			if c.drive {
				b.drive(5*time.Minute, 0, 0.2)
			}
			b.kg = 0.3 // the cradle's strap
			e := b.run(time.Minute, 0)
			if e.Cylinder != Removed || e.FuelKg.Known() {
				t.Fatalf("cylinder %v, fuel known %v; want removed and unknown", e.Cylinder, e.FuelKg.Known())
			}
			b.run(c.away, 0)
			b.kg = c.tare + c.after
			e = b.run(5*time.Minute, 0)
			if b.count(CylinderRemoved) != 1 || b.count(CylinderPlaced) != 1 {
				t.Fatalf("%d removed, %d placed; want one of each", b.count(CylinderRemoved), b.count(CylinderPlaced))
			}
			h := b.lastOf(CylinderPlaced)
			if h.Guess != c.guess || e.TareEntered != c.entered {
				t.Errorf("guess %q, tare entered %v; want %q, %v", h.Guess, e.TareEntered, c.guess, c.entered)
			}
			holds(t, "fuel", e.FuelKg, c.after)
			if *h.NetLowKg > c.after || *h.NetHighKg < c.after {
				t.Errorf("placed with %.3f to %.3f kg, want it to hold %.3f", *h.NetLowKg, *h.NetHighKg, c.after)
			}
			near(t, "burned", e.BurnedKg, 0, 0.01)
		})
	}
}

func TestASmallAluminiumCylinderIsACylinder(t *testing.T) {
	b := newBench(t, 2.6+0.4)
	p := testParams()
	p.Cylinder = Cylinder{TareKg: 2.6, CapacityKg: 3}
	b.est = New(b.wiring, p)
	e := b.run(5*time.Minute, 0)
	holds(t, "fuel", e.FuelKg, 0.4)
	if e.Cylinder != Present {
		t.Errorf("cylinder %v, want present", e.Cylinder)
	}
}

func TestTheStampedTareNarrowsAnotherCylinder(t *testing.T) {
	b := newBench(t, 7.7+0.5)
	b.run(10*time.Minute, 0)
	b.kg = 0
	b.run(8*time.Minute, 0)
	b.kg = 7.9 + 6.8
	wide := b.run(5*time.Minute, 0).FuelKg
	if err := b.est.Change(Change{TareKg: 7.92, CapacityKg: 9.1}); err != nil {
		t.Fatal(err)
	}
	e := b.run(time.Minute, 0)
	holds(t, "fuel", e.FuelKg, 6.8)
	if e.FuelKg.High-e.FuelKg.Low > 0.5*(wide.High-wide.Low) || !e.TareEntered || e.FuelKg.Quality != sensors.Good {
		t.Errorf("interval %.3f kg of %.3f, entered %v, %v: want less than half, entered, good",
			e.FuelKg.High-e.FuelKg.Low, wide.High-wide.Low, e.TareEntered, e.FuelKg.Quality)
	}
}

func TestWhatTheOperatorSaysFirstHoldsForTheNextCylinder(t *testing.T) {
	b := newBench(t, 7.7+0.5)
	b.run(10*time.Minute, 0)
	b.kg = 0
	b.run(2*time.Minute, 0)
	if err := b.est.Change(Change{TareKg: 8.1}); err != nil {
		t.Fatal(err)
	}
	b.kg = 8.1 + 7
	e := b.run(5*time.Minute, 0)
	near(t, "fuel", e.FuelKg.Value, 7, 0.02)
	if h := b.lastOf(CylinderPlaced); h.Guess != guessSwapped || !e.TareEntered {
		t.Errorf("guess %q, entered %v; want swapped and entered", h.Guess, e.TareEntered)
	}
}

func TestSameOneBackRestoresItsTare(t *testing.T) {
	b := newBench(t, 7.7+5)
	b.run(10*time.Minute, 0)
	b.kg = 0
	b.run(20*time.Minute, 0)
	b.kg = 7.7 + 4.6 // some was used elsewhere
	b.run(5*time.Minute, 0)
	if err := b.est.Change(Change{Same: true}); err != nil {
		t.Fatal(err)
	}
	e := b.run(time.Minute, 0)
	near(t, "fuel", e.FuelKg.Value, 4.6, 0.02)
	if !e.TareEntered {
		t.Error("tare not entered, want the one entered before")
	}
}

func TestAChangeWhileNobodyWatchedIsNoticed(t *testing.T) {
	b := newBench(t, 7.7+1)
	b.run(10*time.Minute, 0)
	b.dead(30*time.Minute, 0)
	b.kg = 7.7 + 9
	e := b.run(5*time.Minute, 0)
	if b.count(CylinderPlaced) != 1 || e.TareEntered {
		t.Errorf("%d placed, tare entered %v; want one and false", b.count(CylinderPlaced), e.TareEntered)
	}
	holds(t, "fuel", e.FuelKg, 9)
}

func TestImpossibleChangesAreRefused(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(5*time.Minute, 0)
	for name, c := range map[string]Change{
		"negative tare": {TareKg: -1}, "tare of a bottle": {TareKg: 0.1}, "tare beyond the scale": {TareKg: 300}, "no number": {FillKg: math.NaN()}, "negative capacity": {CapacityKg: -9},
	} {
		if err := b.est.Change(c); err == nil {
			t.Errorf("%s was taken, want an error", name)
		}
	}
	near(t, "fuel", b.run(time.Minute, 0).FuelKg.Value, 5, 0.01)
}

func TestAnOverfilledCylinderIsSaidOnlyBeyondDoubt(t *testing.T) {
	if e := newBench(t, 7.7+9.12).run(5*time.Minute, 0); e.Overfilled {
		t.Error("20 g above the stamp is within the tare's doubt, want no overfill")
	}
	if e := newBench(t, 7.7+9.4).run(5*time.Minute, 0); !e.Overfilled {
		t.Errorf("fuel %.3f to %.3f above a stamp of 9.1 kg, want overfilled", e.FuelKg.Low, e.FuelKg.High)
	}
}

func TestAMixtureOfTaresHasItsQuantiles(t *testing.T) {
	var m tare
	m.add(3, 7, 0.1)
	m.add(1, 8, 0.1)
	m.settle()
	near(t, "mean", m.meanKg, 7.25, 1e-9)
	near(t, "low end", m.lowKg, 7-0.1*1.8339, 0.001)   // normal quantile of 0.025/0.75
	near(t, "high end", m.highKg, 8+0.1*1.2816, 0.001) // of 1 - 0.025/0.25
}
