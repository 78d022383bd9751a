package estimate

import (
	"math"
	"testing"
	"time"

	"frostline/sensors"
)

func TestTwentyFiveEqualCodesAreAStuckScale(t *testing.T) {
	o := wiredAlone(t, sensors.LoadCounts, time.Second)
	o.settle(20, 700000, 30)
	for i := 1; i <= 40; i++ {
		s, fresh := o.hear(sensors.Of(700123))
		if stuck := i >= 25; fresh == stuck || (s.Quality == sensors.Bad) != stuck {
			t.Fatalf("equal code %d: fresh %v, %v; want stuck from 25 on", i, fresh, s.Quality)
		}
	}
	for i := 1; i <= goodAgain; i++ {
		s, _ := o.hear(sensors.Of(700123 + 7*float64(i)))
		if (s.Quality == sensors.Good) != (i == goodAgain) {
			t.Fatalf("moving reading %d: %v, want good at the third", i, s.Quality)
		}
	}
}

func TestASlowQuietScaleIsNotStuckByItsGaps(t *testing.T) {
	o := wiredAlone(t, sensors.LoadCounts, 10*time.Second)
	o.settle(12, 700000, 30)
	for i := range 400 { // a value of the driver's mean every fourth tick, twice the same
		r := sensors.Reading{}
		if i%4 == 0 {
			r = sensors.Of(700000 + math.Floor(float64(i)/8))
		}
		if s, _ := o.hear(r); s.Quality == sensors.Bad {
			t.Fatalf("tick %d: %s", i, s.Why)
		}
	}
}

func TestASpikeIsDroppedAndALiftedCylinderIsSeen(t *testing.T) {
	o := wiredAlone(t, sensors.LoadCounts, time.Second)
	o.settle(20, 700000, 30)
	if _, fresh := o.hear(sensors.Of(720000)); fresh {
		t.Fatal("a spike of 0.5 kg became a weight")
	}
	if s, fresh := o.hear(sensors.Of(700010)); !fresh || s.Quality != sensors.Good {
		t.Fatalf("after one spike: fresh %v, %v; want good", fresh, s.Quality)
	}
	if _, fresh := o.hear(sensors.Of(702000)); !fresh {
		t.Fatal("50 g, someone sitting down, was taken for a spike")
	}
	o.hear(sensors.Of(700010))
	for i := 1; i <= 3; i++ {
		_, fresh := o.hear(sensors.Of(51000 + float64(i)))
		if fresh != (i == 3) {
			t.Fatalf("lifted cylinder, reading %d: fresh %v, want at the third", i, fresh)
		}
	}
	if s, fresh := o.hear(sensors.Of(51010)); !fresh || s.Quality != sensors.Good {
		t.Fatalf("empty cradle: fresh %v, %v", fresh, s.Quality)
	}
}
