package estimate

import (
	"fmt"
	"math"

	"frostline/sensors"
)

// The weight watch. Times and levels without a source are engineering judgement.
const (
	creepBlankS   = 6 * 3600 // after a load step or a drive: creep looks like a leak (sensing.md 3.4)
	pointS        = 600
	pointsMostN   = 144 // a day
	pointBlocksN  = 30  // of the 60 that a point may hold
	calmAfterS    = 120
	busyBlocksN   = 6       // a flicker of the estimate is shorter, no appliance is
	quietBelow    = 0.8     // of the least appliance: less than this is no appliance
	quietFrac     = 2.0 / 3 // of a window that must be quiet
	slopeSDs      = 3.3     // as in sensing.md 3.8
	outflowS      = 6000
	notCalledS    = 3000 // of flow at the heater's rate, when no heat is called for and no burner has it
	coolingFlowS  = 3600 // of flow at the heater's rate, while the cabin cools by
	unheatedK     = 4.0  // so much: with the heater on no van does
	chokedMost    = 1.25 // of the heater's rate: more flow than that no choked heater explains
	smeltMemoryS  = 600  // gas at the floor counts so long
	smeltS        = 600  // of flow that nothing explains, with gas at the floor
	outflowBelief = 0.3  // that nothing burns: less counts as outflow
	outflowKgPerH = 0.02 // creep and cooling look like less
	pauseBlocksN  = 3
	hidesFlameKg  = 0.001 // block noise in which a heater's five minutes can pass unseen
	gustyBlocksN  = 30
	pointDoubt    = 0.15 // mean belief in an appliance, over a point that is called quiet
	heaterBand    = 0.25
	handSmallKgH  = 0.030 // least appliance when none is configured
)

// watchWindow is a length of time over which a loss is fitted, and the smallest loss
// that can be told from weather and people in it: the practical floors of estimation.md 1
// and sensing.md 3.8, for a good cell (0.42 g/K) and a cheap one (2.5 g/K). Unasked the
// watch wants so many times the smallest visible loss before it speaks, 0 for never.
var watchWindows = [...]struct{ h, goodGPerH, cheapGPerH, unasked float64 }{
	{1, 5, 14, 0}, // too short to speak up unasked
	{4, 4, 12, 2.5},
	{12, 3, 10, 2},
	{24, 2, 4, 1.25},
}

const notTightness = "this cannot replace a tightness test"

// weightWatch looks for a slow loss of weight while no appliance burns.
type weightWatch struct {
	asked  bool
	ring   [pointsMostN]watchPoint
	head   int
	n      int
	spell  int // one for each stretch without a burn, a drive or a load
	blankS float64
	calmS  float64
	busy   int // blocks in a row in which an appliance burns
	gusty  int // and in which a flame could hide

	kgSum, sSum, cSum, doubt float64 // of the point being made
	blocks                   int
	startS                   float64
	quiet, blank             bool

	around           around
	flowS            float64 // outflow without a pause
	fromC            float64 // the cabin when it began
	fromKnown, smelt bool

	outS  float64 // outflow without a pause that nothing explains
	out   bool
	pause int // blocks in a row without a flame

	drift          drift // what the quiet stretches teach of the scale itself
	loss, smallest Quantity
	suspected      bool
	open           bool   // the evidence leans to a loss: the coefficient is not learned meanwhile
	why            string // of suspected
	leastKgPerH    float64
}

// around is what else a watch goes by.
type around struct {
	call  Tristate
	cabin Quantity
	thin  bool // the cylinder may not feed what is called for
	gas   bool // gas at the floor at a warning level, now or minutes ago
}

// watchPoint is the mean of ten quiet minutes.
type watchPoint struct {
	UpS   float64 `json:"up_s"`
	Kg    float64 `json:"kg"`
	CellC float64 `json:"cell_c"`
	Spell int     `json:"spell"`
}

const (
	whyYoung   = "not an hour of quiet yet; " + notTightness
	whyBurns   = "something burns: watching goes on when it stops; " + notTightness
	whyGusts   = "gusts: a flame could hide in them, so the watch waits; " + notTightness
	whyNoScale = "the scale is not watching; " + notTightness
	whyOutflow = "gas has flowed for long without a pause, and no heater explains it: a burner left on, or a leak"
	whySmelt   = "gas at the floor, and gas flows that no heater explains"
	whyCreep   = "the scale settles for six hours after a drive or a change of cylinder; " + notTightness
)

func newWeightWatch(apps []Appliance) weightWatch {
	w := weightWatch{leastKgPerH: math.Inf(1)}
	for _, a := range apps {
		kw := a.RatedKW
		if a.MinKW > 0 {
			kw = a.MinKW
		}
		if kw > 0 {
			w.leastKgPerH = min(w.leastKgPerH, kgPerHFromKW(kw))
		}
	}
	if math.IsInf(w.leastKgPerH, 1) {
		w.leastKgPerH = handSmallKgH
	}
	w.forget()
	return w
}

// forget drops what was fitted.
func (w *weightWatch) forget() {
	w.loss, w.smallest = Unknown(whyYoung), Unknown(whyYoung)
	w.suspected = false
}

// ask starts or ends a watch. A watch that begins forgets what it saw before, so that its
// result is of the time since.
func (w *weightWatch) ask(on bool) {
	if on && !w.asked {
		w.n, w.blocks = 0, 0
		w.forget()
	}
	w.asked = on
}

// disturb ends a quiet stretch: a drive, another cylinder, a gap. What was seen before it
// says nothing of the time after; nothing counts until blankS.
func (w *weightWatch) disturb(blankS float64) {
	w.forget()
	w.n = 0
	w.spell++
	w.drift.end()
	w.blocks, w.outS, w.flowS, w.pause = 0, 0, 0, 0
	w.out = false
	w.blankS = max(w.blankS, blankS)
	w.quiet = false
}

// block takes one block of the scale.
func (w *weightWatch) block(upS, levelKg, noiseKg float64, c cell, f *burning, s Scale) {
	w.gusty = count(w.gusty, noiseKg > hidesFlameKg)
	w.outflow(f)
	doubt := f.bank.above(quietBelow * w.leastKgPerH)
	w.busy = count(w.busy, doubt > quietBelief)
	w.quiet = w.busy < busyBlocksN
	w.blank = upS < w.blankS
	if !w.quiet { // the level follows the end of a burn for a while
		w.calmS = upS + calmAfterS
	}
	if upS < w.calmS || w.blank || w.gusty > 0 || !c.seen {
		w.spell++
		w.blocks = 0
		return
	}
	if w.blocks == 0 {
		w.kgSum, w.sSum, w.cSum, w.doubt, w.startS = 0, 0, 0, 0, upS
	}
	w.kgSum += levelKg
	w.sSum += upS
	w.cSum += c.tempC
	w.doubt += doubt
	w.blocks++
	if upS-w.startS < pointS-blockS {
		return
	}
	n := float64(w.blocks)
	if w.blocks >= pointBlocksN && w.doubt < pointDoubt*n {
		w.point(watchPoint{w.sSum / n, w.kgSum / n, w.cSum / n, w.spell}, s)
	} else {
		w.spell++
	}
	w.blocks = 0
}

// outflow counts the time in which something burns without a pause and nothing explains it:
// a burner left on, or a leak (estimation.md 2). A heater explains its own rate, unless it is
// not called for or the cabin cools all the while; a cylinder that can hardly feed the heater
// explains less. Half a minute that is surely without a flame ends it, and so do gusts in
// which a pause could hide.
func (w *weightWatch) outflow(f *burning) {
	off := f.bank.off()
	w.pause = count(w.pause, off > litBelief)
	switch {
	case w.pause >= pauseBlocksN, w.gusty >= gustyBlocksN:
		w.outS, w.flowS, w.out = 0, 0, false
		return
	case off >= outflowBelief || f.mean <= outflowKgPerH || w.gusty > 0:
		return
	case w.around.thin && !w.around.gas && f.mean < chokedMost*f.heaterKgPerH(): // a choked heater
		return
	}
	if w.flowS == 0 {
		w.fromC, w.fromKnown = w.around.cabin.Value, w.around.cabin.Known()
	}
	w.flowS += blockS
	limit := float64(outflowS)
	switch like := f.likeHeater(); {
	case like && w.around.call == No && !f.burnerAlike():
		limit = notCalledS
	case like && w.cools():
		w.outS, limit = w.flowS, coolingFlowS
	case like && w.around.call != No:
		return
	}
	w.outS += blockS
	w.smelt = w.around.gas
	if w.smelt {
		limit = smeltS
	}
	w.out = w.outS >= limit
}

// cools reports whether the cabin has lost so much in an hour of flow that nothing heats it.
func (w *weightWatch) cools() bool {
	return w.flowS >= coolingFlowS && w.around.call == Unsure && w.fromKnown && w.around.cabin.Known() &&
		w.fromC-w.around.cabin.Value >= unheatedK
}

func (w *weightWatch) point(p watchPoint, s Scale) {
	if w.n == len(w.ring) {
		w.head = (w.head + 1) % len(w.ring)
		w.n--
	}
	w.ring[(w.head+w.n)%len(w.ring)] = p
	w.n++
	w.judge(p.UpS, p.Kg, s)
	switch {
	case w.suspected || w.out:
		w.drift.doubt()
	case w.open:
		w.drift.n = 0
	default:
		w.drift.point(p, s.tcLimitKgPerK(p.Kg))
	}
}

func (w *weightWatch) at(i int) watchPoint { return w.ring[(w.head+i)%len(w.ring)] }

// judge fits the loss over each window that is long enough. The longest one speaks,
// unless some see a loss: then the one that sees it most plainly.
func (w *weightWatch) judge(upS, kg float64, s Scale) {
	limit := s.tcLimitKgPerK(kg)
	cheap := cheapFrac(s)
	was := w.suspected
	w.suspected, w.open = false, false
	plainest := 0.0
	for _, win := range watchWindows {
		f, ok := w.fit(upS-win.h*3600, win.h)
		if !ok {
			continue
		}
		floor := win.goodGPerH + cheap*(win.cheapGPerH-win.goodGPerH)
		drift := 1000 * limit * math.Abs(f.tempKPerH) // what the temperature alone can do
		smallest := floor + drift + slopeSDs*1000*f.sdKgPerH
		loss := 1000 * f.lossKgPerH
		need := smallest
		if !w.asked {
			need = win.unasked * smallest
			if was {
				need = min(need, smallest)
			}
		}
		above := need > 0 && loss > need
		half := drift + 1.96*1000*f.sdKgPerH + 0.6*floor
		e, ok := f.moments.weigh(w.believed(limit, upS-win.h*3600))
		if ok && e.counts(win.h) && 1000*e.smallestKgPerH(floor/1000) < smallest {
			smallest = 1000 * e.smallestKgPerH(floor/1000)
			w.open = w.open || e.ln >= openLn
			loss, half = 1000*e.lossKgPerH, 1.96*1000*e.sdKgPerH+0.6*floor
			least := floor
			if !w.asked && !was {
				least = win.unasked * floor
			}
			above = above || e.ln >= evidenceLn && loss > least && least > 0
		}
		if w.suspected && (!above || loss/smallest < plainest) {
			continue
		}
		plainest = loss / smallest
		at := seconds(upS)
		w.loss = Quantity{Value: loss, Low: loss - half, High: loss + half, Quality: sensors.Good, At: at}
		w.smallest = Quantity{Value: smallest, Low: smallest, High: smallest, Quality: sensors.Good, At: at}
		w.suspected = w.suspected || above
		if above {
			w.why = fmt.Sprintf("weight falls by %.0f g/h over %.0f h, and %.0f g/h could be told from temperature and people", loss, win.h, smallest)
		}
	}
}

// believed is the coefficient before fromS: what stretches since then have taught rests on
// the very points that are asked now.
func (w *weightWatch) believed(limitKgPerK, fromS float64) (kgPerK, sdKgPerK float64) {
	if w.drift.lastS > fromS {
		return 0, limitKgPerK / sqrt3
	}
	return w.drift.kgPerK(limitKgPerK)
}

// slope is a loss fitted to quiet stretches, each with a level of its own, and how the
// cell's temperature moved along.
type slope struct {
	lossKgPerH, sdKgPerH, tempKPerH float64
	moments
}

// fit is least squares over the points since fromS. It wants two thirds of the time
// watched, so that a window never speaks for hours it did not see.
func (w *weightWatch) fit(fromS, hours float64) (slope, bool) {
	first := w.n
	for first > 0 && w.at(first-1).UpS >= fromS {
		first--
	}
	if float64(w.n-first) < hours*3600/pointS*quietFrac {
		return slope{}, false
	}
	var m moments
	for i := first; i < w.n; {
		j := i
		var t, k, c float64
		for ; j < w.n && w.at(j).Spell == w.at(i).Spell; j++ {
			p := w.at(j)
			t, k, c = t+p.UpS, k+p.Kg, c+p.CellC
		}
		n := float64(j - i)
		t, k, c = t/n, k/n, c/n
		for ; i < j; i++ {
			p := w.at(i)
			dt, dk, dc := (p.UpS-t)/3600, p.Kg-k, p.CellC-c
			m.tt += dt * dt
			m.tk += dt * dk
			m.tc += dt * dc
			m.kk += dk * dk
			m.kc += dk * dc
			m.cc += dc * dc
			m.free++
		}
		m.free--
	}
	if m.free < 4 || m.tt <= 0 {
		return slope{}, false
	}
	b := m.tk / m.tt
	rest := max(m.kk-b*m.tk, 0)
	return slope{-b, math.Sqrt(rest / float64(m.free-1) / m.tt), m.tc / m.tt, m}, true
}

// ahead fills in when the watch can tell less than now, and how little.
func (w *weightWatch) ahead(upS float64, s Scale, r *WeightWatch) {
	r.NextGPerH = Unknown("it tells no less than now")
	if s.CountsPerKg == 0 {
		return
	}
	r.BlindForS = max(0, w.blankS-upS)
	for _, win := range watchWindows {
		lacks := math.Ceil(win.h*3600/pointS*quietFrac) - float64(w.n)
		if lacks <= 0 {
			continue
		}
		g := win.goodGPerH + cheapFrac(s)*(win.cheapGPerH-win.goodGPerH)
		r.NextInS, r.NextGPerH = r.BlindForS+lacks*pointS, Quantity{Value: g, Low: g, High: g, Quality: sensors.Good, At: seconds(upS)}
		return
	}
}

// cheapFrac is where a cell stands between a good one and a cheap one, 0 to 1.
func cheapFrac(s Scale) float64 { return min(max((s.ZeroTCGPerK-0.42)/(2.5-0.42), 0), 1) }

// result is what the watch says now; tracking is whether the scale weighs.
func (w *weightWatch) result(tracking bool) WeightWatch {
	r := WeightWatch{Asked: w.asked, Quiet: tracking && w.quiet && !w.blank && w.gusty == 0, LossGPerH: w.loss, SmallestGPerH: w.smallest}
	switch {
	case w.suspected:
		r.Suspected, r.Why = true, w.why
	case w.out && w.smelt:
		r.Suspected, r.Why = true, whySmelt
	case w.out:
		r.Suspected, r.Why = true, whyOutflow
	case !tracking:
		r.Why = whyNoScale
	case w.blank:
		r.Why = whyCreep
	case w.gusty > 0:
		r.Why = whyGusts
	case !w.quiet:
		r.Why = whyBurns
	case !w.loss.Known():
		r.Why = whyYoung
	default:
		r.Why = notTightness
	}
	return r
}
