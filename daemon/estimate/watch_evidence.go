package estimate

import "math"

// A loss is told from none by holding two answers against each other that differ in nothing
// else: no loss, and a loss of any rate up to lossMostKgPerH. Both have the same belief about
// the scale's temperature coefficient, learned or by its data sheet (estimation.md 2).
const (
	lossMostKgPerH = 0.150 // more is no slow loss
	evidenceLn     = 10.0  // log of the ratio that counts: one false call a month at most (estimation.md 2)
	power95        = 1.645 // standard deviations above a limit, that 19 losses in 20 are seen
	bentK          = 0.5   // rms of a temperature beside its ramp; a lag that is off by 20 min makes 0.3 K of 1 K/h
	openLn         = 3.0   // from which on the question is open: twenty to one
	dayH           = 24.0  // a whole day is orthogonal to a slope, whatever the coefficient
)

// moments are sums over quiet points, within each stretch about its own mean: hours t,
// kilograms k, kelvins c.
type moments struct {
	tt, tk, tc, kk, kc, cc float64
	free                   int
}

// evidence is what the points say of a loss once the coefficient has had its say.
type evidence struct {
	lossKgPerH, sdKgPerH float64
	ln                   float64 // of the ratio of the two answers
	ramp                 bool    // the temperature went along with time: a loss looks like cold
}

// weigh fits loss and coefficient together. Neighbouring points err alike (driftAlike).
func (m *moments) weigh(kgPerK, sdKgPerK float64) (e evidence, ok bool) {
	if m.tt <= 0 || m.free < 4 || sdKgPerK <= 0 {
		return evidence{}, false
	}
	kgPerK += airKgPerK
	var b, c, noise2 float64
	rest := driftRestKg * driftRestKg
	for range 3 { // the prior's weight hangs on the noise, and the noise on the fit
		noise2 = driftAlike * rest
		det := m.tt*(m.cc+noise2/(sdKgPerK*sdKgPerK)) - m.tc*m.tc
		pull := m.kc + noise2/(sdKgPerK*sdKgPerK)*kgPerK
		b = (m.tk*(m.cc+noise2/(sdKgPerK*sdKgPerK)) - m.tc*pull) / det
		c = (m.tt*pull - m.tc*m.tk) / det
		off := m.kk - 2*b*m.tk - 2*c*m.kc + b*b*m.tt + 2*b*c*m.tc + c*c*m.cc
		rest = (max(off, 0) + driftRestN*driftRestKg*driftRestKg) / (float64(m.free-2) + driftRestN)
		e.sdKgPerH = math.Sqrt(noise2 * (m.cc + noise2/(sdKgPerK*sdKgPerK)) / det)
	}
	e.lossKgPerH = -b
	z := e.lossKgPerH / e.sdKgPerH
	e.ln = math.Log(math.Sqrt(2*math.Pi)*e.sdKgPerH/lossMostKgPerH) + math.Log(math.Max(0.5*math.Erfc(-z/math.Sqrt2), tiny))
	if z > 0 {
		e.ln += z * z / 2
	} else { // the loss would have to be a gain
		e.ln = math.Min(e.ln, 0)
	}
	e.ramp = m.cc-m.tc*m.tc/m.tt < bentK*bentK*float64(m.free)
	return e, true
}

// smallestKgPerH is the loss that is seen 19 times in 20: its evidence then does, and it
// stands above the practical floor.
func (e evidence) smallestKgPerH(floorKgPerH float64) float64 {
	z := math.Sqrt(2 * max(evidenceLn+math.Log(lossMostKgPerH/(math.Sqrt(2*math.Pi)*e.sdKgPerH)), 1))
	return max(floorKgPerH, z*e.sdKgPerH) + power95*e.sdKgPerH
}

// counts reports whether the evidence may be asked at all over so many hours.
func (e evidence) counts(hours float64) bool { return hours >= dayH || !e.ramp }
