package nights

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// drawnVan is a ledger with some nights behind it and an hour of the day, all drawn.
type drawnVan struct {
	l  *Ledger
	st sensors.Stamp
	e  *estimate.Estimates
}

func drawVan(t *rapid.T) drawnVan {
	between := func(low, high float64, what string) float64 { return rapid.Float64Range(low, high).Draw(t, what) }
	p := Params{HeaterKgPerH: rapid.SampledFrom([]float64{0, 0.08, 0.17, 0.5}).Draw(t, "heater"), Seed: rapid.Uint64().Draw(t, "seed")}
	v := drawnVan{l: NewLedger(p)}
	noon := time.Date(2026, 12, 20, 12, 0, 0, 0, time.UTC)
	cold := rapid.Bool().Draw(t, "thermometers")
	for i := range rapid.IntRange(0, 12).Draw(t, "nights") {
		burned, other := between(0, 3, "burned"), between(0, 0.5, "other")
		n := Night{Date: noon.AddDate(0, 0, i-20).Format(time.DateOnly), WatchedH: 16, BurnedKg: num(burned+other, 4), BurnedLowKg: num(burned, 4),
			BurnedHighKg: num(burned+other+0.1, 4), HeaterKg: num(burned, 4), OtherKg: num(other, 4), HeaterH: num(between(0, 16, "heater h"), 1)}
		if cold {
			low := between(-30, 10, "low")
			n.OutsideLowC, n.OutsideMeanC, n.CabinMeanC = num(low, 1), num(low+between(0, 6, "above"), 1), num(between(10, 22, "cabin"), 1)
		}
		if rapid.Bool().Draw(t, "day") {
			n.DayKg = num(between(0, 1, "day"), 3)
		}
		v.l.recent = append(v.l.recent, n)
		v.l.heat.add(n)
	}
	at := rapid.IntRange(0, 24*60-1).Draw(t, "minute")
	v.st = sensors.Stamp{Up: time.Hour, Wall: noon.Add(time.Duration(at) * time.Minute)}
	fuel := between(0, 12, "fuel")
	half := between(0.01, 2, "doubt")
	v.e = &estimate.Estimates{ClockTrusted: rapid.Bool().Draw(t, "clock"), FuelKg: known(fuel, max(0, fuel-half), fuel+half),
		OutsideC: estimate.Unknown("none"), LockerC: estimate.Unknown("none")}
	if cold {
		c := between(-25, 25, "outside")
		v.e.OutsideC, v.e.LockerC = known(c, c-1, c+1), known(c+2, c, c+3)
		coldLocker(v.e, rapid.SampledFrom([]float64{1, 0.6, 0.3}).Draw(t, "propane"))
		v.e.Vessel.LiquidTempC = c + between(-5, 5, "liquid")
	}
	return v
}

// says is the forecast with nothing said before.
func (v *drawnVan) says() Tonight {
	v.l.hasTonight, v.l.spoken = false, spoken{}
	return v.l.Tonight(v.st, v.e)
}

func (v *drawnVan) expect(c float64) { v.l.lowC, v.l.lowUntil = c, v.st.Wall.Add(48*time.Hour) }

func TestMoreFuelNeverLowersItsOdds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawVan(t)
		less := v.says()
		more := rapid.Float64Range(0, 5).Draw(t, "more")
		q := v.e.FuelKg
		v.e.FuelKg = known(q.Value+more, q.Low+more, q.High+more)
		full := v.says()
		if less.FuelOdds.Known() != full.FuelOdds.Known() {
			t.Fatalf("odds with more fuel %+v, with less %+v", full.FuelOdds, less.FuelOdds)
		}
		if full.FuelOdds.Value < less.FuelOdds.Value-1e-12 {
			t.Fatalf("%g kg more: odds %g, before %g", more, full.FuelOdds.Value, less.FuelOdds.Value)
		}
		if full.NightsLeft.Known() && full.NightsLeft.Value < less.NightsLeft.Value-1e-9 {
			t.Fatalf("%g kg more: %g nights, before %g", more, full.NightsLeft.Value, less.NightsLeft.Value)
		}
	})
}

func TestAColderExpectedLowNeverHelps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawVan(t)
		low := rapid.Float64Range(-30, 15).Draw(t, "expected")
		colder := rapid.Float64Range(0, 20).Draw(t, "colder")
		v.expect(low)
		mild := v.says()
		v.expect(low - colder)
		cold := v.says()
		const least = 1e-9
		if cold.NightKg.Known() && (cold.NightKg.Value < mild.NightKg.Value-least || cold.NightKg.Low < mild.NightKg.Low-least || cold.NightKg.High < mild.NightKg.High-least) {
			t.Fatalf("%g K colder: the night costs %+v, before %+v", colder, cold.NightKg, mild.NightKg)
		}
		if cold.FuelOdds.Value > mild.FuelOdds.Value+least {
			t.Fatalf("%g K colder: fuel odds %g, before %g", colder, cold.FuelOdds.Value, mild.FuelOdds.Value)
		}
		// A cylinder that was held at its limit has given less and stays fuller, so a later hour
		// may be a trifle easier for it.
		const fuller = 0.005
		if cold.PressureOdds.Known() && mild.PressureOdds.Known() && cold.PressureOdds.Value > mild.PressureOdds.Value+fuller {
			t.Fatalf("%g K colder: pressure odds %g, before %g", colder, cold.PressureOdds.Value, mild.PressureOdds.Value)
		}
	})
}

func (t *Tonight) quantities() map[string]estimate.Quantity {
	return map[string]estimate.Quantity{"nights left": t.NightsLeft, "night": t.NightKg, "end": t.EndFuelKg, "fuel odds": t.FuelOdds,
		"pressure odds": t.PressureOdds, "thin": t.ThinAfterH, "ratio": t.SupplyRatio, "margin": t.SeatMarginK, "charge": t.ChargeAh,
		"full input": t.FullInputLeftH, "low": t.ExpectedLowC}
}

// inOrder wants every quantity of a forecast to be a number in its range.
func (v *drawnVan) inOrder(t *rapid.T, x Tonight) {
	for name, q := range x.quantities() {
		if !q.Known() {
			if q.Why == "" {
				t.Fatalf("%s is unknown without a reason", name)
			}
			continue
		}
		if !(q.Low <= q.Value && q.Value <= q.High) || math.IsInf(q.Low, 0) || math.IsInf(q.High, 0) {
			t.Fatalf("%s is %+v", name, q)
		}
		if name != "low" && name != "margin" && q.Low < 0 {
			t.Fatalf("%s is below nothing: %+v", name, q)
		}
	}
	if x.FuelOdds.Value > 1 || x.PressureOdds.Value > x.FuelOdds.Value+1e-12 {
		t.Fatalf("odds %g and %g, want at most 1, and pressure no likelier than the fuel it needs", x.FuelOdds.Value, x.PressureOdds.Value)
	}
	if x.EndFuelKg.Known() && x.EndFuelKg.High > v.e.FuelKg.High {
		t.Fatalf("%g kg in the end of %g", x.EndFuelKg.High, v.e.FuelKg.High)
	}
	if n := len(strings.Fields(x.Verdict)); n == 0 || n > 6 {
		t.Fatalf("verdict %q", x.Verdict)
	}
}

func TestEveryForecastIsANumberInItsRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawVan(t)
		v.l.p.Loads = []Load{{Name: "valve", DrawA: 1}, {Name: "blower", DrawW: 20, NominalV: 12, WithHeater: true}}
		v.inOrder(t, v.says())
	})
}

func TestWildNumbersMakeNoForecastThatIsNone(t *testing.T) {
	wild := rapid.SampledFrom([]float64{0, -1, 1e-12, 1e3, -1e3, 1e300, -1e300, math.MaxFloat64, -math.MaxFloat64, 5e-324})
	rapid.Check(t, func(t *rapid.T) {
		v := drawVan(t)
		for i := range v.l.recent {
			n := &v.l.recent[i]
			for _, p := range []**float64{&n.BurnedKg, &n.HeaterKg, &n.OtherKg, &n.DayKg, &n.OutsideLowC, &n.OutsideMeanC, &n.CabinMeanC, &n.HeaterH} {
				if rapid.IntRange(0, 4).Draw(t, "spoil") == 0 {
					x := wild.Draw(t, "row")
					*p = &x
				}
			}
		}
		v.l.heat = restoreHeat(nil, v.l.recent)
		v.expect(wild.Draw(t, "low"))
		w := func() estimate.Quantity { x := wild.Draw(t, "value"); return known(x, x, x) }
		for _, q := range []*estimate.Quantity{&v.e.OutsideC, &v.e.LockerC, &v.e.AirKPa} {
			if rapid.Bool().Draw(t, "spoil") {
				*q = w()
			}
		}
		x := v.says()
		for name, q := range x.quantities() {
			if q.Known() && !(q.Low <= q.Value && q.Value <= q.High && q.High-q.Low < math.Inf(1)) {
				t.Fatalf("%s is %+v", name, q)
			}
		}
		if n := len(strings.Fields(x.Verdict)); n == 0 || n > 6 {
			t.Fatalf("verdict %q", x.Verdict)
		}
	})
}

func TestTheSameSeedMakesTheSameForecast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawVan(t)
		once := v.says()
		again := NewLedger(v.l.p)
		again.recent, again.heat = v.l.recent, v.l.heat
		if got := again.Tonight(v.st, v.e); !reflect.DeepEqual(got, once) {
			t.Fatalf("%+v and %+v", got, once)
		}
	})
}

func TestAnotherSeedSaysTheSameWithinItsError(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-20T12:00:00Z")
	v.fuelKg = 20
	v.sixNights(0)
	v.fuelKg = 1.75
	e := v.estimates()
	coldLocker(e, 1)
	const seedsN = 200
	var odds, kg, oddsSq, kgSq, half float64
	for seed := range uint64(seedsN) {
		v.l.p.Seed = seed
		v.l.book, v.l.hasTonight, v.l.spoken = tonightBook{}, false, spoken{}
		got := v.l.Tonight(sensors.Stamp{Up: v.up, Wall: v.wall}, e)
		odds, oddsSq = odds+got.FuelOdds.Value/seedsN, oddsSq+got.FuelOdds.Value*got.FuelOdds.Value/seedsN
		kg, kgSq = kg+got.NightKg.Value/seedsN, kgSq+got.NightKg.Value*got.NightKg.Value/seedsN
		half += (got.NightKg.High - got.NightKg.Low) / 2 / seedsN
	}
	oddsSD, kgSD := math.Sqrt(max(0, oddsSq-odds*odds)), math.Sqrt(max(0, kgSq-kg*kg))
	t.Logf("over %d seeds of 64 draws: fuel odds %.3f with a deviation of %.3f, night %.3f kg with %.3f, its interval +-%.3f kg", seedsN, odds, oddsSD, kg, kgSD, half)
	if oddsSD > 0.04 || kgSD > 0.03 || oddsSD == 0 {
		t.Errorf("seeds differ by %.3f of the odds and %.3f kg, want 0.04 and 0.03 at most, and not nothing", oddsSD, kgSD)
	}
}

func TestANightNeedsNoMoreThanTheHeatersFullInput(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-20T12:00:00Z")
	v.fuelKg = 20
	v.sixNights(0)
	v.l.Expect(-50, sensors.Stamp{Up: v.up, Wall: v.wall})
	if q := v.tonight().NightKg; q.High > 16*0.15+0.3 || q.Value < 16*0.14 {
		t.Errorf("at -50 °C the night costs %+v, the heater's full input is %g kg", q, 16*0.15)
	}
}

func TestElectricityIsForecastWhereItIsConfigured(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-20T12:00:00Z")
	v.fuelKg = 20
	v.sixNights(0)
	if q := v.tonight().ChargeAh; q.Known() || q.Why == "" {
		t.Errorf("without a load: %+v", q)
	}
	v.l.p.Loads = []Load{{Name: "valve", DrawA: 1}}
	if q := v.tonight().ChargeAh; q.Value != 16 || q.Low != 16 || q.High != 16 {
		t.Errorf("1 A for the 16 h of a night: %+v", q)
	}
	v.l.p.Loads = []Load{{Name: "blower", DrawW: 24, NominalV: 12, WithHeater: true}}
	// 1.6 kg at 0.15 kg/h are 10.7 h at 2 A.
	if q := v.tonight().ChargeAh; math.Abs(q.Value-21.3) > 1 || q.High-q.Low < 1 || q.High > 32 {
		t.Errorf("2 A while the heater burns: %+v, want about 21 Ah with an interval", q)
	}
}
