package estimate

import (
	"time"

	"frostline/sensors"
)

// Estimator turns the readings of one tick after another into beliefs. It is made for a
// wiring and for what the owner knows of the van; its memory is a [State].
type Estimator struct {
	wiring sensors.Wiring
	params Params
	ix     indexes
	cond   *conditioner
	clock  *clock
	gas    *gasWatch
	weigh  *weighing
	vessel *vessel
	causes causes
	gush   gush
	cal    calibrator
	cellAt int     // place of the thermometer that tells the load cell's temperature, or -1
	upS    float64 // of the newest tick
	begun  bool
}

// New makes an Estimator that has seen nothing. The wiring may lack any channel: what
// rests on it is then unknown, with its reason.
func New(w sensors.Wiring, p Params) *Estimator {
	e := &Estimator{
		wiring: w, params: p, ix: newIndexes(w),
		cond: newConditioner(w, p), clock: newClock(w), gas: newGasWatch(p.Gas, w), weigh: newWeighing(p),
		vessel: newVessel(p), causes: newCauses(), gush: newGush(p.Appliances),
	}
	beside := p.Scale.Thermometer
	if beside == "" {
		beside = sensors.LockerC
	}
	e.cellAt = w.Index(beside)
	if e.weigh.unfit = whyNoCell; e.ix.load >= 0 {
		e.weigh.unfit = whyUncalibrated
	}
	e.tellCalibration()
	return e
}

// tick is what one Step returns, in one allocation for vans of ordinary size.
type tick struct {
	est    Estimates
	chans  [20]ChannelState
	shares [splitMostN]Share
}

// Step folds in one tick: r lies in the order of the wiring. The Estimates it returns are
// never changed afterwards. An Up that falls is another boot after a gap of unknown length.
func (e *Estimator) Step(st sensors.Stamp, r []sensors.Reading) *Estimates {
	if st.UpS() < e.upS {
		s := e.Save()
		*e = *New(e.wiring, e.params)
		e.Restore(s, -1, st.Up, true)
	}
	e.upS = st.UpS()
	state, fresh := e.cond.step(st, r)
	t := new(tick)
	out := &t.est
	if len(state) <= len(t.chans) {
		out.Channels = t.chans[:len(state):len(state)]
	} else {
		out.Channels = make([]ChannelState, len(state))
	}
	copy(out.Channels, state)
	fillClimate(e.ix, e.params.AltitudeM, state, out)
	trusted, stepS, stepped := e.clock.step(st, state)
	out.ClockTrusted, out.ClockSet = trusted, e.clock.mem.Set
	e.cal.last, e.cal.trusted = st, trusted

	e.weigh.told = e.weigh.told[:0]
	if !e.begun { // flames of before a restart have ended, or will be told again
		e.weigh.burn.stop(&e.weigh.told)
		e.begun = true
	}
	e.step(st.UpS(), state, fresh, out)
	e.fill(st.UpS(), state, t)
	e.gas.step(st, state, fresh, out) // after the burn: cooking and losses stay out of its baseline
	e.causes.smelled(st.UpS(), out.GasLevel)
	out.CellC = e.weigh.cell.quantity(st.UpS())
	out.Calibration, out.LoadNow = e.cal.told, e.loadNow(st.UpS())

	heard := e.cond.happened()
	heard = append(heard, e.cal.happened...)
	e.cal.happened = nil
	if n := len(heard) + len(e.weigh.told); n > 0 || stepped {
		all := make([]Happening, 0, n+1)
		if stepped {
			s := stepS
			all = append(all, Happening{Kind: ClockStep, Seconds: &s, Why: e.clock.whySet(st)})
		}
		all = append(all, heard...)
		out.Happened = append(all, e.weigh.told...)
	}
	return out
}

// step runs the scale.
func (e *Estimator) step(upS float64, state []ChannelState, fresh []bool, out *Estimates) {
	call := out.Heat
	w := e.weigh
	var air *ChannelState
	airFresh := false
	if i := e.cellAt; i >= 0 {
		air, airFresh = &state[i], fresh[i]
	}
	w.cell.step(upS, air, airFresh)
	w.burn.called(upS, call, out.CabinC)
	out.HeatFrac = w.burn.calledFrac
	held := e.calibrating(upS) // asked first: it ends by itself where there is no scale too
	i := e.ix.load
	if i < 0 {
		return
	}
	if fresh[i] && state[i].Quality >= sensors.Suspect {
		e.cal.load.take(upS, state[i].Value)
	}
	if held || !w.fitted() {
		return
	}
	if fresh[i] && state[i].Quality >= sensors.Suspect {
		w.weight(upS, w.grossKg(state[i].Value), max(e.wiring[i].Period.Seconds(), 0.5), call)
	}
	if fresh[i] && state[i].Quality >= sensors.Suspect && w.presence == Present && !w.move.moving {
		e.gush.take(upS, w.grossKg(state[i].Value), w)
	} else if w.presence != Present || w.move.moving {
		e.gush.forget()
	}
	key := contact(e.ix.ignition, state)
	if w.presence == Removed && key != Yes && !w.move.moving {
		w.move.forget() // an empty cradle that shakes is no road: it may be a cut lead
	}
	started, ended := w.move.step(upS, key)
	w.moved(upS, started, ended)
	w.silence(upS)
}

// fill writes what the scale says into the estimates.
func (e *Estimator) fill(upS float64, state []ChannelState, t *tick) {
	w, out := e.weigh, &t.est
	out.Cylinder, out.Moving = w.presence, w.move.moving
	out.FuelKg, out.GrossKg = w.fuel(upS), w.gross(upS)
	out.BurnedKg = w.burn.totalKg
	watching := w.phase == tracking && w.presence == Present
	out.BurnKgPerH = w.burn.rate
	if !w.fitted() {
		out.BurnKgPerH = Unknown(w.unfit)
	}
	out.HeaterKgPerH, out.OtherKgPerH = w.burn.heater()
	if !w.fitted() {
		out.HeaterKgPerH, out.OtherKgPerH = out.BurnKgPerH, out.BurnKgPerH
	}
	if n := copy(t.shares[:], w.burn.shares); n > 0 && out.BurnKgPerH.Known() {
		out.Shares = t.shares[:n:n]
	}
	c := w.p.Cylinder
	out.CapacityKg = Unknown("capacity not entered")
	if c.CapacityKg > 0 {
		out.CapacityKg = Quantity{Value: c.CapacityKg, Low: c.CapacityKg, High: c.CapacityKg, Quality: sensors.Good}
	}
	out.TareEntered, out.TareLearned = w.tare.entered, w.tare.learned
	out.CylinderName, out.RequalifyBy, out.Known = w.known.on.Name, w.known.on.RequalifyBy, w.known.told
	out.Overfilled = c.CapacityKg > 0 && w.phase == tracking && w.presence == Present && w.leastKg > c.CapacityKg
	out.StampSDKg = stampSD(c)
	out.Blend, out.UndoForS = w.known.on.Blend, w.undoForS(upS)
	if out.UndoForS > 0 {
		out.LastWord = &w.undo.Word
	}
	e.vessel.holds(w.known.on.Blend)
	e.vessel.said(Change{CapacityKg: w.p.Cylinder.CapacityKg})
	for _, h := range w.told {
		if h.Kind == CylinderPlaced {
			e.vessel.placed(h.Guess)
		}
	}
	e.vessel.step(upS, out, asRead(e.ix.shell, state, thermometerK, doubtedK), asRead(e.ix.regulator, state, thermometerK, doubtedK))
	w.watch.around = around{call: out.Heat, cabin: out.CabinC, gas: upS-e.causes.gasS < smeltMemoryS,
		thin: out.Heat == Yes && out.SupplyRatio.Known() && out.SupplyRatio.Low < 1}
	e.starved(upS, out, watching)
	out.Watch = w.watch.result(watching)
	w.watch.ahead(upS, w.p.Scale, &out.Watch)
	e.gush.tell(out)
}

// starved fills in whether heat is called for and no gas burns, and why.
func (e *Estimator) starved(upS float64, out *Estimates, watching bool) {
	w := e.weigh
	heaterKgH := 0.0
	if h := w.burn.split.heater; h >= 0 {
		heaterKgH = w.burn.split.part[h].meanKgPerH
	}
	e.causes.watch(upS, out, starvedFrac*heaterKgH)
	out.Starved = w.burn.starved(upS, watching)
	if !watching && out.Starved == Unsure {
		out.Starved = w.burn.cooling()
	}
	switch {
	case out.Starved != Yes:
		e.causes.forget()
	case !watching:
		out.StarvedWhy = whyUnseen
	default:
		e.causes.rank(upS, out, e.vessel, heaterKgH, w.unproven)
	}
	w.emptied(upS, out)
}

// Watch starts or ends a weight watch: the operator says that every appliance is off.
func (e *Estimator) Watch(on bool) { e.weigh.watch.ask(on) }

// seconds is a time of Up; times before the boot are its start.
func seconds(s float64) time.Duration { return time.Duration(max(s, 0) * float64(time.Second)) }
