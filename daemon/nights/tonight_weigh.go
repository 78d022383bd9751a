package nights

import (
	"cmp"
	"math"
	"slices"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// weigh puts the draws into quantities.
func (l *Ledger) weigh(t *Tonight, a *asked, b *tried, up time.Duration) {
	t.unsaid(learning(a.u.nights))
	if len(l.p.Loads) == 0 {
		t.ChargeAh = estimate.Unknown("no load is configured")
	}
	if b != nil {
		b.pair(a)
		quality, why := restsOn(t, a)
		t.NightKg = over(b.nightKg[:], quality, why)
		if len(l.p.Loads) > 0 {
			t.ChargeAh = over(b.chargeAh[:], quality, why)
		}
		t.ofFuel(a, b, quality, why)
	}
	for _, q := range t.forecasts() {
		q.At = up
		// No row of a ledger that a bad card made up may bring a number into the world that is none.
		if !(math.Abs(q.Value)+math.Abs(q.Low)+math.Abs(q.High) < 1e9) {
			*q = estimate.Unknown("the nights of the ledger make no sense")
		}
	}
}

// forecasts are the quantities that come of the draws.
func (t *Tonight) forecasts() [9]*estimate.Quantity {
	return [...]*estimate.Quantity{&t.NightsLeft, &t.NightKg, &t.EndFuelKg, &t.FuelOdds, &t.PressureOdds, &t.ThinAfterH,
		&t.SupplyRatio, &t.SeatMarginK, &t.ChargeAh}
}

func (t *Tonight) unsaid(why string) {
	for _, q := range t.forecasts() {
		*q = estimate.Unknown(why)
	}
}

// restsOn is how far a night's forecast may be relied on, and why no farther.
func restsOn(t *Tonight, a *asked) (sensors.Quality, string) {
	switch {
	case a.ends.IsZero():
		return sensors.Suspect, "the clock is not trusted: the whole night is taken to lie ahead"
	case a.u.nights < leastNights:
		return sensors.Suspect, t.Heat.FuelWPerK.Why
	case a.u.nights < learntNights:
		return sensors.Suspect, learning(a.u.nights)
	}
	return sensors.Good, ""
}

// ofFuel fills in what hangs on the fuel there is.
func (t *Tonight) ofFuel(a *asked, b *tried, quality sensors.Quality, why string) {
	fuel := a.est.FuelKg
	if !a.fuelKnown {
		q := estimate.Unknown(fuel.Why)
		t.NightsLeft, t.EndFuelKg, t.FuelOdds = q, q, q
		t.PressureOdds, t.ThinAfterH, t.SupplyRatio, t.SeatMarginK = q, q, q, q
		return
	}
	quality, why = min(quality, fuel.Quality), cmp.Or(why, fuel.Why)
	t.FuelOdds = exactly(b.fuelOdds, quality, why)
	t.EndFuelKg = over(b.endKg[:], quality, why)
	if a.u.nights >= leastNights {
		t.NightsLeft = over(b.nights[:], quality, why)
	}
	if b.pressure != "" {
		q := estimate.Unknown(b.pressure)
		t.PressureOdds, t.ThinAfterH, t.SupplyRatio, t.SeatMarginK = q, q, q, q
		return
	}
	t.PressureOdds = exactly(b.bothOdds, quality, why)
	endH := a.hours.before + a.hours.left
	if b.thinEarlyH = part(b.thinH[:], 1-likelyOdds); b.thinEarlyH >= endH {
		b.thinEarlyH = math.Inf(1)
	}
	t.ThinAfterH = over(b.thinH[:], quality, why)
	if t.ThinAfterH.Value >= endH {
		t.ThinAfterH = estimate.Unknown("not before the night is over")
	}
	t.SupplyRatio = estimate.Unknown("nothing is expected to burn")
	t.SeatMarginK = t.SupplyRatio
	if b.ratiosN > 0 {
		t.SupplyRatio = over(b.ratio[:b.ratiosN], quality, why)
	}
	if b.marginsN > 0 {
		t.SeatMarginK = over(b.marginK[:b.marginsN], quality, why)
	}
}

// exactly is a number without an interval of its own.
func exactly(v float64, q sensors.Quality, why string) estimate.Quantity {
	return estimate.Quantity{Value: v, Low: v, High: v, Quality: q, Why: why}
}

// pair works out what hangs together draw by draw, before anything is put in order.
func (t *tried) pair(a *asked) {
	sdKg := max(a.fuelSDKg, 0.005)
	t.fuelOdds, t.warmOdds, t.bothOdds = 0, 0, 0
	var more, need [drawsN]float64
	for i := range drawsN {
		fuel := normalCDF((a.fuelKg - t.needKg[i]) / sdKg)
		warm := normalCDF(t.spareK[i] / edgeSDK)
		t.fuelOdds += fuel / drawsN
		t.warmOdds += warm / drawsN
		t.bothOdds += warm * fuel / drawsN // neither too cold nor empty
		cycleKg := t.nightKg[i] + t.dayKg[i]
		t.nights[i] = max(0, t.fuelKg[i]-t.beforeKg[i]+t.dayKg[i]) / cycleKg
		more[i] = max(0, t.fuelKg[i]-t.needKg[i]) / cycleKg
	}
	need = t.needKg
	t.needMidKg, t.moreNights = part(need[:], 0.5), part(more[:], 0.5)
}

// part is the value that odds of the draws do not exceed. It orders what it is given.
func part(of []float64, odds float64) float64 {
	slices.Sort(of)
	at := odds*float64(len(of)) - 0.5
	i := min(max(int(math.Floor(at)), 0), len(of)-1)
	j := min(i+1, len(of)-1)
	f := min(max(at-float64(i), 0), 1)
	return of[i] + f*(of[j]-of[i])
}

// over is the draws as a quantity: their median and 95 %.
func over(of []float64, q sensors.Quality, why string) estimate.Quantity {
	return estimate.Quantity{Value: part(of, 0.5), Low: part(of, 0.025), High: part(of, 0.975), Quality: q, Why: why}
}
