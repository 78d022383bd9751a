package nights

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"frostline/daemon/lpg"
	"frostline/sensors"
	"frostline/testdata/reference"
)

// onLine is nights on a line of wPerK and gainsW about which they scatter by sdFrac.
func onLine(n int, wPerK, gainsW, sdFrac float64, liftK func(i int) float64) (nights []heatNight) {
	r := rand.New(rand.NewPCG(5, 2026))
	for i := range n {
		mean := wPerK*liftK(i) - gainsW
		nights = append(nights, heatNight{Date: time.Date(2026, 11, 1+i, 0, 0, 0, 0, time.UTC).Format(time.DateOnly),
			LiftK: liftK(i), FuelW: mean * (1 + sdFrac*r.NormFloat64()), WeighW: 5, CabinC: 18})
	}
	return nights
}

func upAndDown(i int) float64 { return 20 + 8*math.Sin(float64(i)) }

// evidence is a row that may be learned from.
func evidence(i int) Night {
	return Night{Kind: "night", Date: time.Date(2026, 11, 1+i, 0, 0, 0, 0, time.UTC).Format(time.DateOnly), WatchedH: 16,
		BurnedKg: num(1.2, 4), BurnedLowKg: num(1.16, 4), BurnedHighKg: num(1.24, 4), HeaterKg: num(1.1, 4), HeaterH: num(7, 2),
		OutsideMeanC: num(-4, 1), CabinMeanC: num(18, 1)}
}

func TestDegreeDaysOfTheReferenceTableComeOutOfTheLine(t *testing.T) {
	for _, r := range reference.Rows(t, "degree_day_examples.csv", 3) {
		ua, set, gains, eff := r.Num("UA_W_K"), r.Num("setpoint_C"), r.Num("internal_gain_W"), r.Num("efficiency")
		basis, ok := map[string]lpg.Basis{"HHV": lpg.Gross, "LHV": lpg.Net}[r.Cell["efficiency_basis"]]
		if !ok {
			t.Fatalf("basis %q", r.Cell["efficiency_basis"])
		}
		wPerK, gainsW, ok := FuelLine(ua, gains, eff, basis)
		if !ok {
			t.Fatalf("no line for %v", r.Cell)
		}
		if got, want := set-gainsW/wPerK, r.Num("balance_temp_C"); math.Abs(got-want) > 0.0005 {
			t.Errorf("UA %g: balance %.4f C, want %g", ua, got, want)
		}
		hours := strings.Fields(r.Cell["hourly_outdoor_C_24_values"])
		if len(hours) != 24 {
			t.Fatalf("%d hours", len(hours))
		}
		degreeH, fuelWh := 0.0, 0.0
		for _, text := range hours {
			out, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			w, _ := night(wPerK, gainsW, 0, set-out)
			fuelWh += w
			degreeH += max(0, set-gainsW/wPerK-out)
		}
		net, _ := netEfficiency(eff, basis)
		// The table's hours are rounded to 0.1 K, its degree days may be off by as much a day.
		for what, pair := range map[string][2]float64{"degree days": {degreeH / 24, r.Num("degree_days_K_day")},
			"heat in kWh": {fuelWh * net / 1000, r.Num("heat_kWh")}, "propane in kg": {fuelWh / fuelW(1), r.Num("propane_kg")}} {
			if math.Abs(pair[0]/pair[1]-1) > 0.005 {
				t.Errorf("UA %g: %s %.4f, want %g within 0.5 %%", ua, what, pair[0], pair[1])
			}
		}
	}
}

func TestAnEnvelopeIsClaimedOnlyWithAnEfficiency(t *testing.T) {
	h := sayHeat(onLine(30, 40, 150, 0.05, upAndDown), true)
	for _, bad := range []struct {
		frac  float64
		basis lpg.Basis
	}{{0, lpg.Net}, {-0.8, lpg.Net}, {1.2, lpg.Net}, {1.05, lpg.Gross}, {0.8, 0}, {math.NaN(), lpg.Net}} {
		if q := h.EnvelopeWPerK(bad.frac, bad.basis); q.Known() || q.Why == "" {
			t.Errorf("efficiency %+v gave %+v", bad, q)
		}
		if _, _, ok := FuelLine(40, 100, bad.frac, bad.basis); ok {
			t.Errorf("efficiency %+v gave a line", bad)
		}
	}
	net, gross := h.EnvelopeWPerK(0.8, lpg.Net), h.EnvelopeWPerK(0.8, lpg.Gross)
	if math.Abs(net.Value-0.8*h.FuelWPerK.Value) > 1e-9 || math.Abs(gross.Value/net.Value-50.330/46.338) > 1e-4 || !(net.Low < net.Value && net.Value < net.High) {
		t.Errorf("fuel %+v, envelope %+v by net, %+v by gross", h.FuelWPerK, net, gross)
	}
	if q := (HeatLoss{}).EnvelopeWPerK(0.8, lpg.Net); q.Known() {
		t.Errorf("nothing known, and an envelope of %+v", q)
	}
}

func TestNothingIsClaimedBeforeEnoughNightsDifferEnough(t *testing.T) {
	alike := func(int) float64 { return 20 }
	for _, k := range []struct {
		name    string
		nights  []heatNight
		learned bool
		why     string
	}{
		{"the first evening", nil, false, "0 of 7"},
		{"six nights", onLine(6, 40, 150, 0.05, upAndDown), false, "6 of 7"},
		{"seven nights", onLine(7, 40, 150, 0.05, upAndDown), true, ""},
		{"twenty nights of one weather", onLine(20, 40, 150, 0.05, alike), false, "too much alike"},
	} {
		b := heatBook{nights: k.nights, learned: claimMissing(k.nights) == ""}
		h := b.heatLoss()
		if h.Learned != k.learned || h.NightsN != len(k.nights) {
			t.Errorf("%s: learned %v by %d nights, want %v", k.name, h.Learned, h.NightsN, k.learned)
		}
		if !k.learned && (h.FuelWPerK.Quality != sensors.Suspect || !strings.Contains(h.FuelWPerK.Why, "typical") || !strings.Contains(h.FuelWPerK.Why, k.why)) {
			t.Errorf("%s: %+v, want typical, with %q", k.name, h.FuelWPerK, k.why)
		}
		if !k.learned && (math.Abs(h.FuelWPerK.Value-typicalWPerK) > 1 || h.FuelWPerK.Low > 14 || h.FuelWPerK.High < 90) {
			t.Errorf("%s: %+v, want 35 W/K between 12 and 100", k.name, h.FuelWPerK)
		}
		if k.learned && (h.FuelWPerK.Quality != sensors.Good || math.Abs(h.FuelWPerK.Value-40) > 6) {
			t.Errorf("%s: %+v, want about 40 W/K", k.name, h.FuelWPerK)
		}
	}
}

func TestASteadySpellUnlearnsNothing(t *testing.T) {
	var b heatBook
	for i := range 70 {
		n := evidence(i)
		out := -2.0 // all alike, once the first ten are over
		if i < 10 {
			out = -10 + 2*float64(i)
		}
		n.OutsideMeanC, n.HeaterKg = num(out, 1), num((40*(18-out)-150)/fuelW(1)*16, 4)
		b.add(n)
	}
	if claimMissing(b.nights) == "" {
		t.Fatal("the last nights differ, so this shows nothing")
	}
	if h := b.heatLoss(); !h.Learned || h.FuelWPerK.Low > 40 || h.FuelWPerK.High < 40 {
		t.Errorf("after sixty nights alike: %+v", h.FuelWPerK)
	}
}

// ordinary is what least squares makes of the same nights.
func ordinary(nights []heatNight) (wPerK float64) {
	var n, sx, sy, sxx, sxy float64
	for _, x := range nights {
		n, sx, sy, sxx, sxy = n+1, sx+x.LiftK, sy+x.FuelW, sxx+x.LiftK*x.LiftK, sxy+x.LiftK*x.FuelW
	}
	return (n*sxy - sx*sy) / (n*sxx - sx*sx)
}

func TestEveningsWithTheDoorOpenHardlyMoveTheFit(t *testing.T) {
	nights := onLine(24, 40, 150, 0.05, upAndDown)
	before := sayHeat(nights, true).FuelWPerK
	for _, i := range []int{1, 14, 20} { // the cold ones; the second night and a recent one among them
		nights[i].FuelW *= 2
	}
	after := sayHeat(nights, true).FuelWPerK
	if shift := after.Value/before.Value - 1; math.Abs(shift) > 0.05 {
		t.Errorf("three open doors moved %.1f W/K by %.1f %%, want at most 5 %%", before.Value, 100*shift)
	}
	if after.Low > 40 || after.High < 40 {
		t.Errorf("the truth of 40 W/K left the interval: %+v", after)
	}
	if shift := ordinary(nights)/40 - 1; math.Abs(shift) < 0.15 {
		t.Errorf("least squares moved by %.1f %% only, so these nights test nothing", 100*shift)
	}
}

func TestTheFitFollowsAVanThatWasInsulated(t *testing.T) {
	nights := onLine(60, 50, 150, 0.05, upAndDown)
	for i := 20; i < 60; i++ {
		nights[i].FuelW -= 20 * nights[i].LiftK
	}
	if q := sayHeat(nights, true).FuelWPerK; math.Abs(q.Value-30) > 4.5 {
		t.Errorf("forty nights after the work: %+v, want 30 W/K within 15 %%", q)
	}
}

// TestTheNodesSumToTheWholePosterior holds the few nodes against a dense lattice over all of
// the prior.
func TestTheNodesSumToTheWholePosterior(t *testing.T) {
	counts := []int{1, 8, 60}
	if testing.Short() { // the lattice is a million points
		counts = []int{8}
	}
	for _, n := range counts {
		nights := onLine(n, 30, 200, 0.09, upAndDown)
		forgotten := make([]float64, n)
		for i := range forgotten {
			forgotten[i] = remembered(nights, i)
		}
		var sum, k, kk, g, gg float64
		for u := math.Log(typicalWPerK) - 4*typicalWPerKLn; u < math.Log(typicalWPerK)+4*typicalWPerKLn; u += 0.02 {
			for gains := typicalGainsW - 4*typicalGainsSDW; gains < typicalGainsW+4*typicalGainsSDW; gains += 8 {
				for s := math.Log(typicalSpreadFrac) - 4*typicalSpreadLn; s < math.Log(typicalSpreadFrac)+4*typicalSpreadLn; s += 0.25 {
					p := triple{u, gains, s}
					w := math.Exp(priorLn(p) + nightsLn(p, nights, forgotten) + 4*float64(n))
					sum, k, kk, g, gg = sum+w, k+w*u, kk+w*u*u, g+w*gains, gg+w*gains*gains
				}
			}
		}
		k, g = k/sum, g/sum
		kSD, gSD := math.Sqrt(kk/sum-k*k), math.Sqrt(gg/sum-g*g)
		var m, mm, l, ll float64
		for _, b := range fitHeat(nights) {
			u := math.Log(b.wPerK)
			m, mm, l, ll = m+b.likelyFrac*u, mm+b.likelyFrac*u*u, l+b.likelyFrac*b.gainsW, ll+b.likelyFrac*b.gainsW*b.gainsW
		}
		mSD, lSD := math.Sqrt(mm-m*m), math.Sqrt(ll-l*l)
		if math.Abs(m-k) > 0.05*kSD || math.Abs(l-g) > 0.05*gSD || math.Abs(mSD/kSD-1) > 0.05 || math.Abs(lSD/gSD-1) > 0.05 {
			t.Errorf("%d nights: ln W/K %.4f±%.4f and gains %.1f±%.1f W by nodes, %.4f±%.4f and %.1f±%.1f by the lattice", n, m, mSD, l, lSD, k, kSD, g, gSD)
		}
	}
}

func TestStudentsDistributionIsTheIntegralOfItsDensity(t *testing.T) {
	const step = 1e-4
	sum := 0.5
	for x := step / 2; x < 6; x += step {
		sum += 0.375 * math.Pow(1+x*x/4, -2.5) * step
		if at := x + step/2; math.Abs(at-math.Round(at)) < step/2 && math.Abs(studentCDF(at)-sum) > 1e-6 {
			t.Errorf("at %.0f: %.8f, the integral is %.8f", at, studentCDF(at), sum)
		}
	}
	if math.Abs(studentCDF(-2)+studentCDF(2)-1) > 1e-12 || studentCDF(0) != 0.5 {
		t.Error("the distribution is not even about nothing")
	}
}

func TestOnlyColdHeatedWatchedNightsAreEvidence(t *testing.T) {
	if _, ok := heatOf(evidence(0)); !ok {
		t.Fatal("an ordinary winter night is no evidence")
	}
	for name, spoil := range map[string]func(*Night){
		"the van was driven":        func(n *Night) { n.Moved = true },
		"the clock was not trusted": func(n *Night) { n.ClockUntrusted = true },
		"two hours nobody watched":  func(n *Night) { n.GapH = 2 },
		"the heater stayed off":     func(n *Night) { n.HeaterH, n.HeaterKg = num(0, 2), num(0, 4) },
		"the scale was dead": func(n *Night) {
			n.BurnedKg, n.BurnedLowKg, n.BurnedHighKg, n.HeaterKg, n.HeaterH = nil, nil, nil, nil, nil
		},
		"no thermometer outside":       func(n *Night) { n.OutsideMeanC = nil },
		"no thermometer inside":        func(n *Night) { n.CabinMeanC = nil },
		"a mild night":                 func(n *Night) { n.OutsideMeanC = num(11, 1) },
		"half the night before a boot": func(n *Night) { n.WatchedH = 5 },
		"impossible heat":              func(n *Night) { n.HeaterKg = num(900, 4) },
		"not a number":                 func(n *Night) { n.HeaterKg = num(math.NaN(), 4) },
	} {
		n := evidence(0)
		spoil(&n)
		if x, ok := heatOf(n); ok {
			t.Errorf("%s: taken as %+v", name, x)
		}
	}
}

func TestANightComputedAgainCountsOnce(t *testing.T) {
	var b heatBook
	b.add(evidence(0))
	again := evidence(0)
	again.HeaterKg = num(1.3, 4)
	b.add(again)
	if len(b.nights) != 1 || math.Abs(b.nights[0].FuelW-fuelW(1.3/16)) > 0.1 {
		t.Errorf("nights %+v, want the newer one alone", b.nights)
	}
}

func TestTheBookOfNightsIsBoundedAndComesBackAfterARestart(t *testing.T) {
	var b heatBook
	for i := range 90 {
		n := evidence(i)
		n.OutsideMeanC = num(-4+6*math.Sin(float64(i)), 1)
		b.add(n)
	}
	if len(b.nights) != keepHeat {
		t.Fatalf("%d nights kept, want %d", len(b.nights), keepHeat)
	}
	saved, err := json.Marshal(b.save())
	if err != nil {
		t.Fatal(err)
	}
	if len(saved) > 8000 {
		t.Errorf("the checkpoint grew by %d bytes, want under 8000", len(saved))
	}
	var s heatSaved
	if err := json.Unmarshal(saved, &s); err != nil {
		t.Fatal(err)
	}
	back := restoreHeat(&s, nil)
	if again, _ := json.Marshal(back.save()); string(again) != string(saved) {
		t.Errorf("saved again it reads\n%s\nwant\n%s", again, saved)
	}
	if a, z := b.heatLoss(), back.heatLoss(); fmt.Sprint(a) != fmt.Sprint(z) {
		t.Errorf("after the restart %+v, before %+v", z, a)
	}
}

func TestABookSpoiltByABadCardIsMadeAgainFromTheLedger(t *testing.T) {
	rows := []Night{evidence(0), evidence(1)}
	for name, text := range map[string]string{
		"a fever":               `{"nights":[{"date":"2026-11-01","lift_k":4000,"fuel_w":900,"weigh_w":5,"cabin_c":18}]}`,
		"heat from nowhere":     `{"nights":[{"date":"2026-11-01","lift_k":20,"fuel_w":-900,"weigh_w":5,"cabin_c":18}]}`,
		"a certain weight":      `{"nights":[{"date":"2026-11-01","lift_k":20,"fuel_w":900,"weigh_w":-5,"cabin_c":18}]}`,
		"a cabin on the sun":    `{"nights":[{"date":"2026-11-01","lift_k":20,"fuel_w":900,"weigh_w":5,"cabin_c":5800}]}`,
		"a novel for a date":    `{"nights":[{"date":"` + strings.Repeat("once ", 50) + `","lift_k":20,"fuel_w":900,"weigh_w":5,"cabin_c":18}]}`,
		"a book without end":    `{"nights":[` + strings.Repeat(`{"date":"2026-11-01","lift_k":20,"fuel_w":900,"weigh_w":5,"cabin_c":18},`, keepHeat) + `{"date":"2026-11-01","lift_k":20,"fuel_w":900,"weigh_w":5,"cabin_c":18}]}`,
		"an older program's":    `null`,
		"learned from nothing ": `{"nights":[],"learned":true}`,
	} {
		var s *heatSaved
		if err := json.Unmarshal([]byte(text), &s); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		b := restoreHeat(s, rows)
		want := len(rows)
		if s.plausible() {
			want = 0
		}
		if len(b.nights) != want || b.learned {
			t.Errorf("%s: %d nights, learned %v, want %d and not", name, len(b.nights), b.learned, want)
		}
	}
}

func TestAColderNightCostsMoreAndAnUnsureOneIsWider(t *testing.T) {
	h := sayHeat(onLine(30, 40, 150, 0.09, upAndDown), true)
	last := math.Inf(-1)
	for out := 20.0; out >= -30; out -= 5 {
		q := h.NightKg(out, 0, 16)
		if !(q.Low <= q.Value && q.Value <= q.High) || q.Low < 0 || q.Value < last {
			t.Errorf("at %g C: %+v after %g kg in the milder night", out, q, last)
		}
		last = q.Value
		if wide := h.NightKg(out, 3, 16); out < 5 && wide.High-wide.Low <= q.High-q.Low {
			t.Errorf("at %g C: a forecast off by 3 K is no wider: %+v, %+v", out, wide, q)
		}
	}
	// 40 W/K x 23 K - 150 W for 16 h.
	if q := h.NightKg(-5, 0, 16); math.Abs(q.Value-770*16*3600/46.338e6) > 0.08 {
		t.Errorf("a night at -5 C: %+v, want about 0.96 kg", q)
	}
	for _, bad := range [][3]float64{{math.NaN(), 0, 16}, {-5, -1, 16}, {-5, 0, 0}, {-300, 0, 16}, {-5, math.Inf(1), 16}, {-5, 0, math.NaN()}} {
		if q := h.NightKg(bad[0], bad[1], bad[2]); q.Known() {
			t.Errorf("night %v: %+v", bad, q)
		}
	}
	if q := (HeatLoss{}).NightKg(-5, 0, 16); q.Known() || q.Why == "" {
		t.Errorf("by nothing: %+v", q)
	}
}

func TestTheLedgerLearnsWhatADegreeCosts(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-01T12:00:00Z")
	v.fuelKg = 30
	for i := range 9 {
		v.outside = -12 + 2.5*float64(i)
		v.burn = (40*(18-v.outside) - 150) / fuelW(1)
		if h := v.tonight().Heat; h.Learned != (i >= claimNights) {
			t.Errorf("after %d nights: learned %v, %s", i, h.Learned, h.FuelWPerK.Why)
		}
		v.live(24 * time.Hour)
	}
	h := v.tonight().Heat
	if math.Abs(h.FuelWPerK.Value-40) > 1.5 || math.Abs(h.GainsW.Value-150) > 40 || h.LastDate != "2026-11-09" || h.FuelWPerK.At != v.up {
		t.Errorf("got %+v, want 40 W/K and 150 W", h)
	}
	if math.Abs(h.BalanceC.Value-(18-150./40)) > 1 || h.CabinC != 18 {
		t.Errorf("balance %+v, cabin %g, want 14.25 and 18 C", h.BalanceC, h.CabinC)
	}
	s := throughJSON(t, v.l.Save())
	l := NewLedger(Params{})
	l.Restore(s)
	if back := l.HeatLoss(); fmt.Sprint(back.FuelWPerK.Value, back.Learned) != fmt.Sprint(h.FuelWPerK.Value, true) {
		t.Errorf("after a restart %+v", back.FuelWPerK)
	}
}

func BenchmarkHeatLossOfSixtyNights(b *testing.B) {
	nights := onLine(keepHeat, 40, 150, 0.09, upAndDown)
	for b.Loop() {
		sayHeat(nights, true)
	}
}

func BenchmarkNightKg(b *testing.B) {
	h := sayHeat(onLine(keepHeat, 40, 150, 0.09, upAndDown), true)
	for b.Loop() {
		h.NightKg(-5, 1.5, 16)
	}
}
