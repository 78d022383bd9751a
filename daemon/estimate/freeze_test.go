package estimate

import (
	"math"
	"strings"
	"testing"
	"time"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
	"frostline/sensors"
)

// seen is a van whose liquid is known at once, by a thermometer on the shell. The air takes
// the liquid along.
func seen(t testing.TB, fuelKg, lockerC, liquidC float64, more ...sensors.Channel) *coldVan {
	c := newColdVan(t, fuelKg, lockerC, append([]sensors.Channel{sensors.ShellC}, more...)...)
	c.liquidC = liquidC
	return c
}

func TestTheSupplyRatioIsCapacityOverBurn(t *testing.T) {
	c := seen(t, 5, -5, -5)
	if e := c.run(time.Hour, 0); e.SupplyRatio.Known() || e.SupplyRatio.Why != "nothing is burning" || !e.VapourKgPerH.Known() {
		t.Errorf("without a flame the ratio is %v %q, capacity %v; want unknown, nothing is burning, and known", e.SupplyRatio.Quality, e.SupplyRatio.Why, e.VapourKgPerH.Quality)
	}
	e := c.run(30*time.Minute, 0.15)
	now := supply.Contents{ContentsKg: c.fuelKg, LiquidTempC: c.liquidC}
	ua, _ := c.shape.UAOf(c.fuel, now, c.film)
	limitC, _ := supply.LimitC(c.fuel, 101.325, 75)
	near(t, "limit", limitC, -28.74, 0.05) // physics.md 6.3
	want, _ := supply.SteadyKgPerH(c.fuel, ua, -5, limitC)
	holds(t, "capacity", e.VapourKgPerH, want)
	near(t, "capacity", e.VapourKgPerH.Value, want, 0.05*want)
	q, r, b := e.VapourKgPerH, e.SupplyRatio, e.BurnKgPerH
	near(t, "supply ratio", r.Value, q.Value/b.Value, 1e-9)
	holds(t, "supply ratio", r, want/0.15)
	if r.Low > q.Low/b.Value || r.High < q.High/b.Value || r.Low > q.Value/b.High || r.High < q.Value/b.Low {
		t.Errorf("ratio %.2f to %.2f, want it at least as wide as capacity %.3f to %.3f and burn %.3f to %.3f", r.Low, r.High, q.Low, q.High, b.Low, b.High)
	}
	if r.Low < q.Low/b.High-1e-9 || r.High > q.High/b.Low+1e-9 {
		t.Errorf("ratio %.2f to %.2f, want it no wider than both at their worst", r.Low, r.High)
	}
}

func TestMoreBurnLastsShorterAndTheOutlookSaysWhatEndsIt(t *testing.T) {
	hours := math.Inf(1)
	for _, burn := range []float64{0.05, 0.15, 0.3, 0.4} {
		c := seen(t, 6, -10, -10)
		e := c.run(3*time.Hour, burn)
		o := e.Outlook
		near(t, "burn of the last hour", o.KgPerH, burn, 0.08*burn)
		if !o.HoursH.Known() || !(o.HoursH.Value < hours) {
			t.Fatalf("at %.2f kg/h it lasts %.1f h %q, want less than %.1f", burn, o.HoursH.Value, o.HoursH.Why, hours)
		}
		hours = o.HoursH.Value
		t.Logf("%.2f kg/h: %.1f h (%.1f to %.1f), ends by %s, at the low end by %s", burn, hours, o.HoursH.Low, o.HoursH.High, o.Ends, o.EndsLow)
		if o.HoursH.High > c.fuelKg/burn*1.1+1 {
			t.Errorf("at %.2f kg/h up to %.1f h, want no more than the fuel of %.2f kg lasts", burn, o.HoursH.High, c.fuelKg)
		}
		if want := map[bool]supply.Limit{true: supply.PressureLimit, false: supply.ContentsLimit}[burn > 0.3]; burn != 0.3 && o.Ends != want {
			t.Errorf("at %.2f kg/h it ends by %s, want by %s", burn, o.Ends, want)
		}
	}
}

func TestEachApplianceHasAnOutlookAndTheLargestTogetherAreNamed(t *testing.T) {
	c := seen(t, 2.5, -15, -15)
	c.p.Appliances = []Appliance{{Name: "ring", Kind: Burner, RatedKW: 1, MinKW: 0.3}, {Name: "heater", Kind: Heater, RatedKW: 2},
		{Name: "boiler", Kind: WaterHeater, RatedKW: 6}}
	e := c.start().run(time.Hour, 0)
	if len(e.ApplianceOutlooks) != 4 {
		t.Fatalf("%d outlooks, want one of each and of all", len(e.ApplianceOutlooks))
	}
	for i, want := range []string{"ring", "heater", "boiler", "all"} {
		o := e.ApplianceOutlooks[i]
		if o.Name != want || !o.HoursH.Known() {
			t.Errorf("outlook %d is of %q, %v; want of %s and known", i, o.Name, o.HoursH.Quality, want)
		}
		if i > 0 && o.HoursH.Value > e.ApplianceOutlooks[i-1].HoursH.Value {
			t.Errorf("%s lasts %.1f h, longer than %s with less", o.Name, o.HoursH.Value, e.ApplianceOutlooks[i-1].Name)
		}
	}
	if e.Outlook.HoursH.Known() || e.Outlook.HoursH.Why != "nothing is burning" {
		t.Errorf("the outlook of no burn is %v %q", e.Outlook.HoursH.Quality, e.Outlook.HoursH.Why)
	}
	// The boiler's 0.466 kg/h alone are more than the 0.23 or so that 2.5 kg at -15 C give for ever.
	if strings.Join(e.TooMuch, ",") != "boiler" {
		t.Errorf("too much together: %v with a capacity of %.3f kg/h, want the boiler alone", e.TooMuch, e.VapourKgPerH.Value)
	}
	c.reads[sensors.LockerC], c.fuelKg = 15, 9
	c.liquidC = 15
	if e := c.run(6*time.Hour, 0); e.TooMuch != nil {
		t.Errorf("too much together: %v with a capacity of %.3f kg/h, want none", e.TooMuch, e.VapourKgPerH.Value)
	}
}

func TestAltitudeLowersWhatTheCylinderMustHold(t *testing.T) {
	at := func(m float64) *Estimates {
		c := seen(t, 5, -15, -15)
		c.p.AltitudeM = m
		return c.start().run(time.Hour, 0.15)
	}
	sea, high := at(0), at(3000)
	near(t, "gauge pressure gained at 3000 m", high.CylinderGaugeKPa.Value-sea.CylinderGaugeKPa.Value, 101.325-70.109, 0.5) // physics.md 2
	near(t, "pressure", high.CylinderKPa.Value, sea.CylinderKPa.Value, 0.5)
	// At 3000 m 75 kPa gauge is a liquid of -34.0 C and not of -28.7, so the air gives more heat.
	if r := high.VapourKgPerH.Value / sea.VapourKgPerH.Value; r < 1.25 || r > 1.6 {
		t.Errorf("capacity at 3000 m is %.2f times that at the sea, want about 1.4", r)
	}
	if d := high.Freeze.ThrottledC - sea.Freeze.ThrottledC; d > -0.4 || d < -1.2 {
		t.Errorf("gas behind the seat at 3000 m is %.2f K warmer, want about 0.8 K colder (physics.md 7.1)", d)
	}
}

// risky is what the estimator says of the seat with a flame of burn. The liquid is held.
func risky(t *testing.T, airC, liquidC, burn float64, change func(*coldVan)) *Estimates {
	t.Helper()
	c := seen(t, 5, airC, liquidC)
	if change != nil {
		change(c)
	}
	var e *Estimates
	for range 20 {
		c.liquidC = liquidC
		e = c.run(time.Minute, burn)
	}
	return e
}

// TestFreezeUpReadsByTheBandsOfTheMargins takes worked cases of physics.md 7.5, and one so
// warm that nothing can freeze.
func TestFreezeUpReadsByTheBandsOfTheMargins(t *testing.T) {
	for name, x := range map[string]struct {
		airC, liquidC, burn float64
		risk                supply.Risk
		throttledC, bodyC   float64
		solidC              float64
		adiabaticK, bodyK   float64
		outside             supply.Outside
	}{
		"mild, a large flame": {10, 5, 0.5, supply.LikelyIfWet, -5.76, 3.38, 5.60, -11.4, -2.2, supply.Dew},
		"warm, a small flame": {20, 20, 0.2, supply.PossibleIfWet, 4.12, 16.4, 5.65, -1.5, 10.7, supply.Dew},
		"frost":               {0, -8, 0.4, supply.LikelyIfWet, -15.1, -5.4, 3.58, -18.7, -9.0, supply.Frost},
	} {
		e := risky(t, x.airC, x.liquidC, x.burn, nil)
		f, q := e.Freeze, e.SeatMarginK
		if f.Risk != x.risk || f.Outside != x.outside {
			t.Errorf("%s: %q outside %q, want %q and %q", name, f.Risk, f.Outside, x.risk, x.outside)
		}
		near(t, name+": throttled", f.ThrottledC, x.throttledC, 2) // the liquid is known to 2 K
		near(t, name+": body", f.BodyC, x.bodyC, 0.8)
		near(t, name+": threshold", f.SolidC, x.solidC, 0.5)
		near(t, name+": seat margin", q.Value, x.bodyK, 0.8)
		near(t, name+": seat margin over what it rests on", q.Value, f.BodyC-f.SolidC, 1e-9)
		holds(t, name+": seat margin", q, x.bodyK)
		if q.Low > x.adiabaticK {
			t.Errorf("%s: the margin reaches down to %.1f K, want the adiabatic %.1f in it", name, q.Low, x.adiabaticK)
		}
		if f.FlowKgPerH < 0.9*x.burn || f.FlowKgPerH > 1.1*x.burn || f.BodyMeasured {
			t.Errorf("%s: for a flow of %.3f kg/h, measured %v; want %.3f, modelled", name, f.FlowKgPerH, f.BodyMeasured, x.burn)
		}
		for _, want := range []string{"modelled", "vent plugging not assessed", "ice or hydrate below"} {
			if !strings.Contains(f.Why, want) {
				t.Errorf("%s: reads %q, want %q in it", name, f.Why, want)
			}
		}
	}
	e := risky(t, 42, 40, 0.1, nil)
	if e.Freeze.Risk != supply.NotExpected || strings.Contains(e.Freeze.Why, "g/h") || !(e.SeatMarginK.Low > supply.CautionK) {
		t.Errorf("in a hot locker %q, margin from %.1f K, %q; want not expected and no deposit told", e.Freeze.Risk, e.SeatMarginK.Low, e.Freeze.Why)
	}
	// Both margins clear the threshold, and the doubt about the liquid does not.
	if e := risky(t, 30, 27.5, 0.1, nil); e.Freeze.Risk != supply.PossibleIfWet || e.Freeze.ThrottledC-e.Freeze.SolidC <= supply.CautionK {
		t.Errorf("near the threshold %q with an adiabatic margin of %.1f K, want possible if wet and more than %g", e.Freeze.Risk, e.Freeze.ThrottledC-e.Freeze.SolidC, supply.CautionK)
	}
	// The worst deposit at 5 C and 0.5 kg/h is 0.18 g/h (physics.md 7.4).
	near(t, "deposit", risky(t, 10, 5, 0.5, nil).Freeze.DepositGPerH, 0.18, 0.02)
}

func TestTwoStagesWarmTheFirstSeatByLittle(t *testing.T) {
	one := risky(t, 10, 5, 0.5, nil).Freeze
	two := risky(t, 10, 5, 0.5, func(c *coldVan) { c.p.Regulator.TwoStage = true; c.start() }).Freeze
	near(t, "throttled with two stages", two.ThrottledC, -4.18, 2) // physics.md 7.5
	near(t, "warmer by", two.ThrottledC-one.ThrottledC, 1.58, 0.2)
	if two.Risk != supply.LikelyIfWet {
		t.Errorf("two stages: %q, want likely still", two.Risk)
	}
}

func TestAMeasuredRegulatorReplacesTheModelledOne(t *testing.T) {
	for name, x := range map[string]struct {
		bodyC float64
		risk  supply.Risk
	}{"colder than modelled": {-4, supply.LikelyIfWet}, "warm": {13, supply.PossibleIfWet}} {
		c := seen(t, 5, 10, 5, sensors.RegulatorC)
		c.reads[sensors.RegulatorC] = x.bodyC
		e := c.run(20*time.Minute, 0.5)
		f, q := e.Freeze, e.SeatMarginK
		near(t, name+": body", f.BodyC, x.bodyC, 0.3)
		near(t, name+": margin", q.Value, x.bodyC-f.SolidC, 0.3)
		if f.Risk != x.risk || !f.BodyMeasured || !strings.Contains(f.Why, "measured") || q.Quality != sensors.Good || q.High-q.Value > 2 || q.Low > f.ThrottledC-f.SolidC {
			t.Errorf("%s: %q, measured %v, %q, margin %.1f to %.1f %v; want %q, measured, good, its high end within 2 K and its low end the adiabatic bound", name, f.Risk, f.BodyMeasured, f.Why, q.Low, q.High, q.Quality, x.risk)
		}
		c.silent[sensors.RegulatorC] = true
		if f := c.run(30*time.Minute, 0.5).Freeze; f.BodyMeasured || !strings.Contains(f.Why, "modelled") {
			t.Errorf("%s: with the thermometer silent measured %v %q, want the model again", name, f.BodyMeasured, f.Why)
		}
	}
}

// TestWhatKeepsTheSeatFromBeingAssessed is the list of physics.md 7.4.
func TestWhatKeepsTheSeatFromBeingAssessed(t *testing.T) {
	mix := func(frac float64) func(*coldVan) {
		return func(c *coldVan) { c.p.Cylinder.PropaneMassFrac = frac; c.start() }
	}
	for name, x := range map[string]struct {
		airC, liquidC, burn float64
		change              func(*coldVan)
		why                 string
	}{
		"the blend is not entered": {5, 5, 0.15, mix(0), noBlend},
		"butane-rich":              {15, 15, 0.15, mix(0.15), "lost most of its propane"},
		"nothing burns":            {5, 5, 0, nil, "no gas has burned"},
		"no scale": {5, 5, 0.15, func(c *coldVan) {
			c.wire(sensors.LockerC, sensors.ShellC)
		}, "contents are not known"},
		"no history":           {5, 5, 0.15, func(c *coldVan) { c.wire(sensors.LoadCounts, sensors.LockerC) }, noHistory},
		"no air":               {5, 5, 0.15, func(c *coldVan) { c.wire(sensors.LoadCounts, sensors.ShellC) }, noAir},
		"gas hotter than that": {56, 53, 0.15, nil, "outside what the throttling"},
		"gas colder than that": {-43, -42, 0.15, nil, "outside what the throttling"},
	} {
		e := risky(t, x.airC, x.liquidC, x.burn, x.change)
		f := e.Freeze
		if f.Risk != supply.NotAssessed || !strings.Contains(f.Why, x.why) {
			t.Errorf("%s: %q %q, want not assessed: %s", name, f.Risk, f.Why, x.why)
		}
		if f.ThrottledC != 0 || f.BodyC != 0 || f.SolidC != 0 || f.DepositGPerH != 0 || e.SeatMarginK.Known() {
			t.Errorf("%s: numbers %+v, margin %v; want none", name, f, e.SeatMarginK.Quality)
		}
	}
	t.Run("the scale dies", func(t *testing.T) {
		c := seen(t, 5, 5, 5)
		if e := c.run(time.Hour, 0.15); !e.Freeze.Assessed() {
			t.Fatalf("not assessed: %s", e.Freeze.Why)
		}
		c.silent[sensors.LoadCounts] = true
		if e := c.run(time.Hour, 0.15); e.Freeze.Assessed() || !strings.Contains(e.Freeze.Why, "burn is not known") {
			t.Errorf("%q %q, want not assessed, the burn is not known", e.Freeze.Risk, e.Freeze.Why)
		}
	})
	t.Run("stale thermometers", func(t *testing.T) {
		c := seen(t, 5, 5, 5)
		c.run(time.Hour, 0.15)
		c.silent[sensors.LockerC] = true
		if e := c.run(time.Hour, 0.15); e.Freeze.Assessed() || e.Freeze.Why != airLost {
			t.Errorf("%q %q, want not assessed: %s", e.Freeze.Risk, e.Freeze.Why, airLost)
		}
	})
	t.Run("half an hour after the flame", func(t *testing.T) {
		c := seen(t, 5, 5, 5)
		c.run(time.Hour, 0.15)
		if e := c.run(15*time.Minute, 0); !e.Freeze.Assessed() || e.SeatMarginK.Why != "as when gas burned last" {
			t.Errorf("%q, margin %q; want it held as when gas burned last", e.Freeze.Risk, e.SeatMarginK.Why)
		}
		if e := c.run(30*time.Minute, 0); e.Freeze.Assessed() {
			t.Errorf("%q, want not assessed: nothing cools the seat", e.Freeze.Risk)
		}
	})
}

func TestAFreshFillIsSaidUntilAQuarterOfItIsUsed(t *testing.T) {
	c := seen(t, 2, 8, 8)
	if e := c.run(time.Hour, 0.3); e.Freeze.FreshFill {
		t.Error("a cylinder that was there before is called freshly filled")
	}
	c.away(25*time.Minute, c.tareKg, 9.03)
	e := c.run(30*time.Minute, 0.3)
	if !e.Freeze.FreshFill || !strings.Contains(e.Freeze.Why, "soon after the fill") {
		t.Errorf("after a refill: fresh %v, %q; want it said", e.Freeze.FreshFill, e.Freeze.Why)
	}
	c.restart(20, nil)
	if e := c.run(20*time.Minute, 0.3); !e.Freeze.FreshFill {
		t.Error("a restart forgot the fill")
	}
	if e := c.run(7*time.Hour, 0.3); e.Freeze.FreshFill || strings.Contains(e.Freeze.Why, "soon after") {
		t.Errorf("with %.2f kg of 9.1 left: fresh %v, %q; want it no longer said", c.fuelKg, e.Freeze.FreshFill, e.Freeze.Why)
	}
}

func TestVapourThatStandsStillMayCondenseInAColderPigtail(t *testing.T) {
	c := seen(t, 5, -5, 8)
	if e := c.run(20*time.Minute, 0); !e.Freeze.MayCondense {
		t.Errorf("liquid %.1f C, air -5 C, no flow: want a warning of liquid at the regulator", e.LiquidTempC.Value)
	}
	if e := c.run(10*time.Minute, 0.15); e.Freeze.MayCondense {
		t.Error("gas flows, so nothing stands still")
	}
	if e := seen(t, 5, 5, 4).run(20*time.Minute, 0); e.Freeze.MayCondense {
		t.Error("the air is warmer than the liquid")
	}
}

func TestTheDeepestColdGivesNoNegativePressure(t *testing.T) {
	c := seen(t, 5, -44, -44)
	e := c.run(30*time.Minute, 0.05)
	kPa, _ := lpg.Pure(lpg.Propane).BubbleKPa(-44)
	holds(t, "pressure", e.CylinderKPa, kPa)
	if g := e.CylinderGaugeKPa; g.Low < 0 || g.Value != 0 || !g.Known() {
		t.Errorf("gauge pressure %.1f (%.1f to %.1f) %v, want none, not less", g.Value, g.Low, g.High, g.Quality)
	}
	if e.VapourKgPerH.Value != 0 || e.Outlook.HoursH.Value != 0 || e.Outlook.Ends != supply.PressureLimit {
		t.Errorf("capacity %.3f kg/h, outlook %.1f h by %s; want none, at an end by pressure", e.VapourKgPerH.Value, e.Outlook.HoursH.Value, e.Outlook.Ends)
	}
}
