package estimate

import "math"

// Which appliances burn, from the burn alone. The chance that each is alight when one is
// switched is an engineering judgement; it only decides between rates that are alike.
const (
	heaterOften  = 0.5
	burnerOften  = 0.12
	boilerOften  = 0.12
	splitMostN   = 6    // appliances told apart; more would need a table for every set of them
	flatFrac     = 1e-3 // of belief in a rate no set of appliances explains
	leakFrac     = 0.02 // that something burns and no appliance does: a leak, or drift taken for one
	calledOdds   = 20   // heat demand input on: odds of the heater against its absence
	uncalledOdds = 0.02 // and off; not zero, the wire may be on the wrong contact
	surely       = 0.95
	learnSDFrac  = 0.03 // of the rate of such a burn, the scale apart
	learnLeast   = 0.01 // least sd of the learned rate, as a fraction
)

// splitter says which appliances make up a burn. A set of appliances has a range of
// burns; with what is believed of the burn that gives the belief in each set.
type splitter struct {
	apps   []Appliance
	rate   []float64 // of the bank
	part   [splitMostN]partRate
	sets   int
	likely [][]float64 // [set][rate], belief in the set given the rate, heat demand unknown
	belief []float64   // in each set, now
	heater int         // index of the heater, -1 without
	learn  learned
}

// partRate is the burn of one appliance when alight.
type partRate struct{ meanKgPerH, sdKgPerH, lowKgPerH, highKgPerH float64 }

// learned is the heater's real rate, as far as long burns have told it.
type learned struct {
	KgPerH float64 `json:"kg_per_h"`
	SDFrac float64 `json:"sd_frac"`
}

func newSplitter(apps []Appliance, rate []float64) *splitter {
	if len(apps) > splitMostN {
		apps = apps[:splitMostN]
	}
	s := &splitter{apps: apps, rate: rate, sets: 1 << len(apps), heater: -1}
	for i, a := range apps {
		if a.Kind == Heater && s.heater < 0 {
			s.heater = i
			s.learn = learned{kgPerHFromKW(a.RatedKW), plateSDFrac}
		}
	}
	s.likely = make([][]float64, s.sets)
	for k := range s.likely {
		s.likely[k] = make([]float64, len(rate))
	}
	s.belief = make([]float64, s.sets)
	s.belief[0] = 1
	s.tabulate()
	return s
}

// tabulate works out the belief in each set for each rate.
func (s *splitter) tabulate() {
	for i, a := range s.apps {
		full := kgPerHFromKW(a.RatedKW)
		p := partRate{full, plateSDFrac * full, 0.8 * full, 1.2 * full}
		switch {
		case i == s.heater:
			sd := s.learn.SDFrac * s.learn.KgPerH
			p = partRate{s.learn.KgPerH, sd, s.learn.KgPerH - 2*sd, s.learn.KgPerH + 2*sd}
		case a.Kind == Burner:
			low := kgPerHFromKW(a.MinKW)
			p = partRate{(low + full) / 2, max((full-low)/math.Sqrt(12), plateSDFrac*full), 0.9 * low, 1.1 * full}
		}
		s.part[i] = p
	}
	for j, r := range s.rate {
		sum := 0.0
		for k := range s.likely {
			s.likely[k][j] = s.prior(k) * s.density(k, r)
			sum += s.likely[k][j]
		}
		for k := range s.likely {
			s.likely[k][j] /= sum
		}
	}
}

// often is how much of the time an appliance burns, before anything is known.
func often(kind ApplianceKind) float64 {
	switch kind {
	case Heater:
		return heaterOften
	case WaterHeater:
		return boilerOften
	}
	return burnerOften
}

// prior is the belief in a set before the burn is known.
func (s *splitter) prior(set int) float64 {
	p := 1.0
	for i, a := range s.apps {
		often := often(a.Kind)
		if set&(1<<i) == 0 {
			often = 1 - often
		}
		p *= often
	}
	return p
}

// density is how well a set explains a burn of r. Half a step of the bank blurs it: what
// lies between two hypotheses cannot be told.
func (s *splitter) density(set int, r float64) float64 {
	step := s.rate[1] - s.rate[0]
	mean, v, n, last := 0.0, step*step/3, 0, 0
	for i := range s.apps {
		if set&(1<<i) != 0 {
			mean += s.part[i].meanKgPerH
			v += s.part[i].sdKgPerH * s.part[i].sdKgPerH
			n, last = n+1, i
		}
	}
	if n == 0 {
		if r < step/2 {
			return 1 / step
		}
		return leakFrac / s.rate[len(s.rate)-1]
	}
	if n == 1 && s.apps[last].Kind == Burner { // as likely low as high
		p := s.part[last]
		sd := step / math.Sqrt(3)
		in := normalCDF((r-p.lowKgPerH)/sd) - normalCDF((r-p.highKgPerH)/sd)
		return in/(p.highKgPerH-p.lowKgPerH) + flatFrac
	}
	d := r - mean
	return math.Exp(-0.5*d*d/v)/math.Sqrt(2*math.Pi*v) + flatFrac
}

// step works out the belief in each set from that in each rate, the heat demand, and the odds of
// the heater by all else.
func (s *splitter) step(weight []float64, call Tristate, odds float64) {
	switch call {
	case Yes:
		odds *= calledOdds
	case No:
		odds *= uncalledOdds
	}
	sum := 0.0
	for k, likely := range s.likely {
		p := 0.0
		for j, w := range weight {
			p += w * likely[j]
		}
		if s.heater >= 0 && k&(1<<s.heater) != 0 {
			p *= odds
		}
		s.belief[k] = p
		sum += p
	}
	for k := range s.belief {
		s.belief[k] /= sum
	}
}

// alight is the belief that appliance i burns.
func (s *splitter) alight(i int) float64 {
	p := 0.0
	for k, b := range s.belief {
		if k&(1<<i) != 0 {
			p += b
		}
	}
	return p
}

// anyOf is the belief that at least one of the appliances burns.
func (s *splitter) anyOf(members []int) float64 {
	mask := 0
	for _, i := range members {
		mask |= 1 << i
	}
	p := 0.0
	for k, b := range s.belief {
		if k&mask != 0 {
			p += b
		}
	}
	return p
}

// likeliest is the set believed most, and how much.
func (s *splitter) likeliest() (set int, belief float64) {
	for k, b := range s.belief {
		if b > belief {
			set, belief = k, b
		}
	}
	return set, belief
}

// shares splits a burn among the likeliest set, in proportion of what each can take.
func (s *splitter) shares(burnKgPerH float64, out []Share) []Share {
	set, belief := s.likeliest()
	mean, v := 0.0, 0.0
	for i := range s.apps {
		if set&(1<<i) != 0 {
			mean += s.part[i].meanKgPerH
			v += s.part[i].sdKgPerH * s.part[i].sdKgPerH
		}
	}
	out = out[:0]
	for i, a := range s.apps {
		sh := Share{Name: a.Name, Sure: belief > surely}
		if set&(1<<i) != 0 && v > 0 {
			p := s.part[i]
			sh.KgPerH = max(0, p.meanKgPerH+(burnKgPerH-mean)*p.sdKgPerH*p.sdKgPerH/v)
		}
		out = append(out, sh)
	}
	fitShares(out, burnKgPerH)
	return out
}

// fitShares makes the shares add up to the burn.
func fitShares(sh []Share, burnKgPerH float64) {
	sum := 0.0
	for _, x := range sh {
		sum += x.KgPerH
	}
	if sum <= 0 {
		return
	}
	for i := range sh {
		sh[i].KgPerH *= burnKgPerH / sum
	}
}

// like reports whether a rate, off by sdFrac, may be the heater's.
func (s *splitter) like(kgPerH, sdFrac float64) bool {
	l := &s.learn
	return s.heater >= 0 && math.Abs(kgPerH-l.KgPerH) <= 2.5*math.Hypot(l.SDFrac, sdFrac)*l.KgPerH
}

// teach takes the mean rate of a long burn that was the heater's alone, off by sdFrac. Its weight
// is that of a scalar Kalman filter whose state does not move.
func (s *splitter) teach(kgPerH, sdFrac float64) {
	l := &s.learn
	v, r := l.SDFrac*l.SDFrac, sdFrac*sdFrac
	l.KgPerH += v / (v + r) * (kgPerH - l.KgPerH)
	l.SDFrac = max(learnLeast, math.Sqrt(v*r/(v+r)))
	s.tabulate()
}

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
