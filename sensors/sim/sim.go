// Package sim is a van that does not exist: a scenario and a seed in, raw readings out.
//
// It computes in physical terms what a van does (fuel, heat, weather, people) and what
// its sensors make of it, faults included. It shares daemon/lpg with the estimators, the
// published properties of the fuel, and none of their models: an estimator tested on its
// own equations proves nothing. The same scenario and seed give the same readings.
//
// What goes on is in [Van.Truth], what an owner would know in [Van.Owner]. Figures
// without a source beside them are engineering judgement and make the van plausible, no
// more.
package sim

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"time"

	"frostline/sensors"
)

// Van is one run of a scenario. It belongs to one goroutine.
type Van struct {
	s    Scenario
	seed uint64
	dt   float64

	wiring  sensors.Wiring
	wires   []wire
	changes []change
	next    int // of changes

	tick     int
	started  bool
	bootTick int
	boots    int
	boot     string
	dark     bool // without power
	darkTick int
	wallBase time.Time // without RTC: wall time at boot
	heatOff  bool
	setC     float64
	nightC   float64

	weather   weather
	cabin     cabin
	heater    heater
	kitchen   kitchen
	people    people
	cylinder  cylinder
	regulator regulator
	scale     scale
	room      room
	sensor    tinOxide
	battery   battery

	airKPa    float64
	altitudeM float64
	climb     climb
	moving    bool
	handsS    float64 // somebody has the cylinder in hands
	leaks     leaks
	alcohol   float64 // g/s
	ownerR0   float64
	blame     string // why the heater last failed; a lockout outlives its cause

	supply  float64
	netJ    float64 // per kg of fuel
	burnKgS float64 // appliances
	leakKgS float64
	burnKg  float64 // since the start
	leakKg  float64
}

// leaks are open holes in kg/s at full supply.
type leaks struct{ locker, floor, burner float64 }

func (l leaks) sum() float64 { return l.locker + l.floor + l.burner }

// climb is a change of altitude while driving.
type climb struct{ fromM, toM, fromS, untilS float64 }

// New is a van at the start of its scenario; a seed of 0 takes the scenario's own.
func New(s Scenario, seed uint64) *Van {
	if seed == 0 {
		seed = s.Seed
	}
	v := &Van{s: s, seed: seed, dt: s.Tick.Seconds(), altitudeM: s.Van.AltitudeM,
		setC: s.Van.Heater.SetC, nightC: s.Van.Heater.NightSetC, heatOff: s.Van.Heater.Off}
	v.weather = newWeather(s.Weather, v.stream(1), v.dt)
	v.changes, v.weather.fronts = timeline(s.Events)
	v.weather.step(0, v.dayS(), v.altitudeM, v.altitudeM)
	v.airKPa = v.weather.airKPa(v.altitudeM)
	v.cabin = newCabin(s.Van.Cabin, v.weather.outsideC)
	v.cabin.absGPerM3 = min(v.weather.absGPerM3+3, saturatedGPerM3(v.cabin.airC))
	v.heater.spec = s.Van.Heater
	v.people = people{rng: v.stream(2), count: s.Van.Occupants}
	v.kitchen = kitchen{spec: s.Van.Cooktop, rng: v.stream(3), meals: s.Meals, atS: make([]float64, len(s.Meals)), dayS: v.dayS()}
	v.kitchen.newDay()
	v.settle()
	v.scale = newScale(s.Van.Scale, v.stream(4), v.dt)
	v.scale.settle(v.loadKg(), v.cabin.lockerC)
	v.room = room{volumeM3: s.Van.Cabin.VolumeM3}
	owner := v.stream(6)
	v.sensor = newTinOxide(s.Van.Gas, v.stream(5), v.dt)
	v.sensor.r0Ohm *= math.Exp(0.1 * owner.NormFloat64())
	v.ownerR0 = math.Round(v.sensor.r0Ohm * (1 + 0.05*owner.NormFloat64()))
	v.battery = battery{spec: s.Van.Battery, ah: s.Van.Battery.CapacityAh * s.Van.Battery.StartFrac}
	v.battery.v = v.battery.openV()
	v.wire()
	v.happen()
	v.senses(v.dt)
	return v
}

// settle starts cylinder and regulator as warm as the locker, unless the scenario says.
func (v *Van) settle() {
	c := v.s.Van.Cylinder
	startC := v.cabin.lockerC
	if c.StartC != nil {
		startC = *c.StartC
	}
	v.cylinder = newCylinder(c, startC)
	v.regulator = regulator{spec: v.s.Van.Regulator, bodyC: v.cabin.lockerC}
	v.netJ = netJPerKg(v.cylinder.propsPropane)
	v.supply = v.regulator.supply(&v.cylinder, v.airKPa)
}

// wire fits the channels and switches the board on.
func (v *Van) wire() {
	for i, ch := range v.s.Channels {
		w := newWire(ch, v.s.Tick.Duration, v.stream(100+uint64(i)))
		w.lagC = v.surroundingsC(ch)
		v.wires = append(v.wires, w)
		v.wiring = append(v.wiring, sensors.Wire{Channel: ch, Period: time.Duration(w.every) * v.s.Tick.Duration})
	}
	v.wallBase = v.s.Start
	v.powerOn()
}

// stream is an independent generator, so that one part's draws never move another's.
func (v *Van) stream(id uint64) *rand.Rand { return rand.New(rand.NewPCG(v.seed, id)) }

// Wiring is the order of the readings. The slice belongs to the van.
func (v *Van) Wiring() sensors.Wiring { return v.wiring }

// Boot names the run of the board; it changes after a power cut, and Up starts again.
func (v *Van) Boot() string { return v.boot }

// Scenario is what the van was made from.
func (v *Van) Scenario() Scenario { return v.s }

// Read advances simulated time by one tick and takes the readings that are due, in the
// order of [Van.Wiring]; the first call is the start itself. During a power cut nothing
// is read: the call returns the first tick of the next boot. It returns io.EOF when the
// scenario is over, and an error if into is too short or ctx is done.
func (v *Van) Read(ctx context.Context, into []sensors.Reading) (sensors.Stamp, error) {
	if err := ctx.Err(); err != nil {
		return sensors.Stamp{}, fmt.Errorf("simulated van: %w", err)
	}
	if len(into) < len(v.wires) {
		return sensors.Stamp{}, fmt.Errorf("simulated van: room for %d readings of %d", len(into), len(v.wires))
	}
	if v.started {
		v.step()
	}
	v.started = true
	for v.dark && !v.over() {
		v.step()
	}
	if v.over() {
		return sensors.Stamp{}, io.EOF
	}
	v.fill(into)
	return v.stamp(), nil
}

func (v *Van) over() bool { return v.tick >= int(v.s.Duration.Duration/v.s.Tick.Duration) }

// sinceStartS is simulated time since the start of the scenario.
func (v *Van) sinceStartS() float64 { return float64(v.tick) * v.dt }

// now is true time, which the board may not know.
func (v *Van) now() time.Time {
	return v.s.Start.Add(time.Duration(v.tick) * v.s.Tick.Duration)
}

// dayS is seconds since local midnight.
func (v *Van) dayS() float64 {
	start := v.s.Start.UTC()
	s := float64(start.Hour()*3600+start.Minute()*60+start.Second()) + 3600*v.s.UTCOffsetH + v.sinceStartS()
	return math.Mod(math.Mod(s, 86400)+86400, 86400)
}

func (v *Van) up() time.Duration {
	return time.Duration(v.tick-v.bootTick) * v.s.Tick.Duration
}

// synced reports whether the board's clock is known to be right.
func (v *Van) synced() bool {
	return v.s.Van.Clock.RTC || v.up() >= v.s.Van.Clock.SyncAfter.Duration
}

func (v *Van) stamp() sensors.Stamp {
	wall := v.now()
	if !v.synced() {
		wall = v.wallBase.Add(v.up())
	}
	return sensors.Stamp{Up: v.up(), Wall: wall}
}

// powerOn boots the board.
func (v *Van) powerOn() {
	v.boots++
	v.boot = fmt.Sprintf("sim-%x-%d", v.seed, v.boots)
	v.dark, v.bootTick = false, v.tick
	if at := v.s.Van.Clock.BootsAt; !at.IsZero() {
		v.wallBase = at
	}
	for i := range v.wires {
		if v.wires[i].channel.IsTemp() {
			v.wires[i].poweredOn()
		}
	}
}

// powerOff takes the board's supply away, the gas sensor's with it.
func (v *Van) powerOff() {
	v.wallBase = v.stamp().Wall // what a board without RTC will start from
	v.dark, v.darkTick = true, v.tick
}

// step is one tick of the world.
func (v *Van) step() {
	v.tick++
	v.happen()
	dt, dayS := v.dt, v.dayS()
	v.altitudeM = v.climb.at(v.sinceStartS(), v.altitudeM)
	v.weather.step(v.sinceStartS(), dayS, v.altitudeM, v.s.Van.AltitudeM)
	v.airKPa = v.weather.airKPa(v.altitudeM)
	v.people.step(dt, dayS, v.s.Van.Wakes.Seconds(), v.s.Van.Sleeps.Seconds(), v.kitchen.burning > 0)
	v.kitchen.step(dt, dayS, v.people.aboard() && v.people.awake && !v.moving)
	v.gasFlow(dt)
	v.warmth(dt)
	v.vapours(dt)
	v.senses(dt)
}

// gasFlow lets the appliances ask, the regulator pass and the cylinder pay.
func (v *Van) gasFlow(dt float64) {
	v.supply = v.regulator.supply(&v.cylinder, v.airKPa)
	setC := v.setC
	if !v.people.awake {
		setC = v.nightC
	}
	v.heater.step(dt, v.cabin.airC, setC, v.supply, v.battery.v, !v.heatOff && !v.moving)

	if v.heater.lit {
		v.blame = ""
	} else if v.heater.starved() {
		v.blame = cmp.Or(v.hindrance(), v.blame)
	}

	passes := v.passes()
	kw := v.kitchen.kw
	if v.heater.lit {
		kw += v.heater.spec.KW * (1 + v.heater.spec.PlateErrorFrac)
	}
	v.burnKgS, v.leakKgS = passes*kw*1000/v.netJ, passes*v.leaks.sum()
	if asked := (v.burnKgS + v.leakKgS) * dt; asked > v.cylinder.fuelKg {
		share := v.cylinder.fuelKg / asked
		v.burnKgS, v.leakKgS = v.burnKgS*share, v.leakKgS*share
	}
	v.burnKg += v.burnKgS * dt
	v.leakKg += v.leakKgS * dt
	v.cylinder.step(dt, v.burnKgS+v.leakKgS, v.cabin.lockerC)
	v.cylinder.sweat(dt, dewPointC(v.weather.absGPerM3, v.cabin.lockerC))
	v.regulator.step(dt, v.burnKgS+v.leakKgS, v.cabin.lockerC, v.airKPa, &v.cylinder)
}

// warmth heats the cabin with what burned and who is there.
func (v *Van) warmth(dt float64) {
	passes := v.passes()
	heatW := v.people.heatW() + 25 + 1000*v.kitchen.kw*passes*cookToAirShare
	if v.heater.lit {
		heatW += 1000 * v.heater.spec.KW * (1 + v.heater.spec.PlateErrorFrac) * v.heater.spec.EfficiencyFrac * passes
	}
	wind := v.weather.windMPerS
	if v.moving {
		wind = max(wind, 15)
		heatW += 1500 // the engine's own heater
	}
	v.cabin.step(dt, heatW, v.weather.outsideC, wind, &v.cylinder, v.weather.sunFrac*v.s.Weather.SunLockerK)
	gPerH := 0.0
	if v.people.aboard() {
		gPerH = 45 * float64(v.people.count)
	}
	// Burned fuel makes 1.6 times its mass of water; the pot adds as much again.
	gPerH += 3.2 * 3.6e9 * v.kitchen.kw * passes / v.netJ
	v.cabin.moisten(dt, gPerH, v.freshM3PerH(), v.weather.outsideC, v.weather.absGPerM3)
	v.battery.step(dt, v.weather.sunFrac, v.heater.blowing(), v.moving)
}

// passes is the gas that flows over what the plates ask for at sea level. The regulator
// holds gauge pressure, so an orifice passes less high up (physics.md 8).
func (v *Van) passes() float64 {
	return v.supply * math.Sqrt((v.airKPa+2.74)/104.065)
}

// Of gas at an open burner most falls to the floor; and a puff escapes before a burner
// lights. Both engineering judgement.
const (
	burnerFallsFrac = 0.8
	puffG           = 0.06
)

// vapours spread through the room.
func (v *Van) vapours(dt float64) {
	open := 1000 * v.passes()
	floor := open * (v.leaks.floor + burnerFallsFrac*v.leaks.burner)
	upper := open * (1 - burnerFallsFrac) * v.leaks.burner
	if v.supply > 0 {
		floor += puffG * float64(v.kitchen.lit) / dt
	}
	mix := calmMixM3PerH
	if v.people.burstS > 0 || v.heater.blowing() {
		mix = stirMixM3PerH
	}
	v.room.step(dt, floor, upper, v.alcohol, mix, v.freshM3PerH())
}

// freshM3PerH is the air that comes in; a hatch is open while somebody cooks.
func (v *Van) freshM3PerH() float64 {
	fresh := v.s.Van.Cabin.AirChangesPerH * v.s.Van.Cabin.VolumeM3
	if v.kitchen.burning > 0 {
		fresh += cookVentM3PerH
	}
	return fresh
}

// floorColderK is the air at the floor, where the gas sensor sits, below mid height.
const floorColderK = 3

// senses lets everything that lags follow.
func (v *Van) senses(dt float64) {
	v.scale.step(dt, v.loadKg(), v.cabin.lockerC)
	if v.handsS > 0 {
		v.handsS -= dt
		v.scale.hurryG = 3000 * v.scale.rng.NormFloat64()
	}
	if !v.dark {
		v.sensor.step(dt, &v.room, v.cabin.airC-floorColderK, v.cabin.absGPerM3, v.gasHeated())
	}
	for i := range v.wires {
		if w := &v.wires[i]; w.channel.IsTemp() {
			w.lagC = lagged(w.lagC, v.surroundingsC(w.channel), dt, w.lagS)
		}
	}
}

// loadKg is the mass on the cradle.
func (v *Van) loadKg() float64 {
	if !v.cylinder.present {
		return 0
	}
	return v.cylinder.spec.TareKg + v.cylinder.fuelKg + v.cylinder.dewKg
}

// airKgPerM3 is the density of the locker air, which lifts the cylinder.
func (v *Van) airKgPerM3() float64 { return v.airKPa / 0.28705 / (v.cabin.lockerC + 273.15) }

// gasSupplyV is the supply of the divider.
func (v *Van) gasSupplyV() float64 { return v.s.Van.Gas.SupplyV }

// gasHeated reports whether the gas sensor's heater has power.
func (v *Van) gasHeated() bool {
	i := v.wiring.Index(sensors.GasV)
	return i < 0 || v.wires[i].fault == nil || v.wires[i].fault.Mode != faultHeater
}

func (c climb) at(tS, nowM float64) float64 {
	if c.untilS <= c.fromS || tS < c.fromS {
		return nowM
	}
	return c.fromM + (c.toM-c.fromM)*min(1, (tS-c.fromS)/(c.untilS-c.fromS))
}
