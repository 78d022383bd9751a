package estimate

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/sensors"
)

// sound checks what must hold of every Estimates, whatever was read.
func sound(t interface {
	Helper()
	Fatalf(string, ...any)
}, e *Estimates, cellKg float64) {
	t.Helper()
	v := reflect.ValueOf(*e)
	for i := range v.NumField() {
		name := v.Type().Field(i).Name
		switch q := v.Field(i).Interface().(type) {
		case Quantity:
			soundQuantity(t, name, q)
		case float64:
			if math.IsNaN(q) || math.IsInf(q, 0) {
				t.Fatalf("%s is %v", name, q)
			}
		}
	}
	soundQuantity(t, "Watch.LossGPerH", e.Watch.LossGPerH)
	soundQuantity(t, "Watch.SmallestGPerH", e.Watch.SmallestGPerH)
	for _, q := range []Quantity{e.FuelKg, e.GrossKg} {
		if q.Low < 0 || q.High > cellKg {
			t.Fatalf("mass from %g to %g, want it within 0 and %g kg", q.Low, q.High, cellKg)
		}
	}
	for _, s := range e.Shares {
		if !(s.KgPerH >= 0) {
			t.Fatalf("share of %s is %g kg/h", s.Name, s.KgPerH)
		}
	}
}

func soundQuantity(t interface {
	Helper()
	Fatalf(string, ...any)
}, name string, q Quantity) {
	t.Helper()
	for _, x := range []float64{q.Value, q.Low, q.High} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("%s is %+v", name, q)
		}
	}
	if q.Low > q.Value || q.Value > q.High {
		t.Fatalf("%s: %g is not within %g to %g", name, q.Value, q.Low, q.High)
	}
	if q.Quality != sensors.Good && q.Why == "" {
		t.Fatalf("%s is %v without a reason", name, q.Quality)
	}
}

// garbage draws a reading a broken wire could give.
func garbage(t *rapid.T, ch sensors.Channel, kg float64) sensors.Reading {
	switch rapid.IntRange(0, 9).Draw(t, "kind") {
	case 0:
		return sensors.Reading{}
	case 1:
		return sensors.Fault("crc")
	case 2:
		return sensors.Of(rapid.Float64().Draw(t, "any"))
	case 3:
		return sensors.Of(rapid.SampledFrom([]float64{0, -1, 1048575, 8388607, -8388608, 85, 127.9375, math.NaN(), math.Inf(1)}).Draw(t, "code"))
	}
	if ch == sensors.LoadCounts {
		return sensors.Of(math.Round(50000 + 143000*(kg+rapid.Float64Range(-0.1, 0.1).Draw(t, "noise"))))
	}
	return sensors.Of(rapid.Float64Range(-30, 40).Draw(t, "value"))
}

func TestGarbageNeverMakesGarbage(t *testing.T) {
	wiring := sensors.Wiring{{Channel: sensors.LoadCounts, Period: time.Second}, {Channel: sensors.LockerC, Period: 10 * time.Second},
		{Channel: sensors.GasV, Period: time.Second}, {Channel: sensors.CabinC, Period: 10 * time.Second},
		{Channel: sensors.HeatCall, Period: time.Second}, {Channel: sensors.Ignition, Period: time.Second}}
	rapid.Check(t, func(t *rapid.T) {
		p := testParams()
		e := New(wiring, p)
		burned := 0.0
		kg := rapid.Float64Range(-5, 35).Draw(t, "kg")
		var up time.Duration
		r := make([]sensors.Reading, len(wiring))
		for range rapid.IntRange(1, 40).Draw(t, "stretches") {
			switch rapid.IntRange(0, 5).Draw(t, "then") {
			case 0:
				kg = rapid.Float64Range(-5, 35).Draw(t, "kg")
			case 1:
				up += time.Duration(rapid.IntRange(0, 100000).Draw(t, "gap")) * time.Second
			case 2:
				_ = e.Change(Change{Same: rapid.Bool().Draw(t, "same"), TareKg: rapid.Float64Range(-1, 12).Draw(t, "tare"), FillKg: rapid.Float64Range(0, 12).Draw(t, "fill")})
			case 3:
				e.Watch(rapid.Bool().Draw(t, "watch"))
			case 4:
				s := e.Save()
				e = New(wiring, p)
				e.Restore(s, float64(rapid.IntRange(-1, 100000).Draw(t, "dark")), 0, true)
				up = 0
			case 5:
				up = 0 // another boot, and nobody said so
			}
			steady := make([]sensors.Reading, len(wiring))
			for i := range steady {
				steady[i] = garbage(t, wiring[i].Channel, kg)
			}
			ticks := rapid.IntRange(1, 120).Draw(t, "ticks")
			for k := range ticks {
				up += time.Duration(rapid.IntRange(1, 2).Draw(t, "tick")) * time.Second
				copy(r, steady)
				if k%3 != 0 { // mostly a plain load, so that the filters run
					r[0] = sensors.Of(math.Round(50000 + 143000*kg + float64(k*37%101)))
				}
				est := e.Step(sensors.Stamp{Up: up, Wall: time.Unix(1.7e9, 0).UTC().Add(up)}, r)
				sound(t, est, p.Scale.CapacityKg)
				if est.BurnedKg < burned {
					t.Fatalf("burned total fell from %g to %g", burned, est.BurnedKg)
				}
				burned = est.BurnedKg
			}
		}
	})
}

func TestARestartGoesOnWithTheSameBelief(t *testing.T) {
	b := newBench(t, 7.9+6.8)
	b.run(10*time.Minute, 0)
	if err := b.est.Change(Change{TareKg: 7.9}); err != nil {
		t.Fatal(err)
	}
	b.run(30*time.Minute, 0.15)
	b.run(20*time.Minute, 0)
	before := b.last
	b.restart(3600)
	b.kg -= 0.1
	held := b.run(3*time.Second, 0)
	if held.FuelKg.Quality != sensors.Suspect || held.FuelKg.Low > before.FuelKg.Low-0.14 {
		t.Errorf("just after: fuel %v down to %.3f, want suspect and 0.15 kg wider than %.3f", held.FuelKg.Quality, held.FuelKg.Low, before.FuelKg.Low)
	}
	e := b.run(5*time.Minute, 0)
	near(t, "fuel", e.FuelKg.Value, before.FuelKg.Value-0.1, 0.01)
	near(t, "burned", e.BurnedKg, before.BurnedKg+0.1, 0.01)
	if !e.TareEntered || b.count(CylinderPlaced) != 0 {
		t.Errorf("tare entered %v, %d placed; want true, 0", e.TareEntered, b.count(CylinderPlaced))
	}
}

func TestARestartAfterADarkOfUnknownLengthHoldsAnything(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	b.restart(-1)
	held := b.run(3*time.Second, 0)
	if held.FuelKg.Low > 0 {
		t.Errorf("fuel not below %.3f kg before it is weighed, want nothing excluded", held.FuelKg.Low)
	}
	b.kg -= 2
	e := b.run(5*time.Minute, 0)
	near(t, "fuel", e.FuelKg.Value, 3, 0.01)
	near(t, "burned", e.BurnedKg, 2, 0.01)
}

func TestAnUpThatFallsIsAnotherBoot(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	b.run(10*time.Minute, 0.15)
	burned := b.last.BurnedKg
	b.upS = 0
	if q := b.run(3*time.Second, 0).FuelKg; q.Quality != sensors.Suspect || q.Low > 0 {
		t.Errorf("fuel %v from %.3f kg just after, want suspect and nothing excluded", q.Quality, q.Low)
	}
	e := b.run(10*time.Minute, 0)
	near(t, "fuel", e.FuelKg.Value, 5-0.025, 0.01)
	near(t, "burned", e.BurnedKg, burned, 0.005)
}

func TestASwapInTheDarkIsNoticedAfterARestart(t *testing.T) {
	b := newBench(t, 7.7+1)
	b.run(10*time.Minute, 0)
	b.restart(7200)
	b.kg = 7.5 + 9
	e := b.run(5*time.Minute, 0)
	if b.count(CylinderPlaced) != 1 || e.TareEntered {
		t.Errorf("%d placed, tare entered %v; want 1, false", b.count(CylinderPlaced), e.TareEntered)
	}
	holds(t, "fuel", e.FuelKg, 9)
}

func TestAPoisonedStateGivesNoMoreThanWhatIsPossible(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	for name, c := range map[string]struct {
		spoil   func(*scaleState)
		totalKg float64
		tareKg  float64
	}{
		"no number for a level":  {func(s *scaleState) { s.LevelKg = math.NaN() }, 4, 8.1},
		"a negative total":       {func(s *scaleState) { s.BurnedKg = -3 }, 0, 8.1},
		"a tare without a doubt": {func(s *scaleState) { s.Tare.Parts[0].SDKg = 0 }, 4, 7.7},
		"no tare":                {func(s *scaleState) { s.Tare.Parts = nil }, 4, 7.7},
		"an endless age":         {func(s *scaleState) { s.AgeS = math.Inf(1) }, 4, 8.1},
	} {
		s := b.est.Save()
		s.Scale.BurnedKg, s.Scale.Tare.Parts[0].Kg = 4, 8.1
		c.spoil(&s.Scale)
		cold := New(b.wiring, testParams())
		cold.Restore(s, 10, 0, true)
		if w := cold.weigh; w.have || w.burn.totalKg != c.totalKg || w.tare.meanKg != c.tareKg {
			t.Errorf("%s: level %v, total %g, tare %g; want none, %g, %g", name, w.have, w.burn.totalKg, w.tare.meanKg, c.totalKg, c.tareKg)
		}
	}
	s := b.est.Save()
	s.Version, s.Scale.BurnedKg = 99, 4
	cold := New(b.wiring, testParams())
	cold.Restore(s, 10, 0, true)
	if cold.weigh.have || cold.weigh.burn.totalKg != 0 {
		t.Error("a state of another version was believed, want a cold start")
	}
}

func TestAStateSurvivesItsJSON(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(3*time.Hour, 0.01)
	s := b.est.Save()
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var back State
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	again, _ := json.Marshal(back)
	if string(again) != string(text) {
		t.Errorf("state changed in its JSON:\n%s\n%s", text, again)
	}
	if len(text) > 64<<10 {
		t.Errorf("state is %d bytes, want it under 64 KiB for a checkpoint every ten minutes", len(text))
	}
}

func TestTheSameReadingsGiveTheSameEstimates(t *testing.T) {
	a, b := newBench(t, 12.7), newBench(t, 12.7)
	for range 30 {
		x, y := a.run(time.Minute, 0.1), b.run(time.Minute, 0.1)
		if !reflect.DeepEqual(x, y) {
			t.Fatal("two runs of the same readings differ")
		}
	}
}

func TestAnEstimateIsNeverChangedAfterwards(t *testing.T) {
	b := newBench(t, 12.7)
	e := b.run(10*time.Minute, 0.15)
	was, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	b.run(10*time.Minute, 0)
	if now, _ := json.Marshal(e); string(now) != string(was) {
		t.Error("an Estimates changed after it was returned")
	}
}

func TestAStepAllocatesOneEstimates(t *testing.T) {
	e, wiring := New(benchWiring(), testParams()), benchWiring()
	r := make([]sensors.Reading, len(wiring))
	rng := rand.New(rand.NewPCG(1, 2))
	i := 0
	step := func() { i++; benchStep(e, r, rng, i) }
	for range 3000 {
		step()
	}
	if n := testing.AllocsPerRun(5000, step); n > 1 {
		t.Errorf("%v allocations a step, want the Estimates and nothing else", n)
	}
}

func benchWiring() sensors.Wiring {
	return sensors.Wiring{{Channel: sensors.LoadCounts, Period: time.Second}, {Channel: sensors.GasV, Period: time.Second},
		{Channel: sensors.CabinC, Period: 10 * time.Second}, {Channel: sensors.OutsideC, Period: 10 * time.Second},
		{Channel: sensors.LockerC, Period: 10 * time.Second}, {Channel: sensors.WaterlineC, Period: 10 * time.Second},
		{Channel: sensors.BaroKPa, Period: time.Minute}, {Channel: sensors.HeatCall, Period: time.Second}}
}

// benchStep is one second of a van whose heater burns five minutes of every fifteen.
func benchStep(e *Estimator, r []sensors.Reading, rng *rand.Rand, i int) {
	burned := math.Mod(float64(i/900)*300+float64(min(i%900, 300)), 120000) // 5 kg, then a full one
	r[0] = sensors.Of(math.Round(50000 + 143000*(16-0.15/3600*burned+0.0002*rng.NormFloat64())))
	r[1] = sensors.Of(1.2 + 0.002*rng.NormFloat64())
	for k := 2; k < 7; k++ {
		r[k] = sensors.Reading{}
	}
	r[7] = sensors.Of(0)
	if i%10 == 0 {
		r[2], r[3], r[4], r[5] = sensors.Of(18+0.1*math.Round(10*math.Sin(float64(i)/600))), sensors.Of(2+0.1*math.Round(10*math.Sin(float64(i)/5000))), sensors.Of(3+0.1*math.Round(10*math.Sin(float64(i)/4000))), sensors.Of(8)
	}
	if i%60 == 0 {
		r[6] = sensors.Of(98.7)
	}
	up := time.Duration(i) * time.Second
	e.Step(sensors.Stamp{Up: up, Wall: time.Unix(1.76e9, 0).UTC().Add(up)}, r)
}

// BenchmarkStepEveryTenSeconds is the dearest tick: each one closes a block.
func BenchmarkStepEveryTenSeconds(b *testing.B) {
	e, r := New(benchWiring(), testParams()), make([]sensors.Reading, 8)
	rng := rand.New(rand.NewPCG(1, 2))
	b.ReportAllocs()
	for i := range b.N {
		benchStep(e, r, rng, 10*(i+1))
	}
}

func BenchmarkStep(b *testing.B) {
	e, r := New(benchWiring(), testParams()), make([]sensors.Reading, 8)
	rng := rand.New(rand.NewPCG(1, 2))
	b.ReportAllocs()
	for i := range b.N {
		benchStep(e, r, rng, i+1)
	}
}
