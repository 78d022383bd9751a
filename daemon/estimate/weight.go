package estimate

import (
	"math"
	"slices"

	"frostline/sensors"
)

// Times and limits of weighing. Those without a source are engineering judgement.
const (
	blockS       = 10  // accepted weights are judged in blocks of this length
	absentKg     = 4   // below it no cylinder stands on the scale (estimation.md 2)
	absentFrac   = 0.6 // of the least tare, where cylinders are small
	absentS      = 10  // for as long; a bump of the road is shorter
	restBlocksN  = 3   // blocks that must agree before a level is believed
	placedN      = 4   // and after a cylinder was set down: hands let go within one
	restMostN    = 12  // after so many the middle one is taken, however they disagree
	restSpreadKg = 0.010
	beforeRoadS  = 90  // weights younger than this when a drive is noticed are of the road
	driveRestS   = 150 // after a drive, for springs and people to settle
	drivenN      = 16  // blocks whose middle weighs a cylinder set down in a moving van
	drivenSDKg   = 0.060
	brimFrac     = 1.2  // of the capacity: a cylinder that is full to the brim, for it is filled to 80 to 85 % of its volume
	gapS         = 60   // without a weight: the burn in between is not known
	gapKgPerH    = 0.15 // by which a gap widens the fuel (estimation.md 2, "Gating")
	lostS        = 24 * 3600
	oddKg        = 0.025 // a block this far off waits for the next ones to agree
	oddNoises    = 8
	changedKg    = 0.15 // beyond all else: over a gap, a heavier cylinder is another one
	cellLagS     = 40 * 60
	coldBootC    = 30 // assumed distance from calibration temperature without a thermometer
	staleTempS   = 1800
	staleTempC   = 10

	// Constant parts of the weight's error, standard deviations (estimation.md 2;
	// sensing.md 3.5).
	occupantKg = 0.003
	siteKg     = 0.006
	buoyancyKg = 0.003

	sqrt3 = 1.7320508075688772 // a limit over it is the sd of what lies evenly within
)

// block is some ten seconds of accepted weights; shaken if most of them jumped as on a
// road.
type block struct {
	upS, kg float64
	shaken  bool
}

// blockMaker gathers accepted weights into blocks: the median decides what belongs, then
// the mean is taken.
type blockMaker struct {
	endS float64
	upS  [16]float64
	kg   [16]float64
	n    int
	jerk int
}

// add takes one weight. nextS is when the next one is due; a block that it would miss is
// closed.
func (m *blockMaker) add(upS, kg, nextS float64, jerked bool) (block, bool) {
	if m.n == 0 || upS >= m.endS+blockS {
		m.n, m.jerk, m.endS = 0, 0, (math.Floor(upS/blockS)+1)*blockS
	}
	if m.n < len(m.kg) {
		m.upS[m.n], m.kg[m.n] = upS, kg
		m.n++
	}
	if jerked {
		m.jerk++
	}
	if upS+nextS < m.endS && m.n < len(m.kg) {
		return block{}, false
	}
	b := m.middle()
	b.shaken = 2*m.jerk > m.n
	m.n = 0
	return b, true
}

func (m *blockMaker) middle() block {
	var s [16]float64
	kg := s[:copy(s[:], m.kg[:m.n])]
	slices.Sort(kg)
	median := kg[len(kg)/2]
	for i, v := range m.kg[:m.n] {
		kg[i] = math.Abs(v - median)
	}
	slices.Sort(kg)
	limit := 3*1.4826*kg[len(kg)/2] + 1e-6
	var b block
	n := 0.0
	for i, v := range m.kg[:m.n] {
		if math.Abs(v-median) <= limit {
			b.kg += v
			b.upS += m.upS[i]
			n++
		}
	}
	b.kg, b.upS = b.kg/n, b.upS/n
	return b
}

// noise is the standard deviation of a block, measured from second differences (a burn
// does not show in them) of neighbouring blocks and of every third one: gusts make
// neighbours alike (a flame that is lit shows a little in the latter, so it counts half).
// Each is a running median, which no jump can move far.
type noise struct {
	NearKg  float64 `json:"near_kg"`
	FarKg   float64 `json:"far_kg"`
	last    [7]float64
	n       int
	lastUpS float64
}

const (
	noiseStartKg = 0.0003
	noiseLeastKg = 0.00005
	noiseMostKg  = 0.5
	noiseStep    = 0.06 // of the running median, per block
)

func (n *noise) take(b block) {
	if b.upS-n.lastUpS > 2.5*blockS {
		n.n = 0
	}
	n.lastUpS = b.upS
	if n.n == len(n.last) {
		copy(n.last[:], n.last[1:])
		n.n--
	}
	n.last[n.n] = b.kg
	n.n++
	l := n.last[:n.n]
	if k := len(l); k >= 3 {
		n.NearKg = runningMedian(n.NearKg, math.Abs(l[k-1]-2*l[k-2]+l[k-3]))
	}
	if len(l) == 7 {
		n.FarKg = runningMedian(n.FarKg, math.Abs(l[6]-2*l[3]+l[0]))
	}
}

func runningMedian(m, x float64) float64 {
	step := noiseStep
	if x > 5*m {
		step *= 3
	}
	if x > m {
		return min(m*(1+step), noiseMostKg)
	}
	return max(m/(1+step), noiseLeastKg)
}

// sdKg is 1.4826 median of a difference that adds 1, 4 and 1 variances.
func (n *noise) sdKg() float64 {
	return max(1.4826/math.Sqrt(6)*max(n.NearKg, n.FarKg/2), noiseLeastKg)
}

// cell is the temperature of the load cell: locker air through a lag.
type cell struct {
	tempC float64
	seen  bool
	seenS float64 // when the thermometer last said something
}

func (c *cell) step(upS float64, air *ChannelState, fresh bool) {
	if !fresh || air == nil || air.Quality < sensors.Suspect {
		return
	}
	if !c.seen {
		c.tempC, c.seen = air.Value, true
	} else { // over a gap, too: the newest air tells more than none
		c.tempC += (1 - math.Exp(-max(upS-c.seenS, 0)/cellLagS)) * (air.Value - c.tempC)
	}
	c.seenS = upS
}

// awayC is how far the cell is from the temperature it was calibrated at, and moreC how much
// further it may be.
func (c *cell) awayC(upS, calibratedC float64) (awayC, moreC float64, known bool) {
	if !c.seen {
		return 0, coldBootC, false
	}
	d := c.tempC - calibratedC
	if upS-c.seenS > staleTempS {
		return d, staleTempC, false
	}
	return d, 0, true
}

// cellDoubtC is how far the cell may be from what its lag makes of the air, one standard
// deviation: the lag is 25 to 60 min and the air moves by some kelvins an hour. Engineering
// judgement.
const cellDoubtC = 1.0

// quantity is the temperature of the cell.
func (c *cell) quantity(upS float64) Quantity {
	if _, _, known := c.awayC(upS, 0); !known {
		return Unknown("no thermometer beside the load cell answers")
	}
	return Quantity{Value: c.tempC, Low: c.tempC - 1.96*cellDoubtC, High: c.tempC + 1.96*cellDoubtC, Quality: sensors.Suspect,
		Why: "the air beside the load cell, through a lag", At: seconds(c.seenS)}
}

// correct takes what is known of the temperature's effect off the level, and returns the
// standard deviation of all that does not average out. A level that is held was read at the
// temperature of its time.
func (w *weighing) correct(upS float64) (lessKg, sdKg float64, warm bool) {
	s := w.p.Scale
	away, more, warm := w.cell.awayC(upS, s.CalibratedAtC)
	if w.phase != tracking && w.cell.seen {
		away = w.cellC - s.CalibratedAtC
	}
	limit := s.tcLimitKgPerK(w.levelKg)
	tc, tcSD := w.watch.drift.kgPerK(limit)
	sd := s.constantSDKg(w.levelKg, math.Hypot(tcSD*away, limit/sqrt3*more))
	return tc * away, sd, warm
}

// correctNet is correct for what is left when the tare is taken off. A tare that was weighed on
// this scale holds its error at the temperature of that hour, so what has changed since is all
// that is left of it.
func (w *weighing) correctNet(upS float64) (lessKg, sdKg float64, warm bool) {
	lessKg, sdKg, warm = w.correct(upS)
	s, was := w.p.Scale, w.tare.empty
	limit := s.tcLimitKgPerK(w.levelKg)
	if !warm || !was.of(s) || limit <= 0 {
		return lessKg, sdKg, warm
	}
	cellC := w.cell.tempC
	if w.phase != tracking {
		cellC = w.cellC
	}
	tc, tcSD := w.watch.drift.kgPerK(limit)
	wasK := was.CellC - s.CalibratedAtC
	zero := s.ZeroTCGPerK / 1000 * (cellC - was.CellC)
	span := s.SpanTCPPMPerK * 1e-6 * (w.levelKg*(cellC-s.CalibratedAtC) - was.Kg*wasK)
	return lessKg + (was.KgPerK-tc)*wasK, s.constantSDKg(w.levelKg, tcSD/limit*math.Hypot(zero, span)), warm
}

// correctedKg is a weight less what the temperature of the cell is known to do to it.
func (w *weighing) correctedKg(kg, cellC float64) float64 {
	if !w.cell.seen {
		return kg
	}
	tc, _ := w.watch.drift.kgPerK(w.p.Scale.tcLimitKgPerK(kg))
	return kg - tc*(cellC-w.p.Scale.CalibratedAtC)
}

// tcLimitKgPerK is how far a kelvin may move the reading at a load: zero and span.
func (s Scale) tcLimitKgPerK(grossKg float64) float64 {
	return s.ZeroTCGPerK/1000 + s.SpanTCPPMPerK*1e-6*grossKg
}

// constantSDKg is everything about the weight that does not average out, the tare apart;
// warmthKg is what the temperature may still do, one standard deviation.
func (s Scale) constantSDKg(grossKg, warmthKg float64) float64 {
	creep := s.CreepPct30min / 100 * grossKg / sqrt3
	span := s.SpanSDFrac * grossKg
	return math.Sqrt(warmthKg*warmthKg + creep*creep + span*span + s.ZeroSDKg*s.ZeroSDKg +
		occupantKg*occupantKg + siteKg*siteKg + buoyancyKg*buoyancyKg)
}

// rest waits for the scale to come to rest.
type rest struct {
	blocks [restMostN]block
	n      int
	need   int
	afterS float64 // blocks before it do not count
}

func (r *rest) begin(need int, afterS float64) { r.n, r.need, r.afterS = 0, need, afterS }

// take returns the level and its sd once enough blocks agree, or enough have been tried.
func (r *rest) take(b block, noiseKg float64) (kg, sdKg float64, ok bool) {
	if b.upS < r.afterS {
		return 0, 0, false
	}
	if r.n > 0 && b.upS-r.blocks[r.n-1].upS > gapS {
		r.n = 0
	}
	if r.n == len(r.blocks) {
		copy(r.blocks[:], r.blocks[1:])
		r.n--
	}
	r.blocks[r.n] = b
	r.n++
	if r.n < r.need {
		return 0, 0, false
	}
	var s [restMostN]float64
	last := r.blocks[r.n-r.need : r.n]
	if r.n == len(r.blocks) {
		last = r.blocks[:]
	}
	kgs := s[:0]
	for _, x := range last {
		kgs = append(kgs, x.kg)
	}
	slices.Sort(kgs)
	spread := kgs[len(kgs)-1] - kgs[0]
	if r.n < len(r.blocks) && spread > max(restSpreadKg, 6*noiseKg) {
		return 0, 0, false
	}
	n := math.Sqrt(float64(len(kgs)))
	return kgs[len(kgs)/2], max(spread/n, noiseKg), true
}
