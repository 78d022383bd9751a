package nights

import (
	"math"
	"testing"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
)

// TestTheLiquidTableIsThePublishedPhysicsBetweenItsNodes compares off the nodes: half way
// between two temperatures and two compositions the table is at its worst.
func TestTheLiquidTableIsThePublishedPhysicsBetweenItsNodes(t *testing.T) {
	var worst struct{ kPa, jPerK, heat, area float64 }
	for _, size := range supply.Sizes() {
		shape := size.Cylinder()
		for _, blend := range []bool{false, true} {
			table := new(liquidTable)
			if !table.of(shape, blend) {
				t.Fatalf("no table of %s", size.Name)
			}
			fracs := []float64{1}
			if blend {
				fracs = []float64{0.03, 0.15, 0.25, 0.37, 0.5, 0.55, 0.68, 0.75, 0.85, 0.95}
			}
			for _, frac := range fracs {
				f, _ := lpg.BlendByMass(frac, lpg.NButane)
				for c := -31.0; c < 32; c += 1.7 {
					n := table.mixed(frac).at(c)
					off := func(worst *float64, got, want float64, what string, mostFrac float64) {
						t.Helper()
						err := math.Abs(got/want - 1)
						*worst = max(*worst, err)
						if !(err <= mostFrac) {
							t.Errorf("%s, %g propane, %.1f °C: %s is %g, want %g within %g %%", size.Name, frac, c, what, got, want, 100*mostFrac)
						}
					}
					kPa, ok := f.BubbleKPa(c)
					heat, ok2 := f.WithdrawalKJPerKg(c)
					dens, ok3 := f.LiquidKgPerM3(c)
					if !ok || !ok2 || !ok3 {
						t.Fatalf("no data at %g °C, %g propane", c, frac)
					}
					off(&worst.kPa, math.Exp(n.lnKPa), kPa, "pressure", 0.003)
					off(&worst.heat, n.kJPerKg, heat, "heat of withdrawal", 0.01)
					for _, fill := range []float64{0.1, 0.45, 0.8} {
						kg := fill * dens * shape.VolumeL / 1000
						jPerK, ok := f.TwoPhaseJPerK(c, kg, shape.VolumeL)
						ua, ok2 := shape.UAOf(f, supply.Contents{ContentsKg: kg, LiquidTempC: c}, supply.FilmWPerM2K)
						area, ok3 := table.areaM2(&n, kg)
						if !ok || !ok2 || !ok3 {
							t.Fatalf("no capacity at %g °C, %g propane, %g kg", c, frac, kg)
						}
						off(&worst.jPerK, n.emptyJPerK+n.jPerKgK*kg, jPerK, "heat capacity", 0.01)
						off(&worst.area, area*supply.FilmWPerM2K, ua, "conductance", 0.01)
					}
				}
			}
		}
	}
	t.Logf("off at the worst: pressure %.3f %%, heat capacity %.2f %%, heat of withdrawal %.2f %%, conductance %.2f %%",
		100*worst.kPa, 100*worst.jPerK, 100*worst.heat, 100*worst.area)
}

// TestTheForecastChillsACylinderAsTheModelDoes draws a cold night in steps of half an hour
// and holds every step against the model's own ten seconds.
func TestTheForecastChillsACylinderAsTheModelDoes(t *testing.T) {
	for name, c := range map[string]struct {
		kg, frac, airC, startC, askKgPerH, mostK float64
	}{
		"propane, half full":           {5.5, 1, -12, -6, 0.12, 0.15},
		"propane, little left":         {1.6, 1, -9, -4, 0.08, 0.15},
		"a mix in the frost":           {8, 0.6, -5, 2, 0.09, 0.25},
		"nothing drawn, the air alone": {6, 1, -15, 5, 0, 0.15},
	} {
		t.Run(name, func(t *testing.T) {
			shape, _ := supply.Guess(11)
			f, _ := lpg.BlendByMass(c.frac, lpg.NButane)
			table := new(liquidTable)
			table.of(shape, c.frac < 1)
			s := chill{t: table, kg: c.kg, tempC: c.startC, propaneFrac: c.frac, lnLeastKPa: math.Log(30), filmWPerM2K: supply.FilmWPerM2K}
			now, worstK := supply.Contents{ContentsKg: c.kg, LiquidTempC: c.startC}, 0.0
			for h := 0.0; h < 16; h += courseH {
				if _, ok := s.step(c.askKgPerH, c.airC, courseH); !ok {
					t.Fatalf("dry after %g h", h)
				}
				for range int(courseH * 360) {
					ua, ok := shape.UAOf(f, now, supply.FilmWPerM2K)
					next, ok2 := shape.Step(f, now, supply.Conditions{AirTempC: c.airC, UAWPerK: ua, DrawKgPerH: c.askKgPerH}, 10)
					if !ok || !ok2 {
						t.Fatalf("the model refuses %+v", now)
					}
					if c.askKgPerH > 0 {
						f, _ = supply.Deplete(f, now.LiquidTempC, now.ContentsKg, c.askKgPerH/360)
					}
					now = next
				}
				worstK = max(worstK, math.Abs(s.tempC-now.LiquidTempC))
				if math.Abs(s.kg-now.ContentsKg) > 1e-6 || math.Abs(s.propaneFrac-f.PropaneMassFrac()) > 0.004 {
					t.Fatalf("after %g h %.4f kg with %.4f propane, want %.4f and %.4f", h+courseH, s.kg, s.propaneFrac, now.ContentsKg, f.PropaneMassFrac())
				}
			}
			t.Logf("liquid off by %.3f K at the worst, %.1f °C in the end", worstK, s.tempC)
			if worstK > c.mostK {
				t.Errorf("liquid off by %.3f K, want at most %g", worstK, c.mostK)
			}
		})
	}
}

// TestAThinCylinderStopsWhereTheModelSaysItEnds compares the moment a steady draw becomes
// too much with the model's own hours.
func TestAThinCylinderStopsWhereTheModelSaysItEnds(t *testing.T) {
	shape, _ := supply.Guess(11)
	f := lpg.Pure(lpg.Propane)
	const airC, askKgPerH, leastGaugeKPa, airKPa = -18.0, 0.4, 100.0, 95.0
	now := supply.Contents{ContentsKg: 6, LiquidTempC: -8}
	limitC, _ := supply.LimitC(f, airKPa, leastGaugeKPa)
	want := 0.0
	for at := now; at.LiquidTempC > limitC; want += 10. / 3600 {
		ua, _ := shape.UAOf(f, at, supply.FilmWPerM2K)
		var ok bool
		if at, ok = shape.Step(f, at, supply.Conditions{AirTempC: airC, UAWPerK: ua, DrawKgPerH: askKgPerH}, 10); !ok || want > 48 {
			t.Fatalf("the model does not end: %+v after %g h", at, want)
		}
	}
	table := new(liquidTable)
	table.of(shape, false)
	s := chill{t: table, kg: now.ContentsKg, tempC: now.LiquidTempC, propaneFrac: 1, lnLeastKPa: math.Log(airKPa + leastGaugeKPa), filmWPerM2K: supply.FilmWPerM2K}
	got := 0.0
	for ; got < 48; got += courseH {
		c, ok := s.step(askKgPerH, airC, courseH)
		if !ok {
			t.Fatal("dry before it is thin")
		}
		if c.spareK < 0 {
			break
		}
	}
	if got > want || got < want-courseH-0.1 {
		t.Errorf("thin in the step from %g h, the model says %.2f h", got, want)
	}
	if math.Abs(s.tempC-limitC) > 0.1 {
		t.Errorf("held at %.2f °C, the limit is %.2f °C", s.tempC, limitC)
	}
	rest, ok := s.step(askKgPerH, airC, courseH)
	steady, ok2 := supply.SteadyKgPerH(f, s.filmWPerM2K*must(table.areaM2(ptr(table.mixed(1).at(s.tempC)), s.kg)), airC, limitC)
	if !ok || !ok2 || math.Abs(rest.steadyKgPerH/steady-1) > 0.01 || math.Abs(rest.drawnKg/courseH/steady-1) > 0.02 {
		t.Errorf("at the limit %.4f kg/h are drawn and %.4f can be boiled off, the model says %.4f", rest.drawnKg/courseH, rest.steadyKgPerH, steady)
	}
}

func must(v float64, ok bool) float64 {
	if !ok {
		panic("no value")
	}
	return v
}

func ptr[T any](v T) *T { return &v }
