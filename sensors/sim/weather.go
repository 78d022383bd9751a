package sim

import (
	"math"
	"math/rand/v2"
)

// wander is noise with a memory: mean 0, the given rms, forgetting over tauS seconds.
type wander struct{ now, keep, kick float64 }

func newWander(rms, tauS, dt float64) wander {
	keep := math.Exp(-dt / tauS)
	return wander{0, keep, rms * math.Sqrt(1-keep*keep)}
}

func (w *wander) step(r *rand.Rand) float64 {
	w.now = w.keep*w.now + w.kick*r.NormFloat64()
	return w.now
}

// lagged follows its input with a first-order lag.
func lagged(now, toward, dt, tauS float64) float64 {
	return now + (toward-now)*(1-math.Exp(-dt/tauS))
}

// weather is the air outside the van.
type weather struct {
	spec                  WeatherSpec
	rng                   *rand.Rand
	days, minutes         wander // temperature
	windSlow, gust, shake wander
	pressure              wander
	fronts                []front

	outsideC   float64
	windMPerS  float64 // with its gusts
	meanWindMS float64 // without
	seaKPa     float64
	sunFrac    float64 // 0 at night, 1 at noon
	absGPerM3  float64 // water in the air
}

// front is a change of air mass.
type front struct{ atS, forS, byC, windMS, byKPa float64 }

func newWeather(s WeatherSpec, rng *rand.Rand, dt float64) weather {
	return weather{spec: s, rng: rng,
		days: newWander(s.WanderC, 6*3600, dt), minutes: newWander(0.2, 300, dt),
		windSlow: newWander(0.25, 2*3600, dt), gust: newWander(0.2, 15, dt), shake: newWander(1, 8, dt),
		pressure: newWander(0.35, 30*3600, dt)}
}

// step moves to tS seconds since the start, dayS seconds since local midnight, at an
// altitude. Dawn is coldest at 06:00, the afternoon warmest at 15:00.
func (w *weather) step(tS, dayS, altitudeM, baseM float64) {
	const dawnS, warmS, dayLenS = 6 * 3600, 15 * 3600, 24 * 3600
	swing := 0.0
	if dayS >= dawnS && dayS < warmS {
		swing = -math.Cos(math.Pi * (dayS - dawnS) / (warmS - dawnS))
	} else {
		since := math.Mod(dayS-warmS+dayLenS, dayLenS)
		swing = math.Cos(math.Pi * since / (dayLenS - warmS + dawnS))
	}
	w.sunFrac = max(0, math.Cos(2*math.Pi*(dayS/dayLenS-0.51))*1.3-0.3)

	byC, windMS, byKPa := 0.0, 0.0, 0.0
	for _, f := range w.fronts {
		gone := min(max((tS-f.atS)/f.forS, 0), 1)
		byC += f.byC * gone * gone * (3 - 2*gone)
		// Wind and pressure come with the front and take as long again to leave.
		near := max(0, 1-math.Abs(tS-f.atS-f.forS/2)/f.forS)
		windMS += f.windMS * min(1, 1.6*near)
		byKPa += f.byKPa * near
	}
	const lapseKPerM = 0.0065
	w.outsideC = w.spec.MeanC + w.spec.SwingC*swing + byC + w.days.step(w.rng) + w.minutes.step(w.rng) -
		lapseKPerM*(altitudeM-baseM)
	w.meanWindMS = max(0, (w.spec.WindMPerS+windMS)*(1+w.windSlow.step(w.rng)))
	w.windMPerS = max(0, w.meanWindMS*(1+w.gust.step(w.rng)))
	w.seaKPa = w.spec.SeaLevelKPa + byKPa + w.pressure.step(w.rng)
	w.absGPerM3 = w.spec.HumidityPct / 100 * saturatedGPerM3(w.spec.MeanC+byC)
	w.absGPerM3 = min(w.absGPerM3, saturatedGPerM3(w.outsideC))
}

// airKPa is the pressure at an altitude (ISO 2533, physics.md 2).
func (w *weather) airKPa(altitudeM float64) float64 {
	return w.seaKPa * math.Pow(1-2.25577e-5*altitudeM, 5.25588)
}

// waterKPa is the saturation pressure of water (Magnus form, over liquid).
func waterKPa(tempC float64) float64 { return 0.61094 * math.Exp(17.625*tempC/(243.04+tempC)) }

// saturatedGPerM3 is the water that air can hold, ideal gas: 2.167 g K/J.
func saturatedGPerM3(tempC float64) float64 { return 2167 * waterKPa(tempC) / (tempC + 273.15) }

// dewPointC is where that much water begins to settle, the inverse of waterKPa. It takes
// the vapour pressure at tempC, which is close enough for a film of dew.
func dewPointC(absGPerM3, tempC float64) float64 {
	l := math.Log(max(absGPerM3, 0.01) * (tempC + 273.15) / 2167 / 0.61094)
	return 243.04 * l / (17.625 - l)
}
