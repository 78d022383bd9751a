package estimate

import (
	"math"
	"strings"
	"testing"
	"time"

	"frostline/daemon/supply"
)

func TestTheBeliefForAForecastIsWhatTheTickSays(t *testing.T) {
	c := newColdVan(t, 6, -4)
	if got := c.run(10*time.Minute, 0.1).Vessel; got.Why == "" || got.Shape.Known() {
		t.Errorf("of a cylinder of unknown past: %+v, want only a reason", got)
	}
	e := c.run(12*time.Hour, 0.1)
	v := e.Vessel
	if v.Why != "" {
		t.Fatalf("after twelve hours there is no belief: %s", v.Why)
	}
	q := e.LiquidTempC
	if math.Abs(v.LiquidTempC-q.Value) > 0.1 || math.Abs(3.92*v.LiquidSDK-(q.High-q.Low)) > 0.1 {
		t.Errorf("liquid %.2f °C with %.2f K, the tick says %+v", v.LiquidTempC, v.LiquidSDK, q)
	}
	if math.Abs(v.LiquidTempC-c.liquidC) > 2*v.LiquidSDK {
		t.Errorf("liquid %.2f °C with %.2f K, in truth %.2f", v.LiquidTempC, v.LiquidSDK, c.liquidC)
	}
	if v.Shape != c.shape || v.PropaneMassFrac != 1 || v.LeanMassFrac != 1 || v.RichMassFrac != 1 {
		t.Errorf("cylinder and fuel %+v, want the guessed one with propane", v)
	}
	if v.FilmWPerM2K < 6 || v.FilmWPerM2K > 13 || v.FilmSDFrac <= 0 || v.FilmSDFrac > 0.5 || math.Abs(v.FilmWPerM2K/supply.FilmWPerM2K-1) > 0.01 {
		t.Errorf("film %.1f W/m2K with %.2f, want the typical one: nothing has taught it", v.FilmWPerM2K, v.FilmSDFrac)
	}
	if v.GradeLowFrac >= 1 || v.GradeHighFrac <= 1 || v.LeastGaugeKPa <= 0 {
		t.Errorf("grades %g to %g, regulator's least %g kPa", v.GradeLowFrac, v.GradeHighFrac, v.LeastGaugeKPa)
	}
}

func TestABlendNobodyEnteredHasNoBelief(t *testing.T) {
	c := newColdVan(t, 6, -4)
	c.p.Cylinder.PropaneMassFrac = 0
	e := c.start().run(12*time.Hour, 0.1)
	if !e.CylinderKPa.Known() || !strings.Contains(e.Vessel.Why, noBlend) {
		t.Errorf("pressure %+v, belief %q; want a wide pressure, and none for a forecast", e.CylinderKPa, e.Vessel.Why)
	}
}

func TestAMixIsForecastBetweenItsLeanAndRichEnds(t *testing.T) {
	c := newColdVan(t, 6, -4)
	c.p.Cylinder.PropaneMassFrac = 0.6
	v := c.start().run(12*time.Hour, 0.1).Vessel
	if v.Why != "" || !(0 < v.LeanMassFrac && v.LeanMassFrac < v.PropaneMassFrac && v.PropaneMassFrac < v.RichMassFrac && v.RichMassFrac < 1) {
		t.Errorf("a mix of 0.6: %g to %g, likeliest %g (%s)", v.LeanMassFrac, v.RichMassFrac, v.PropaneMassFrac, v.Why)
	}
	if v.PropaneMassFrac >= 0.6 {
		t.Errorf("propane %g after 1.2 kg were drawn: vapour takes more of it than its share", v.PropaneMassFrac)
	}
}
