package estimate

import "math"

// How the temperature coefficient of the scale is learned. Those without a source are
// engineering judgement.
const (
	driftPointsN = 6 // of ten minutes, in a stretch that may teach
	driftMostS   = 24 * 3600.0
	driftLeastK  = 1.0 // of temperature beside the ramp, root of the sum of squares, or it teaches nothing
	// Neighbouring points err alike, by the scale's slow wander and by people, so that many
	// count as one: then the errors of stretches in simulated vans, stored and lived-in, are
	// what their residuals promise. The residual of a short stretch is small by chance: half a
	// gram is mixed in, as of so many points.
	driftAlike  = 12.0
	driftRestKg = 0.0005
	driftRestN  = 6.0
	// However much is learned, so much of the data sheet's limit stays: the lag is not known,
	// and the coefficient itself wanders (sensing.md 3.8, "known to 12 % good / 15 % cheap").
	driftFloor   = 0.15
	driftMost    = 2.0 // and one stretch tells at most so many times as much
	driftAlikeSD = 2.0 // two stretches that differ by more do not bear each other out
	driftForgetS = 30 * 86400.0
	sameCellFrac = 0.02   // of the slope: calibrated anew; another cell differs more
	airKgPerK    = 0.0001 // the cylinder in colder, denser air (sensing.md 3.5): weather, not the scale
)

// drift learns what a kelvin of the load cell does to the weight. It looks only at quiet
// stretches and takes any steady loss out of them, so that a leak cannot pass for cold. A
// loss that begins within a stretch bends it as cold does, and so does drying dew; therefore
// a stretch counts for no more than another one that agrees with it. A ramp of temperature
// teaches nothing, and neither do the short pauses of a heater.
type drift struct {
	memory driftState
	lastS  float64 // of the newest evidence in memory

	limitKgPerK   float64
	spell         int
	n             float64
	first, newest watchPoint
	sums          [4][4]float64 // of products of 1, days, kelvins and kilograms
}

// driftState is what the stretches have taught together, and the last one that no other has
// borne out yet: the weight of the evidence and that times the coefficient.
type driftState struct {
	InfoK2PerKg2 float64 `json:"info"`
	InfoKPerKg   float64 `json:"info_kg"`
	HeldK2PerKg2 float64 `json:"held"`
	HeldKPerKg   float64 `json:"held_kg"`
	CountsPerKg  float64 `json:"counts_per_kg"` // of the cell it was learned of
}

// point takes a quiet point of the weight watch. limitKgPerK is the data sheet's.
func (d *drift) point(p watchPoint, limitKgPerK float64) {
	if limitKgPerK <= 0 {
		return
	}
	if d.n > 0 && (p.Spell != d.spell || p.UpS-d.first.UpS >= driftMostS) {
		d.end()
	}
	if d.n == 0 {
		*d = drift{memory: d.memory, lastS: d.lastS, first: p, spell: p.Spell}
	}
	d.limitKgPerK, d.newest = limitKgPerK, p
	c := p.CellC - d.first.CellC
	x := [...]float64{1, (p.UpS - d.first.UpS) / driftMostS, c, p.Kg - d.first.Kg - airKgPerK*c}
	for i := range x {
		for j := range x {
			d.sums[i][j] += x[i] * x[j]
		}
	}
	d.n++
}

// doubt drops what has not been believed yet: what may be a loss teaches nothing of the
// scale, and it began before it was seen.
func (d *drift) doubt() {
	d.n = 0
	d.memory.HeldK2PerKg2, d.memory.HeldKPerKg = 0, 0
}

// end judges the stretch that has ended: least squares of the weight on temperature and
// time together. An answer that no such cell gives is of something else.
func (d *drift) end() {
	n := d.n
	d.n = 0
	if n < driftPointsN {
		return
	}
	s := &d.sums
	for p := range 2 { // level and slope are taken out of what is left
		if s[p][p] <= 0 {
			return
		}
		for i := p + 1; i < len(s); i++ {
			part := s[i][p] / s[p][p]
			for j := p + 1; j < len(s); j++ {
				s[i][j] -= part * s[p][j]
			}
		}
	}
	cc, ck, kk := s[2][2], s[2][3], s[3][3]
	if cc < driftLeastK*driftLeastK {
		return
	}
	rest := (max(kk-ck*ck/cc, 0) + driftRestN*driftRestKg*driftRestKg) / (n - 3 + driftRestN)
	kgPerK, most := ck/cc, driftMost/(driftFloor*d.limitKgPerK)
	info := min(cc/(driftAlike*rest), most*most)
	if math.Abs(kgPerK) <= d.limitKgPerK+driftAlikeSD/math.Sqrt(info) {
		d.believe(info, kgPerK)
	}
}

// believe takes one more stretch, as far as the one before bears it out.
func (d *drift) believe(info, kgPerK float64) {
	m := &d.memory
	held, heldKgPerK := m.HeldK2PerKg2, 0.0
	if held > 0 {
		heldKgPerK = m.HeldKPerKg / held
	}
	wander := driftFloor * d.limitKgPerK
	if held <= 0 || math.Abs(kgPerK-heldKgPerK) > driftAlikeSD*math.Sqrt(1/info+1/held+2*wander*wander) {
		m.HeldK2PerKg2, m.HeldKPerKg = info, info*kgPerK
		return
	}
	both := min(info, held)
	keep := math.Exp(-max(d.newest.UpS-d.lastS, 0) / driftForgetS)
	m.InfoK2PerKg2 = keep*m.InfoK2PerKg2 + 2*both
	m.InfoKPerKg = keep*m.InfoKPerKg + both*(kgPerK+heldKgPerK)
	if info > held {
		heldKgPerK = kgPerK
	}
	m.HeldK2PerKg2 = max(info, held) - both
	m.HeldKPerKg = m.HeldK2PerKg2 * heldKgPerK
	d.lastS = d.newest.UpS
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

// save is what has been learned of a cell.
func (d *drift) save(countsPerKg float64) driftState {
	s := d.memory
	s.CountsPerKg = countsPerKg
	return s
}

// restore takes what was learned of the same cell, saved at thenS on the clock of this
// boot. Evidence that no weighing can give is refused.
func (d *drift) restore(s driftState, thenS, countsPerKg float64) {
	if s.plausible() && math.Abs(s.CountsPerKg-countsPerKg) <= sameCellFrac*math.Abs(countsPerKg) {
		d.memory, d.lastS = s, thenS
	}
}

func (s driftState) plausible() bool {
	const most = 1e15 // K2/kg2
	return s.InfoK2PerKg2 >= 0 && s.InfoK2PerKg2 < most && math.Abs(s.InfoKPerKg) <= s.InfoK2PerKg2 &&
		s.HeldK2PerKg2 >= 0 && s.HeldK2PerKg2 < most && math.Abs(s.HeldKPerKg) <= s.HeldK2PerKg2
}
