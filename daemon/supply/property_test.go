package supply

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"frostline/daemon/lpg"
)

// The laws that hold whatever is asked: each is walked over the whole of its range by rapid,
// and thrown any bits at all by the fuzzer.

// fuelLike makes a fuel of any two numbers; many make none.
func fuelLike(frac float64, butane int) lpg.Fuel {
	f, _ := lpg.BlendByMass(frac, lpg.Substance(butane))
	return f
}

// finite fails on the first value that is not a number.
func finite(t rapid.TB, what string, vs ...float64) {
	t.Helper()
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%s: %v", what, vs)
		}
	}
}

// seatLaws: a seat is zero or all numbers; gas leaves it colder; the body is between gas and
// air; the threshold is 0 to 5.65 C; more flow and colder air make no body warmer; and the
// words are never milder than the margins.
func seatLaws(t rapid.TB, f lpg.Fuel, r Regulator, in Inlet) {
	t.Helper()
	s, ok := r.Seat(f, in)
	if !ok {
		if s != (Seat{}) {
			t.Fatalf("refused with %+v", s)
		}
		return
	}
	finite(t, "a seat", s.ThrottledC, s.BodyC, s.SolidC, s.AdiabaticK, s.MarginK, s.DepositGPerH)
	if s.ThrottledC > in.LiquidTempC+1e-6 || s.SolidC < 0 || s.SolidC > 5.6501 || s.DepositGPerH < 0 {
		t.Fatalf("%+v of %+v", s, in)
	}
	low, high := min(s.ThrottledC, in.AirTempC), max(s.ThrottledC, in.AirTempC)
	if !in.BodyKnown && (s.BodyC < low-1e-9 || s.BodyC > high+1e-9) {
		t.Fatalf("body %g C outside gas and air, %g to %g", s.BodyC, low, high)
	}
	if s.Risk() == NotExpected && min(s.MarginK, s.AdiabaticK) <= CautionK || s.MarginK < 0 && s.Risk() != LikelyIfWet {
		t.Fatalf("%s with margins of %g and %g", s.Risk(), s.MarginK, s.AdiabaticK)
	}
	more := in
	more.FlowKgPerH = min(2*in.FlowKgPerH, maxDrawKgPerH)
	if drawn, ok := r.Seat(f, more); !ok || drawn.DepositGPerH < s.DepositGPerH-1e-12 ||
		in.AirTempC >= s.ThrottledC && drawn.BodyC > s.BodyC+1e-9 {
		t.Fatalf("twice the flow: %+v %v, from %+v", drawn, ok, s)
	}
	colder := in
	colder.AirTempC = max(in.AirTempC-5, lpg.MinTempC)
	if cold, ok := r.Seat(f, colder); !ok || cold.MarginK > s.MarginK+1e-9 {
		t.Fatalf("air 5 K colder: %+v %v, from %+v", cold, ok, s)
	}
}

func TestSeatLaws(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := Inlet{
			LiquidTempC: rapid.Float64Range(-40, 40).Draw(rt, "liquid"), AirTempC: rapid.Float64Range(-50, 60).Draw(rt, "air"),
			AirKPa: rapid.Float64Range(60, 105).Draw(rt, "atmosphere"), FlowKgPerH: rapid.Float64Range(1e-6, 100).Draw(rt, "flow"),
			BodyTempC: rapid.Float64Range(-50, 60).Draw(rt, "body"), BodyKnown: rapid.Bool().Draw(rt, "measured"),
		}
		r := Regulator{rapid.Bool().Draw(rt, "two stages"), rapid.Float64Range(0.01, 10).Draw(rt, "body W/K"), LeastInletGaugeKPa}
		f := fuelLike(rapid.Float64Range(0, 1).Draw(rt, "propane"), int(lpg.NButane))
		seatLaws(rt, f, r, in)

		// A measured pressure of a few per cent more is colder behind the seat.
		first, ok := r.Seat(f, in)
		kPa, okKPa := f.BubbleKPa(in.LiquidTempC)
		in.CylinderKPa = 1.05 * kPa
		if second, okMore := r.Seat(f, in); ok && okKPa && okMore && second.ThrottledC >= first.ThrottledC {
			rt.Fatalf("5 %% more pressure: %+v, from %+v", second, first)
		}
	})
}

func FuzzSeat(f *testing.F) {
	f.Add(1.0, 2, false, 0.3, 5.0, 0.0, 10.0, 101.325, 0.5, 0.0, false)
	f.Add(0.6, 2, true, 0.2, -8.0, 280.0, 0.0, 84.556, 0.4, -3.0, true)
	f.Add(0.0, 2, false, 0.4, 30.0, 0.0, 30.0, 101.325, 100.0, 0.0, false)
	f.Add(1.0, 3, true, 10.0, 40.0, 1370.0, -50.0, 20.0, 1e-300, 0.0, false)
	f.Add(0.7, 3, false, 0.3, 5.0, 0.0, 10.0, 101.325, 0.5, 0.0, false)
	f.Add(math.NaN(), -1, false, math.Inf(1), math.NaN(), math.Inf(-1), -40.0, 0.0, -1.0, math.NaN(), true)
	f.Fuzz(func(t *testing.T, frac float64, butane int, two bool, body, liquidC, kPa, airC, airKPa, flow, bodyC float64, measured bool) {
		fuel := fuelLike(frac, butane)
		seatLaws(t, fuel, Regulator{two, body, 75}, Inlet{liquidC, kPa, airC, airKPa, flow, bodyC, measured})
		settleLaws(t, liquidC, airC, body)
		if Recondenses(liquidC, airC) && !(airC < liquidC) {
			t.Fatalf("condenses at %g C from %g C", airC, liquidC)
		}
	})
}

// settleLaws: it is told for its range only; frost only below 0 C, dew only from there;
// what is dry stays dry when the body warms or the air dries.
func settleLaws(t rapid.TB, bodyC, airC, humidityPct float64) {
	t.Helper()
	got, ok := Settles(bodyC, airC, humidityPct)
	if inside := within(bodyC, -40, 40) && within(airC, -40, 40) && within(humidityPct, 0, 100); ok != inside || ok != (got != "") {
		t.Fatalf("body %g C, air %g C, %g %%: %q %v", bodyC, airC, humidityPct, got, ok)
	}
	if got == Frost && bodyC >= 0 || got == Dew && bodyC < 0 {
		t.Fatalf("%s on a body of %g C", got, bodyC)
	}
	if got != Dry {
		return
	}
	// 0.1 K over the step of 0.04 % between ice and water at 0 C.
	if warmer, ok := Settles(bodyC+0.1, airC, humidityPct); ok && warmer != Dry {
		t.Fatalf("%s on a body warmer than %g C, which is dry", warmer, bodyC)
	}
	if drier, ok := Settles(bodyC, airC, humidityPct/2); !ok || drier != Dry {
		t.Fatalf("%s in drier air", drier)
	}
}

func TestSettleLaws(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		settleLaws(rt, rapid.Float64Range(-45, 45).Draw(rt, "body"), rapid.Float64Range(-45, 45).Draw(rt, "air"), rapid.Float64Range(-5, 105).Draw(rt, "humidity"))
	})
}

// cylinderLaws: what a cylinder says is zero or a number; more film conducts more; a step
// takes just what is drawn, in warmer air ends warmer, with more drawn colder, and never
// overshoots the air; capacity grows with the air, and falls with the pressure asked for.
func cylinderLaws(t rapid.TB, c Cylinder, f lpg.Fuel, now Contents, at Conditions, film, seconds float64) {
	t.Helper()
	ua, ok := c.UAOf(f, now, film)
	finite(t, "a conductance", ua)
	if !ok && ua != 0 || ok && !(ua > 0) {
		t.Fatalf("conductance %g %v", ua, ok)
	}
	if more, okMore := c.UAOf(f, now, 1.1*film); ok && okMore && more <= ua {
		t.Fatalf("a tenth more film conducts %g after %g", more, ua)
	}
	share, ok := c.FinFrac(f, now, film)
	finite(t, "a share", share)
	if share < 0 || share > 1 || !ok && share != 0 {
		t.Fatalf("share of the dry wall %g %v", share, ok)
	}
	capacityLaws(t, f, at, film)

	next, ok := c.Step(f, now, at, seconds)
	finite(t, "a step", next.ContentsKg, next.LiquidTempC)
	if !ok {
		if next != (Contents{}) {
			t.Fatalf("refused with %+v", next)
		}
		return
	}
	if want := now.ContentsKg - at.DrawKgPerH*seconds/3600; next.ContentsKg != want {
		t.Fatalf("%g kg after a step, want %g", next.ContentsKg, want)
	}
	if top := max(now.LiquidTempC, at.AirTempC); next.LiquidTempC > top+1e-9 {
		t.Fatalf("%g C after a step, warmer than %g", next.LiquidTempC, top)
	}
	if kPa, ok := f.BubbleKPa(next.LiquidTempC); !ok || !(kPa > 0) {
		t.Fatalf("%g kPa after a step", kPa)
	}
	warm, draw := at, at
	warm.AirTempC += 5
	if other, ok := c.Step(f, now, warm, seconds); ok && other.LiquidTempC < next.LiquidTempC-1e-9 {
		t.Fatalf("air 5 K warmer ends at %g C, want %g or more", other.LiquidTempC, next.LiquidTempC)
	}
	draw.DrawKgPerH *= 1.2
	// A fuller cylinder is slower: only where the draw cools it at all is more draw colder.
	if other, ok := c.Step(f, now, draw, seconds); ok && at.AirTempC <= now.LiquidTempC && other.LiquidTempC > next.LiquidTempC+1e-9 {
		t.Fatalf("a fifth more drawn ends at %g C, want %g or less", other.LiquidTempC, next.LiquidTempC)
	}
}

// capacityLaws takes the conditions' UA and air, and least as the pressure asked for.
func capacityLaws(t rapid.TB, f lpg.Fuel, at Conditions, least float64) {
	t.Helper()
	limitC, ok := LimitC(f, 101.325, least)
	finite(t, "a limit", limitC)
	if !ok {
		if limitC != 0 {
			t.Fatalf("refused with %g", limitC)
		}
		return
	}
	if higher, ok := LimitC(f, 101.325, least+10); ok && higher <= limitC {
		t.Fatalf("10 kPa more is asked at %g C after %g", higher, limitC)
	}
	kgPerH, ok := SteadyKgPerH(f, at.UAWPerK, at.AirTempC, limitC)
	finite(t, "a capacity", kgPerH)
	if kgPerH < 0 || !ok && kgPerH != 0 {
		t.Fatalf("capacity %g %v", kgPerH, ok)
	}
	if more, okMore := SteadyKgPerH(f, at.UAWPerK, at.AirTempC+5, limitC); ok && okMore && more < kgPerH {
		t.Fatalf("5 K warmer air sustains %g after %g", more, kgPerH)
	}
}

// anyFill draws a common size or a guess, and contents and a fuel that it holds.
func anyFill(rt *rapid.T) (Cylinder, lpg.Fuel, Contents) {
	c, ok := Guess(rapid.Float64Range(0.4, 200).Draw(rt, "fill"))
	if !ok {
		rt.Fatal("no guess")
	}
	f := fuelLike(rapid.Float64Range(0, 1).Draw(rt, "propane"), rapid.IntRange(int(lpg.NButane), int(lpg.Isobutane)).Draw(rt, "butane"))
	kg := rapid.Float64Range(0.02, 1).Draw(rt, "full") * fillFrac * c.VolumeL
	return c, f, Contents{kg, rapid.Float64Range(-40, 45).Draw(rt, "liquid")}
}

func TestCylinderLaws(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c, f, now := anyFill(rt)
		at := Conditions{rapid.Float64Range(-50, 60).Draw(rt, "air"), rapid.Float64Range(0, 100).Draw(rt, "UA"), rapid.Float64Range(0, 10).Draw(rt, "draw")}
		cylinderLaws(rt, c, f, now, at, rapid.Float64Range(1, 50).Draw(rt, "film"), rapid.Float64Range(0, maxStepS).Draw(rt, "seconds"))

		// More propane is more pressure, in the same cylinder at the same temperature.
		leaner := fuelLike(f.PropaneMassFrac()*0.9, int(f.Butane()))
		kPa, ok1 := f.BubbleKPa(now.LiquidTempC)
		lean, ok2 := leaner.BubbleKPa(now.LiquidTempC)
		if ok1 && ok2 && f.PropaneMassFrac() > 0.001 && lean >= kPa {
			rt.Fatalf("a tenth less propane stands at %g kPa after %g", lean, kPa)
		}
	})
}

func FuzzCylinder(f *testing.F) {
	f.Add(9.07, 0.0, 0.0, 1.0, 2, 9.0, -10.0, -10.0, 3.0, 0.5, 8.5, 600.0)
	f.Add(0.0, 305.0, 21.6, 0.6, 3, 0.3, 10.0, 60.0, 100.0, 100.0, 50.0, 1800.0)
	f.Add(123.0, 0.0, 0.0, math.Nextafter(1, 0), 3, 96.03, 1.6666666666666667, -36.0, 100.0, 80.0, 15.0, 858.0)
	f.Add(200.0, 0.0, 0.0, 0.0, 2, 150.0, 45.0, -50.0, 0.0, 0.0, 1.0, 0.0)
	f.Add(math.NaN(), math.Inf(1), -1.0, math.NaN(), 9, math.Inf(1), math.NaN(), math.NaN(), math.NaN(), -1.0, math.NaN(), math.Inf(-1))
	f.Fuzz(func(t *testing.T, fill, diameterMM, volumeL, frac float64, butane int, kg, liquidC, airC, ua, draw, film, seconds float64) {
		c, ok := Guess(fill)
		if ok != within(fill, 0.4, 200) || ok != c.Known() || !ok && c != (Cylinder{}) {
			t.Fatalf("a guess from %g kg: %+v %v", fill, c, ok)
		}
		if !ok {
			c = Cylinder{diameterMM / 1000, volumeL, commonWallM, 1000}
		}
		cylinderLaws(t, c, fuelLike(frac, butane), Contents{kg, liquidC}, Conditions{airC, ua, draw}, film, seconds)
	})
}

// enduranceLaws: what is left is within what there was, the hours within the limit, a known
// reason; and a higher least pressure, more draw and colder air never last longer. Steps end
// where they end, so the laws hold to their error.
func enduranceLaws(t rapid.TB, c Cylinder, f lpg.Fuel, now Contents, d Draw) {
	t.Helper()
	e, ok := c.Endure(f, now, d)
	if !ok {
		if e != (Endurance{}) {
			t.Fatalf("refused with %+v", e)
		}
		return
	}
	finite(t, "an endurance", e.AfterH, e.Left.ContentsKg, e.Left.LiquidTempC)
	most := d.MostH
	if most == 0 {
		most = MostHours
	}
	if e.AfterH < 0 || e.AfterH > most*(1+1e-12) || e.Left.ContentsKg < 0 || e.Left.ContentsKg > now.ContentsKg {
		t.Fatalf("%+v of %+v", e, now)
	}
	if drawn := now.ContentsKg - e.Left.ContentsKg; math.Abs(drawn-e.AfterH*d.KgPerH) > 1e-6*now.ContentsKg {
		t.Fatalf("%g kg drawn in %g h at %g kg/h", drawn, e.AfterH, d.KgPerH)
	}
	if top := max(now.LiquidTempC, d.AirTempC); e.Left.LiquidTempC > top+1e-9 {
		t.Fatalf("ends at %g C, warmer than %g", e.Left.LiquidTempC, top)
	}
	if e.Ends != PressureLimit && e.Ends != ContentsLimit && e.Ends != NoLimit || e.Ends == NoLimit && math.Abs(e.AfterH-most) > 1e-6*most {
		t.Fatalf("%+v, limit %g h", e, most)
	}
	const slackH, slackFrac = 0.05, 0.01
	higher, faster, colder := d, d, d
	higher.LeastKPa += 20
	faster.KgPerH *= 1.2
	colder.AirTempC -= 5
	for name, harder := range map[string]Draw{"20 kPa more asked": higher, "a fifth more drawn": faster, "air 5 K colder": colder} {
		if other, ok := c.Endure(f, now, harder); ok && other.AfterH > e.AfterH*(1+slackFrac)+slackH {
			t.Fatalf("%s: %+v, from %+v", name, other, e)
		}
	}
}

func TestEnduranceLaws(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c, f, now := anyFill(rt)
		enduranceLaws(rt, c, f, now, Draw{
			AirTempC: rapid.Float64Range(-50, 60).Draw(rt, "air"), FilmWPerM2K: rapid.Float64Range(LeastFilmWPerM2K, MostFilmWPerM2K).Draw(rt, "film"),
			KgPerH: math.Exp(rapid.Float64Range(math.Log(0.01), math.Log(20)).Draw(rt, "ln draw")), LeastKPa: rapid.Float64Range(0, 400).Draw(rt, "least"),
			MostH: rapid.SampledFrom([]float64{0, 0, 0, 1, 12}).Draw(rt, "most"), SteadyMixing: rapid.Bool().Draw(rt, "mixing"),
		})
	})
}

func FuzzEndure(f *testing.F) {
	f.Add(9.07, 1.0, 2, 9.0, -10.0, -10.0, 8.5, 0.5, 176.3, 0.0, false)
	f.Add(5.0, 0.6, 3, 4.0, 20.0, 40.0, 13.0, 0.2, 0.0, 24.0, true)
	f.Add(0.4, 0.0, 2, 0.06, 0.0, 60.0, 50.0, 100.0, 90.0, 0.0, false)
	f.Add(9.0, 1.0, 2, 9.0, 20.0, 20.0, 8.5, 5e-324, 0.0, 5e-324, false)
	f.Add(-1.0, math.NaN(), 0, math.NaN(), math.Inf(1), math.NaN(), 0.0, math.NaN(), -1.0, math.NaN(), true)
	f.Fuzz(func(t *testing.T, fill, frac float64, butane int, kg, liquidC, airC, film, draw, least, most float64, steady bool) {
		c, _ := Guess(fill)
		enduranceLaws(t, c, fuelLike(frac, butane), Contents{kg, liquidC}, Draw{airC, film, draw, least, most, steady})
	})
}

// depletionLaws: what is left is a fuel of the same parts, never richer in propane than it
// was, and poorer the more is drawn.
func depletionLaws(t rapid.TB, f lpg.Fuel, tempC, kg, drawnKg float64) {
	t.Helper()
	left, ok := Deplete(f, tempC, kg, drawnKg)
	if !ok {
		if left != (lpg.Fuel{}) {
			t.Fatalf("refused with %+v", left)
		}
		return
	}
	finite(t, "a fuel", left.PropaneMassFrac(), left.PropaneMoleFrac())
	if !left.Known() || left.PropaneMassFrac() < 0 || left.PropaneMassFrac() > f.PropaneMassFrac()+1e-15 ||
		left.PropaneMassFrac() < 1 && left.Butane() != f.Butane() {
		t.Fatalf("%+v becomes %+v", f, left)
	}
	if less, ok := Deplete(f, tempC, kg, drawnKg/2); !ok || less.PropaneMassFrac() < left.PropaneMassFrac()-1e-12 {
		t.Fatalf("half the draw leaves %+v %v, all of it %+v", less, ok, left)
	}
	if before, ok := f.BubbleKPa(tempC); ok {
		if after, ok := left.BubbleKPa(tempC); !ok || !(after > 0) || after > before*(1+1e-12) {
			t.Fatalf("%g kPa after %g", after, before)
		}
	}
}

func TestDepletionLaws(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		f := fuelLike(rapid.Float64Range(0, 1).Draw(rt, "propane"), rapid.IntRange(int(lpg.NButane), int(lpg.Isobutane)).Draw(rt, "butane"))
		kg := rapid.Float64Range(1e-3, 200).Draw(rt, "contents")
		depletionLaws(rt, f, rapid.Float64Range(-40, 50).Draw(rt, "temperature"), kg, kg*rapid.Float64Range(0, 1).Draw(rt, "drawn"))
	})
}

func FuzzDeplete(f *testing.F) {
	f.Add(0.6, 2, 10.0, 9.0, 8.1)
	f.Add(0.95, 3, -40.0, 1.0, 1-1e-16)
	f.Add(1e-300, 2, 50.0, 1e300, 0.5e300)
	f.Add(0.5, 3, 0.0, 1e-323, 5e-324)
	f.Add(math.NaN(), 7, math.NaN(), math.Inf(1), -1.0)
	f.Fuzz(func(t *testing.T, frac float64, butane int, tempC, kg, drawnKg float64) {
		depletionLaws(t, fuelLike(frac, butane), tempC, kg, drawnKg)
	})
}
