package estimate

import (
	"fmt"
	"math"
	"slices"
)

// A hose that tears or a valve that is opened lets out gas faster than every appliance
// together could burn it. The bank of burn rates has no such hypothesis, and would take the
// fall for somebody leaning on the cradle; this watch sees nothing but such falls.
//
// Times and levels are engineering judgement, no source. People and wind move a weight in
// steps and back again: what falls along a straight line for minutes is neither.
const (
	gushBlocksN   = 18    // three minutes of blocks
	gushAgainN    = 6     // blocks in a row in which it must hold, a minute
	gushMargin    = 1.25  // of what all appliances burn at full
	gushLeastKgH  = 0.15  // over that, and what hands may burn unseen (estimation.md 2)
	gushRoughFrac = 0.08  // residual of the line over its fall: a step has 0.19
	gushFallKg    = 0.030 // over the three minutes
	gushGapS      = 30
)

// gush looks for a fall of the weight that no appliance explains. A restart begins it anew.
type gush struct {
	limitKgPerH float64
	blocks      [gushBlocksN]gushBlock // whole ones, oldest first
	n           int
	ticksKg     [16]float64 // of the block being made
	ticksN      int
	endS        float64 // of the block being made; 0 for none
	held        int     // blocks in a row in which it fell so
	before      gushBlock
	kgPerH      float64
}

// gushBlock is a level, and what the scale held for a load on it that is no fuel.
type gushBlock struct{ kg, offKg, offVar float64 }

func newGush(apps []Appliance) gush {
	sum := 0.0
	for _, a := range apps {
		sum += kgPerHFromKW(a.RatedKW)
	}
	return gush{limitKgPerH: gushMargin*sum + gushLeastKgH}
}

// forget ends what was seen: a drive, an empty cradle, a silent scale.
func (g *gush) forget() { g.n, g.ticksN, g.held, g.endS = 0, 0, 0, 0 }

// take folds in one weighing.
func (g *gush) take(upS, kg float64, w *weighing) {
	if g.endS == 0 || upS > g.endS+gushGapS {
		g.forget()
		g.endS = upS + blockS
	}
	if upS >= g.endS && g.ticksN > 0 {
		g.block(w)
		g.endS += blockS * (1 + math.Floor((upS-g.endS)/blockS))
	}
	if g.ticksN < len(g.ticksKg) {
		g.ticksKg[g.ticksN] = kg
		g.ticksN++
	}
}

// block ends a block: the median of its ticks, for a gust in it is no level.
func (g *gush) block(w *weighing) {
	ticks := g.ticksKg[:g.ticksN]
	slices.Sort(ticks)
	if g.n == gushBlocksN {
		copy(g.blocks[:], g.blocks[1:])
		g.n--
	}
	g.blocks[g.n] = gushBlock{ticks[len(ticks)/2], w.offKg, w.offVar}
	g.n, g.ticksN = g.n+1, 0
	fallKg, roughKg := g.line()
	kgPerH := fallKg / (gushBlocksN - 1) * 3600 / blockS
	if g.n < gushBlocksN || fallKg < gushFallKg || roughKg > gushRoughFrac*fallKg || kgPerH < g.limitKgPerH {
		g.held = 0
		return
	}
	if g.held == 0 {
		g.before = g.blocks[0]
	}
	g.held, g.kgPerH = min(g.held+1, gushAgainN), kgPerH
	if g.flows() { // what the scale took for a load that was taken off was fuel
		w.offKg, w.offVar = g.before.offKg, g.before.offVar
	}
}

// line is how far a straight line through the blocks falls, and the rms of what is off it.
func (g *gush) line() (fallKg, rmsKg float64) {
	x := g.blocks[:g.n]
	n := float64(len(x))
	mid, mean := (n-1)/2, 0.0
	for _, b := range x {
		mean += b.kg / n
	}
	var tt, tk, kk float64
	for i, b := range x {
		t := float64(i) - mid
		tt += t * t
		tk += t * (b.kg - mean)
		kk += (b.kg - mean) * (b.kg - mean)
	}
	if tt == 0 {
		return 0, 0
	}
	slope := tk / tt
	return -slope * (n - 1), math.Sqrt(max(0, kk-slope*tk) / n)
}

// flows reports whether gas flows out that nothing explains.
func (g *gush) flows() bool { return g.held >= gushAgainN }

// tell writes it into the estimates: what burns is then unknown.
func (g *gush) tell(out *Estimates) {
	if !g.flows() {
		return
	}
	why := fmt.Sprintf("weight falls by %.1f kg/h, faster than every appliance together could burn: a hose, a joint or a valve may be open", g.kgPerH)
	out.Watch.Suspected, out.Watch.Fast, out.Watch.Why = true, true, why
	out.BurnKgPerH, out.HeaterKgPerH, out.OtherKgPerH = Unknown(why), Unknown(why), Unknown(why)
	out.Shares = nil
}
