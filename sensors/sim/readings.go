package sim

import (
	"math"
	"math/rand/v2"
	"time"

	"frostline/sensors"
)

// wire is one fitted channel and what may be wrong with it.
type wire struct {
	channel sensors.Channel
	every   int // ticks
	rng     *rand.Rand
	offset  float64 // K, of a thermometer
	lagC    float64 // what a thermometer shows, behind what it is in
	lagS    float64
	codeAt  int // power-on codes still to come
	last    sensors.Reading
	fault   *Event
	floatV  wander // an open bridge input
}

// simulated reports whether the van can have the channel.
func simulated(ch sensors.Channel) bool { return periodOf(ch) > 0 }

// periodOf is how often a channel is read; 0 if it is not simulated.
func periodOf(ch sensors.Channel) time.Duration {
	switch ch {
	case sensors.BaroKPa:
		return time.Minute
	case sensors.HumidityPct, sensors.BatteryV, sensors.CabinC, sensors.OutsideC, sensors.LockerC,
		sensors.WaterlineC, sensors.ShellC, sensors.RegulatorC:
		return 10 * time.Second
	case sensors.LoadCounts, sensors.GasV, sensors.GasSupplyV, sensors.GasHeaterV, sensors.HeatCall,
		sensors.Ignition, sensors.CertifiedAlarm, sensors.ClockSynced:
		return time.Second
	}
	return 0
}

const (
	powerOnC     = 85.0 // sensing.md 4.1
	thermoStepC  = 1.0 / 16
	thermoMissed = 0.002
	scaleMissed  = 0.0005
	certifiedPpm = 2550 // a certified alarm sounds at 15 % of 1.7 %vol here (3 to 20 % LEL, sensing.md 1.2)
	gasHeaterV   = 5.0
)

func newWire(ch sensors.Channel, tick time.Duration, rng *rand.Rand) wire {
	w := wire{channel: ch, every: max(1, int(periodOf(ch)/tick)), rng: rng, lagS: 60}
	w.offset = 0.12 * rng.NormFloat64()
	w.floatV = newWander(2e5, 60, tick.Seconds())
	if ch == sensors.ShellC || ch == sensors.RegulatorC {
		w.lagS = 30
	}
	return w
}

// poweredOn makes a thermometer show its power-on code once, sometimes twice.
func (w *wire) poweredOn() {
	w.codeAt = 1
	if w.rng.Float64() < 0.2 {
		w.codeAt = 2
	}
	w.last = sensors.Reading{}
}

// fill takes one reading of every channel that is due.
func (v *Van) fill(into []sensors.Reading) {
	due := v.tick - v.bootTick
	for i := range v.wires {
		w := &v.wires[i]
		r := sensors.Reading{}
		if due%w.every == 0 {
			r = v.measure(w)
			r = w.spoil(r)
		}
		into[i] = r
	}
}

// measure is the reading of a healthy sensor.
func (v *Van) measure(w *wire) sensors.Reading {
	switch w.channel {
	case sensors.LoadCounts:
		counts := v.scale.counts(v.loadKg(), v.airKgPerM3(), &v.people, &v.weather, v.moving)
		if w.rng.Float64() < scaleMissed {
			return sensors.Reading{}
		}
		return sensors.Of(counts)
	case sensors.GasV:
		return sensors.Of(v.sensor.volts(v.gasSupplyV()))
	case sensors.GasSupplyV:
		return sensors.Of(rounded(v.gasSupplyV()+0.002*w.rng.NormFloat64(), 0.001, 1000))
	case sensors.GasHeaterV:
		if !v.gasHeated() {
			return sensors.Of(0)
		}
		return sensors.Of(rounded(gasHeaterV+0.01*w.rng.NormFloat64(), 0.001, 1000))
	case sensors.BaroKPa:
		return sensors.Of(rounded(v.airKPa+0.004*w.rng.NormFloat64(), 0.01, 100))
	case sensors.HumidityPct:
		pct := 100 * v.cabin.absGPerM3 / saturatedGPerM3(v.cabin.airC-floorColderK)
		return sensors.Of(rounded(min(max(pct+0.3*w.rng.NormFloat64(), 0), 100), 0.1, 10))
	case sensors.BatteryV:
		return sensors.Of(rounded(v.battery.v+0.01*w.rng.NormFloat64(), 0.01, 100))
	case sensors.HeatCall:
		return yesNo(v.heater.calling)
	case sensors.Ignition:
		return yesNo(v.moving)
	case sensors.CertifiedAlarm:
		return yesNo(v.room.floorPpm > certifiedPpm)
	case sensors.ClockSynced:
		return yesNo(v.synced())
	}
	return v.thermometer(w)
}

// thermometer is a 1-wire thermometer in what its channel names.
func (v *Van) thermometer(w *wire) sensors.Reading {
	if w.rng.Float64() < thermoMissed {
		return sensors.Reading{}
	}
	if w.codeAt > 0 {
		w.codeAt--
		return sensors.Of(powerOnC)
	}
	c := w.lagC + w.offset + 0.02*w.rng.NormFloat64()
	return sensors.Of(math.Round(c/thermoStepC) * thermoStepC)
}

// surroundingsC is what the thermometer of a channel is in.
func (v *Van) surroundingsC(ch sensors.Channel) float64 {
	switch ch {
	case sensors.CabinC:
		return v.cabin.airC
	case sensors.OutsideC:
		return v.weather.outsideC
	case sensors.LockerC:
		return v.cabin.lockerC
	case sensors.WaterlineC:
		return v.cabin.waterlineC
	case sensors.ShellC:
		return v.cylinder.liquidC + 0.15*(v.cabin.lockerC-v.cylinder.liquidC)
	case sensors.RegulatorC:
		return v.regulator.bodyC
	}
	return 0
}

// spoil puts the fault of the moment in place of a healthy reading.
func (w *wire) spoil(r sensors.Reading) sensors.Reading {
	if w.fault == nil {
		if r.Quality == sensors.Good {
			w.last = r
		}
		return r
	}
	switch w.fault.Mode {
	case faultGap:
		return sensors.Reading{}
	case faultStuck:
		if w.last.Quality == sensors.Good {
			return w.last
		}
		return r
	case faultTimeout, faultCRC:
		return sensors.Fault(w.fault.Mode)
	case faultRail:
		if w.channel == sensors.LoadCounts {
			return sensors.Of(fullScale)
		}
		return sensors.Of(5)
	case faultOpen:
		return w.open()
	case faultCode:
		return sensors.Of(w.fault.Value)
	}
	return r // a fault inside the sensor shows in its own value
}

// open is a cut lead: a bridge input that floats, a divider without its upper half, a
// bus that nobody answers on.
func (w *wire) open() sensors.Reading {
	switch {
	case w.channel == sensors.LoadCounts:
		return sensors.Of(math.Round(w.floatV.step(w.rng) + 2e4*w.rng.NormFloat64()))
	case w.channel == sensors.GasV, w.channel == sensors.GasSupplyV, w.channel == sensors.GasHeaterV,
		w.channel == sensors.BatteryV, w.channel.IsSwitch():
		return sensors.Of(0)
	}
	return sensors.Fault(faultOpen)
}

func yesNo(yes bool) sensors.Reading {
	if yes {
		return sensors.Of(1)
	}
	return sensors.Of(0)
}
