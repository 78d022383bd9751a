package estimate

import (
	"math"

	"frostline/sensors"
)

// phase is what the scale is good for at the moment.
type phase uint8

const (
	settling phase = iota // a level is being found: after start, gap, drive, placing
	tracking              // blocks move the bank
	absent                // nothing stands on the scale
	driving               // the road shakes it
)

// cause is why a level has to be found anew; it decides what the difference means.
type cause uint8

const (
	afterStart cause = iota
	afterGap
	afterDrive
	afterPlacing
	afterCalibration
)

// weighing turns accepted weights into a gross mass, and knows what stands on the scale.
type weighing struct {
	p     Params
	cell  cell
	maker blockMaker
	noise noise
	rest  rest
	move  motion
	burn  *burning
	watch weightWatch
	tare  tare
	known register
	prior tare // of the cylinder that was on the scale before this one
	ch    Change
	undo  *undoable // before the last word about a change; nil if none can be taken back
	said  bool      // ch waits for the cylinder it speaks of

	phase    phase
	cause    cause
	presence Presence

	levelKg  float64 // gross, the last level believed
	levelSD  float64
	levelS   float64 // when; may lie before the boot
	cellC    float64 // cell temperature then
	have     bool    // whether there is one at all
	gapKnown bool    // whether levelS says how long ago it was
	leastKg  float64 // of fuel, as of the newest look at it; may be more than a cylinder holds
	wideKg   float64 // by which the fuel may be less than the level says: gaps without a weight

	lightS                  float64 // since when the weight has been below absentKg
	lightLowKg, lightHighKg float64 // of the light weights since lightS
	lightN                  int
	heavyN                  int
	goneS                   float64 // when the cylinder was taken away
	drove                   bool    // since it was taken away
	anyPlace                bool    // a cylinder was put down while we watched
	emptyS                  float64 // since when the cylinder may be empty, by emptied
	unproven                bool    // nothing has burned since the last drive or placing

	trail   [20]block // levels of the last minutes, a ring
	trailAt int

	odd    [3]block // blocks far off the level
	oddN   int
	offKg  float64 // load on the scale that is not cylinder or fuel
	offVar float64
	lastKg float64 // the last such load put on or taken off

	told []Happening

	unfit string // why nothing is weighed, while there is no slope
	held  bool   // the scale is being calibrated: what is on it is no cylinder
}

func newWeighing(p Params) *weighing {
	w := &weighing{p: p, tare: stampedTare(p.Cylinder), watch: newWeightWatch(p.Appliances), presence: PresenceUnknown, burn: newBurning(p)}
	w.prior = w.tare
	w.noise.NearKg, w.noise.FarKg = noiseStartKg, noiseStartKg
	w.rest.begin(restBlocksN, 0)
	w.told = make([]Happening, 0, 8)
	return w
}

const (
	whyNoCell       = "no scale fitted"
	whyUncalibrated = "the scale is not calibrated; frostline calibrate scale leads through it"
	whyHeld         = "the scale is being calibrated"
)

// fitted reports whether there is a scale to weigh with.
func (w *weighing) fitted() bool { return w.p.Scale.CountsPerKg != 0 }

// grossKg is the weight behind counts.
func (w *weighing) grossKg(counts float64) float64 {
	return (counts - w.p.Scale.ZeroCounts) / w.p.Scale.CountsPerKg
}

// weight takes one accepted weight of this tick.
func (w *weighing) weight(upS, kg, periodS float64, call Tristate) {
	jerked := w.move.weight(upS, kg)
	if w.lifted(upS, kg) {
		return
	}
	b, done := w.maker.add(upS, kg, periodS, jerked)
	if !done {
		return
	}
	if b.shaken && w.phase == tracking {
		return
	}
	if w.phase != driving && !b.shaken { // the road's is none of the scale at rest
		w.noise.take(b)
	}
	switch w.phase {
	case absent:
		w.returned(b)
	case driving:
		if w.presence == Removed {
			w.returned(b)
		}
	case settling:
		if kg, sd, ok := w.rest.take(b, w.noise.sdKg()); ok {
			w.seat(b.upS, kg, sd)
		}
	case tracking:
		w.track(b, call)
	}
}

// emptyCalmKg is how much an empty cradle may move while it is being believed: gusts and
// people, not a lead that hangs free.
const emptyCalmKg = 0.3

// lifted notices an empty scale. It reports whether this weight is one.
func (w *weighing) lifted(upS, kg float64) bool {
	if kg >= min(absentKg, max(absentFrac*w.tare.lowKg, leastTareKg)) {
		w.lightN = 0
		return false
	}
	// An empty cradle stands still. What dances about zero is a cut lead, or hands.
	if w.lightN == 0 || max(w.lightHighKg, kg)-min(w.lightLowKg, kg) > emptyCalmKg {
		w.lightS, w.lightN = upS, 0
		w.lightLowKg, w.lightHighKg = kg, kg
	}
	w.lightN++
	w.lightLowKg, w.lightHighKg = min(w.lightLowKg, kg), max(w.lightHighKg, kg)
	w.heavyN = 0
	if w.presence == Removed || w.lightN < 2 || upS-w.lightS < absentS {
		return true
	}
	if w.have { // otherwise nobody ever saw one
		w.told = append(w.told, Happening{Kind: CylinderRemoved})
	}
	w.undo = nil
	w.presence, w.goneS, w.drove = Removed, w.lightS, w.phase == driving
	w.burn.stop(&w.told)
	w.watch.disturb(upS + creepBlankS)
	w.move.forget()
	w.offKg, w.offVar, w.lastKg, w.oddN = 0, 0, 0, 0
	if w.phase != driving {
		w.phase = absent
	}
	return true
}

// returned notices that something stands on the scale again and waits until it rests.
func (w *weighing) returned(b block) {
	if w.heavyN == 0 {
		w.rest.begin(placedN, b.upS)
		if w.phase == driving {
			w.rest.begin(restMostN, b.upS)
		}
	}
	w.heavyN++
	kg, sd, ok := w.rest.take(b, w.noise.sdKg())
	switch {
	case !ok:
	case w.phase == driving:
		if w.heavyN >= drivenN {
			w.placed(b.upS, kg, max(sd, drivenSDKg))
		}
	default:
		w.cause = afterPlacing
		w.seat(b.upS, kg, sd)
	}
}

// moved follows starts and ends of drives.
func (w *weighing) moved(upS float64, started, ended bool) {
	if started {
		w.told = append(w.told, Happening{Kind: DriveStart})
		w.burn.stop(&w.told)
		w.watch.disturb(upS + creepBlankS)
		w.beforeRoad(upS)
		w.phase, w.drove = driving, true
	}
	if ended {
		w.told = append(w.told, Happening{Kind: DriveEnd})
		w.unproven = true
		w.watch.disturb(upS + creepBlankS)
		w.drove = true
		if w.presence == Removed {
			w.phase, w.heavyN = absent, 0
			return
		}
		w.settle(afterDrive, restBlocksN, upS+driveRestS)
	}
}

// beforeRoad goes back to the level from before the road began to shake it.
func (w *weighing) beforeRoad(upS float64) {
	if w.phase != tracking && w.phase != settling {
		return
	}
	for i := range w.trail {
		l := w.trail[(w.trailAt+len(w.trail)-1-i)%len(w.trail)]
		if l.kg > 0 && l.upS <= upS-beforeRoadS && l.upS > upS-2*beforeRoadS {
			w.levelKg, w.levelS = l.kg, l.upS
			return
		}
	}
}

func (w *weighing) settle(c cause, need int, afterS float64) {
	w.phase, w.cause = settling, c
	w.rest.begin(need, afterS)
	w.oddN = 0
}

// silence notices that no weight has come for a while.
func (w *weighing) silence(upS float64) {
	if w.phase == tracking && upS-w.levelS > gapS {
		w.burn.stop(&w.told)
		w.watch.disturb(upS)
		w.settle(afterGap, restBlocksN, upS)
	}
}

// track folds a block into the bank.
func (w *weighing) track(b block, call Tristate) {
	dt := b.upS - w.levelS
	if dt > gapS {
		w.silence(b.upS)
		return
	}
	noise := w.noise.sdKg()
	far := b.kg - w.burn.bank.ahead(dt)
	if math.Abs(far) > max(oddKg, oddNoises*noise) {
		if !w.strange(b, far, noise) {
			return
		}
	} else {
		w.oddN = 0
	}
	w.burn.step(b.upS, dt, b.kg, noise, call, &w.told)
	w.unproven = w.unproven && w.burn.bank.off() > outBelief
	w.levelKg, w.levelSD = w.burn.bank.levelKg, math.Sqrt(w.burn.bank.levelVar)
	w.levelS, w.cellC, w.gapKnown = b.upS, w.cell.tempC, true
	w.trail[w.trailAt] = block{upS: b.upS, kg: w.levelKg}
	w.trailAt = (w.trailAt + 1) % len(w.trail)
	w.watch.block(b.upS, w.levelKg, noise, w.cell, w.burn, w.p.Scale)
}

// strange keeps blocks far off the level until three agree; then a load was put on or
// taken off, which is not fuel. It reports whether the block may be used.
func (w *weighing) strange(b block, far, noiseKg float64) bool {
	if w.oddN > 0 && math.Abs(b.kg-w.odd[w.oddN-1].kg) > max(0.008, 6*noiseKg) {
		w.oddN = 0
	}
	w.odd[w.oddN] = b
	w.oddN++
	if w.oddN < len(w.odd) {
		return false
	}
	w.oddN = 0
	w.burn.shift(far)
	w.watch.disturb(b.upS)
	w.load(far)
	return true
}

// load books a load that is not fuel. The fuel is held at what it was and its interval
// takes in the other reading, that it is fuel after all; taking the load off again takes
// that doubt away.
func (w *weighing) load(kg float64) {
	if w.lastKg != 0 && math.Abs(kg+w.lastKg) < max(0.010, 0.05*math.Abs(kg)) {
		w.offKg += kg
		w.offVar = max(0, w.offVar-0.25*w.lastKg*w.lastKg)
		w.lastKg = 0
		return
	}
	w.offKg += kg
	w.offVar += 0.25 * kg * kg
	w.lastKg = kg
}

// seat believes a level that was found, and decides what the difference to the last one
// means: burn, another cylinder, or a load.
func (w *weighing) seat(upS, kg, sdKg float64) {
	switch {
	case w.cause == afterPlacing || w.presence == Removed:
		w.placed(upS, kg, sdKg)
	case !w.have:
		w.presence = Present
	default:
		w.reconcile(upS, kg, sdKg)
	}
	w.adopt(upS, kg, sdKg)
	w.phase = tracking
	w.burn.seat(kg, sdKg)
}

func (w *weighing) adopt(upS, kg, sdKg float64) {
	w.levelKg, w.levelSD, w.levelS = kg, sdKg, upS
	w.cellC, w.have, w.gapKnown, w.wideKg = w.cell.tempC, true, true, 0
	w.trail = [len(w.trail)]block{}
}

// placed decides which cylinder came back.
func (w *weighing) placed(upS, kg, sdKg float64) {
	old := w.tare
	known := w.have
	gross, before := w.correctedKg(kg, w.cell.tempC), w.correctedKg(w.levelKg-w.offKg, w.cellC)
	away := upS - w.goneS
	if w.presence != Removed {
		away = refillAwayS // nobody saw it go
	}
	t, guess, back := place(old, w.p.Cylinder, placing{
		grossKg: gross, sdKg: math.Hypot(sdKg, w.p.Scale.tcLimitKgPerK(kg)*2),
		beforeKg: before, known: known, awayS: away, drove: w.drove,
	}, &w.known)
	if known {
		w.prior = old
	}
	if known {
		w.known.left(&old, w.p.Cylinder, before)
		if guess == guessSwapped {
			w.known.away()
		}
	}
	if back != nil {
		w.known.on = *back
		if back.CapacityKg > 0 {
			w.p.Cylinder.CapacityKg = back.CapacityKg
		}
	}
	w.tare = t
	w.presence, w.heavyN = Present, 0
	w.anyPlace, w.unproven = true, true
	w.watch.disturb(upS + creepBlankS)
	w.undo = nil
	if w.said {
		w.said = false
		w.undo = w.remember(upS, w.ch)
		w.apply(w.ch, gross)
		guess = guessSwapped
		if w.ch.Same {
			guess = guessSame
		}
	}
	w.offKg, w.offVar, w.lastKg = 0, 0, 0
	w.adopt(upS, kg, sdKg)
	h := Happening{Kind: CylinderPlaced, Guess: guess}
	if net := w.fuel(upS); net.Known() {
		h.NetKg, h.NetLowKg, h.NetHighKg = printed(net.Value), printed(net.Low), printed(net.High)
	}
	w.told = append(w.told, h)
}

// reconcile compares the weight with the last one believed, after time without a weight.
func (w *weighing) reconcile(upS, kg, sdKg float64) {
	w.presence = Present
	lost := w.correctedKg(w.levelKg, w.cellC) - w.correctedKg(kg, w.cell.tempC)
	known := math.Hypot(sdKg, w.levelSD)
	doubt := 0.02 + 3*known + w.p.Scale.tcLimitKgPerK(kg)*math.Abs(w.cell.tempC-w.cellC)
	most := w.burn.mostKgPerH() * (upS - w.levelS) / 3600
	if !w.gapKnown {
		most = math.Inf(1)
	}
	switch {
	case lost < -(changedKg + doubt), lost > most+doubt+2*changedKg:
		w.goneS = w.levelS
		w.placed(upS, kg, sdKg)
	case lost < -doubt, lost > most+doubt:
		w.load(-lost)
	case lost > 2*known+0.005:
		w.burn.totalKg += lost
	case w.cause == afterGap && w.burn.lateN < lateBlocks: // something burned, so what little is gone has burned
		w.burn.oweKg += lost
	}
}

// apply takes what the operator says of the cylinder on the scale.
func (w *weighing) apply(ch Change, grossKg float64) {
	if ch.CapacityKg > 0 {
		w.p.Cylinder.CapacityKg = ch.CapacityKg
	}
	if k, ok := w.known.named(ch.Name); ok && ch.CapacityKg <= 0 && k.CapacityKg > 0 {
		w.p.Cylinder.CapacityKg = k.CapacityKg
	}
	if ch.Same && !w.anyPlace {
		return // nobody saw it go: it still is what it was
	}
	if ch.Same {
		w.known.stays()
	} else if w.anyPlace {
		w.known.away()
	}
	w.tare = w.tare.change(ch, w.p.Cylinder, w.prior, grossKg, &w.known)
	w.known.said(ch)
}

// fuel is what is left, net. It is held while nothing can be weighed, and the interval
// grows downwards by what may have burned meanwhile. No cylinder holds more than to the
// brim: an interval is cut off there, and one that lies beyond is a contradiction.
func (w *weighing) fuel(upS float64) Quantity {
	switch {
	case !w.fitted():
		return Unknown(w.unfit)
	case w.held:
		return Unknown(whyHeld)
	case w.presence == Removed:
		return Unknown("no cylinder on the scale")
	case !w.have:
		return Unknown("the scale has not come to rest yet")
	}
	held := upS - w.levelS
	if held > lostS {
		return Unknown("the scale has not been watching for a day")
	}
	top := w.p.Scale.CapacityKg
	less, sd, warm := w.correctNet(upS)
	half := 1.96 * math.Sqrt(sd*sd+w.levelSD*w.levelSD+w.offVar)
	net := w.levelKg - w.offKg - less
	q := Quantity{Value: net - w.tare.meanKg, Quality: sensors.Good, At: seconds(w.levelS)}
	q.Low = q.Value - math.Hypot(w.tare.highKg-w.tare.meanKg, half)
	q.High = q.Value + math.Hypot(w.tare.meanKg-w.tare.lowKg, half)
	if held > gapS {
		q.Low -= gapKgPerH * held / 3600
	}
	q.Low -= w.wideKg
	w.leastKg = q.Low
	over := false
	if brim := brimFrac * w.p.Cylinder.CapacityKg; brim > 0 {
		if q.Low > brim {
			return Unknown(overBrim)
		}
		if over = q.Value > brim; top <= 0 || top > brim {
			top = brim
		}
	}
	q.Value, q.Low, q.High = clip(q.Value, top), clip(q.Low, top), clip(q.High, top)
	switch {
	case over:
		q.Quality, q.Why = sensors.Suspect, overBrim
	case w.phase == driving:
		q.Quality, q.Why = sensors.Suspect, "driving: the weight from before the drive is held"
	case held > gapS && w.lightN == 0:
		q.Quality, q.Why = sensors.Suspect, "the scale is not watching: the last weight is held"
	case w.phase != tracking && w.cause == afterCalibration:
		q.Quality, q.Why = sensors.Suspect, "the scale was calibrated just now: waiting for it to come to rest"
	case w.phase != tracking:
		q.Quality, q.Why = sensors.Suspect, "waiting for the scale to come to rest"
	case !warm:
		q.Quality, q.Why = sensors.Suspect, "locker thermometer not watching: the scale may be off by its whole temperature effect"
	case !w.tare.entered && !w.tare.learned:
		q.Quality, q.Why = sensors.Suspect, "tare not entered"
	case w.offVar > 0:
		q.Quality, q.Why = sensors.Suspect, "something was put on the scale or taken off"
	}
	return q
}

const overBrim = "more than such a cylinder can hold: the tare, the capacity or the cylinder is another"

// gross is what the scale says, its own errors included.
func (w *weighing) gross(upS float64) Quantity {
	switch {
	case !w.fitted():
		return Unknown(w.unfit)
	case w.held:
		return Unknown(whyHeld)
	case w.presence == Removed:
		return Unknown("no cylinder on the scale")
	case !w.have || w.phase != tracking || upS-w.levelS > gapS:
		return Unknown("the scale has not come to rest")
	}
	less, sd, _ := w.correct(upS)
	half := 1.96 * math.Hypot(sd, w.levelSD)
	top, kg := w.p.Scale.CapacityKg, w.levelKg-less
	return Quantity{Value: clip(kg, top), Low: clip(kg-half, top), High: clip(kg+half, top),
		Quality: sensors.Good, At: seconds(w.levelS)}
}

// clip keeps a mass between nothing and what the cell can carry.
func clip(kg, top float64) float64 {
	if top <= 0 {
		top = math.MaxFloat64
	}
	return min(max(kg, 0), top)
}
