package estimate

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

// word tells the bench's estimator of a change and lives a minute.
func (b *bench) word(c Change) *Estimates {
	b.t.Helper()
	if err := b.est.Change(c); err != nil {
		b.t.Fatal(err)
	}
	return b.run(time.Minute, 0)
}

func (b *bench) undo() *Estimates {
	b.t.Helper()
	if err := b.est.UndoChange(); err != nil {
		b.t.Fatal(err)
	}
	return b.run(time.Minute, 0)
}

func TestTheBlendThatIsSaidDecidesThePressure(t *testing.T) {
	c := newColdVan(t, 5, 2, sensors.ShellC)
	sold := c.run(30*time.Minute, 0)
	say := func(b Blend) *Estimates {
		t.Helper()
		if err := c.est.Change(Change{TareKg: 7.7, Blend: b}); err != nil {
			t.Fatal(err)
		}
		return c.run(10*time.Minute, 0)
	}
	mix := say(MixBlend)
	if sold.Blend != "" || mix.Blend != MixBlend {
		t.Errorf("blend %q, then %q; want none, then mix", sold.Blend, mix.Blend)
	}
	wide := func(q Quantity) float64 { return q.High - q.Low }
	if !sold.CylinderKPa.Known() || !mix.CylinderKPa.Known() || mix.CylinderKPa.Value > 0.9*sold.CylinderKPa.Value || wide(mix.CylinderKPa) < 1.5*wide(sold.CylinderKPa) {
		t.Errorf("pressure %+v of propane, %+v of a mix; want the mix thinner and less sure", sold.CylinderKPa, mix.CylinderKPa)
	}
	unsure := say(UnknownBlend)
	if wide(unsure.CylinderKPa) < 1.5*wide(sold.CylinderKPa) || !strings.HasPrefix(unsure.CylinderKPa.Why, noBlend) || unsure.Vessel.Why != noBlend {
		t.Errorf("pressure %+v of propane, %+v of one nobody knows; want it wide, and said why", sold.CylinderKPa, unsure.CylinderKPa)
	}
	if err := c.est.UndoChange(); err != nil {
		t.Fatal(err)
	}
	if back := c.run(time.Minute, 0); back.Blend != MixBlend || math.Abs(back.CylinderKPa.Value-mix.CylinderKPa.Value) > 10 {
		t.Errorf("undone: %q, %+v; want mix again, %+v", back.Blend, back.CylinderKPa, mix.CylinderKPa)
	}
}

func TestTheColdOfACylinderComesBackWithAnUndo(t *testing.T) {
	c := newColdVan(t, 5, 2)
	c.run(12*time.Hour, 0.1)
	c.away(2*time.Minute, 7.7, c.fuelKg)
	before := c.run(20*time.Minute, 0)
	if err := c.est.Change(Change{TareKg: 8.2}); err != nil {
		t.Fatal(err)
	}
	if e := c.run(20*time.Minute, 0); e.LiquidTempC.Known() {
		t.Fatalf("another one is said to stand there, and its liquid is known: %+v", e.LiquidTempC)
	}
	if err := c.est.UndoChange(); err != nil {
		t.Fatal(err)
	}
	after := c.run(time.Minute, 0)
	if !before.LiquidTempC.Known() || !after.LiquidTempC.Known() || math.Abs(after.LiquidTempC.Value-before.LiquidTempC.Value) > 2 {
		t.Errorf("liquid %+v, want near %+v", after.LiquidTempC, before.LiquidTempC)
	}
	if after.LiquidTempC.High-after.LiquidTempC.Low <= before.LiquidTempC.High-before.LiquidTempC.Low {
		t.Error("the liquid is no less sure, although nobody followed it for twenty minutes")
	}
}

func TestASaidBlendSurvivesARestartAndGivesWayToAChangedConfiguration(t *testing.T) {
	for name, c := range map[string]struct {
		frac  float64 // configured after the restart
		cold  bool
		blend Blend
		used  float64
	}{
		"the same configuration":   {1, false, MixBlend, 0.6},
		"beliefs lost":             {1, true, MixBlend, 0.6},
		"another blend configured": {0, false, "", 0},
	} {
		p := testParams()
		p.Cylinder.PropaneMassFrac = 1
		b := newBench(t, 7.72+5)
		b.est = New(b.wiring, p)
		b.run(10*time.Minute, 0)
		b.word(Change{Blend: MixBlend})
		s := b.est.Save()
		if c.cold {
			s = s.Entered()
		}
		p.Cylinder.PropaneMassFrac = c.frac
		b.est = New(b.wiring, p)
		b.est.Restore(s, 10, 0, true)
		b.upS = 0
		e := b.run(10*time.Minute, 0)
		if e.Blend != c.blend || b.est.vessel.p.PropaneMassFrac != c.used {
			t.Errorf("%s: said %q, taken %g; want %q, %g", name, e.Blend, b.est.vessel.p.PropaneMassFrac, c.blend, c.used)
		}
	}
}

func TestATareCanWaitUntilMorning(t *testing.T) {
	b := newBench(t, 7.72+0.4)
	b.run(10*time.Minute, 0)
	b.swap(8.31, 6.8)
	e := b.word(Change{Name: "red", Blend: MixBlend})
	if e.TareEntered || e.FuelKg.High-e.FuelKg.Low < 0.6 || e.FuelKg.Why != "tare not entered" {
		t.Fatalf("in the night: fuel %+v, tare entered %v; want a wide interval that says why", e.FuelKg, e.TareEntered)
	}
	holds(t, "fuel in the night", e.FuelKg, 6.8)
	b.run(30*time.Minute, 0)
	if err := b.est.ReadCollar(Collar{TareKg: 8.3, CapacityKg: 9.1, RequalifyBy: "2031-05"}); err != nil {
		t.Fatal(err)
	}
	e = b.run(time.Minute, 0)
	holds(t, "fuel in the morning", e.FuelKg, 6.8)
	if !e.TareEntered || e.FuelKg.High-e.FuelKg.Low > 0.3 || e.CylinderName != "red" || e.Blend != MixBlend || e.RequalifyBy != "2031-05" {
		t.Errorf("in the morning: %+v, %q, %q, %q; want narrow, and nothing forgotten", e.FuelKg, e.CylinderName, e.Blend, e.RequalifyBy)
	}
}

func TestACollarReadBeforeTheCylinderStandsBelongsToTheOneThatComes(t *testing.T) {
	b := newBench(t, 7.72+0.4)
	b.run(10*time.Minute, 0)
	b.kg = 0
	b.run(time.Minute, 0)
	if err := b.est.ReadCollar(Collar{TareKg: 8.3}); err == nil || !strings.Contains(err.Error(), "no cylinder") {
		t.Errorf("with nothing on the scale: %v, want a refusal", err)
	}
	b.word(Change{Name: "red"})
	if err := b.est.ReadCollar(Collar{TareKg: 8.3}); err != nil {
		t.Fatal(err)
	}
	b.kg = 8.31 + 6.8
	e := b.run(10*time.Minute, 0)
	if !e.TareEntered || e.CylinderName != "red" {
		t.Errorf("tare entered %v of %q, want that of red", e.TareEntered, e.CylinderName)
	}
	holds(t, "fuel", e.FuelKg, 6.8)
}

// beliefOf is what an undo has to bring back.
func beliefOf(s State) any {
	return []any{s.Scale.Tare, s.Scale.Prior, s.Scale.CapacityKg, s.Scale.Known, s.Scale.On, s.Scale.Was, s.Scale.Said}
}

func TestAWordAboutAChangeIsTakenBackWhole(t *testing.T) {
	for name, ch := range map[string]Change{
		"another one, and it was the same": {TareKg: 8.3, CapacityKg: 13, Name: "red", Blend: MixBlend, RequalifyBy: "2031-05"},
		"another one without a tare":       {},
		"the same one, and it was another": {Same: true},
	} {
		b := newBench(t, 7.72+5)
		b.run(10*time.Minute, 0)
		b.swap(7.72, 5)
		before := b.run(time.Minute, 0)
		was := b.est.Save()
		b.word(ch)
		b.run(20*time.Minute, 0.1)
		after := b.undo()
		if got := b.est.Save(); !reflect.DeepEqual(beliefOf(got), beliefOf(was)) {
			t.Errorf("%s: believed %+v, want %+v", name, beliefOf(got), beliefOf(was))
		}
		near(t, name+": fuel less what burned meanwhile", after.FuelKg.Value, before.FuelKg.Value-0.1/3, 0.01)
		near(t, name+": burned", after.BurnedKg, before.BurnedKg+0.1/3, 0.01)
		if after.CapacityKg != before.CapacityKg && after.CapacityKg.Value != before.CapacityKg.Value {
			t.Errorf("%s: capacity %v, want %v", name, after.CapacityKg, before.CapacityKg)
		}
		if after.UndoForS != 0 || after.LastWord != nil {
			t.Errorf("%s: it can be undone again for %g s", name, after.UndoForS)
		}
	}
}

func TestAWordGivenBeforeTheCylinderStoodIsTakenBack(t *testing.T) {
	b := newBench(t, 7.72+5)
	b.run(10*time.Minute, 0)
	b.kg = 0
	b.run(time.Minute, 0)
	b.word(Change{TareKg: 8.3, Name: "red"})
	b.undo() // while it is still away
	b.kg = 7.72 + 5
	e := b.run(10*time.Minute, 0)
	if e.CylinderName != "" || b.lastOf(CylinderPlaced).Guess != guessSame {
		t.Errorf("%q, guess %q; want the same one, of no name", e.CylinderName, b.lastOf(CylinderPlaced).Guess)
	}

	b.kg = 0
	b.run(time.Minute, 0)
	b.word(Change{TareKg: 8.3, Name: "red"})
	b.kg = 7.72 + 5
	b.run(10*time.Minute, 0)
	e = b.undo() // when it stands again, and is the old one
	if e.CylinderName != "" || !e.TareEntered {
		t.Errorf("%q, tare entered %v; want the old one with its tare", e.CylinderName, e.TareEntered)
	}
	holds(t, "fuel", e.FuelKg, 5)
}

func TestWhatCannotBeTakenBackIsRefused(t *testing.T) {
	refused := func(b *bench, why string) {
		t.Helper()
		if err := b.est.UndoChange(); err == nil {
			t.Errorf("%s: it was undone", why)
		}
	}
	b := newBench(t, 7.72+5)
	b.run(10*time.Minute, 0)
	refused(b, "nothing was said")
	if e := b.word(Change{TareKg: 8}); e.UndoForS < 3500 || e.LastWord == nil || e.LastWord.TareKg != 8 {
		t.Errorf("can be undone for %g s, want nearly an hour", e.UndoForS)
	}
	b.run(time.Hour, 0)
	refused(b, "an hour later")
	b.word(Change{TareKg: 8})
	b.swap(8.3, 4)
	refused(b, "another one was put down since")
	b.word(Change{TareKg: 8.3})
	b.undo()
	refused(b, "it was undone already")

	b.word(Change{TareKg: 8.3, Name: "red"})
	s := b.est.Save()
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var read State
	if err := json.Unmarshal(text, &read); err != nil {
		t.Fatal(err)
	}
	for _, gap := range []float64{60, 3600, -1} {
		next := New(b.wiring, testParams())
		next.Restore(read, gap, 0, true)
		if err := next.UndoChange(); (err == nil) != (gap == 60) {
			t.Errorf("after a restart of %g s: %v", gap, err)
		}
		if gap == 60 && next.weigh.known.on.Name == "red" {
			t.Error("after a restart the undo left the name")
		}
	}
}
