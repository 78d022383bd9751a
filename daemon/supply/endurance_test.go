package supply

import (
	"math"
	"testing"

	"frostline/testdata/reference"

	"frostline/daemon/lpg"
)

// byHand follows a draw in steps of 10 s with the conductance of each, a fuel that keeps
// its composition, until least or unusable; the hours and the liquid at the end.
func byHand(t *testing.T, c Cylinder, f lpg.Fuel, now Contents, d Draw) (hours float64, ends Limit) {
	t.Helper()
	for s := 0.0; ; s += 10 {
		kPa := reference.Must(t)(f.BubbleKPa(now.LiquidTempC))
		ua, ok := c.UAOf(f, now, d.FilmWPerM2K)
		if !ok {
			t.Fatalf("no conductance of %+v", now)
		}
		next, ok := c.Step(f, now, Conditions{d.AirTempC, ua, d.KgPerH}, 10)
		if !ok {
			return s / 3600, ContentsLimit
		}
		nextKPa := reference.Must(t)(f.BubbleKPa(next.LiquidTempC))
		if nextKPa <= d.LeastKPa {
			return (s + 10*(kPa-d.LeastKPa)/(kPa-nextKPa)) / 3600, PressureLimit
		}
		if !d.SteadyMixing {
			if f, ok = Deplete(f, now.LiquidTempC, now.ContentsKg, d.KgPerH*10/3600); !ok {
				t.Fatalf("%+v does not deplete", now)
			}
		}
		now = next
	}
}

// The long steps of an endurance end where steps of 10 s end: within 0.015 h in the
// first six hours, within 0.3 % of a longer draw.
func TestEnduranceIsThatOfShortSteps(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	mixed, _ := lpg.BlendByMass(0.6, lpg.NButane)
	size, _ := Named("us-20lb")
	early := reference.Abs(t, "hours to the pressure limit, the first six", 0.015)
	late := reference.Pct(t, "hours to the pressure limit, later", 0.3)
	for _, tc := range []struct {
		f    lpg.Fuel
		now  Contents
		airC float64
		flow float64
	}{
		{propane, Contents{9.07, -10}, -10, 1}, {propane, Contents{9.07, 20}, 20, 2.5}, {propane, Contents{5, -10}, -10, 0.5},
		{propane, Contents{3, -5}, -15, 0.3}, {propane, Contents{2, -20}, -20, 0.15}, {propane, Contents{8, 0}, 0, 0.6},
		{propane, Contents{9, -12}, -12, 0.35}, {mixed, Contents{9, 0}, 0, 0.3}, {mixed, Contents{6, 0}, -5, 0.2},
		{propane, Contents{9, 25}, 25, 20},
	} {
		d := Draw{AirTempC: tc.airC, FilmWPerM2K: FilmWPerM2K, KgPerH: tc.flow, LeastKPa: 176.325}
		want, ends := byHand(t, size.Cylinder(), tc.f, tc.now, d)
		got, ok := size.Cylinder().Endure(tc.f, tc.now, d)
		if ends != PressureLimit || got.Ends != PressureLimit {
			t.Errorf("%+v: ends by %s, in short steps by %s, want pressure", tc, got.Ends, ends)
		}
		check := early
		if want > 6 {
			check = late
		}
		check.That(got.AfterH, ok, want, tc.now, tc.airC, tc.flow)
		kPa, okKPa := tc.f.BubbleKPa(got.Left.LiquidTempC)
		if tc.f == propane && (!okKPa || math.Abs(kPa-d.LeastKPa) > 2) {
			t.Errorf("%+v: ends at %g kPa, want 176.3", tc, kPa)
		}
	}
}

// Source: scenarios.csv, the time left by mass alone: the contents over the flow. In the
// first the air feeds the flow to the last of the liquid, and the time is that of the mass
// but for what stays in the cylinder; in the second the liquid is at 1.04 times the
// flow, and the falling level ends it sooner.
func TestScenariosLastAsLongAsTheirMassOrLess(t *testing.T) {
	propane := lpg.Pure(lpg.Propane)
	byMass, ratio := reference.Abs(t, "hours by mass", 0.051), reference.Abs(t, "supply ratio", 0.0051)
	size, _ := Named("us-20lb")
	limits := map[string]Limit{"1": ContentsLimit, "2": PressureLimit}
	limitC := reference.Must(t)(LimitC(propane, 101.325, LeastInletGaugeKPa))
	for _, r := range reference.Rows(t, "scenarios.csv", 2) {
		now, flow := Contents{r.Num("contents_kg"), r.Num("liquid_temp_C")}, r.Num("flow_kg_h")
		massH := now.ContentsKg / flow
		byMass.That(massH, true, r.Num("run_time_left_h_by_mass"), r.Cell["case"])
		steady, ok := SteadyKgPerH(propane, r.Num("UA_cylinder_W_K"), r.Num("locker_air_C"), limitC)
		ratio.That(steady/flow, ok, r.Num("supply_ratio_capacity_over_flow"), r.Cell["case"])

		got, ok := size.Cylinder().Endure(propane, now, Draw{
			AirTempC: r.Num("locker_air_C"), FilmWPerM2K: FilmWPerM2K, KgPerH: flow, LeastKPa: 101.325 + LeastInletGaugeKPa,
		})
		if !ok || got.Ends != limits[r.Cell["case"]] || got.AfterH >= massH {
			t.Errorf("case %s: %+v %v, want an end by %s before %g h", r.Cell["case"], got, ok, limits[r.Cell["case"]], massH)
		}
		if keptKg := (massH - got.AfterH) * flow; got.Ends == ContentsLimit && (keptKg < unusableKg-1e-9 || keptKg > 0.15) {
			t.Errorf("case %s: ends with %g kg in the cylinder, want 0.05 to 0.15", r.Cell["case"], keptKg)
		}
	}
}

// The last liquid leaves a quarter to half a kilogram of vapour, which is drawn too, down
// to the least pressure: 21.6 L at 176 kPa hold 0.06 to 0.1 kg.
func TestTheVapourOfTheLastLiquidIsDrawnToo(t *testing.T) {
	size, _ := Named("us-20lb")
	propane := lpg.Pure(lpg.Propane)
	for _, airC := range []float64{0, 20, 40} {
		d := Draw{AirTempC: airC, FilmWPerM2K: FilmWPerM2K, KgPerH: 0.1, LeastKPa: 176.325}
		got, ok := size.Cylinder().Endure(propane, Contents{2, airC}, d)
		if !ok || got.Ends != ContentsLimit || got.Left.ContentsKg < 0.06 || got.Left.ContentsKg > 0.1 {
			t.Errorf("in air of %g C: %+v %v, want the contents to end with 0.06 to 0.1 kg", airC, got, ok)
		}
		if drawn := 2 - got.Left.ContentsKg; math.Abs(drawn-got.AfterH*d.KgPerH) > 1e-9 {
			t.Errorf("in air of %g C: %g kg drawn in %g h at 0.1 kg/h", airC, drawn, got.AfterH)
		}
	}
}

// What ends a draw, beyond the common cases.
func TestWhatEndsADraw(t *testing.T) {
	size, _ := Named("us-20lb")
	propane := lpg.Pure(lpg.Propane)
	mixed, _ := lpg.BlendByMass(0.6, lpg.NButane)
	base := Draw{AirTempC: 0, FilmWPerM2K: FilmWPerM2K, KgPerH: 0.2, LeastKPa: 176.325}
	for name, tc := range map[string]struct {
		f      lpg.Fuel
		now    Contents
		change func(*Draw)
		ends   Limit
		h, tol float64
	}{
		"a limit of hours comes first":         {propane, Contents{8, 0}, func(d *Draw) { d.MostH = 3 }, NoLimit, 3, 1e-9},
		"the month comes first":                {propane, Contents{8, 0}, func(d *Draw) { d.KgPerH = 0.001 }, NoLimit, MostHours, 1e-6},
		"a limit within the last vapour":       {propane, Contents{0.5, 0}, func(d *Draw) { d.KgPerH, d.MostH = 0.1, 4 }, NoLimit, 4, 1e-9},
		"starved from the start":               {propane, Contents{8, -35}, func(d *Draw) {}, PressureLimit, 0, 0},
		"too cold for its range, so starved":   {propane, Contents{5, -20}, func(d *Draw) { d.KgPerH, d.LeastKPa, d.AirTempC = 3, 0, -40 }, PressureLimit, 0.5, 0.4},
		"and already in the first ten minutes": {propane, Contents{1, -40}, func(d *Draw) { d.KgPerH, d.LeastKPa, d.AirTempC = 2, 0, -40 }, PressureLimit, 0.08, 0.02},
		"boiled dry in the first ten minutes":  {propane, Contents{0.45, 20}, func(d *Draw) { d.KgPerH, d.LeastKPa, d.AirTempC = 10, 0, 60 }, ContentsLimit, 0.04, 1e-6},
		"a blend that keeps its propane lasts": {mixed, Contents{8, 0}, func(d *Draw) { d.SteadyMixing = true }, ContentsLimit, 8 / 0.2, 0.5},
	} {
		d := base
		tc.change(&d)
		got, ok := size.Cylinder().Endure(tc.f, tc.now, d)
		if !ok || got.Ends != tc.ends || math.Abs(got.AfterH-tc.h) > tc.tol {
			t.Errorf("%s: %+v %v, want %s after %g h", name, got, ok, tc.ends, tc.h)
		}
	}
	losing, ok := size.Cylinder().Endure(mixed, Contents{8, 0}, base)
	if !ok || losing.Ends != PressureLimit {
		t.Errorf("a blend: %+v %v, want pressure", losing, ok)
	}
	base.SteadyMixing = true
	if keeping, _ := size.Cylinder().Endure(mixed, Contents{8, 0}, base); keeping.AfterH <= losing.AfterH {
		t.Errorf("a blend that loses its propane lasts %g h, one that keeps it %g, want less", losing.AfterH, keeping.AfterH)
	}
}

// A liquid that grows too warm, or that fills its cylinder as it warms, is not starved: the
// model has nothing to say.
func TestADrawThatGrowsTooWarmIsRefused(t *testing.T) {
	size, _ := Named("us-20lb")
	mixed, _ := lpg.BlendByMass(0.6, lpg.NButane)
	d := Draw{AirTempC: 60, FilmWPerM2K: FilmWPerM2K, KgPerH: 0.01, LeastKPa: 176}
	for name, tc := range map[string]struct {
		f   lpg.Fuel
		now Contents
	}{
		"a blend above 50 C":       {mixed, Contents{5, 45}},
		"propane without a bubble": {lpg.Pure(lpg.Propane), Contents{10.4, 20}},
	} {
		if got, ok := size.Cylinder().Endure(tc.f, tc.now, d); ok || got != (Endurance{}) {
			t.Errorf("%s: %+v %v, want refused", name, got, ok)
		}
	}
}

// What an endurance has no data for it refuses, with zeros, though the answer might be
// plain without it.
func TestImpossibleDrawsAreRefused(t *testing.T) {
	nan := math.NaN()
	size, _ := Named("us-20lb")
	base := Draw{AirTempC: 0, FilmWPerM2K: FilmWPerM2K, KgPerH: 0.2, LeastKPa: 176.325}
	for name, change := range map[string]func(*Cylinder, *lpg.Fuel, *Contents, *Draw){
		"no cylinder":            func(c *Cylinder, _ *lpg.Fuel, _ *Contents, _ *Draw) { *c = Cylinder{} },
		"no fuel":                func(_ *Cylinder, f *lpg.Fuel, _ *Contents, _ *Draw) { *f = lpg.Fuel{} },
		"an empty cylinder":      func(_ *Cylinder, _ *lpg.Fuel, now *Contents, _ *Draw) { now.ContentsKg = 0.1 },
		"an overfull cylinder":   func(_ *Cylinder, _ *lpg.Fuel, now *Contents, _ *Draw) { now.ContentsKg = 13 },
		"contents NaN":           func(_ *Cylinder, _ *lpg.Fuel, now *Contents, _ *Draw) { now.ContentsKg = nan },
		"liquid too cold":        func(_ *Cylinder, _ *lpg.Fuel, now *Contents, _ *Draw) { now.LiquidTempC = -51 },
		"liquid NaN":             func(_ *Cylinder, _ *lpg.Fuel, now *Contents, _ *Draw) { now.LiquidTempC = nan },
		"no draw":                func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.KgPerH = 0 },
		"a negative draw":        func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.KgPerH = -1 },
		"an endless draw":        func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.KgPerH = 101 },
		"draw NaN":               func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.KgPerH = nan },
		"air NaN":                func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.AirTempC = nan },
		"air too warm":           func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.AirTempC = 61 },
		"no film":                func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.FilmWPerM2K = 0 },
		"film NaN":               func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.FilmWPerM2K = nan },
		"a negative least":       func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.LeastKPa = -1 },
		"least NaN":              func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.LeastKPa = nan },
		"a negative limit":       func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.MostH = -1 },
		"more than a month":      func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.MostH = 745 },
		"limit NaN":              func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.MostH = nan },
		"starved, in air of NaN": func(_ *Cylinder, _ *lpg.Fuel, _ *Contents, d *Draw) { d.LeastKPa, d.AirTempC = 900, nan },
	} {
		c, f, now, d := size.Cylinder(), lpg.Pure(lpg.Propane), Contents{5, 0}, base
		change(&c, &f, &now, &d)
		if got, ok := c.Endure(f, now, d); ok || got != (Endurance{}) {
			t.Errorf("%s: %+v %v, want refused", name, got, ok)
		}
	}
}

// The share of the dry wall is what is not wetted of the conductance; it grows as the
// level falls, to most of it.
func TestShareOfTheDryWall(t *testing.T) {
	size, _ := Named("us-20lb")
	c, propane := size.Cylinder(), lpg.Pure(lpg.Propane)
	share := reference.Abs(t, "share of the dry wall", 1e-12)
	before := 0.0
	for _, kg := range []float64{9, 6, 3, 1, 0.5} {
		now := Contents{kg, -10}
		liquidKg, _, _ := propane.SplitKg(now.LiquidTempC, kg, c.VolumeL)
		liquidL := reference.Must(t)(propane.LiquidL(liquidKg, now.LiquidTempC))
		fin, wetted := reference.Must(t)(c.FinM2(liquidL, FilmWPerM2K)), reference.Must(t)(c.WettedM2(liquidL))
		got, ok := c.FinFrac(propane, now, FilmWPerM2K)
		share.That(got, ok, fin/(fin+wetted), kg)
		if got <= before || got >= 1 {
			t.Errorf("%g kg: share %g after %g", kg, got, before)
		}
		before = got
	}
	for name, ok := range map[string]bool{
		"no cylinder": second(Cylinder{}.FinFrac(propane, Contents{5, 0}, 8.5)), "no film": second(c.FinFrac(propane, Contents{5, 0}, 0)),
		"no liquid": second(c.FinFrac(propane, Contents{0.1, 0}, 8.5)), "no fuel": second(c.FinFrac(lpg.Fuel{}, Contents{5, 0}, 8.5)),
	} {
		if ok {
			t.Errorf("%s is accepted", name)
		}
	}
}

// Source: blend_depletion.csv, Rayleigh depletion with GERG-2008. Tolerance: that of the
// vapour's composition, 0.003 of mass fraction, in steps and strides alike.
func TestAnEmptyingCylinderLosesItsPropane(t *testing.T) {
	left := reference.Abs(t, "propane mass fraction left", 0.003)
	sips := reference.Abs(t, "the same in sips of a thousandth", 0.0002)
	for _, r := range reference.Rows(t, "blend_depletion.csv", 8) {
		at, end := r.Num("withdrawal_temp_C"), r.Num("remaining_mass_fraction_of_liquid")
		start, ok := lpg.BlendByMass(r.Num("initial_propane_mass_fraction"), lpg.NButane)
		if !ok {
			t.Fatal("no blend")
		}
		got, ok := Deplete(start, at, 10, 10*(1-end))
		left.That(got.PropaneMassFrac(), ok, r.Num("propane_mass_fraction_in_liquid"), start, end)

		sipped := start
		for kg := 10.0; kg > 10*end+1e-9 && ok; {
			sip := min(0.01, kg-10*end)
			sipped, ok = Deplete(sipped, at, kg, sip)
			kg -= sip
		}
		sips.That(sipped.PropaneMassFrac(), ok, got.PropaneMassFrac(), start, end)
	}
}

// A pure fuel stays what it is, nothing drawn changes nothing, and to the last drop a blend
// stays one of its own butane.
func TestDepletionKeepsTheFuel(t *testing.T) {
	mixed, _ := lpg.BlendByMass(0.6, lpg.Isobutane)
	for _, f := range []lpg.Fuel{lpg.Pure(lpg.Propane), lpg.Pure(lpg.NButane), lpg.Pure(lpg.Isobutane)} {
		if got, ok := Deplete(f, 0, 9, 8); !ok || got != f {
			t.Errorf("%+v becomes %+v %v", f, got, ok)
		}
	}
	if got, ok := Deplete(mixed, 0, 9, 0); !ok || got != mixed {
		t.Errorf("nothing drawn makes %+v of %+v", got, mixed)
	}
	for _, contents := range []float64{math.SmallestNonzeroFloat64 * 4, 1, math.MaxFloat64} {
		got, ok := Deplete(mixed, 0, contents, contents*(1-1e-15))
		if contents < 1 && !ok {
			continue // no share of so little can be told
		}
		if !ok || got.Butane() != lpg.Isobutane || got.PropaneMassFrac() > 1e-6 {
			t.Errorf("%g kg to the last drop: %+v %v, want isobutane", contents, got, ok)
		}
	}
}

func TestImpossibleDepletionsAreRefused(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	mixed, _ := lpg.BlendByMass(0.6, lpg.NButane)
	for name, tc := range map[string]struct {
		f                  lpg.Fuel
		tempC, kg, drawnKg float64
	}{
		"no fuel": {lpg.Fuel{}, 0, 9, 1}, "too cold": {mixed, -41, 9, 1}, "temperature NaN": {mixed, nan, 9, 1},
		"no contents": {mixed, 0, 0, 0}, "contents NaN": {mixed, 0, nan, 1}, "contents without end": {mixed, 0, inf, 1},
		"a negative draw": {mixed, 0, 9, -1}, "draw NaN": {mixed, 0, 9, nan}, "all of it": {mixed, 0, 9, 9},
		"more than there is": {mixed, 0, 9, 10}, "all but what can be told": {mixed, 0, 1e-323, 5e-324 * 1},
	} {
		got, ok := Deplete(tc.f, tc.tempC, tc.kg, tc.drawnKg)
		if name == "all but what can be told" {
			if !ok || !got.Known() {
				t.Errorf("%s: %+v %v, want a fuel", name, got, ok)
			}
			continue
		}
		if ok || got != (lpg.Fuel{}) {
			t.Errorf("%s: %+v %v, want refused", name, got, ok)
		}
	}
}

func TestForecastsAllocateNothing(t *testing.T) {
	size, _ := Named("us-20lb")
	mixed, _ := lpg.BlendByMass(0.7, lpg.NButane)
	c, d := size.Cylinder(), Draw{AirTempC: 10, FilmWPerM2K: FilmWPerM2K, KgPerH: 0.5, LeastKPa: 136}
	if n := testing.AllocsPerRun(10, func() {
		_, ok1 := c.Endure(mixed, Contents{9, 5}, d)
		_, ok2 := Deplete(mixed, 0, 9, 4.5)
		if !ok1 || !ok2 {
			t.Fatal("refused")
		}
	}); n != 0 {
		t.Errorf("%g allocations, want none", n)
	}
}

func BenchmarkEndure(b *testing.B) {
	size, _ := Named("us-20lb")
	mixed, _ := lpg.BlendByMass(0.7, lpg.NButane)
	for name, f := range map[string]lpg.Fuel{"propane": lpg.Pure(lpg.Propane), "blend": mixed} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			d := Draw{AirTempC: 10, FilmWPerM2K: FilmWPerM2K, KgPerH: 0.25, LeastKPa: 136}
			for b.Loop() {
				if _, ok := size.Cylinder().Endure(f, Contents{9, 5}, d); !ok {
					b.Fatal("refused")
				}
			}
		})
	}
}

func BenchmarkDeplete(b *testing.B) {
	mixed, _ := lpg.BlendByMass(0.7, lpg.NButane)
	for name, drawnKg := range map[string]float64{"one tick": 1e-4, "half": 4.5} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, ok := Deplete(mixed, 0, 9, drawnKg); !ok {
					b.Fatal("refused")
				}
			}
		})
	}
}
