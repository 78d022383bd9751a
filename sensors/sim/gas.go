package sim

import (
	"math"
	"math/rand/v2"
)

// room is the cabin's air as a shallow pool at the floor, where LP gas collects, and the
// rest above it. Vapour densities are those of sensing.md 1.1; how fast the two mix is
// engineering judgement.
type room struct {
	volumeM3   float64
	floorPpm   float64 // fuel vapour
	upperPpm   float64
	ethanolPpm float64
}

const (
	floorFrac      = 0.2 // "pooled in the bottom fifth", sensing.md 1.1
	fuelGPerM3     = 1860.0
	ethanolGPerM3  = 1920.0
	calmMixM3PerH  = 4.0 // a dense layer hardly mixes
	stirMixM3PerH  = 12.0
	drainM3PerH    = 1.5 // out through the low vents
	cookVentM3PerH = 30.0
)

// step lets vapours in (g/s), mixes and airs.
func (r *room) step(dt, floorGPerS, upperGPerS, ethanolGPerS, mixM3PerH, freshM3PerH float64) {
	floorM3, upperM3 := floorFrac*r.volumeM3, (1-floorFrac)*r.volumeM3
	mix := mixM3PerH / 3600 * (r.floorPpm - r.upperPpm)
	floor := 1e6*floorGPerS/fuelGPerM3 - mix - drainM3PerH/3600*r.floorPpm
	upper := 1e6*upperGPerS/fuelGPerM3 + mix - freshM3PerH/3600*r.upperPpm
	r.floorPpm = max(0, r.floorPpm+floor*dt/floorM3)
	r.upperPpm = max(0, r.upperPpm+upper*dt/upperM3)
	r.ethanolPpm = max(0, r.ethanolPpm+dt/r.volumeM3*(1e6*ethanolGPerS/ethanolGPerM3-freshM3PerH/3600*r.ethanolPpm))
}

// tinOxide is a heated tin-oxide sensor over a load resistor (sensing.md 2.1).
type tinOxide struct {
	spec     GasSpec
	rng      *rand.Rand
	r0Ohm    float64
	drift    wander // of ln Rs, over days
	seenPpm  float64
	onS      float64 // since the heater has had power
	coldFrac float64 // how cold it was then
	heat     float64 // 1 at working temperature
	rsOhm    float64
}

// The part class of sensing.md 2.1 (20 kOhm divider): ratio = 5.86 C^-0.402 in gas, 6.5 in
// clean air. Conductances add; under a few ppm nothing is published and the response fades.
const (
	curveA        = 5.86
	curveB        = -0.402
	cleanRatio    = 6.5
	fadePpm       = 20.0
	ethanolWeight = 0.8    // ppm of gas that one ppm of ethanol looks like; judgement
	perK          = -0.006 // of ln Rs; with perLnAH it spans 0.8 to 1.3 (sensing.md 2.2)
	perLnAH       = -0.09
	refAHGPerM3   = 11.2 // 20 C, 65 %RH
	responseS     = 8
)

func newTinOxide(s GasSpec, rng *rand.Rand, dt float64) tinOxide {
	t := tinOxide{spec: s, rng: rng, r0Ohm: s.R0Ohm, heat: 1, onS: 1e6, drift: newWander(0.05, 2*24*3600, dt)}
	if s.ColdStart {
		t.powerOn(1e6)
	}
	return t
}

// powerOn starts the warm-up after offS seconds without power.
func (t *tinOxide) powerOn(offS float64) {
	t.onS, t.coldFrac, t.heat = 0, 1-math.Exp(-offS/1800), 1
}

// step follows the air. tempC and absGPerM3 are of the air at the floor.
func (t *tinOxide) step(dt float64, r *room, tempC, absGPerM3 float64, heated bool) {
	t.onS += dt
	t.seenPpm = lagged(t.seenPpm, r.floorPpm+ethanolWeight*r.ethanolPpm, dt, responseS)
	goal := 0.0
	if heated {
		goal = 1
	}
	t.heat = lagged(t.heat, goal, dt, 20)

	conductance := 1 / cleanRatio
	if t.seenPpm > 0.01 {
		conductance += math.Pow(t.seenPpm*t.seenPpm/(t.seenPpm+fadePpm), -curveB) / curveA
	}
	// A cold surface holds what burns off as it warms: minutes that look like gas.
	if t.onS < 3600 {
		conductance += t.coldFrac / cleanRatio * (14*math.Exp(-t.onS/22) + 0.9*math.Exp(-t.onS/240))
	}
	lnRs := perK*(tempC-20) + perLnAH*math.Log(max(absGPerM3, 0.3)/refAHGPerM3) + t.drift.step(t.rng)
	t.rsOhm = t.r0Ohm / conductance * math.Exp(lnRs) / (t.heat*t.heat*t.heat + 1e-4)
}

// volts over the load resistor, as a 16-bit converter of 0.1875 mV gives them.
func (t *tinOxide) volts(supplyV float64) float64 {
	v := supplyV*t.spec.LoadOhm/(t.spec.LoadOhm+t.rsOhm) + 0.0004*t.rng.NormFloat64()
	return rounded(max(0, v), 0.0001875, 10000)
}

// rounded is v at a converter's step, then at a power of ten per unit, so that its text
// stays short in a recording.
func rounded(v, step, perUnit float64) float64 {
	return math.Round(math.Round(v/step)*step*perUnit) / perUnit
}
