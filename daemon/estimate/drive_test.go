package estimate

import (
	"testing"
	"time"

	"frostline/sensors"
)

func TestADriveHoldsTheFuelAndEndsIt(t *testing.T) {
	b := newBench(t, 12.7)
	before := b.run(5*time.Minute, 0).FuelKg
	e := b.drive(time.Hour, 0, 0.2)
	if !e.Moving || b.count(DriveStart) != 1 {
		t.Fatalf("moving %v after %d starts, want true after 1", e.Moving, b.count(DriveStart))
	}
	near(t, "fuel on the road", e.FuelKg.Value, before.Value, 0.005)
	if e.FuelKg.Quality != sensors.Suspect || e.FuelKg.Low > before.Low-0.12 {
		t.Errorf("fuel on the road %v down to %.3f: want suspect and 0.15 kg wider than %.3f", e.FuelKg.Quality, e.FuelKg.Low, before.Low)
	}
	b.kg -= 0.006 // another parking place
	e = b.run(10*time.Minute, 0)
	if e.Moving || b.count(DriveEnd) != 1 || e.FuelKg.Quality != sensors.Good {
		t.Errorf("moving %v after %d ends, fuel %v: want false, 1, good", e.Moving, b.count(DriveEnd), e.FuelKg.Quality)
	}
	near(t, "fuel after", e.FuelKg.Value, 5, 0.02)
}

// A heater that is lit when the van is parked is seen as soon as the scale weighs again.
func TestTheRoadIsNoNoiseOfTheScaleAtRest(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(5*time.Minute, 0)
	b.drive(time.Hour, 0, 0.2)
	b.run(5*time.Minute, 0)
	if e := b.run(2*time.Minute, 0.148); e.BurnKgPerH.Value < 0.12 || e.BurnKgPerH.Low < 0.1 {
		t.Errorf("burn of 0.148 kg/h two minutes after it was lit and seven after a drive: %.3f (%.3f to %.3f)", e.BurnKgPerH.Value, e.BurnKgPerH.Low, e.BurnKgPerH.High)
	}
}

func TestAStormIsNoDrive(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(5*time.Minute, 0)
	b.drive(2*time.Hour, 0, 0.020)
	if n := b.count(DriveStart); n != 0 {
		t.Errorf("%d drives in a storm, want none", n)
	}
	near(t, "fuel", b.last.FuelKg.Value, 5, 0.05)
}

func TestTheKeyIsADriveUntilTheScaleSaysTheVanStands(t *testing.T) {
	var m motion
	for s := range 1000 {
		m.weight(float64(s), 12)
		m.step(float64(s), No)
	}
	started, _ := m.step(1000, Yes)
	if !started || !m.moving {
		t.Fatalf("key turned: started %v, want a drive at once", started)
	}
	for s := 1001; s < 1000+keyOnIdleS-10; s++ {
		m.weight(float64(s), 12)
		m.step(float64(s), Yes)
	}
	if !m.moving {
		t.Errorf("a quiet scale ended the drive early, want it held for %d s", keyOnIdleS)
	}
	for s := 1000 + keyOnIdleS; s < 1010+keyOnIdleS; s++ {
		m.weight(float64(s), 12)
		m.step(float64(s), Yes)
	}
	if m.moving {
		t.Errorf("key on and a quiet scale for %d s is still a drive, want a van that stands", keyOnIdleS)
	}
}
