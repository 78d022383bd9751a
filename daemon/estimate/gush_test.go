package estimate

import (
	"strings"
	"testing"
	"time"
)

func TestAHoseThatTearsIsToldWithinFiveMinutesAndTheFuelFollows(t *testing.T) {
	for _, kgPerH := range []float64{1.2, 2, 5, 9, 15} {
		b := newBench(t, 7.73+8)
		b.run(20*time.Minute, 0)
		told := 0
		var e *Estimates
		for s := 5; s <= 900; s += 5 {
			e = b.run(5*time.Second, kgPerH)
			if e.Watch.Suspected && told == 0 {
				told = s
			}
		}
		if told == 0 || told > 300 {
			t.Errorf("%g kg/h: told after %d s, want it within 300", kgPerH, told)
		}
		if !e.Watch.Fast || !strings.Contains(e.Watch.Why, "faster than every appliance") || e.BurnKgPerH.Known() {
			t.Errorf("%g kg/h: fast %v, %q, burn %v; want it said, and the burn unknown", kgPerH, e.Watch.Fast, e.Watch.Why, e.BurnKgPerH)
		}
		e = b.run(5*time.Minute, 0)
		holds(t, "fuel afterwards", e.FuelKg, 8-kgPerH/4)
		if e.Watch.Fast {
			t.Errorf("%g kg/h: still said five minutes after it ended", kgPerH)
		}
	}
}

func TestPeopleAndAppliancesAreNoTornHose(t *testing.T) {
	t.Run("every appliance at full", func(t *testing.T) {
		b := newBench(t, 7.73+8)
		all := 0.0
		for _, a := range testParams().Appliances {
			all += kgPerHFromKW(a.RatedKW)
		}
		for range 120 {
			if e := b.run(time.Minute, all); e.Watch.Fast {
				t.Fatalf("%g kg/h is called faster than every appliance: %s", all, e.Watch.Why)
			}
		}
	})
	t.Run("loads that come and go", func(t *testing.T) {
		b := newBench(t, 7.73+8)
		for i := range 240 {
			b.kg += []float64{0.3, -0.1, -0.2, 0.05, -0.05, -0.03, 0.03}[i%7]
			if e := b.run(30*time.Second, 0.15); e.Watch.Fast {
				t.Fatalf("step %d: %s", i, e.Watch.Why)
			}
		}
	})
}
