package nights

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// What one draw of a night is made of: each a number of deviations, or an odds.
const (
	ofLow = iota
	ofBelief
	ofNight
	ofCabin
	ofOther
	ofDay
	ofFuel
	ofFilm
	ofLiquid
	ofGrade
	ofBlend
	ofLocker
	dimsN
)

// draws are the nights that are tried, the same ones in every forecast, so that a verdict
// moves with what is known and never by itself. In each dimension every 64th of the odds
// is met once (a Latin square); the seed chooses what meets what.
type draws [drawsN][dimsN]float64

func newDraws(seed uint64) *draws {
	r := rand.New(rand.NewPCG(seed, 0x66726f73746c696e))
	d := new(draws)
	for k := range dimsN {
		for i, at := range r.Perm(drawsN) {
			odds := (float64(at) + 0.5) / drawsN
			switch k {
			case ofBelief:
				d[i][k] = odds
			case ofNight:
				d[i][k] = studentQuantile(odds)
			default:
				d[i][k] = math.Sqrt2 * math.Erfinv(2*odds-1)
			}
		}
	}
	return d
}

// studentQuantile inverts studentCDF.
func studentQuantile(odds float64) float64 {
	low, high := -50.0, 50.0
	for range 60 {
		if mid := (low + high) / 2; studentCDF(mid) < odds {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// heatKey tells whether the nights of the heat loss are still those of the last forecast.
type heatKey struct {
	n    int
	last heatNight
}

// believe gives each draw a van, of those that the cold nights so far may have been lived in.
// Fewer nights than a claim of the heat loss needs still tell what a night like them costs.
func (l *Ledger) believe() {
	b := &l.book
	nights := l.heat.nights
	key := heatKey{n: len(nights)}
	if key.n > 0 {
		key.last = nights[key.n-1]
	}
	if b.byKnown && b.byHeat == key {
		return
	}
	b.byHeat, b.byKnown, b.wattsPerKgPerH = key, true, fuelW(1)
	b.cabinC, b.cabinSDK = typicalCabinC, typicalCabinSDK
	if key.n < lineNights {
		b.byHeat.n, nights = key.n, nil
	} else {
		b.cabinC, b.cabinSDK = spread(nights, func(x heatNight) float64 { return x.CabinC })
		b.cabinSDK = math.Hypot(b.cabinSDK, typicalCabinSDK/math.Sqrt(float64(key.n)))
	}
	all := fitHeat(nights)
	const liftK = 20.0 // by what they burn on an ordinary cold night
	slices.SortStableFunc(all, func(x, y belief) int {
		return cmp.Compare(x.wPerK*liftK-x.gainsW, y.wPerK*liftK-y.gainsW)
	})
	var inOrder [drawsN]belief
	k, below := 0, 0.0
	for i := range drawsN {
		odds := (float64(i) + 0.5) / drawsN
		for k < len(all)-1 && below+all[k].likelyFrac < odds {
			below += all[k].likelyFrac
			k++
		}
		inOrder[i] = all[k]
	}
	for i := range drawsN {
		b.beliefs[i] = inOrder[min(int(b.draws[i][ofBelief]*drawsN), drawsN-1)]
	}
}

// want is what one draw's van burns.
type want struct {
	line, atLeast   bool // by the line; by the rows, and the line where that is more
	b               belief
	cabinC, lowErrK float64
	nightT          float64 // how far this night lies off its line
	mostKgPerH      float64 // 0: no limit
	nightKgPerH     float64 // without a line
	otherKg         float64 // of a night
	dayKgPerH       float64
	dayByLine       bool // nobody has seen a day yet
	wattsPerKgPerH  float64
}

func (l *Ledger) want(a *asked, i int) want {
	b := &l.book
	z := &b.draws[i]
	w := want{line: b.tried.line, b: b.beliefs[i], cabinC: b.cabinC + b.cabinSDK*z[ofCabin], lowErrK: a.lowSDK * z[ofLow],
		nightT: z[ofNight], mostKgPerH: l.p.HeaterKgPerH, wattsPerKgPerH: b.wattsPerKgPerH}
	if a.u.nights < leastNights {
		w.otherKg, w.dayByLine = max(0, typicalOtherKg+typicalOtherSDKg*z[ofOther]), true
		return w
	}
	w.dayKgPerH = a.u.dayKg / max(1, 24-a.hours.night) * max(0, 1+habitSpreadFrac*z[ofDay])
	w.otherKg = max(0, a.u.otherKg+a.u.otherSDKg*z[ofOther])
	// Nights that were not heated say nothing of a cold one, and nor do they of the van: then it is
	// a typical one.
	w.atLeast = !w.line && a.said && l.p.HeaterKgPerH > 0 && (!a.u.hasCold || a.lowC < a.u.coldestC)
	w.nightKgPerH = max(a.u.kg+a.u.sdKg*z[ofOther], 0.2*a.u.kg) / max(a.hours.night, 1)
	return w
}

// outsideC is the air outside in a moment of this draw.
func (w *want) outsideC(m *moment) float64 { return m.outsideC + m.lowShare*w.lowErrK }

// at is what burns in a moment: the heater by night, all else by night, and the day's, kg/h.
func (w *want) at(m *moment) (heat, other, day float64) {
	heated := m.nightFrac
	if w.dayByLine {
		heated += firstDayFrac * (1 - m.nightFrac)
	} else {
		day = w.dayKgPerH * (1 - m.nightFrac)
	}
	if (w.line || w.atLeast) && heated > 0 {
		mean, scale2 := night(w.b.wPerK, w.b.gainsW, w.b.spreadFrac, w.cabinC-w.outsideC(m))
		// However mild a night was against its line, colder never costs less.
		off := max(w.nightT*math.Sqrt(scale2), -0.9*mean)
		heat = (mean + off) / w.wattsPerKgPerH
		if w.mostKgPerH > 0 {
			heat = min(heat, w.mostKgPerH)
		}
		heat *= heated
	}
	other = w.otherKg * m.otherFrac / m.forH
	if rows := w.nightKgPerH * m.nightFrac; !w.line && rows > heat+other {
		return 0, rows, day
	}
	return heat, other, day
}
