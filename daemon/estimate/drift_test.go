package estimate

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/sensors"
	"frostline/sensors/sim"
)

const limitKgPerK = 0.0025 // of the cells in these tests

// day is the temperature of a cell in weather, and ramp that of one that only cools, with
// a ripple such as any thermometer shows.
func day(h float64) float64  { return 5 - 4*math.Cos(2*math.Pi*(h-4)/24) + 0.8*math.Sin(2*math.Pi*h/7) }
func ramp(h float64) float64 { return 18 - 0.9*h + 0.05*math.Sin(2*math.Pi*h) }

// teach gives quiet points of so many hours to d: what a kelvin does, what is lost in an
// hour, and 0.3 g of noise.
func teach(d *drift, fromH, hours float64, cellC func(h float64) float64, kgPerK, lostKgPerH float64) {
	rng := rand.New(rand.NewPCG(uint64(fromH)+1, 9))
	for h := fromH; h < fromH+hours; h += pointS / 3600.0 {
		c := cellC(h)
		kg := 14 + kgPerK*(c-20) + airKgPerK*c - lostKgPerH*h + 0.0003*rng.NormFloat64()
		d.point(watchPoint{UpS: h * 3600, Kg: kg, CellC: c, Spell: int(fromH)}, limitKgPerK)
	}
}

func TestTwoQuietDaysTeachWhatAKelvinDoesToTheScale(t *testing.T) {
	for name, c := range map[string]struct {
		cellC      func(float64) float64
		kgPerK     float64
		lostKgPerH float64
		want       float64
		learns     bool
	}{
		"weather":                              {day, 0.0015, 0, 0.0015, true},
		"weather and a steady loss of 15 g/h":  {day, -0.0012, 0.015, -0.0012, true},
		"only the air, which is no fault":      {day, 0, 0, 0, true},
		"a ramp teaches nothing":               {ramp, 0.0015, 0, 0, false},
		"a ramp and a loss teach nothing":      {ramp, 0.0015, 0.015, 0, false},
		"an answer a little beyond the limit":  {day, 0.00251, 0, 0.0025, true},
		"what no such cell does is left aside": {day, 0.006, 0, 0, false},
	} {
		t.Run(name, func(t *testing.T) {
			var d drift
			teach(&d, 0, 48, c.cellC, c.kgPerK, c.lostKgPerH)
			d.end()
			got, sd := d.kgPerK(limitKgPerK)
			prior := limitKgPerK / sqrt3
			if !c.learns && (got != 0 || math.Abs(sd-prior) > 1e-9) {
				t.Fatalf("learned %.5f with a deviation of %.5f kg/K, want nothing and the data sheet's %.5f", got, sd, prior)
			}
			if math.Abs(got-c.want) > 2*sd || math.Abs(got) > limitKgPerK {
				t.Errorf("a kelvin does %.5f kg, want %.5f within two deviations of %.5f and the limit", got, c.want, sd)
			}
			if c.kgPerK == 0 && math.Abs(got) > airKgPerK/4 {
				t.Errorf("a kelvin does %.6f kg to a scale without fault, want the air's %.6f left out", got, airKgPerK)
			}
			if c.learns && (sd > 0.2*limitKgPerK || sd < driftFloor*limitKgPerK*0.9) {
				t.Errorf("deviation %.5f kg/K, want under a fifth of the limit and not under what always stays, %.5f", sd, driftFloor*limitKgPerK)
			}
		})
	}
}

// TestOneStretchCountsForNoMoreThanAnotherBearsOut begins a loss in the middle of a day,
// too small to be called: that day bends as a cell in the cold does.
func TestOneStretchCountsForNoMoreThanAnotherBearsOut(t *testing.T) {
	var d drift
	learned := func() float64 {
		d.end()
		kgPerK, _ := d.kgPerK(limitKgPerK)
		return kgPerK
	}
	teach(&d, 0, 23, day, 0.001, 0)
	if got := learned(); got != 0 {
		t.Errorf("a kelvin does %.5f kg by one day alone, want a second one first", got)
	}
	teach(&d, 24, 23, func(h float64) float64 { return day(h - 9) }, -0.0008, 0) // as a loss bends it
	if got := learned(); got != 0 {
		t.Errorf("a kelvin does %.5f kg by two days that contradict each other, want nothing of them", got)
	}
	teach(&d, 48, 23, day, 0.001, 0.004)
	if got := learned(); got != 0 {
		t.Errorf("a kelvin does %.5f kg by the first of two days that agree", got)
	}
	teach(&d, 72, 23, day, 0.001, 0.004)
	near(t, "the coefficient after two days of the same loss", learned(), 0.001, 2*driftFloor*limitKgPerK)

	d = drift{limitKgPerK: limitKgPerK}
	d.believe(1e7, 0.001)
	d.believe(1e5, 0.0012)
	want := driftState{InfoK2PerKg2: 2e5, InfoKPerKg: 1e5 * 0.0022, HeldK2PerKg2: 9.9e6, HeldKPerKg: 9.9e6 * 0.001}
	near(t, "the weight of a day that an hour bears out", d.memory.InfoK2PerKg2, want.InfoK2PerKg2, 1)
	near(t, "the coefficient of both", d.memory.InfoKPerKg, want.InfoKPerKg, 0.01)
	near(t, "what is held of it still", d.memory.HeldK2PerKg2, want.HeldK2PerKg2, 1)
	near(t, "and its coefficient", d.memory.HeldKPerKg, want.HeldKPerKg, 0.01)
}

func TestALossThatIsCalledHasTaughtNothing(t *testing.T) {
	var d drift
	teach(&d, 0, 23, day, 0.001, 0)
	teach(&d, 23, 20, day, 0.001, 0)
	if d.memory.HeldK2PerKg2 == 0 || d.n == 0 {
		t.Fatal("a day of weather is not held")
	}
	d.doubt()
	d.end()
	if d.memory != (driftState{}) {
		t.Errorf("hours in which something was lost left %+v", d.memory)
	}
}

// TestWhatWasLearnedIsBoundedFadesAndOutlivesARestart lets a scale learn for eight years.
func TestWhatWasLearnedIsBoundedFadesAndOutlivesARestart(t *testing.T) {
	var d drift
	h := 0.0
	for ; h < 8*365*24; h += 24 {
		teach(&d, h, 20, day, 0.001, 0)
	}
	d.end()
	most := driftMost / (driftFloor * limitKgPerK)
	if info := d.memory.InfoK2PerKg2; info > 32*most*most {
		t.Errorf("evidence of %.3g K2/kg2 after eight years, want at most a month's of %.3g", info, 32*most*most)
	}
	for ; h < (8*365+60)*24; h += 24 { // the cell has aged
		teach(&d, h, 20, day, -0.001, 0)
	}
	if got, _ := d.kgPerK(limitKgPerK); got > 0 {
		t.Errorf("a kelvin does %.5f kg 60 days after it changed to -0.001: the old evidence does not fade", got)
	}
	b, err := json.Marshal(d.save(42000))
	if err != nil {
		t.Fatal(err)
	}
	var s driftState
	if err := json.Unmarshal(b, &s); err != nil {
		t.Fatal(err)
	}
	var again, other drift
	again.restore(s, -3600, 42300)
	was, wasSD := d.kgPerK(limitKgPerK)
	if got, sd := again.kgPerK(limitKgPerK); got != was || sd != wasSD {
		t.Errorf("after a restart %.6f +- %.6f kg/K, before %.6f +- %.6f", got, sd, was, wasSD)
	}
	other.restore(s, -3600, 140000)
	if got, _ := other.kgPerK(limitKgPerK); got != 0 {
		t.Errorf("another cell was given %.6f kg/K of the old one", got)
	}
}

// TestAPoisonedMemoryOfTheScaleIsLeftAside gives any numbers: what comes of them lies
// within the data sheet's limit and is a number.
func TestAPoisonedMemoryOfTheScaleIsLeftAside(t *testing.T) {
	any := rapid.OneOf(rapid.Float64(), rapid.Float64Range(0, 1e14), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), -1, 0, 1e300}))
	rapid.Check(t, func(t *rapid.T) {
		s := driftState{InfoK2PerKg2: any.Draw(t, "info"), HeldK2PerKg2: any.Draw(t, "held"), CountsPerKg: rapid.SampledFrom([]float64{42000, 42000, 42500, math.NaN()}).Draw(t, "counts")}
		s.InfoKPerKg, s.HeldKPerKg = any.Draw(t, "info_kg"), any.Draw(t, "held_kg")
		if rapid.Bool().Draw(t, "related") {
			s.InfoKPerKg, s.HeldKPerKg = s.InfoK2PerKg2*rapid.Float64Range(-1, 1).Draw(t, "kg_per_k"), s.HeldK2PerKg2*rapid.Float64Range(-1, 1).Draw(t, "held_kg_per_k")
		}
		var d drift
		d.restore(s, 0, 42000)
		teach(&d, 24, 20, day, 0.001, 0)
		d.end()
		teach(&d, 60, 20, day, 0.001, 0)
		d.end()
		got, sd := d.kgPerK(limitKgPerK)
		if !(math.Abs(got) <= limitKgPerK) || !(sd >= 0 && sd <= limitKgPerK) {
			t.Fatalf("%+v gives %g +- %g kg/K, limit %g", s, got, sd, limitKgPerK)
		}
		if !d.save(42000).plausible() {
			t.Fatalf("%+v became %+v, which the next start refuses", s, d.memory)
		}
	})
}

func TestNothingIsLearnedBeforeTheScaleHasSettledNorWhileSomethingBurns(t *testing.T) {
	swing := func(b *bench, hours int, kgPerH float64) {
		for m := range hours * 6 {
			b.lockerC = 10 + 8*math.Sin(2*math.Pi*float64(m)/12)
			b.run(10*time.Minute, kgPerH)
		}
	}
	b := newBench(t, 12.7)
	b.kgPerK = 0.0004
	swing(b, 5, kgPerHFromKW(1.9))
	if d := &b.est.weigh.watch.drift; d.n != 0 || d.memory != (driftState{}) {
		t.Errorf("%.0f points and %+v while the heater burns, want none", d.n, d.memory)
	}
	b = newBench(t, 12.7)
	b.kgPerK = 0.0004
	b.run(10*time.Minute, 0)
	b.kg = 0
	b.run(3*time.Minute, 0)
	b.kg = 14
	swing(b, 5, 0)
	if d := &b.est.weigh.watch.drift; d.n != 0 || d.memory != (driftState{}) {
		t.Errorf("%.0f points and %+v in the five hours after a cylinder was set down, want none", d.n, d.memory)
	}
	swing(b, 4, 0)
	if d := &b.est.weigh.watch.drift; d.n < 6 {
		t.Errorf("%.0f points nine hours after, want it to have begun", d.n)
	}
}

// TestWhatTheColdDoesToTheScaleIsNeitherFuelNorBurn lets a scale know itself and cools it.
func TestWhatTheColdDoesToTheScaleIsNeitherFuelNorBurn(t *testing.T) {
	b := newBench(t, 14)
	b.kgPerK, b.lockerC, b.lagC = 0.0006, -10, -10
	b.est.weigh.watch.drift.memory = driftState{InfoK2PerKg2: 1e9, InfoKPerKg: 0.0006e9}
	b.run(10*time.Minute, 0)
	if err := b.est.Change(Change{FillKg: 5}); err != nil {
		t.Fatal(err)
	}
	near(t, "fuel of a cylinder whose label says 5 kg", b.run(time.Minute, 0).FuelKg.Value, 5, 0.001)
	near(t, "fuel held by a dead scale", b.dead(10*time.Minute, 0).FuelKg.Value, 5, 0.001)
	b.run(time.Minute, 0)
	burned := b.last.BurnedKg

	b.restart(3600)
	const gone = 0.777 // of the way to another temperature, in an hour
	b.lockerC, b.lagC = -35, -10-25*gone
	b.last = nil
	after := b.run(2*time.Minute, 0)
	near(t, "fuel after an hour in the cold", after.FuelKg.Value, 5, 0.003)
	near(t, "burned meanwhile", after.BurnedKg-burned, 0, 0.001)
}

// TestACellOfNoTemperatureIsNoState restores what would weigh the cylinder away.
func TestACellOfNoTemperatureIsNoState(t *testing.T) {
	for _, c := range []float64{1e300, -1e300, math.NaN()} {
		b := newBench(t, 14)
		b.est.weigh.watch.drift.memory = driftState{InfoK2PerKg2: 1e9, InfoKPerKg: 0.0006e9}
		b.run(10*time.Minute, 0)
		s := b.est.Save()
		s.Scale.CellC, s.Scale.LevelC = c, c
		b.est = New(b.wiring, testParams())
		b.est.Restore(s, 60, 0, true)
		b.upS, b.last = 0, nil
		near(t, "fuel after a restart of nonsense", b.run(10*time.Minute, 0).FuelKg.Value, 14-7.7, 0.02)
	}
}

// learnedAfter is when two stretches have ended.
const learnedAfter = 49 * time.Hour

// taught is how one simulated van went.
type taught struct {
	offGPerK, sdGPerK float64 // of the coefficient, at the end
	withG2, withoutG2 float64 // mean squares of the fuel's error from the second day on
	limitG            float64 // of the data sheet
}

// stand runs a van whose stamp is right, so that only the scale is wrong.
func stand(t *testing.T, text, grade string, seed uint64) taught {
	t.Helper()
	s, err := sim.Load(strings.NewReader("what = \"a van stands\"\ntick = \"10s\"\nchannels = [\"load_counts\", \"locker_c\", \"cabin_c\", \"heat_call\"]\n"+text+"\n[van.scale]\ngrade = \""+grade+"\"\n"), "stand")
	if err != nil {
		t.Fatal(err)
	}
	o := sim.New(s, seed).Owner()
	r := rand.New(rand.NewPCG(seed, 77))
	s.Van.Scale.ZeroTCGPerK, s.Van.Scale.SpanTCPPMPerK = o.ZeroTCGPerK*(2*r.Float64()-1), o.SpanTCPPMPerK*(2*r.Float64()-1)
	s.Van.Scale.LagMin = 25 + 35*r.Float64() // estimation.md 2
	v := sim.New(s, seed)
	o = v.Owner()
	p := Params{Scale: Scale{CountsPerKg: o.CountsPerKg, ZeroCounts: o.ZeroCounts, CalibratedAtC: o.CalibratedAtC, CapacityKg: o.CapacityKg,
		ZeroTCGPerK: o.ZeroTCGPerK, SpanTCPPMPerK: o.SpanTCPPMPerK, CreepPct30min: o.CreepPct30min},
		Cylinder: Cylinder{TareKg: v.Truth().TareKg, TareSDKg: 0.04, CapacityKg: o.CylinderKg}}
	for _, a := range o.Appliances {
		p.Appliances = append(p.Appliances, Appliance{Name: a.Name, Kind: ApplianceKind(a.Kind), RatedKW: a.KW, MinKW: a.MinKW})
	}
	e := New(v.Wiring(), p)
	in := make([]sensors.Reading, len(v.Wiring()))
	out := taught{}
	n := 0.0
	for {
		clear(in)
		st, err := v.Read(context.Background(), in)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		est := e.Step(st, in)
		if st.Up < learnedAfter || st.Up%time.Hour != 0 {
			continue
		}
		off := est.FuelKg.Value - v.Truth().FuelKg
		less, _, _ := e.weigh.correct(st.UpS())
		out.withG2 += 1e6 * off * off
		out.withoutG2 += 1e6 * (off + less) * (off + less)
		n++
	}
	limit := p.Scale.tcLimitKgPerK(e.weigh.levelKg)
	tc, sd := e.weigh.watch.drift.kgPerK(limit)
	truth := s.Van.Scale.ZeroTCGPerK + s.Van.Scale.SpanTCPPMPerK*1e-3*e.weigh.levelKg
	out.offGPerK, out.sdGPerK, out.limitG = 1000*tc-truth, 1000*sd, 1000*limit
	out.withG2, out.withoutG2 = out.withG2/n, out.withoutG2/n
	return out
}

// TestLearningTheScaleHelpsAndNeverPromisesTooMuch holds what was learned against the true
// coefficient of simulated vans, whose cells lag by anything from 25 to 60 minutes.
func TestLearningTheScaleHelpsAndNeverPromisesTooMuch(t *testing.T) {
	if testing.Short() {
		t.Skip("long: days of many vans")
	}
	const stored = "meals = []\nduration = \"58h\"\n[van]\noccupants = 0\n[van.heater]\noff = true\n[van.cabin]\nstart_c = 0\n[weather]\nmean_c = -2\nwind_m_per_s = 2\n"
	for _, c := range []struct {
		name, text, grade string
		helps             float64 // error of the fuel with what was learned over that without
		sdFrac            float64 // stated deviation over that of the data sheet
	}{
		// A good cell has little to gain: a few grams are creep and site.
		{"stored", stored, "good", 1.2, 0.4},
		{"stored", stored, "cheap", 0.7, 0.4},
		{"stored, a front", stored + "[[events]]\nat = \"30h\"\ndo = \"front\"\nfor = \"6h\"\nc = -13\nwind_m_per_s = 4\nkpa = -1\n", "cheap", 0.7, 0.5},
		{"stored, 7 g/h lost from the fifteenth hour", stored + "[[events]]\nat = \"15h\"\ndo = \"leak\"\nwhere = \"locker\"\ng_per_h = 7\n", "cheap", 1, 1},
		{"lived in, heater cycling", "duration = \"52h\"\n[weather]\nmean_c = -2\n", "cheap", 1.02, 1},
	} {
		t.Run(c.name+", "+c.grade+" cell", func(t *testing.T) {
			t.Parallel()
			var vans [3]taught
			var wait sync.WaitGroup
			for i := range vans {
				wait.Go(func() { vans[i] = stand(t, c.text, c.grade, uint64(i)+1) })
			}
			wait.Wait()
			var off2, sd, with, without float64
			n := float64(len(vans))
			for i, v := range vans {
				if math.Abs(v.offGPerK) > 2*v.sdGPerK {
					t.Errorf("seed %d: the coefficient is %.2f g/K off, two stated deviations are %.2f", i+1, v.offGPerK, 2*v.sdGPerK)
				}
				off2, sd = off2+v.offGPerK*v.offGPerK/n, sd+v.sdGPerK/n
				with, without = with+v.withG2/n, without+v.withoutG2/n
			}
			prior := vans[0].limitG / sqrt3
			with, without = math.Sqrt(with), math.Sqrt(without)
			t.Logf("coefficient %.2f g/K off, %.2f stated, %.2f by the data sheet; fuel %.1f g off, %.1f without", math.Sqrt(off2), sd, prior, with, without)
			if with > c.helps*without {
				t.Errorf("fuel is %.1f g off with what was learned and %.1f without, want at most %.2f of it", with, without, c.helps)
			}
			if sd > c.sdFrac*prior*1.001 {
				t.Errorf("stated deviation is %.2f g/K and the data sheet's %.2f, want at most %.2f of it", sd, prior, c.sdFrac)
			}
		})
	}
}
