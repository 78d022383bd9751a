package estimate

import "math"

// How the temperature coefficient of the scale is learned. Times by estimation.md 2, the
// rest engineering judgement.
const (
	driftPointsN = 6 // of ten minutes, in a stretch that may teach
	driftMostS   = 24 * 3600.0
	driftLeastK  = 1.0    // of temperature beside the ramp, root of the sum of squares, or it teaches nothing
	driftAlike   = 6.0    // neighbouring points err alike: so many count as one
	driftLeastKg = 0.0002 // residual of a point that cannot be better known
	driftFloor   = 0.15   // of the data sheet's limit: the coefficient itself wanders
	driftForgetS = 30 * 86400.0
)

// drift learns what a kelvin of the load cell does to the weight. It looks only at quiet
// stretches, takes out any steady loss in them, so that a leak cannot pass for cold, and
// speaks only of stretches that have ended. A ramp of temperature teaches nothing.
type drift struct {
	memory driftState

	spell                  int
	n                      float64
	first                  watchPoint
	lastS                  float64
	t, c, k                float64 // sums of hours, kelvins and kilograms since the first point
	tt, tc, tk, cc, ck, kk float64
}

// driftState is what all stretches together have taught: the weight of their evidence and
// that times the coefficient.
type driftState struct {
	InfoK2PerKg2 float64 `json:"info"`
	InfoKPerKg   float64 `json:"info_kg"`
	AtS          float64 `json:"-"`
}

// point takes a quiet point of the weight watch.
func (d *drift) point(p watchPoint) {
	if d.n > 0 && (p.Spell != d.spell || p.UpS-d.first.UpS >= driftMostS) {
		d.end()
	}
	if d.n == 0 {
		d.first, d.spell = p, p.Spell
		d.t, d.c, d.k, d.tt, d.tc, d.tk, d.cc, d.ck, d.kk = 0, 0, 0, 0, 0, 0, 0, 0, 0
	}
	t, c, k := (p.UpS-d.first.UpS)/3600, p.CellC-d.first.CellC, p.Kg-d.first.Kg
	d.n++
	d.lastS = p.UpS
	d.t, d.c, d.k = d.t+t, d.c+c, d.k+k
	d.tt, d.tc, d.tk = d.tt+t*t, d.tc+t*c, d.tk+t*k
	d.cc, d.ck, d.kk = d.cc+c*c, d.ck+c*k, d.kk+k*k
}

// end folds in the stretch that has ended: least squares of the weight on temperature and
// time together.
func (d *drift) end() {
	n := d.n
	d.n = 0
	if n < driftPointsN {
		return
	}
	tt, tc, tk := d.tt-d.t*d.t/n, d.tc-d.t*d.c/n, d.tk-d.t*d.k/n
	cc, ck, kk := d.cc-d.c*d.c/n, d.ck-d.c*d.k/n, d.kk-d.k*d.k/n
	if tt <= 0 {
		return
	}
	cc, ck, kk = cc-tc*tc/tt, ck-tc*tk/tt, kk-tk*tk/tt
	if cc < driftLeastK*driftLeastK {
		return
	}
	rest := max((kk-ck*ck/cc)/(n-3), driftLeastKg*driftLeastKg)
	info := cc / (driftAlike * rest)
	keep := math.Exp(-(d.lastS - d.memory.AtS) / driftForgetS)
	d.memory.InfoK2PerKg2 = keep*d.memory.InfoK2PerKg2 + info
	d.memory.InfoKPerKg = keep*d.memory.InfoKPerKg + info*ck/cc
	d.memory.AtS = d.lastS
}

// kgPerK is the coefficient and its standard deviation, within the data sheet's limit.
func (d *drift) kgPerK(limitKgPerK float64) (kgPerK, sdKgPerK float64) {
	if limitKgPerK <= 0 {
		return 0, 0
	}
	prior := 3 / (limitKgPerK * limitKgPerK) // even within the limit
	info := prior + d.memory.InfoK2PerKg2
	kgPerK = min(max(d.memory.InfoKPerKg/info, -limitKgPerK), limitKgPerK)
	return kgPerK, math.Hypot(1/math.Sqrt(info), driftFloor*limitKgPerK*d.memory.InfoK2PerKg2/info)
}

// plausible refuses evidence no weighing can give.
func (s driftState) plausible() bool {
	return s.InfoK2PerKg2 >= 0 && s.InfoK2PerKg2 < 1e12 && math.Abs(s.InfoKPerKg) <= s.InfoK2PerKg2
}
