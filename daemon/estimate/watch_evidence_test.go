package estimate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// storedDays lets a watch see quiet points of a stored van for some days: a day's swing of
// the cell of 12 K and weather that wanders, a coefficient anywhere within the data sheet's
// limit, and noise of which neighbours share 1 g (people and dew, engineering judgement).
// Where it is lived in, something burns from 6 to 9 and 17 to 22 h, and each quiet stretch has
// a site of its own. It returns the hour of the first call, or 0, and how many calls there were.
func storedDays(rng *rand.Rand, days int, lossKgPerH float64, s Scale, asked, lived bool) (firstH float64, calls int) {
	w := newWeightWatch(nil)
	w.ask(asked)
	limit := s.tcLimitKgPerK(12.7)
	kgPerK := limit * (2*rng.Float64() - 1)
	alike, weather := 0.0, 0.0
	keep := math.Exp(-1.0 / 12) // two hours
	phase := 2 * math.Pi * rng.Float64()
	called := false
	spell, site, lit := 0, 0.0, false
	for i := range days * 144 {
		h := float64(i) / 6
		day := math.Mod(h, 24)
		weather += 0.15 * rng.NormFloat64()
		weather *= 0.998
		alike = keep*alike + 0.001*math.Sqrt(1-keep*keep)*rng.NormFloat64()
		cellC := 6*math.Sin(2*math.Pi*h/24+phase) + weather
		burns := lived && (day >= 6 && day < 9 || day >= 17 && day < 22)
		if lit && !burns {
			spell, site = spell+1, 0.003*rng.NormFloat64()
		}
		if lit = burns; burns {
			continue
		}
		kg := 12.7 + site - lossKgPerH*h + (kgPerK+airKgPerK)*cellC + alike + 0.0003*rng.NormFloat64()
		w.point(watchPoint{UpS: 3600 * (h + 10), Kg: kg, CellC: cellC, Spell: spell}, s)
		if w.suspected && !called {
			calls++
			if firstH == 0 {
				firstH = h
			}
		}
		called = w.suspected
	}
	return firstH, calls
}

var (
	goodCell  = Scale{ZeroTCGPerK: 0.42, SpanTCPPMPerK: 15, CapacityKg: 30}
	cheapCell = Scale{ZeroTCGPerK: 2.5, SpanTCPPMPerK: 50, CapacityKg: 200}
)

func TestQuietMonthsCallNoLoss(t *testing.T) {
	const months = 60
	for name, s := range map[string]Scale{"good": goodCell, "cheap": cheapCell} {
		for _, lived := range []bool{false, true} {
			for _, asked := range []bool{false, true} {
				rng := rand.New(rand.NewPCG(4, 7))
				calls := 0
				for range months {
					_, n := storedDays(rng, 30, 0, s, asked, lived)
					calls += n
				}
				// The upper 95 % end of a Poisson rate, by its chi-squared form (Wilson and Hilferty).
				k := float64(calls + 1)
				most := k * math.Pow(1-1/(9*k)+1.645/(3*math.Sqrt(k)), 3) / months
				t.Logf("%s cell, lived in %v, asked %v: %d calls in %d months, at most %.2f a month", name, lived, asked, calls, months, most)
				if most > 1 {
					t.Errorf("%s cell, lived in %v, asked %v: up to %.2f false calls a month, want one at most", name, lived, asked, most)
				}
			}
		}
	}
}

func TestASlowLossIsToldAsSoonAsItCanBe(t *testing.T) {
	for name, c := range map[string]struct {
		s            Scale
		gPerH, mostH float64
	}{
		"good cell, 5 g/h":  {goodCell, 5, 26},
		"good cell, 20 g/h": {goodCell, 20, 8},
		"cheap cell, 6 g/h": {cheapCell, 6, 26},
		"cheap, 30 g/h":     {cheapCell, 30, 14},
	} {
		rng := rand.New(rand.NewPCG(1, 9))
		worst := 0.0
		for range 40 {
			h, _ := storedDays(rng, 2, c.gPerH/1000, c.s, true, false)
			if h == 0 {
				h = math.Inf(1)
			}
			worst = max(worst, h)
		}
		t.Logf("%s: told after %.1f h at the latest of 40", name, worst)
		if worst > c.mostH {
			t.Errorf("%s: told after %.1f h, want it within %g", name, worst, c.mostH)
		}
	}
}

// The leak rows of estimation.md 1: what 5.3 standard deviations of a stored van's noise
// allow. The practical floors are above most of them, so the evidence is asked itself.
func TestTheEvidenceSeesWhatThePhysicsAllows(t *testing.T) {
	for name, c := range map[string]struct {
		s              Scale
		h, gPerH, offG float64 // of a point of ten minutes, rms, about what cold and loss explain
	}{
		"good, a day":       {goodCell, 24, 0.14, 0.5},
		"good, half a day":  {goodCell, 12, 0.54, 0.5},
		"cheap, a day":      {cheapCell, 24, 0.57, 1.2},
		"cheap, half a day": {cheapCell, 12, 2.2, 1.2},
		"cheap, four hours": {cheapCell, 4, 12, 1.2},
	} {
		var m moments
		n := c.h * 6
		for i := range int(n) {
			h := float64(i) / 6
			t, cellC := h-c.h/2, 6*math.Sin(2*math.Pi*h/24)
			m.tt, m.tc, m.cc, m.free = m.tt+t*t, m.tc+t*cellC, m.cc+cellC*cellC, m.free+1
		}
		m.kk = n * c.offG * c.offG * 1e-6
		e, ok := m.weigh(0, c.s.tcLimitKgPerK(12.7)/sqrt3)
		if got := 1000 * e.smallestKgPerH(0); !ok || got < c.gPerH/4 || got > c.gPerH*2 {
			t.Errorf("%s: %.2f g/h can be told, the table has %g: want it between a quarter and twice that, for the table's noise is white and its swing unknown", name, got, c.gPerH)
		} else {
			t.Logf("%s: %.2f g/h, the table has %g", name, got, c.gPerH)
		}
	}
}
