package estimate

import (
	"strings"
	"testing"
	"time"
)

func TestASlowLossIsSeenAndAQuietCylinderIsNot(t *testing.T) {
	for name, c := range map[string]struct {
		lossKgPerH float64
		hours      int
		suspected  bool
	}{
		"nothing lost in fourteen hours":       {0, 14, false},
		"one gram an hour is below the floor":  {0.001, 14, false},
		"twelve grams an hour in four hours":   {0.012, 6, true},
		"twenty-five grams an hour in an hour": {0.025, 2, true},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, 12.7)
			b.run(10*time.Minute, 0)
			b.est.Watch(true)
			e := b.run(time.Duration(c.hours)*time.Hour, c.lossKgPerH)
			w := e.Watch
			if !w.Asked || w.Suspected != c.suspected {
				t.Errorf("asked %v, suspected %v (%s), loss %.1f g/h; want true, %v", w.Asked, w.Suspected, w.Why, w.LossGPerH.Value, c.suspected)
			}
			holds(t, "loss", w.LossGPerH, 1000*c.lossKgPerH)
			if !w.SmallestGPerH.Known() || w.SmallestGPerH.Value < 2 {
				t.Errorf("smallest visible loss %.2f g/h, want one not below the practical floor of 2", w.SmallestGPerH.Value)
			}
			if !w.Suspected && !strings.Contains(w.Why, "tightness test") {
				t.Errorf("why %q, want it to say what it cannot replace", w.Why)
			}
		})
	}
}

func TestANightsCoolingIsNoLoss(t *testing.T) {
	for name, perK := range map[string]float64{"with the data sheet's limit": 0.0006, "against it": -0.0006} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, 12.7)
			b.kgPerK = perK
			b.run(10*time.Minute, 0)
			for range 12 * 6 {
				b.lockerC -= 0.2
				if w := b.run(10*time.Minute, 0).Watch; w.Suspected {
					t.Fatalf("suspected at %.0f C: %s", b.lockerC, w.Why)
				}
			}
		})
	}
}

func TestABurnerLeftOnIsAskedAboutAndALongWarmUpIsNot(t *testing.T) {
	b := newBench(t, 16.7)
	b.run(10*time.Minute, 0)
	if w := b.run(3*time.Hour, kgPerHFromKW(1.9)).Watch; w.Suspected {
		t.Errorf("three hours of heater are suspected: %s", w.Why)
	}
	b.run(10*time.Minute, 0)
	if w := b.run(95*time.Minute, kgPerHFromKW(0.7)).Watch; w.Suspected {
		t.Errorf("95 min of a small flame are suspected already: %s", w.Why)
	}
	if w := b.run(10*time.Minute, kgPerHFromKW(0.7)).Watch; !w.Suspected || w.Why != whyOutflow {
		t.Errorf("105 min of a small flame: suspected %v, %q; want true, %q", w.Suspected, w.Why, whyOutflow)
	}
	if w := b.run(10*time.Minute, 0).Watch; w.Suspected {
		t.Errorf("still suspected ten minutes after it went out: %s", w.Why)
	}
}

func TestTheWatchRestsAfterADriveAndWithoutAScale(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	b.drive(10*time.Minute, 0, 0.2)
	if w := b.run(5*time.Hour, 0.01).Watch; w.LossGPerH.Known() || w.Why != whyCreep {
		t.Errorf("loss known %v, why %q five hours after a drive; want unknown, %q", w.LossGPerH.Known(), w.Why, whyCreep)
	}
	if w := b.dead(5*time.Minute, 0).Watch; w.Quiet || w.Why != whyNoScale {
		t.Errorf("quiet %v, why %q with a dead scale; want false, %q", w.Quiet, w.Why, whyNoScale)
	}
}
