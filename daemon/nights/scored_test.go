package nights

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// foretold is a row of a night that burned kg where half on each side of forecast had been said.
func foretold(kg, forecast, half, wider float64) Night {
	n := Night{Kind: "night", WatchedH: 16, BurnedKg: num(kg, 6), ForecastKg: num(forecast, 6), ForecastLowKg: num(forecast-half, 6), ForecastHighKg: num(forecast+half, 6)}
	if wider > 1 {
		n.ForecastWiderRatio = &wider
	}
	return n
}

// forecaster lives nights whose spread is sd and says intervals for sd/tooSure, widened by what
// the rows so far ask for. It returns the share of the intervals that held after the first
// settling nights and the share of all nights that were widened.
func forecaster(seed uint64, nights, settling int, tooSure float64) (held, widened float64) {
	r := rand.New(rand.NewPCG(seed, 5))
	const sd = 0.15
	var rows []Night
	n, in, wide := 0, 0, 0
	for i := range nights {
		wider := widerBy(rows)
		half := 1.96 * sd / tooSure * wider
		row := foretold(3+sd*r.NormFloat64(), 3, half, wider)
		if wider > 1 {
			wide++
		}
		if i >= settling {
			n++
			if row.ForecastHeld() {
				in++
			}
		}
		rows = append(rows, row)
		rows = rows[max(0, len(rows)-keepNights):]
	}
	return float64(in) / float64(n), float64(wide) / float64(nights)
}

func TestForecastsThatWereTooSureWidenUntilTheyHoldAndHonestOnesAreLeftAlone(t *testing.T) {
	const vans, nights, settling = 200, 150, 30
	for _, c := range []struct {
		tooSure              float64
		leastHeld, mostHeld  float64
		leastWide, mostWiden float64
	}{
		{1, 0.94, 0.965, 0, 0.06}, {2, 0.93, 0.96, 0.9, 1}, {3, 0.93, 0.97, 0.95, 1},
	} {
		var held, widened float64
		for seed := range uint64(vans) {
			h, w := forecaster(seed, nights, settling, c.tooSure)
			held, widened = held+h/vans, widened+w/vans
		}
		t.Logf("too sure by a factor of %g: after %d nights %.1f %% of the intervals hold; %.1f %% of the nights were widened", c.tooSure, settling, 100*held, 100*widened)
		if held < c.leastHeld || held > c.mostHeld || widened < c.leastWide || widened > c.mostWiden {
			t.Errorf("too sure by %g: %.3f held and %.3f widened, want %.2f–%.2f and %.2f–%.2f", c.tooSure, held, widened, c.leastHeld, c.mostHeld, c.leastWide, c.mostWiden)
		}
	}
}

func TestOneMissIsNoEvidenceAndTheFactorNarrowsAgain(t *testing.T) {
	var rows []Night
	miss, hit := foretold(4.2, 3, 0.6, 1), foretold(3.1, 3, 0.6, 1)
	if w := widerBy([]Night{miss}); w != 1 {
		t.Errorf("one miss widened by %g", w)
	}
	rows = append(rows, miss, hit, miss, miss)
	first := widerBy(rows)
	// Four nights of which three missed by twice the half width: 1 + (2-1) x 4/6.
	if math.Abs(first-1-4./6) > 1e-9 {
		t.Errorf("three misses of four widen by %g, want 1.67", first)
	}
	last := first
	for range 40 {
		rows = append(rows, hit)
		rows = rows[max(0, len(rows)-keepNights):]
		last = widerBy(rows)
	}
	if last != 1 {
		t.Errorf("forty good nights later the factor is %g, want 1", last)
	}
	var wild []Night
	for range 10 {
		wild = append(wild, foretold(3e6, 3, 0.1, 1))
	}
	if w := widerBy(wild); w != mostWider {
		t.Errorf("a forecaster that knows nothing is widened by %g, want the most, %g", w, mostWider)
	}
}

func TestTheFactorDoesNotChaseItself(t *testing.T) {
	// Errors of twice the plain half width; the interval widened to hold them.
	var rows []Night
	for range 20 {
		rows = append(rows, foretold(4.2, 3, 1.2, 2))
	}
	if w := widerBy(rows); math.Abs(w-1-20./22) > 1e-9 {
		t.Errorf("widened intervals that hold ask for %g, want still 1.91", w)
	}
	if c := Score(rows); c.HeldN != 20 || c.NightsN != 20 || math.Abs(c.MeanErrKg-1.2) > 1e-9 || math.Abs(c.RMSErrKg-1.2) > 1e-9 {
		t.Errorf("%+v, want all held and 1.2 kg of mean error", c)
	}
}

func TestANightThatIsNoWitnessJudgesNoForecast(t *testing.T) {
	for what, spoil := range map[string]func(*Night){
		"a gap":            func(n *Night) { n.GapH, n.WatchedH = 6, 10 },
		"no date":          func(n *Night) { n.ClockUntrusted = true },
		"gas that ran out": func(n *Night) { n.RanShort = true },
		"no weight":        func(n *Night) { n.BurnedKg = nil },
		"no forecast":      func(n *Night) { n.ForecastKg = nil },
		"ends turned":      func(n *Night) { n.ForecastLowKg, n.ForecastHighKg = n.ForecastHighKg, n.ForecastLowKg },
	} {
		n := foretold(3, 3.1, 0.3, 1)
		if Score([]Night{n}).NightsN != 1 {
			t.Fatal("the row is no witness to begin with")
		}
		spoil(&n)
		if c := Score([]Night{n}); c.NightsN != 0 || n.ForecastHeld() || c.WiderRatio != 1 {
			t.Errorf("%s: %+v", what, c)
		}
	}
	low := Night{OutsideLowC: num(-9, 1), ExpectedLowC: num(-5, 1), ExpectedLowLeastC: num(-11, 1), ExpectedLowMostC: num(1, 1), WatchedH: 16}
	if c := Score([]Night{low}); c.LowsN != 1 || c.LowsHeldN != 1 || c.LowMeanErrK != -4 || c.LowRMSErrK != 4 {
		t.Errorf("the low: %+v, want one that held, 4 K too warm", c)
	}
}

func TestTheBinomialTailIsTheSumOfItsTerms(t *testing.T) {
	// 1 - 0.95^20 - 20 x 0.05 x 0.95^19 - 190 x 0.05^2 x 0.95^18, by hand.
	if got := binomialTail(20, 3, 0.05); math.Abs(got-0.0754837) > 1e-6 {
		t.Errorf("three or more of twenty: %g, want 0.0755", got)
	}
	if binomialTail(7, 0, 0.05) != 1 || math.Abs(binomialTail(2, 2, 0.05)-0.0025) > 1e-12 {
		t.Error("the ends of the tail are wrong")
	}
}

// promising makes the ledger say a forecast at the next ticks, as the core does before each step.
func (v *van) promising(kg, half float64) {
	_, _, to := v.l.coming(v.wall)
	v.l.tonight = Tonight{NightKg: known(kg, kg-half, kg+half), ExpectedLowC: known(-4, -7, -1), EndsWall: to}
	v.l.hasTonight, v.l.tonightAt = true, v.up+30*time.Second
}

func TestTheForecastThatStoodAtTheNightsBeginIsInItsRow(t *testing.T) {
	v := newVan(Params{}, "2026-11-25T17:30:00Z")
	v.promising(1.5, 0.4)
	v.live(40 * time.Minute)
	v.promising(9, 0.1) // in the night nobody asks any more
	v.live(18 * time.Hour)
	n := v.rows[0]
	if n.ForecastKg == nil || *n.ForecastKg != 1.5 || *n.ForecastLowKg != 1.1 || *n.ForecastHighKg != 1.9 || n.ForecastWiderRatio != nil || *n.ExpectedLowC != -4 {
		t.Fatalf("row %+v, want the forecast of the evening", n)
	}
	if c := v.l.Calibration(); c.NightsN != 1 || c.HeldN != 1 || math.Abs(c.MeanErrKg-0.1) > 0.002 || c.LowsN != 1 || c.LowMeanErrK != -1 {
		t.Errorf("%+v, want one that held, 0.1 kg low", c)
	}
}

func TestAForecastOutlivesARestartOverTheNightsBegin(t *testing.T) {
	for off, want := range map[time.Duration]bool{2 * time.Hour: true, 26 * time.Hour: false} {
		v := newVan(Params{}, "2026-11-25T17:00:00Z")
		v.promising(1.5, 0.4)
		v.live(30 * time.Minute)
		s := throughJSON(t, v.l.Save())
		v.l, v.up, v.wall = NewLedger(Params{}), 0, v.wall.Add(off)
		v.l.Restore(s)
		v.live(20 * time.Hour)
		n := v.rows[0]
		if got := n.ForecastKg != nil; got != want {
			t.Errorf("off for %v: forecast %v in the row of %s, want %v", off, got, n.Date, want)
		}
	}
}

func TestWithoutADateOrAForecastNothingIsPromised(t *testing.T) {
	v := newVan(Params{}, "2026-11-25T17:30:00Z")
	v.promising(1.5, 0.4)
	v.l.tonight.NightKg = estimate.Unknown("the scale is silent")
	v.live(20 * time.Hour)
	if v.rows[0].ForecastKg != nil {
		t.Error("a forecast nobody made is in the row")
	}
	v = newVan(Params{}, "2026-11-25T17:30:00Z")
	v.promising(1.5, 0.4)
	v.l.tonight.EndsWall = time.Time{} // the clock is not trusted
	v.live(20 * time.Hour)
	if v.rows[0].ForecastKg != nil {
		t.Error("a forecast of no night is in the row")
	}
}

func TestARowSaysNothingOfWhatItDoesNotKnow(t *testing.T) {
	l := NewLedger(Params{})
	var row *Night
	for i := range 2 * 60 * 17 {
		st := sensors.Stamp{Up: time.Duration(i) * 30 * time.Second, Wall: time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC).Add(time.Duration(i) * 30 * time.Second)}
		none := estimate.Unknown("not fitted")
		e := &estimate.Estimates{FuelKg: none, BurnKgPerH: none, HeaterKgPerH: none, OtherKgPerH: none, SupplyRatio: none, SeatMarginK: none,
			OutsideC: none, CabinC: none, LockerC: none, PipeC: none, BatteryV: none, Band: estimate.Blind, ClockTrusted: true}
		if n := l.Step(st, e, 0); n != nil {
			row = n
		}
	}
	b, err := json.Marshal(row)
	if err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf(`{"kind":"night","date":"2026-11-25","from":"2026-11-25T18:00:00Z","to":"2026-11-26T10:00:00Z","version":%d,"gas_band":"blind","watched_h":0,"gap_h":16,"alarms":0}`, ModelVersion)
	if got := strings.TrimSpace(string(b)); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func BenchmarkCalibration(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	var rows []Night
	for range keepNights {
		rows = append(rows, foretold(3+0.5*r.NormFloat64(), 3, 0.3, 1))
	}
	for b.Loop() {
		Score(rows)
	}
}
