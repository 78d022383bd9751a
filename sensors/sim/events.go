package sim

import (
	"cmp"
	"slices"
	"time"
)

// change is the beginning or the end of an event.
type change struct {
	atS float64
	ev  *Event
	end bool
}

// timeline lays the events out as changes in order of time, and the fronts apart, which
// the weather needs whole.
func timeline(events []Event) ([]change, []front) {
	var out []change
	var fronts []front
	for i := range events {
		e := &events[i]
		switch e.Do {
		case doFront:
			fronts = append(fronts, front{e.At.Seconds(), e.For.Seconds(), e.C, e.WindMPerS, e.KPa})
			continue
		case doOperator:
			continue
		}
		out = append(out, change{e.At.Seconds(), e, false})
		if e.For.Duration > 0 {
			out = append(out, change{e.At.Seconds() + e.For.Seconds(), e, true})
		}
	}
	slices.SortStableFunc(out, func(a, b change) int { return cmp.Compare(a.atS, b.atS) })
	return out, fronts
}

// happen applies what is due by now.
func (v *Van) happen() {
	for v.next < len(v.changes) && v.changes[v.next].atS <= v.sinceStartS() {
		c := v.changes[v.next]
		v.next++
		if c.end {
			v.ends(c.ev)
		} else {
			v.begins(c.ev)
		}
	}
}

func (v *Van) begins(e *Event) {
	switch e.Do {
	case doLeak:
		*v.leak(e.Where) += e.GPerH / 3.6e6
	case doDrive:
		v.moving = true
		now := v.sinceStartS()
		v.climb = climb{v.altitudeM, v.altitudeM, now, now + e.For.Seconds()}
		if e.AltM != 0 {
			v.climb.toM = e.AltM
		}
	case doExchange, doRefill:
		v.cylinder.present, v.handsS = false, 4
	case doValve:
		v.cylinder.valveOpen = e.On
	case doCook:
		v.kitchen.cook(e.KW, e.For.Seconds())
	case doAlcohol:
		v.alcohol = e.G / e.For.Seconds()
	case doAway:
		v.people.awayS = e.For.Seconds()
	case doSet:
		v.heatOff = e.C == 0 && !e.On
		if e.C != 0 {
			v.setC, v.nightC = e.C, e.C
		}
	case doLockout:
		v.heater.pauseS = e.For.Seconds()
	case doFails:
		v.regulator.brokenFrac = 1 - e.Value
	case doFault:
		v.wires[v.wiring.Index(e.Channel)].fault = e
	case doPowerCut:
		v.powerOff()
	}
}

func (v *Van) ends(e *Event) {
	switch e.Do {
	case doLeak:
		l := v.leak(e.Where)
		*l = max(0, *l-e.GPerH/3.6e6)
	case doDrive:
		v.moving = false
		v.scale.newSite()
	case doExchange:
		v.putBack(e, e.TareKg)
	case doRefill:
		v.putBack(e, v.cylinder.spec.TareKg)
	case doValve:
		v.cylinder.valveOpen = !e.On
	case doFails:
		v.regulator.brokenFrac = 0
	case doAlcohol:
		v.alcohol = 0
	case doFault:
		v.wires[v.wiring.Index(e.Channel)].fault = nil
		if e.Mode == faultHeater {
			v.sensor.powerOn(e.For.Seconds())
		}
	case doPowerCut:
		v.sensor.powerOn(float64(v.tick-v.darkTick) * v.dt)
		v.powerOn()
	}
}

// putBack stands a filled cylinder on the cradle, as warm as the event says or as the air
// outside. It is in hands for some seconds more.
func (v *Van) putBack(e *Event, tareKg float64) {
	tempC := e.C
	if tempC == 0 {
		tempC = v.weather.outsideC
	}
	v.cylinder.replace(tareKg, e.FillKg, tempC)
	v.handsS = 6
}

func (v *Van) leak(where string) *float64 {
	switch where {
	case "locker":
		return &v.leaks.locker
	case "burner":
		return &v.leaks.burner
	}
	return &v.leaks.floor
}

// Act is something the owner does to the monitor at a point of the scenario. Fields that
// its Do does not need are zero.
type Act struct {
	At         time.Duration // since the start of the scenario, power cuts included
	Do         string        // one of the Act words
	Alarm      string        // ack, reset, shelve
	For        time.Duration // shelve
	TareKg     float64       // cylinder-changed: stamped tare; 0 is not entered
	CapacityKg float64       // cylinder-changed
	FillKg     float64       // cylinder-changed: what the label says
	C          float64       // expected-low
	On         bool          // weight-watch
}

// Words of acts.
const (
	ActAck          = "ack"
	ActAckAudible   = "ack-audible"
	ActReset        = "reset"
	ActShelve       = "shelve"
	ActChanged      = "cylinder-changed"
	ActSameCylinder = "same-cylinder"
	ActExpectedLow  = "expected-low"
	ActWeightWatch  = "weight-watch"
)

func operatorActs() []string {
	return []string{ActAck, ActAckAudible, ActReset, ActShelve, ActChanged, ActSameCylinder, ActExpectedLow, ActWeightWatch}
}

// Operator lists the owner's acts in order of time.
func (v *Van) Operator() []Act {
	var acts []Act
	for i := range v.s.Events {
		e := &v.s.Events[i]
		if e.Do != doOperator {
			continue
		}
		a := Act{At: e.At.Duration, Do: e.Mode, Alarm: e.Alarm, For: e.For.Duration, TareKg: e.StampKg,
			FillKg: e.FillKg, C: e.C, On: e.On}
		if e.Mode == ActChanged {
			a.CapacityKg = v.s.Van.Cylinder.CapacityKg
		}
		acts = append(acts, a)
	}
	return acts
}

// Elapsed is simulated time since the start of the scenario, on the scale of [Act].At.
func (v *Van) Elapsed() time.Duration { return time.Duration(v.tick) * v.s.Tick.Duration }
