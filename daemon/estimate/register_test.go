package estimate

import (
	"encoding/json"
	"testing"
	"time"
)

// swap takes the cylinder away for a minute and puts down one of another tare and fill.
func (b *bench) swap(tareKg, fillKg float64) *Estimates {
	b.kg = 0
	b.run(time.Minute, 0)
	b.kg = tareKg + fillKg
	return b.run(10*time.Minute, 0)
}

func TestACylinderThatComesBackIsRecognisedWithItsTare(t *testing.T) {
	const mineKg, otherKg = 7.72, 8.31 // testParams' stamp says 7.7
	b := newBench(t, mineKg+1.2)
	b.run(10*time.Minute, 0)
	b.swap(otherKg, 9.05)
	if err := b.est.Change(Change{TareKg: 8.3, Name: "red"}); err != nil {
		t.Fatal(err)
	}
	e := b.run(time.Minute, 0)
	if e.CylinderName != "red" || len(e.Known) != 1 {
		t.Fatalf("on the scale %q, known %+v; want red, and the first one in the register", e.CylinderName, e.Known)
	}
	near(t, "what the first one weighed when it left", e.Known[0].GrossKg, mineKg+1.2, 0.01)

	e = b.swap(mineKg, 1.2) // the first one is put back as it was
	if got := b.lastOf(CylinderPlaced); got.Guess != guessSwapped {
		t.Errorf("guess %q, want swapped: it is not the red one", got.Guess)
	}
	holds(t, "fuel", e.FuelKg, 1.2)
	if w := e.FuelKg.High - e.FuelKg.Low; w > 0.3 || !e.TareEntered {
		t.Errorf("fuel is %.2f kg wide, tare entered %v; want the stamped tare back", w, e.TareEntered)
	}
	b.swap(otherKg, 6.9) // the red one, lent and returned lighter: only its name can say so
	if err := b.est.Change(Change{Name: "red"}); err != nil {
		t.Fatal(err)
	}
	e = b.run(time.Minute, 0)
	holds(t, "fuel of the red one", e.FuelKg, 6.9)
	if w := e.FuelKg.High - e.FuelKg.Low; w > 0.3 || e.CylinderName != "red" {
		t.Errorf("fuel is %.2f kg wide on %q, want its tare by name", w, e.CylinderName)
	}
}

func TestNoTareIsCarriedToACylinderThatOnlyLooksAlike(t *testing.T) {
	b := newBench(t, 7.72+1.2)
	b.run(10*time.Minute, 0)
	b.swap(8.31, 9.05)
	if err := b.est.Change(Change{TareKg: 8.3, Name: "red"}); err != nil {
		t.Fatal(err)
	}
	b.run(time.Minute, 0)
	e := b.swap(8.02, 3.7) // neither, and nobody says anything
	holds(t, "fuel", e.FuelKg, 3.7)
	if e.TareEntered || e.CylinderName != "" {
		t.Errorf("tare entered %v, name %q; want a stranger", e.TareEntered, e.CylinderName)
	}
}

func TestTheSameOneBackLeavesNoDoubleInTheRegister(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	b.swap(8.6, 7.7) // refilled, and guessed to be another
	if err := b.est.Change(Change{Same: true}); err != nil {
		t.Fatal(err)
	}
	e := b.run(time.Minute, 0)
	if len(e.Known) != 0 {
		t.Errorf("the register holds %+v, want nothing: the cylinder is on the scale", e.Known)
	}
}

func TestTheRegisterIsBoundedAndSurvivesARestart(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	for i := range 2 * knownMostN {
		b.swap(7.2+0.25*float64(i), 9.05-0.3*float64(i%3))
		if err := b.est.Change(Change{TareKg: 7.2 + 0.25*float64(i), Name: string(rune('a' + i)), RequalifyBy: "2031-05"}); err != nil {
			t.Fatal(err)
		}
		b.run(time.Minute, 0)
	}
	if n := len(b.last.Known); n != knownMostN {
		t.Errorf("%d cylinders known, want the newest %d", n, knownMostN)
	}
	s := b.est.Save()
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var back State
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	back.Scale.Known[0].TareKg = -3 // somebody's bit flipped
	est := New(b.wiring, testParams())
	est.Restore(back, 10, 0, true)
	b.est, b.upS = est, 0
	e := b.run(2*time.Minute, 0)
	if len(e.Known) != knownMostN-1 || e.CylinderName != b.last.CylinderName || e.RequalifyBy != "2031-05" {
		t.Errorf("after a restart %d known, %q by %q; want all but the impossible one", len(e.Known), e.CylinderName, e.RequalifyBy)
	}
	for i := 1; i < len(e.Known); i++ {
		if e.Known[i-1].Name > e.Known[i].Name {
			t.Error("the register is not told by name")
		}
	}
}

// estimation.md 2: a true empty resets the tare, to 15 g.
func TestATrueEmptyTeachesTheTare(t *testing.T) {
	const tareKg = 7.76 // the stamp says 7.7, 40 g sd
	b := newBench(t, tareKg+0.20)
	b.call = 1
	b.run(20*time.Minute, 0.15)
	b.run(61*time.Minute, 0.098)
	left := b.kg - tareKg
	near(t, "left on the bench", left, 0.05, 0.005)
	e := b.run(8*time.Minute, 0)
	if e.TareLearned {
		t.Error("the tare is learned before the weight has rested for ten minutes")
	}
	e = b.run(15*time.Minute, 0)
	if !e.TareLearned {
		t.Fatalf("starved %v %q, fuel %.3f (%.3f to %.3f): the tare is not learned", e.Starved, e.StarvedWhy, e.FuelKg.Value, e.FuelKg.Low, e.FuelKg.High)
	}
	holds(t, "fuel", e.FuelKg, 0.05)
	b.kg = 0
	b.run(20*time.Minute, 0)
	b.kg = tareKg + 9.05 // refilled
	b.run(10*time.Minute, 0)
	if err := b.est.Change(Change{Same: true}); err != nil {
		t.Fatal(err)
	}
	e = b.run(time.Minute, 0)
	holds(t, "fuel after the refill", e.FuelKg, 9.05)
	if w := e.FuelKg.High - e.FuelKg.Low; w > 0.15 {
		t.Errorf("fuel is %.0f g wide with a learned tare, want 150 or less (estimation.md)", 1000*w)
	}
}

func TestNothingIsLearnedWhereTheCylinderOnlyMayBeEmpty(t *testing.T) {
	b := newBench(t, 7.7+0.6)
	b.call = 1
	b.run(10*time.Minute, 0.15)
	if e := b.run(40*time.Minute, 0); e.TareLearned || e.Starved != Yes {
		t.Errorf("starved %v, learned %v; want a starved heater that teaches no tare with half a kilogram left", e.Starved, e.TareLearned)
	}
}

// TestATareLearnedAtAnEmptyTakesItsScaleAlong weighs on after a true empty at -5 °C: whatever
// is learned later of the coefficient, the empty cylinder reads empty at that temperature, and
// the doubt is of what has changed since. Another calibration takes that away.
func TestATareLearnedAtAnEmptyTakesItsScaleAlong(t *testing.T) {
	p := testParams()
	p.Scale.ZeroTCGPerK, p.Scale.CalibratedAtC = 2.5, 20
	w := newWeighing(p)
	const emptyKg, emptyC, tc, left = 7.9, -5.0, 0.0005, 0.05
	w.have, w.phase, w.presence, w.levelKg, w.cellC = true, tracking, Present, emptyKg, emptyC
	w.cell = cell{tempC: emptyC, seen: true}
	w.tare = tare{learned: true, empty: emptyWeight{emptyKg, emptyC, tc, p.Scale.CountsPerKg, p.Scale.ZeroCounts, p.Scale.CalibratedAtC}}
	w.tare.add(1, emptyKg-tc*(emptyC-p.Scale.CalibratedAtC)-left, emptySDKg)
	w.tare.settle()
	const info = 1e8 // of the coefficient, learned since
	w.watch.drift.memory.InfoK2PerKg2, w.watch.drift.memory.InfoKPerKg = info, 0.0015*info
	near(t, "fuel of the empty cylinder", w.fuel(0).Value, left, 1e-9)
	width := func() float64 { _, sd, _ := w.correctNet(0); return sd }
	there := width()
	w.cell.tempC, w.cellC, w.levelKg = 10, 10, emptyKg+8+0.0015*15
	near(t, "fuel after a refill, 15 K warmer", w.fuel(0).Value, left+8, 1e-4)
	if warmer := width(); warmer <= there {
		t.Errorf("15 K from where it was learned the sd is %.4f kg, want more than %.4f", warmer, there)
	}
	w.cell.tempC, w.cellC = emptyC, emptyC
	w.p.Scale.ZeroCounts++
	if anew := width(); anew < 1.5*there {
		t.Errorf("after another calibration the sd is %.4f kg, want what the whole way to it makes, over %.4f", anew, 1.5*there)
	}
}
