package estimate

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/sensors"
)

// divider is the worked example of sensing.md 2.1: 20 kOhm, 5.00 V, clean air 0.60 V.
func divider() Gas {
	return Gas{SupplyV: 5, LoadOhm: 20000, R0Ohm: 20000 * (5 - 0.60) / 0.60 / 6.5, TestMix: true}
}

// gasRig is a gas watch behind a conditioner, with a sensor whose resistance a test sets.
type gasRig struct {
	t     *testing.T
	c     *conditioner
	g     *gasWatch
	p     Gas
	ix    indexes
	up    time.Duration
	every time.Duration
	out   Estimates
	was   Estimates // what other parts filled in before
	n     int
	r     []sensors.Reading
}

func newGasRig(t *testing.T, p Gas, more ...sensors.Channel) *gasRig {
	w := wires(time.Second, append([]sensors.Channel{sensors.GasV}, more...)...)
	return &gasRig{t: t, c: newConditioner(w, Params{Gas: p}), g: newGasWatch(p, w), p: p, ix: newIndexes(w),
		every: time.Second, r: make([]sensors.Reading, len(w))}
}

func (x *gasRig) tick() {
	x.up += x.every
	st := sensors.Stamp{Up: x.up}
	state, fresh := x.c.step(st, x.r)
	x.out = x.was
	x.g.step(st, state, fresh, &x.out)
	legalGas(x.t, &x.out)
}

// volts runs for d with v over the load resistor and a last digit that moves.
func (x *gasRig) volts(v float64, d time.Duration) {
	for end := x.up + d; x.up < end; {
		x.n++
		x.r[0] = sensors.Of(v + 0.0005*float64(x.n%3-1))
		x.tick()
	}
}

// clean runs in clean air, gas in this many ppm by the curve.
func (x *gasRig) clean(d time.Duration) { x.volts(0.60, d) }
func (x *gasRig) gas(ppm float64, d time.Duration) {
	x.volts(x.voltsAt(ppm), d)
}

func (x *gasRig) voltsAt(ppm float64) float64 {
	r0 := divider().R0Ohm
	return 5 * 20000 / (20000 + r0*classCurveA*math.Pow(ppm, classCurveB))
}

// legalGas checks what must hold after every tick.
func legalGas(t interface {
	Helper()
	Fatalf(string, ...any)
}, e *Estimates) {
	t.Helper()
	rank := map[GasBand]int{Blind: -1, Background: 0, Trace: 1, Warning: 2, Leave: 3}
	for _, b := range []GasBand{e.Band, e.GasLevel, e.GasHold} {
		if _, ok := rank[b]; !ok {
			t.Fatalf("%q is no band", b)
		}
	}
	q := e.FloorGasPctLEL
	for _, v := range []float64{q.Value, q.Low, q.High, e.WarningForS} {
		if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			t.Fatalf("impossible number in %+v", e)
		}
	}
	if e.BandWhy == "" || q.Known() && (q.Low > q.Value || q.Value > q.High) {
		t.Fatalf("band %s says %q with %+v", e.Band, e.BandWhy, q)
	}
	if rank[e.GasHold] < rank[e.GasLevel] {
		t.Fatalf("hold %s below level %s", e.GasHold, e.GasLevel)
	}
	if lower := strings.ToLower(e.BandWhy); strings.Contains(lower, "safe") || strings.Contains(lower, "all clear") {
		t.Fatalf("the band promises: %q", e.BandWhy)
	}
}

func TestTheWorkedExampleOfTheDividerHolds(t *testing.T) {
	// sensing.md 2.1: RL 20 kOhm, Vc 5.00 V, R0 22.6 kOhm, IEC %LEL of 170 ppm.
	for _, k := range []struct{ volts, kOhm, ratio, ppm, pctLEL float64 }{
		{3.00, 13.3, 0.591, 303, 1.8},
		{3.60, 7.78, 0.345, 1158, 6.8},
		{4.20, 3.81, 0.169, 6850, 40},
	} {
		ohm := 20000 * (5 - k.volts) / k.volts
		ratio := ohm / divider().R0Ohm
		ppm := curvePpm(classCurveA, classCurveB, ratio)
		for what, v := range map[string][2]float64{"kOhm": {ohm / 1000, k.kOhm}, "Rs/R0": {ratio, k.ratio}, "ppm": {ppm, k.ppm}, "%LEL": {ppm / ppmPerPctLEL, k.pctLEL}} {
			if math.Abs(v[0]/v[1]-1) > 0.02 { // printed to two or three digits
				t.Errorf("%.2f V: %s %.4g, want %.4g", k.volts, what, v[0], v[1])
			}
		}
		x := newGasRig(t, divider())
		x.volts(k.volts, 4*time.Minute)
		if q := x.out.FloorGasPctLEL; q.Quality != sensors.Good || math.Abs(q.Value/k.pctLEL-1) > 0.03 {
			t.Errorf("%.2f V is %+v, want %.1f %%LEL", k.volts, q, k.pctLEL)
		}
	}
	x := newGasRig(t, divider())
	x.volts(4.60, 4*time.Minute)
	if q := x.out.FloorGasPctLEL; q.Quality != sensors.Suspect || !strings.HasPrefix(q.Why, "over range") || q.High != 100 {
		t.Errorf("4.60 V is %+v, want over range and no number to trust", q)
	}
	x = newGasRig(t, divider())
	x.volts(2.60, 4*time.Minute)
	if q := x.out.FloorGasPctLEL; q.Quality != sensors.Suspect || !strings.HasPrefix(q.Why, "below range") || q.Low != 0 {
		t.Errorf("2.60 V is %+v, want below range", q)
	}
}

func TestTheCurveMeetsThePublishedPointsAndThresholds(t *testing.T) {
	// Points of the fit, sensing.md 2.1; the fit itself is up to a quarter off in ppm.
	for ratio, ppm := range map[float64]float64{0.698: 200, 0.355: 1000, 0.145: 10000} {
		if got := curvePpm(classCurveA, classCurveB, ratio); math.Abs(got/ppm-1) > 0.25 {
			t.Errorf("ratio %.3f is %.0f ppm, want %.0f", ratio, got, ppm)
		}
	}
	// "At the thresholds" of the same section: 2, 5 and 10 %LEL.
	for ratio, ppm := range map[float64]float64{0.565: 340, 0.390: 850, 0.295: 1700} {
		if got := curvePpm(classCurveA, classCurveB, ratio); math.Abs(got/ppm-1) > 0.02 {
			t.Errorf("ratio %.3f is %.0f ppm, want %.0f", ratio, got, ppm)
		}
	}
	// Error gain: Rs 30 % off makes C x2.43 and x0.52.
	for f, want := range map[float64]float64{0.7: 2.43, 1.3: 0.52} {
		if got := curvePpm(classCurveA, classCurveB, 0.3*f) / curvePpm(classCurveA, classCurveB, 0.3); math.Abs(got/want-1) > 0.01 {
			t.Errorf("Rs x%.1f makes C x%.2f, want x%.2f", f, got, want)
		}
	}
}

func TestSupplyIsTakenOutOfTheDivider(t *testing.T) {
	x := newGasRig(t, divider(), sensors.GasSupplyV)
	x.r[1] = sensors.Of(4.75)
	x.volts(3.60*0.95, 4*time.Minute)
	if q := x.out.FloorGasPctLEL; math.Abs(q.Value/6.8-1) > 0.03 {
		t.Errorf("5 %% less supply moves the reading to %.2f %%LEL, want 6.8", q.Value)
	}
}

func TestWarmUpIsBlindThenBandsHold(t *testing.T) {
	x := newGasRig(t, divider())
	x.up = -x.every
	for x.up < 20*time.Minute {
		// the power-on transient of the sensor: from 4 kOhm up, 45 s time constant
		ohm := 146700 / (1 + 32*math.Exp(-(x.up+x.every).Seconds()/25))
		x.n++
		x.r[0] = sensors.Of(5*20000/(20000+ohm) + 0.0005*float64(x.n%3-1))
		x.tick()
		if blind := x.out.Band == Blind; blind != (x.up < gasWarmUp) || x.out.WarmingUp != blind {
			t.Fatalf("%v after power-on: %s, warming %v; want blind for exactly 3 min", x.up, x.out.Band, x.out.WarmingUp)
		}
		if x.out.WarmingUp && x.out.WarmLeft != gasWarmUp-x.up || !x.out.WarmingUp && x.out.WarmLeft != 0 {
			t.Fatalf("%v after power-on: %v left", x.up, x.out.WarmLeft)
		}
		if x.out.GasLevel > Background && x.out.GasLevel != Blind || x.out.GasFault != "" {
			t.Fatalf("%v after power-on: level %s, fault %q", x.up, x.out.GasLevel, x.out.GasFault)
		}
	}
}

func TestSaturationThatOutlivesTheWarmUpMeansLeave(t *testing.T) {
	x := newGasRig(t, divider())
	x.volts(4.99, gasWarmUp)
	if x.out.Band != Blind {
		t.Fatalf("saturated in the warm-up: %s, want blind", x.out.Band)
	}
	x.volts(4.99, 10*time.Second)
	if x.out.Band != Leave || x.out.GasFault == "" {
		t.Fatalf("saturated after the warm-up: %s with fault %q, want leave and a fault", x.out.Band, x.out.GasFault)
	}
}

func TestLevelsRiseAndClearAsTheTableSays(t *testing.T) {
	x := newGasRig(t, divider())
	x.clean(10 * time.Minute)
	for i, k := range []struct {
		pctLEL      float64
		level, hold GasBand
	}{
		{1.9, Background, Background}, {2.1, Trace, Trace}, {1.1, Background, Trace}, {0.9, Background, Background},
		{4.9, Trace, Trace}, {5.1, Warning, Warning}, {3.1, Trace, Warning}, {2.9, Trace, Trace},
		{9.9, Warning, Warning}, {10.2, Leave, Leave}, {5.1, Warning, Leave}, {4.9, Trace, Warning},
		{2.5, Trace, Trace}, {0.5, Background, Background},
	} {
		// slowly, so that the fast rise stays out of it
		for from, n := x.g.pct(x.g.mem.Ohm), 0; n < 300; n++ {
			x.g.mem.Base = gasBase{} // the relative channel has a test of its own
			x.gas(max(from, 0.01)*ppmPerPctLEL*math.Pow(k.pctLEL/max(from, 0.01), float64(n)/300), time.Second)
		}
		x.g.mem.Base = gasBase{}
		x.gas(k.pctLEL*ppmPerPctLEL, 70*time.Second)
		if x.out.GasLevel != k.level || x.out.GasHold != k.hold {
			t.Errorf("step %d, %.1f %%LEL: level %s hold %s, want %s and %s", i, k.pctLEL, x.out.GasLevel, x.out.GasHold, k.level, k.hold)
		}
	}
}

func TestVapourFarBelowTheScaleIsTraceByTheBaseline(t *testing.T) {
	x := newGasRig(t, divider())
	x.clean(30 * time.Minute)
	clean := x.g.mem.Base.Ohm
	at := func(ratio float64) float64 { return 5 * 20000 / (20000 + clean*ratio) }
	x.volts(at(0.30), 6*time.Minute)
	if x.out.GasHold != Background {
		t.Fatalf("at 0.30 of the baseline: %s, want background", x.out.GasHold)
	}
	x.volts(at(0.24), 6*time.Minute)
	if x.out.GasLevel != Trace || x.out.Band != Trace {
		t.Fatalf("at 0.24 of the baseline for 6 min: level %s band %s, want trace", x.out.GasLevel, x.out.Band)
	}
	x.volts(at(0.32), 6*time.Minute)
	if x.out.GasLevel != Background || x.out.GasHold != Trace {
		t.Fatalf("at 0.32 again: level %s hold %s, want background held at trace", x.out.GasLevel, x.out.GasHold)
	}
	x.volts(at(0.34), time.Minute)
	if x.out.GasHold != Background {
		t.Fatalf("at 0.34: held at %s, want background", x.out.GasHold)
	}
	// Cooking fumes on their way out are no new trace.
	x.volts(at(0.15), time.Minute)
	for i := range 400 {
		x.volts(at(0.15+0.0002*float64(i)), time.Second)
	}
	if x.out.GasLevel != Background || x.out.GasHold != Trace {
		t.Fatalf("decaying through 0.23: level %s hold %s, want background still held at trace", x.out.GasLevel, x.out.GasHold)
	}
	if x.g.mem.Base.Ohm != clean {
		t.Errorf("the baseline moved from %.0f to %.0f ohm while vapour stood", clean, x.g.mem.Base.Ohm)
	}
}

func TestAFastRiseIsAPreWarning(t *testing.T) {
	for name, k := range map[string]struct {
		over time.Duration
		want GasBand
	}{
		"to 4 %LEL in 40 s":   {40 * time.Second, Warning},
		"to 4 %LEL in 10 min": {10 * time.Minute, Trace},
	} {
		x := newGasRig(t, divider())
		x.clean(10 * time.Minute)
		worst := GasBand(Background)
		for from := x.up; x.up-from < k.over; {
			x.gas(4*ppmPerPctLEL*max(0.01, float64(x.up-from)/float64(k.over)), time.Second)
			if x.out.GasLevel == Warning || x.out.GasLevel == Trace && worst != Warning {
				worst = x.out.GasLevel
			}
		}
		if worst != k.want {
			t.Errorf("%s: highest level %s, want %s", name, worst, k.want)
		}
	}
}

func TestTheShownBandWaitsAsTheTableSays(t *testing.T) {
	for name, k := range map[string]struct {
		pctLEL float64
		after  time.Duration
		want   GasBand
	}{
		"one bad sample shows nothing":       {60, time.Second, Background},
		"leave within five seconds":          {12, 6 * time.Second, Leave},
		"no leave by a warning in 9 minutes": {7, 9 * time.Minute, Warning},
		"ten minutes of warning are leave":   {7, 11 * time.Minute, Leave},
		"warning within 30 s":                {7, 31 * time.Second, Warning},
		"no warning in 25 s":                 {7, 25 * time.Second, Background},
		"no trace in four minutes":           {2.5, 4 * time.Minute, Background},
		"trace in five":                      {2.5, 5*time.Minute + 2*time.Second, Trace},
	} {
		t.Run(name, func(t *testing.T) {
			x := newGasRig(t, divider())
			x.clean(10 * time.Minute)
			x.gas(k.pctLEL*ppmPerPctLEL, k.after)
			if x.out.Band != k.want {
				t.Errorf("%s after %v at %.1f %%LEL, want %s", x.out.Band, k.after, k.pctLEL, k.want)
			}
			if warns := k.pctLEL >= 5; warns && math.Abs(x.out.WarningForS-(k.after-time.Second).Seconds()) > 1 || !warns && x.out.WarningForS != 0 {
				t.Errorf("warning for %.0f s after %v", x.out.WarningForS, k.after)
			}
			x.clean(2 * time.Second)
			if x.out.Band != Background || x.out.WarningForS != 0 {
				t.Errorf("in clean air again: %s, warning for %v s", x.out.Band, x.out.WarningForS)
			}
		})
	}
}

func TestOneBadSampleOfASlowSensorShowsNothing(t *testing.T) {
	w := sensors.Wiring{{Channel: sensors.GasV, Period: 10 * time.Second}}
	p := divider()
	c, g := newConditioner(w, Params{Gas: p}), newGasWatch(p, w)
	for i := range 1200 {
		r := []sensors.Reading{{}}
		if i%10 == 0 {
			r[0] = sensors.Of(0.6 + 0.0005*float64(i%3))
		}
		if i == 900 || i >= 1000 && i%10 == 0 {
			r[0] = sensors.Of(4.3 + 0.0005*float64(i%3))
		}
		st := sensors.Stamp{Up: time.Duration(i) * time.Second}
		state, fresh := c.step(st, r)
		var e Estimates
		g.step(st, state, fresh, &e)
		if leave := e.Band == Leave; i > 180 && leave != (i >= 1010) {
			t.Fatalf("at %d s: %s (%s), want leave from the second high reading in a row, at 1010 s", i, e.Band, e.BandWhy)
		}
	}
}

func TestAVanWithoutAGasSensorIsBlindAndSaysWhy(t *testing.T) {
	g := newGasWatch(Gas{}, wires(time.Second, sensors.CabinC))
	var e Estimates
	g.step(sensors.Stamp{Up: time.Hour}, make([]ChannelState, 1), make([]bool, 1), &e)
	legalGas(t, &e)
	if e.Band != Blind || e.BandWhy != gasNotFitted || e.WarmingUp {
		t.Fatalf("%s (%s) warming %v", e.Band, e.BandWhy, e.WarmingUp)
	}
}

func TestGarbageIntoTheGasWatchGivesLegalBands(t *testing.T) {
	w := wires(time.Second, sensors.GasV, sensors.GasSupplyV, sensors.GasHeaterV, sensors.CabinC, sensors.HumidityPct)
	rapid.Check(t, func(rt *rapid.T) {
		p := Gas{SupplyV: 5, LoadOhm: 10000, TestMix: rapid.Bool().Draw(rt, "mix"), R0Ohm: rapid.SampledFrom([]float64{0, 1e-3, 5000, 1e7}).Draw(rt, "r0")}
		c, g := newConditioner(w, Params{Gas: p}), newGasWatch(p, w)
		up := time.Duration(0)
		bad := 0
		for range rapid.IntRange(1, 150).Draw(rt, "n") {
			up += time.Duration(rapid.IntRange(0, 30000).Draw(rt, "ms")) * time.Millisecond
			r := rapid.SliceOfN(anyReading(), len(w), len(w)).Draw(rt, "r")
			st := sensors.Stamp{Up: up}
			state, fresh := c.step(st, r)
			var e Estimates
			g.step(st, state, fresh, &e)
			legalGas(rt, &e)
			if state[0].Quality < sensors.Suspect && e.Band != Blind && e.GasFault != gasRail {
				rt.Fatalf("channel %v, band %s", state[0].Quality, e.Band)
			}
			if state[0].Quality < sensors.Suspect {
				bad++
			}
			if (e.GasFault != "") && e.FloorGasPctLEL.Quality == sensors.Good {
				rt.Fatalf("fault %q beside %+v", e.GasFault, e.FloorGasPctLEL)
			}
		}
	})
}

func TestTheGasWatchDoesNotAllocate(t *testing.T) {
	x := newGasRig(t, divider())
	x.clean(time.Hour)
	state, fresh := x.c.state, []bool{true}
	up := x.up
	if n := testing.AllocsPerRun(20000, func() {
		up += time.Second
		state[0].Value, state[0].LastUp = 0.6+0.001*float64(up/time.Second%3), up
		x.g.step(sensors.Stamp{Up: up}, state, fresh, &x.out)
	}); n != 0 {
		t.Errorf("a steady tick allocates %v times, want 0", n)
	}
}

func BenchmarkGasATick(b *testing.B) {
	w := wires(time.Second, sensors.GasV)
	g := newGasWatch(divider(), w)
	state, fresh := []ChannelState{{Quality: sensors.Good, Seen: true}}, []bool{true}
	var out Estimates
	up := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		up += time.Second
		state[0].Value, state[0].LastUp = 0.6+0.001*float64(up/time.Second%3), up
		g.step(sensors.Stamp{Up: up}, state, fresh, &out)
	}
}
