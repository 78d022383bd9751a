package sim

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"frostline/sensors"
)

const still = `
duration = "6h"
meals = []
[van]
occupants = 0
[van.heater]
off = true
[weather]
wind_m_per_s = 0
`

// Cases of cylinder_transient_examples.csv (equation of state, constant UA, RK4).
func TestACylinderCoolsAsTheEquationOfStateSays(t *testing.T) {
	tests := []struct{ volumeL, fuelKg, startC, airC, uaWPerK, wallJPerK, kgPerH, hours, wantC, wantKPa float64 }{
		{21.6, 9.07, 20, 20, 3.0, 3600, 0.5, 4, 5.770, 563.69},
		{21.6, 9.07, 0, 0, 3.0, 3600, 0.5, 8, -18.323, 259.62},
		{21.6, 4.5, 0, 0, 2.0, 3600, 0.25, 8, -13.630, 305.65},
		{21.6, 2.0, -10, -10, 1.5, 3600, 0.15, 6, -21.016, 235.7},
		{11.7, 5.0, -15, 5, 2.2, 3000, 0, 3, 0.761, 485.58},
	}
	for _, k := range tests {
		c := newCylinder(CylinderSpec{TareKg: 8, FuelKg: k.fuelKg, VolumeL: k.volumeL, DiameterM: 0.305,
			UAWPerK: k.uaWPerK, WallKJPerK: k.wallJPerK / 1000, PropaneMassFrac: 1}, k.startC)
		for range int(k.hours * 3600) {
			c.step(1, k.kgPerH/3600, k.airC)
		}
		if math.Abs(c.liquidC-k.wantC) > 0.05 || math.Abs(c.kPa()/k.wantKPa-1) > 0.002 {
			t.Errorf("%.2f kg drawn at %.2f kg/h for %v h: %.3f C, %.2f kPa, want %.3f C, %.2f kPa",
				k.fuelKg, k.kgPerH, k.hours, c.liquidC, c.kPa(), k.wantC, k.wantKPa)
		}
		if left := k.fuelKg - k.kgPerH*k.hours; math.Abs(c.fuelKg-left) > 1e-9 {
			t.Errorf("%.9f kg left, want %.9f", c.fuelKg, left)
		}
		if off := c.storedJ - (c.fromAirJ - c.outJ); math.Abs(off) > 1e-3 {
			t.Errorf("energy of the contents does not add up by %v J", off)
		}
	}
}

func TestACoolingCylinderComesToRestWhereTheAirPaysForTheBoiling(t *testing.T) {
	c := newCylinder(CylinderSpec{TareKg: 8, FuelKg: 9, VolumeL: 21.6, DiameterM: 0.305, UAWPerK: 12, WallKJPerK: 3.6, PropaneMassFrac: 1}, 10)
	const kgPerS = 0.3 / 3600
	for range 5 * 3600 {
		c.step(1, kgPerS, 10)
	}
	want := 10 - kgPerS*c.props.withdrawJPerKg/12
	if math.Abs(c.liquidC-want) > 0.1 {
		t.Errorf("after 5 h at 0.3 kg/h the liquid is at %.2f C, want T_air - mdot h/UA = %.2f C", c.liquidC, want)
	}
}

func TestTheWettedWallGivesTheConductanceOfTheTradeCylinder(t *testing.T) {
	// physics.md 6 works with UA 3.0 W/K for a full 20 lb cylinder and 1.5 for 2 kg, each +-30 %.
	s := defaults().Van.Cylinder
	for _, k := range []struct{ liquidL, wantWPerK float64 }{{17.5, 3.0}, {3.8, 1.5}} {
		if got := conductanceWPerK(s, k.liquidL); math.Abs(got/k.wantWPerK-1) > 0.3 {
			t.Errorf("%.1f l of liquid: %.2f W/K, want %.1f within 30 %%", k.liquidL, got, k.wantWPerK)
		}
	}
	last := math.Inf(1)
	for l := 18.0; l >= 0; l -= 0.25 {
		got := conductanceWPerK(s, l)
		if got > last+0.02 || last-got > 0.3 && !math.IsInf(last, 1) {
			t.Errorf("%.2f l: %.3f W/K after %.3f, want a smooth fall", l, got, last)
		}
		last = got
	}
}

func TestFuelIsNeitherMadeNorLost(t *testing.T) {
	v := van(t, 2, `duration = "30h"
[[events]]
at = "3h"
do = "leak"
where = "locker"
g_per_h = 40
[[events]]
at = "6h"
do = "exchange"
for = "5m"
tare_kg = 7.6
fill_kg = 6.8
[[events]]
at = "20h"
do = "refill"
for = "10m"
fill_kg = 9`)
	start, integral := v.Truth().FuelKg, 0.0
	play(t, v, func(r row) {
		if r.truth.Elapsed > 0 {
			integral += r.truth.BurnKgPerH / 3600
		}
	})
	end := v.Truth()
	if off := start + v.cylinder.contentsChangeKg - end.BurnedKg - end.LeakedKg - end.FuelKg; math.Abs(off) > 1e-9 {
		t.Errorf("fuel does not add up by %v kg", off)
	}
	// The last step runs past the last tick read.
	if off := integral - end.BurnedKg - end.LeakedKg; math.Abs(off) > 1e-4 {
		t.Errorf("integral of the burn %v kg, burned and leaked %v kg", integral, end.BurnedKg+end.LeakedKg)
	}
	if end.LeakedKg < 0.9 || end.BurnedKg < 0.5 {
		t.Errorf("leaked %.3f and burned %.3f kg, want about 1.0 kg and more than 0.5 kg", end.LeakedKg, end.BurnedKg)
	}
}

func TestTheCabinKeepsItsBooks(t *testing.T) {
	v := van(t, 2, `duration = "20h"`)
	c := v.s.Van.Cabin
	stored := func() float64 { return 1000 * (c.AirKJPerK*v.cabin.airC + c.MassKJPerK*v.cabin.massC) }
	before, on, n := stored(), 0, 0
	play(t, v, func(r row) {
		n++
		if r.truth.HeaterOn {
			on++
		}
	})
	if off := stored() - before - v.cabin.gainedJ + v.cabin.lostJ; math.Abs(off) > 1 {
		t.Errorf("heat does not add up by %v J", off)
	}
	if share := float64(on) / float64(n); share < 0.1 || share > 0.6 {
		t.Errorf("the heater burns %.2f of a mild winter day, want it to cycle", share)
	}
}

func TestANightAtMinusFiveCostsWhatTheHeatLossSays(t *testing.T) {
	v := van(t, 2, `duration = "8h"
start = 2026-01-14T22:00:00Z
meals = []
[weather]
mean_c = -5
swing_c = 0
wander_c = 0.01
wind_m_per_s = 0
[van.cabin]
wind_ua_j_per_k_m = 0
start_c = 15`)
	play(t, v, func(row) {})
	// 27 W/K over 20 K less two sleepers and standing loads, efficiency 0.85, 46.338 MJ/kg.
	wantKg := (27*20 - 185.0) * 8 * 3600 / 0.85 / 46.338e6
	if got := v.Truth().BurnedKg; math.Abs(got/wantKg-1) > 0.1 {
		t.Errorf("the night burned %.3f kg, want %.3f kg within 10 %%", got, wantKg)
	}
}

func TestHighUpAnUnchangedOrificePassesLess(t *testing.T) {
	at := func(m string) float64 {
		v := van(t, 1, "duration = \"1h\"\n[van]\naltitude_m = "+m)
		return v.passes()
	}
	// physics.md 8: 0.916 at 1500 m, 0.837 at 3000 m, in the standard atmosphere.
	for _, k := range []struct {
		m    string
		want float64
	}{{"1500", 0.916}, {"3000", 0.837}} {
		if got := at(k.m); math.Abs(got-k.want) > 0.005 {
			t.Errorf("at %s m %.3f of the sea-level flow passes, want %.3f", k.m, got, k.want)
		}
	}
}

func rms(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

// means cuts x into blocks of n and returns their means about the mean of all.
func means(x []float64, n int) []float64 {
	total := 0.0
	for _, v := range x {
		total += v
	}
	total /= float64(len(x))
	var out []float64
	for i := 0; i+n <= len(x); i += n {
		sum := 0.0
		for _, v := range x[i : i+n] {
			sum += v - total
		}
		out = append(out, sum/float64(n))
	}
	return out
}

func TestAtRestTheCountsScatterAsTheScenarioSays(t *testing.T) {
	for _, grade := range []string{"good", "cheap"} {
		v := van(t, 4, still, "[van.scale]", `grade = "`+grade+`"`)
		var diffs []float64
		last := math.NaN()
		play(t, v, func(r row) {
			if r.readings[0].Quality == sensors.Good {
				g := 1000 * r.readings[0].Value / v.Owner().CountsPerKg
				if !math.IsNaN(last) {
					diffs = append(diffs, (g-last)/math.Sqrt2)
				}
				last = g
			}
		})
		want := v.s.Van.Scale.NoiseG
		if got := rms(diffs); math.Abs(got/want-1) > 0.1 {
			t.Errorf("%s cell: successive seconds scatter by %.3f g, want %.3f g", grade, got, want)
		}
	}
}

// The occupied and windy columns of sensing.md 3.7, good cell.
func TestPeopleAndStormsShakeTheScaleAsMuchAsTheDesignSays(t *testing.T) {
	moving := func(p *people, w *weather) { p.awake, p.burstS, p.swing = true, 1, p.sway() }
	storm := func(p *people, w *weather) { w.meanWindMS = 17 }
	for name, disturb := range map[string]func(*people, *weather){"moving about": moving, "a storm of 17 m/s": storm} {
		rng := rand.New(rand.NewPCG(9, 9))
		c := newScale(graded(ScaleSpec{Grade: "good"}), rng, 1)
		p := people{rng: rng, count: 2}
		w := newWeather(WeatherSpec{}, rng, 1)
		disturb(&p, &w)
		bursts := make([]float64, 6*3600)
		for i := range bursts {
			disturb(&p, &w)
			if name == "moving about" {
				p.burstS, p.swing = 1, p.sway()
			}
			bursts[i] = (c.counts(15, calibratedAirD, &p, &w, false) - c.zeroCounts) / c.countsPerKg * 1000
		}
		for _, k := range []struct {
			seconds   int
			low, high float64
		}{{1, 25, 100}, {10, 8, 40}, {60, 2, 10}, {600, 1, 5}} {
			if got := rms(means(bursts, k.seconds)); got < k.low || got > k.high {
				t.Errorf("%s: means of %d s scatter by %.1f g, want %v to %v g", name, k.seconds, got, k.low, k.high)
			}
		}
	}
}

func TestAGentleWindIsNearlyQuiet(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	c := newScale(graded(ScaleSpec{Grade: "good"}), rng, 1)
	w := newWeather(WeatherSpec{}, rng, 1)
	w.meanWindMS = 4
	var x []float64
	for range 3600 {
		x = append(x, c.windG(&w))
	}
	// estimation.md 1: 4 m/s doubles the 1 min rate error of a calm night, 0.4 g beside 0.15.
	if got := rms(x); got < 0.2 || got > 0.8 {
		t.Errorf("4 m/s shakes the scale by %.2f g, want 0.2 to 0.8 g", got)
	}
}

func TestCreepAfterALoadIsTheSheetsAndLooksLikeALeak(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	c := newScale(graded(ScaleSpec{Grade: "cheap"}), rng, 1)
	c.settle(0, 20)
	for range 1800 {
		c.step(1, 17, 20)
	}
	limit := 17 * 1000 * 0.08 / 100
	if got := c.creepG(); got > limit*1.02 || got < 0.25*limit {
		t.Errorf("creep 30 min after 17 kg is %.1f g, want up to the sheet's %.1f g", got, limit)
	}
	at30 := c.creepG()
	for range 3 * 3600 {
		c.step(1, 17, 20)
	}
	if c.creepG() <= at30 {
		t.Error("creep ended after 30 min, want hours")
	}
}

func TestTheCellFollowsTheLockerWithItsLag(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	c := newScale(graded(ScaleSpec{Grade: "good", ZeroTCGPerK: 0.4, SpanTCPPMPerK: 1e-9}), rng, 1)
	c.settle(15, 20)
	for range 40 * 60 {
		c.step(1, 15, 10)
	}
	if want := 10 + 10/math.E; math.Abs(c.cellC-want) > 0.05 {
		t.Errorf("one lag after a step of 10 K the cell is at %.2f C, want %.2f C", c.cellC, want)
	}
}

func TestOnTheRoadNoWeightCanBeBelieved(t *testing.T) {
	v := van(t, 1, `duration = "2h"
[[events]]
at = "30m"
do = "drive"
for = "1h"
altitude_m = 1600`)
	ignition, baro := v.Wiring().Index(sensors.Ignition), v.Wiring().Index(sensors.BaroKPa)
	var parked, road []float64
	first, last := 0.0, 0.0
	play(t, v, func(r row) {
		if r.readings[ignition].Value == 1 != r.truth.Moving {
			t.Fatalf("at %v ignition reads %v, moving is %v", r.stamp.Up, r.readings[ignition].Value, r.truth.Moving)
		}
		if q := r.readings[baro]; q.Quality == sensors.Good {
			if first == 0 {
				first = q.Value
			}
			last = q.Value
		}
		if r.readings[0].Quality != sensors.Good {
			return
		}
		g := 1000 * r.readings[0].Value / v.Owner().CountsPerKg
		if r.truth.Moving {
			road = append(road, g)
		} else if r.stamp.Up > time.Hour {
			parked = append(parked, g)
		}
	})
	if got := rms(means(road, 1)); got < 150 || got > 400 {
		t.Errorf("the road shakes means of 1 s by %.0f g, want 150 to 400 g", got)
	}
	if got := rms(means(parked, 1)); got > 30 {
		t.Errorf("parked again the scale scatters by %.1f g, want under 30 g", got)
	}
	if drop := first - last; drop < 8 || drop > 14 {
		t.Errorf("1000 m up the barometer fell by %.1f kPa, want about 11 kPa", drop)
	}
}

// The worked points of sensing.md 2.1: published 200, 1000, 10 000 ppm and clean air.
func TestTheGasSensorFollowsItsPublishedCurve(t *testing.T) {
	tin := newTinOxide(GasSpec{SupplyV: 5, LoadOhm: 20e3, R0Ohm: 22.6e3}, rand.New(rand.NewPCG(1, 1)), 1)
	tin.drift = wander{}
	for _, k := range []struct{ ppm, ratio float64 }{{0, 6.5}, {200, 0.698}, {1000, 0.355}, {10000, 0.145}} {
		r := room{floorPpm: k.ppm}
		for range 200 {
			tin.step(1, &r, 20, refAHGPerM3, true)
		}
		if got := tin.rsOhm / tin.r0Ohm; math.Abs(got/k.ratio-1) > 0.08 {
			t.Errorf("%v ppm: Rs/R0 %.3f, want %.3f within 8 %%", k.ppm, got, k.ratio)
		}
	}
	if v := tin.volts(5); v < 4.2 || v > 4.5 {
		t.Errorf("10 000 ppm over 20 kOhm gives %.2f V, want 4.2 to 4.5 V", v)
	}
}

func TestAColdGasSensorLooksLikeGasForMinutesAndNoLonger(t *testing.T) {
	cold, warm := van(t, 1, still, "[van.gas]\ncold_start = true"), van(t, 1, still)
	gas := cold.Wiring().Index(sensors.GasV)
	at := func(v *Van) map[time.Duration]float64 {
		got := map[time.Duration]float64{}
		play(t, v, func(r row) { got[r.stamp.Up] = r.readings[gas].Value })
		return got
	}
	c, w := at(cold), at(warm)
	if c[0] < 3 {
		t.Errorf("at power-on %.2f V, want over 3 V, which looks like gas", c[0])
	}
	if over := c[3*time.Minute] / w[3*time.Minute]; over < 1.1 || over > 2 {
		t.Errorf("after 3 min %.2f times the settled voltage, want still above it", over)
	}
	if over := c[15*time.Minute] / w[15*time.Minute]; over > 1.05 {
		t.Errorf("after 15 min %.3f times the settled voltage, want settled", over)
	}
}

func TestHumidAirAndAlcoholMoveTheGasSensorWithoutGas(t *testing.T) {
	tin := newTinOxide(GasSpec{SupplyV: 5, LoadOhm: 20e3, R0Ohm: 22.6e3}, rand.New(rand.NewPCG(1, 1)), 1)
	tin.drift = wander{}
	settle := func(r room, tempC, abs float64) float64 {
		for range 200 {
			tin.step(1, &r, tempC, abs, true)
		}
		return tin.rsOhm
	}
	base := settle(room{}, 20, refAHGPerM3)
	dry, wet := settle(room{}, -10, 1.5)/base, settle(room{}, 45, 40)/base
	if dry < 1.1 || dry > 1.45 || wet > 0.9 || wet < 0.7 {
		t.Errorf("Rs is %.2f times in cold dry and %.2f in hot humid air, want about 1.3 and 0.8 (sensing.md 2.2)", dry, wet)
	}
	if eth := settle(room{ethanolPpm: 300}, 20, refAHGPerM3) / base; eth > 0.2 {
		t.Errorf("300 ppm of alcohol leave Rs at %.2f, want it to look like gas", eth)
	}
}

// sensing.md 1.1: 168 g/h into 10 m3 with a pooled bottom fifth passes 10 % LEL in about
// 3 min, if nothing mixes and nothing leaks out.
func TestALeakPoolsAtTheFloorAsFastAsArithmeticSays(t *testing.T) {
	r := room{volumeM3: 10}
	s := 0
	for ; r.floorPpm < 1700 && s < 3600; s++ {
		r.step(1, 168.0/3600, 0, 0, 0, 0)
	}
	if s < 120 || s > 200 {
		t.Errorf("168 g/h pass 1700 ppm after %d s, want about 3 min", s)
	}
	inG := 168.0 / 3600 * float64(s)
	airG := 1e-6 * r.floorPpm * floorFrac * 10 * fuelGPerM3 / (1 - drainM3PerH/3600*float64(s)/2/(floorFrac*10))
	if math.Abs(airG/inG-1) > 0.02 {
		t.Errorf("%.2f g went in and %.2f g are in the air or drained", inG, airG)
	}
}
