package estimate

import (
	"math"
	"testing"
	"time"

	"frostline/sensors"
)

// cabinAt is a cabin that was read.
func cabinAt(c float64) Quantity {
	return Quantity{Value: c, Low: c - 0.5, High: c + 0.5, Quality: sensors.Good, At: time.Second}
}

func TestAThermostatIsGoneByOnceItWasSeen(t *testing.T) {
	var s thermostat
	for range 2 {
		s.Lit.learn(cabinAt(18))
		s.Out.learn(cabinAt(20))
	}
	s.Lit.learn(Unknown("no thermometer"))
	if s.lit(cabinAt(18)) != 1 || s.out(cabinAt(20)) != 1 {
		t.Errorf("after two flames odds %.2f and %.2f, want none", s.lit(cabinAt(18)), s.out(cabinAt(20)))
	}
	s.Lit.learn(cabinAt(18))
	s.Out.learn(cabinAt(20))
	for _, c := range []struct{ cabinC, lit, out float64 }{
		{10, switchedOdds, switchedFloor},                                       // cold: it is lit, and does not go out
		{18, switchedOdds * normalCDF(1), switchedFloor},                        // where it is lit
		{20, switchedFloor, switchedOdds * normalCDF(1)},                        // where it goes out
		{30, switchedFloor, switchedOdds},                                       // warm
		{18 + switchedK, switchedOdds * normalCDF(0), switchedFloor},            // a little above
		{20 - 2*switchedK, switchedFloor, max(switchedOdds*normalCDF(-1), .33)}, // on the way
	} {
		near(t, "odds to be lit", s.lit(cabinAt(c.cabinC)), c.lit, 1e-3)
		near(t, "odds to go out", s.out(cabinAt(c.cabinC)), c.out, 1e-3)
	}
	if s.lit(Unknown("no thermometer")) != 1 {
		t.Error("odds by a cabin that nobody reads")
	}
	for range 2 * int(switchedMostN) { // turned down for the night
		s.Lit.learn(cabinAt(14))
	}
	if got := s.lit(cabinAt(14)); got < 2 {
		t.Errorf("odds of %.2f where it has been lit all night, want more than 2", got)
	}
}

func TestWhatAThermostatMayDoWearsOff(t *testing.T) {
	f := newBurning(testParams())
	for range 3 {
		f.therm.Lit.learn(cabinAt(18))
	}
	f.cabin = cabinAt(17)
	near(t, "odds at once", f.due(f.therm.lit(f.cabin)), switchedOdds, 0.01)
	for range 3 * switchedSoonS / blockS { // the heater is off at its own switch
		f.overdue(blockS, false, false)
	}
	near(t, "odds when nothing has come of it", f.due(f.therm.lit(f.cabin)), 1+(switchedOdds-1)*math.Exp(-3), 0.01)
	f.cabin = cabinAt(25)
	f.overdue(blockS, false, false)
	if f.dueS != 0 {
		t.Errorf("warm again, and still overdue for %g s", f.dueS)
	}
}

func TestAPaceIsOfTheLastHours(t *testing.T) {
	var p pace
	lit, out := p.perS()
	near(t, "mean pause of an unknown van", 1/lit, pauseS(heaterOften), 1e-9)
	near(t, "mean flame of an unknown van", 1/out, alightS, 1e-9)
	for range 40 { // a cycle of ten minutes, 4 of them alight, for seven hours
		for s := blockS; s <= 600; s += blockS {
			p.step(blockS, s <= 240, s == 240 || s == 600)
		}
	}
	lit, out = p.perS()
	near(t, "mean pause", 1/lit, 360, 60)
	near(t, "mean flame", 1/out, 240, 60)
	for range 12 * 3600 / blockS { // turned off for half a day
		p.step(blockS, false, false)
	}
	if lit, _ = p.perS(); 1/lit < 3600 {
		t.Errorf("after half a day without a flame one is expected every %.0f s, want an hour or more", 1/lit)
	}
	if !p.plausible() || (&pace{LitN: math.NaN()}).plausible() || (&pace{OffS: -1}).plausible() {
		t.Error("a pace that was counted is possible, one that is no number or negative is not")
	}
}

// The beliefs that switches bring are beliefs: they sum to one and lose nothing.
func TestSwitchesMoveBeliefAndLoseNone(t *testing.T) {
	for name, p := range map[string]Params{"appliances": testParams(), "none": {}} {
		f := newBurning(p)
		f.bank.seat(12, 0.001)
		n := len(f.bank.rate)
		for k := range f.bank.come {
			sum := 0.0
			for _, at := range f.bank.at[k*n : (k+1)*n] {
				sum += at
			}
			near(t, name+": rates of a set", sum, 1, 1e-9)
		}
		for range 1000 {
			f.bank.mix(blockS)
		}
		sum := 0.0
		for j, w := range f.bank.weight {
			sum += w
			if !(w >= 0) || !(f.bank.varKg2[j] >= 0) || math.Abs(f.bank.level[j]-12) > 1e-6 {
				t.Fatalf("%s: hypothesis %d has belief %g, level %g, variance %g", name, j, w, f.bank.level[j], f.bank.varKg2[j])
			}
		}
		near(t, name+": sum of beliefs", sum, 1, 1e-9)
	}
}

// A short flame on a noisy scale has any rate, so it is nobody's.
func TestAFlameThatTheScaleTellsBadlyTeachesNothing(t *testing.T) {
	kgPerH := kgPerHFromKW(1.9)
	for _, c := range []struct {
		aliveS, levelKg float64
		ok              bool
	}{
		{300, 0.0001, true},
		{300, 0.002, false},
		{1800, 0.002, true}, // but a long one tells it on the same scale
		{120, 0.0001, false},
	} {
		var fl flame
		for s := 0.0; s <= c.aliveS; s += blockS {
			fl.middle(lost{s, kgPerH * s / 3600})
		}
		rate, sd, ok := fl.rate(c.levelKg)
		if ok != c.ok {
			t.Errorf("alight for %g s, level off by %g kg: taken %v for %.3f kg/h off by %.2f, want %v", c.aliveS, c.levelKg, ok, rate, sd, c.ok)
		}
		if ok && math.Abs(rate-kgPerH) > 1e-9 {
			t.Errorf("rate %.3f kg/h, want %.3f", rate, kgPerH)
		}
	}
}

// The heater goes out where the cabin was warmest under its flame, which is told some blocks
// later; and where it is lit is a matter of this stand, not of the one before the drive.
func TestWhereAFlameWasLitAndWentOutIsOfThatFlame(t *testing.T) {
	f := newBurning(testParams())
	f.cabin = cabinAt(10)
	f.seat(12, 0.001)
	var told []Happening
	kg, upS := 12.0, 0.0
	live := func(minutes, toC, kgPerH float64) {
		from, n := f.cabin.Value, math.Round(minutes*60/blockS)
		for i := 1.0; i <= n; i++ {
			kg -= kgPerH * blockS / 3600
			upS += blockS
			f.called(upS, Unsure, cabinAt(from+(toC-from)*i/n))
			f.step(upS, blockS, kg, 0.0001, Unsure, &told)
		}
	}
	live(10, 18, 0)
	live(10, 20, kgPerHFromKW(1.9))
	live(10, 15, 0)
	if f.therm.Out.N != 1 || f.therm.Lit.N != 1 {
		t.Fatalf("one flame of the heater's rate taught %g and %g: %+v", f.therm.Lit.N, f.therm.Out.N, told)
	}
	near(t, "lit at", f.therm.Lit.MeanC, 18, 0.2)
	near(t, "out at", f.therm.Out.MeanC, 20, 0.1)

	live(10, 15, kgPerHFromKW(1.9)) // and off on the road with it
	f.stop(&told)
	f.called(upS, Unsure, cabinAt(22))
	f.seat(kg, 0.001)
	near(t, "coldest since the drive", f.coldC.Value, 22, 1e-9)
}

// What leaves a hypothesis is what does not stay, however long the step.
func TestAsMuchBeliefComesAsLeaves(t *testing.T) {
	f := newBurning(testParams())
	b, n := f.bank, len(f.bank.rate)
	perS, backPerS := 0.0, 0.0 // from nothing that burns; of that, to as good as nothing
	for k := range b.come {
		perS += b.leave[k*n]
		backPerS += b.leave[k*n] * b.at[k*n]
	}
	for _, dtS := range []float64{1, blockS, 60, 600} {
		f.bank.seat(12, 0.001)
		clear(b.weight)
		b.weight[0] = 1
		b.mix(dtS)
		stays := math.Exp(-perS * dtS)
		near(t, "nothing burns as before", b.weight[0], stays+(1-stays)*backPerS/perS, 1e-9)
	}
}
