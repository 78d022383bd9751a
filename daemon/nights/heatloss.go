package nights

import (
	"fmt"
	"math"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/sensors"
)

// HeatLoss is what a degree of cold costs this van, as fuel. In the mean over a night
//
//	fuel heat = FuelWPerK x (cabin - outside) - GainsW
//
// with the fuel heat on the net heating value of propane (butane has 1.3 to 1.7 % less).
// Both are what the heater burns: its losses are in them. They say nothing of the van's
// envelope unless the heater's efficiency is given, see [HeatLoss.EnvelopeWPerK].
//
// Until the nights allow a claim the values are those of a typical van, of Suspect quality,
// and Why says what is missing. Then they are fitted: see fitHeat for how, and for what the
// intervals mean. The zero HeatLoss says nothing; a [Ledger] always has one that does.
type HeatLoss struct {
	FuelWPerK estimate.Quantity // net fuel heat for each kelvin of cabin above outside
	GainsW    estimate.Quantity // net fuel heat that people, cooking and lamps spare; a bias between the thermometers is in it and may turn it negative
	BalanceC  estimate.Quantity // outside temperature at which the heater rests, the cabin being as usual
	CabinC    float64           // mean cabin temperature of the nights: the usual
	NightsN   int               // nights the fit looks back on
	LastDate  string            // of the newest of them, 2006-01-02; "" if there is none
	Learned   bool              // fitted to this van's nights, not typical

	cabinSDK float64 // how far the cabin's mean differs from night to night
	beliefs  []belief
}

const (
	// The line is only one while the heater holds the cabin: nearer to the balance point it
	// rests for part of the night. Twice the 4 K that gains of 160 W make at 35 W/K.
	leastLiftK      = 8.0
	leastHeaterH    = 0.5 // with less the night was not heated, whatever the reason
	leastHeatH      = 6.0 // watched, of a night
	mostHeatGapFrac = 0.1 // of the window; the heater may run in the part that was not watched

	keepHeat     = 60  // nights a fit looks back on; by then forgetting has them at 5 %
	forgetNights = 20. // estimation.md 2, in nights that were heated: a summer forgets nothing

	// What a claim needs: as many nights as can outvote one with the door open, and enough
	// of them far enough apart that the slope is theirs and not the prior's. At 9.4 % a night,
	// 20 K inside above outside and 5 K of them by gains, a root of summed squares of 5 K
	// (7 nights 2 K apart, 20 nights 1.1 K) leaves a slope with 28 % of standard deviation. Nights nearer than 1 K are
	// told apart by the thermometers' errors.
	claimNights  = 7
	claimSpreadK = 1.0
	claimSumK    = 5.0
)

// heatNight is one night as the fit sees it. Exported for the checkpoint only.
type heatNight struct {
	Date   string  `json:"date"`
	LiftK  float64 `json:"lift_k"`  // mean of cabin above outside
	FuelW  float64 `json:"fuel_w"`  // mean fuel heat of the heater, net
	WeighW float64 `json:"weigh_w"` // one standard deviation of that by weighing alone
	CabinC float64 `json:"cabin_c"` // mean
}

// heatSaved is what the heat loss remembers over a restart: at most keepHeat nights, about
// 80 bytes each. The fit is made anew from them, so that no error adds up in it and a night
// that later nights disown loses its vote.
type heatSaved struct {
	Nights  []heatNight `json:"nights"` // oldest first
	Learned bool        `json:"learned,omitempty"`
}

// heatOf reads a row of the ledger; false if the row is no evidence of the heat loss: not
// heated, not cold, driven, dated by a clock nobody vouched for, or hardly watched.
func heatOf(n Night) (heatNight, bool) {
	if n.HeaterKg == nil || n.HeaterH == nil || n.BurnedKg == nil || n.BurnedLowKg == nil || n.CabinMeanC == nil || n.OutsideMeanC == nil {
		return heatNight{}, false
	}
	x := heatNight{Date: n.Date, LiftK: round(*n.CabinMeanC-*n.OutsideMeanC, 2), CabinC: *n.CabinMeanC}
	switch {
	case n.Moved, n.ClockUntrusted:
		return heatNight{}, false
	case n.WatchedH < leastHeatH, n.GapH > mostHeatGapFrac*(n.GapH+n.WatchedH):
		return heatNight{}, false
	case *n.HeaterH < leastHeaterH, x.LiftK < leastLiftK:
		return heatNight{}, false
	}
	// The ledger's interval also leaves room for what burned in a gap; that part of the
	// night is not judged here, so the lower side is the error of the weighing.
	weighKg := (*n.BurnedKg - *n.BurnedLowKg) / 1.96
	if n.HeaterLowKg != nil && n.HeaterHighKg != nil { // whose flame it was
		weighKg = math.Hypot(weighKg, (*n.HeaterHighKg-*n.HeaterLowKg)/2/1.96)
	}
	x.FuelW, x.WeighW = round(fuelW(*n.HeaterKg/n.WatchedH), 1), round(fuelW(weighKg/n.WatchedH), 1)
	return x, x.plausible()
}

// TellsHeatLoss reports whether the row is evidence of the heat loss: of a night that was cold,
// heated, watched, dated and spent in one place.
func (n Night) TellsHeatLoss() bool {
	_, ok := heatOf(n)
	return ok
}

// fuelW is the heat of a burn on the net heating value.
func fuelW(kgPerH float64) float64 { return kgPerH * netMJPerKg() / 3600 * 1e6 }

func netMJPerKg() float64 {
	mJ, _ := lpg.Pure(lpg.Propane).HeatingMJPerKg(lpg.Net) // propane has one
	return mJ
}

// plausible refuses what no night in a van can be; all of it is false for NaN.
func (x heatNight) plausible() bool {
	return len(x.Date) <= len("2006-01-02") && x.LiftK >= leastLiftK && x.LiftK <= 100 && x.FuelW >= 0 && x.FuelW <= 50_000 &&
		x.WeighW >= 0 && x.WeighW <= 50_000 && x.CabinC >= -40 && x.CabinC <= 60
}

func (s *heatSaved) plausible() bool {
	if s == nil || len(s.Nights) > keepHeat {
		return false
	}
	for _, x := range s.Nights {
		if !x.plausible() {
			return false
		}
	}
	return true
}

// heatBook is the nights that are evidence, and what they say.
type heatBook struct {
	nights  []heatNight // oldest first, at most keepHeat; never changed in place
	learned bool
	said    *HeatLoss // nil when a night has come since
}

// add takes a row that has just ended. A row of the same date is the same night computed
// again and takes its place.
func (b *heatBook) add(n Night) {
	x, ok := heatOf(n)
	if !ok {
		return
	}
	kept := b.nights
	if len(kept) > 0 && kept[len(kept)-1].Date == x.Date {
		kept = kept[:len(kept)-1]
	}
	kept = append(append([]heatNight(nil), kept...), x)
	b.nights = kept[max(0, len(kept)-keepHeat):]
	b.learned = b.learned || claimMissing(b.nights) == ""
	b.said = nil
}

func (b *heatBook) save() *heatSaved {
	if len(b.nights) == 0 {
		return nil
	}
	return &heatSaved{Nights: b.nights, Learned: b.learned}
}

// restoreHeat continues a saved book. One that makes no sense, or that an older program did
// not write, is made again from the rows of the ledger.
func restoreHeat(s *heatSaved, rows []Night) heatBook {
	var b heatBook
	if s.plausible() {
		b.nights, b.learned = s.Nights, s.Learned && len(s.Nights) >= claimNights
		return b
	}
	for _, n := range rows {
		b.add(n)
	}
	return b
}

// heatLoss is what the nights say by now; it is computed when a night has come.
func (b *heatBook) heatLoss() HeatLoss {
	if b.said == nil {
		h := sayHeat(b.nights, b.learned)
		b.said = &h
	}
	return *b.said
}

// HeatLoss is the van's heat loss as the nights so far tell it. It must not be changed.
func (l *Ledger) HeatLoss() HeatLoss { return l.heat.heatLoss() }

// at dates the quantities: like a forecast, they are said anew each time.
func (h HeatLoss) at(up time.Duration) HeatLoss {
	h.FuelWPerK.At, h.GainsW.At, h.BalanceC.At = up, up, up
	return h
}

// sayHeat puts a fit, or what is typical, into quantities.
func sayHeat(nights []heatNight, learned bool) HeatLoss {
	h := HeatLoss{NightsN: len(nights), Learned: learned, CabinC: typicalCabinC, cabinSDK: typicalCabinSDK}
	if n := len(nights); n > 0 {
		h.LastDate = nights[n-1].Date
	}
	q, why := sensors.Good, ""
	if learned {
		h.beliefs = fitHeat(nights)
		h.CabinC, h.cabinSDK = spread(nights, func(x heatNight) float64 { return x.CabinC })
	} else {
		h.beliefs = fitHeat(nil)
		q, why = sensors.Suspect, "typical of a camper van, not learned from this one: "+claimMissing(nights)
	}
	say := func(of func(belief) float64) estimate.Quantity {
		return estimate.Quantity{Value: quantile(h.beliefs, of, 0.5), Low: quantile(h.beliefs, of, 0.025),
			High: quantile(h.beliefs, of, 0.975), Quality: q, Why: why}
	}
	h.FuelWPerK = say(func(b belief) float64 { return b.wPerK })
	h.GainsW = say(func(b belief) float64 { return b.gainsW })
	h.BalanceC = say(func(b belief) float64 { return h.CabinC - b.gainsW/b.wPerK })
	return h
}

// claimMissing says what the nights lack for a claim about this van; "" if nothing.
func claimMissing(nights []heatNight) string {
	if n := len(nights); n < claimNights {
		return fmt.Sprintf("%d of %d cold, heated, watched nights", n, claimNights)
	}
	_, sd := spread(nights, func(x heatNight) float64 { return x.LiftK })
	counted := 0.0
	for i := range nights {
		counted += remembered(nights, i)
	}
	if sd < claimSpreadK || sd*math.Sqrt(counted) < claimSumK {
		return fmt.Sprintf("%d nights, too much alike (%.1f K apart); more of them or a colder one will tell", len(nights), sd)
	}
	return ""
}

// spread is mean and standard deviation with the weights of forgetting.
func spread(nights []heatNight, of func(heatNight) float64) (mean, sd float64) {
	var w, s float64
	for i, x := range nights {
		w += remembered(nights, i)
		s += remembered(nights, i) * of(x)
	}
	mean = s / w
	var sq float64
	for i, x := range nights {
		sq += remembered(nights, i) * (of(x) - mean) * (of(x) - mean)
	}
	return mean, math.Sqrt(sq / w)
}

// remembered is the weight that forgetting leaves to night i.
func remembered(nights []heatNight, i int) float64 {
	return math.Exp(-float64(len(nights)-1-i) / forgetNights)
}

// NightKg is what the heater will burn in a night of nightH hours, kg, at a mean outside
// temperature known to outsideSDK kelvins (one standard deviation; 0 for a night whose
// temperature is given) and the cabin as usual. The interval holds 19 nights in 20, evenings
// with the door open among them; it does not know of the heater's full input, which ends the
// line on the coldest nights. Unknown for a night of no length, an impossible temperature, or
// a zero HeatLoss.
func (h HeatLoss) NightKg(outsideC, outsideSDK, nightH float64) estimate.Quantity {
	if len(h.beliefs) == 0 || !(nightH > 0 && nightH <= 48) || !(outsideC >= -90 && outsideC <= 60) || !(outsideSDK >= 0 && outsideSDK <= 60) {
		return estimate.Unknown("no such night")
	}
	p := nightAhead{h.beliefs, h.CabinC - outsideC, math.Hypot(outsideSDK, h.cabinSDK)}
	kg := func(odds float64) float64 { return p.fuelW(odds) / fuelW(1) * nightH }
	return estimate.Quantity{Value: kg(0.5), Low: kg(0.025), High: kg(0.975),
		Quality: h.FuelWPerK.Quality, Why: h.FuelWPerK.Why, At: h.FuelWPerK.At}
}

// EnvelopeWPerK is the heat loss of the van itself, the UA of the trade, W/K: the fuel's heat
// times the heater's efficiency, which only its maker or a flue test can say. Unknown
// unless the efficiency is above 0 and at most 1 (on the net basis up to 1.1: a condensing
// heater) and the basis is one.
func (h HeatLoss) EnvelopeWPerK(efficiencyFrac float64, basis lpg.Basis) estimate.Quantity {
	net, ok := netEfficiency(efficiencyFrac, basis)
	if !ok || len(h.beliefs) == 0 {
		return estimate.Unknown("no efficiency of the heater, with its basis, is given")
	}
	q := h.FuelWPerK
	q.Value, q.Low, q.High = q.Value*net, q.Low*net, q.High*net
	return q
}

// netEfficiency is an efficiency on the net heating value.
func netEfficiency(frac float64, basis lpg.Basis) (float64, bool) {
	mJ, ok := lpg.Pure(lpg.Propane).HeatingMJPerKg(basis)
	net := frac * mJ / netMJPerKg()
	return net, ok && frac > 0 && (frac <= 1 || basis == lpg.Net) && net <= 1.1
}

// FuelLine is the line that an envelope of uaWPerK with heat gains of gainsW makes of a
// heater's fuel: both divided by the efficiency, on the net heating value. The balance
// point, cabin - gains/UA, is the same for both (physics.md 8). False for a loss or an
// efficiency that is none.
func FuelLine(uaWPerK, gainsW, efficiencyFrac float64, basis lpg.Basis) (fuelWPerK, fuelGainsW float64, ok bool) {
	net, ok := netEfficiency(efficiencyFrac, basis)
	if !ok || !(uaWPerK > 0) {
		return 0, 0, false
	}
	return uaWPerK / net, gainsW / net, true
}
