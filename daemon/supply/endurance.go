package supply

import "frostline/daemon/lpg"

const (
	enduranceStepS = 600.0
	// MostHours bounds an [Endurance]; no fuel of a van lasts a month of steady draw.
	MostHours = 24 * 31.0
	// unusableKg is left in the cylinder when it no longer feeds a regulator
	// (estimation.md 2).
	unusableKg = 0.05
)

// A Limit is what ends a steady draw.
type Limit string

// What may end a steady draw.
const (
	NoLimit       Limit = "none"     // the month is over first
	PressureLimit Limit = "pressure" // too cold: less than the regulator needs, with fuel left
	ContentsLimit Limit = "contents" // the fuel is used up
)

// An Endurance is how long a steady draw can go on, and what ends it.
type Endurance struct {
	AfterH float64
	Ends   Limit
	Left   Contents // when it ends
}

// A Draw is a steady draw in steady air.
type Draw struct {
	AirTempC     float64 // of the locker, -50 to 60 C
	FilmWPerM2K  float64 // 1 to 50; [FilmWPerM2K] unless calibrated
	KgPerH       float64 // above 0, to 100
	LeastKPa     float64 // absolute pressure in the cylinder below which the regulator starves
	MostH        float64 // stop looking after so long; 0 means [MostHours]
	SteadyMixing bool    // a blend keeps its composition; otherwise it loses propane
}

// Endure follows a steady draw until pressure or contents end it: the liquid cools, the
// level and with it the wetted wall fall, a blend loses its propane. It is the transient's
// answer, where [SteadyKgPerH] is the answer for ever at the present level.
//
// It refuses what [Cylinder.Step] and [lpg.Fuel.BubbleC] refuse at the start; a liquid that
// leaves the fuel's range on the way has starved. Within 0.01 h of
// cylinder_transient_examples.csv and scenarios.csv for a given conductance; the
// conductance itself is an estimate.
func (c Cylinder) Endure(f lpg.Fuel, now Contents, d Draw) (Endurance, bool) {
	most := d.MostH
	if most == 0 {
		most = MostHours
	}
	kPa, ok := f.BubbleKPa(now.LiquidTempC)
	if !ok || !within(d.KgPerH, 0, maxDrawKgPerH) || d.KgPerH == 0 || !within(d.LeastKPa, 0, 2000) || !within(most, 0, MostHours) {
		return Endurance{}, false
	}
	if _, ok := c.UAOf(f, now, d.FilmWPerM2K); !ok {
		return Endurance{}, false
	}
	if kPa <= d.LeastKPa {
		return Endurance{Ends: PressureLimit, Left: now}, true
	}
	hours := 0.0
	for hours < most {
		stepS := min(enduranceStepS, (now.ContentsKg-unusableKg)/d.KgPerH*secondsPerH, (most-hours)*secondsPerH)
		if stepS <= 0 {
			return Endurance{hours, ContentsLimit, now}, true
		}
		ua, ok := c.UAOf(f, now, d.FilmWPerM2K)
		if !ok { // all vapour
			return Endurance{hours, ContentsLimit, now}, true
		}
		next, ok := c.Step(f, now, Conditions{d.AirTempC, ua, d.KgPerH}, stepS)
		if !ok {
			return c.ended(f, now, hours), hours > 0
		}
		left := f
		if !d.SteadyMixing {
			if left, ok = Deplete(f, now.LiquidTempC, now.ContentsKg, d.KgPerH*stepS/secondsPerH); !ok {
				return c.ended(f, now, hours), true
			}
		}
		nextKPa, ok := left.BubbleKPa(next.LiquidTempC)
		if !ok || nextKPa <= d.LeastKPa {
			part := 1.0
			if ok {
				part = (kPa - d.LeastKPa) / (kPa - nextKPa)
			}
			at := Contents{now.ContentsKg + part*(next.ContentsKg-now.ContentsKg),
				now.LiquidTempC + part*(next.LiquidTempC-now.LiquidTempC)}
			return Endurance{hours + part*stepS/secondsPerH, PressureLimit, at}, true
		}
		hours += stepS / secondsPerH
		now, kPa, f = next, nextKPa, left
	}
	return Endurance{hours, NoLimit, now}, true
}

// ended says why a step was refused: with little left it was the contents.
func (c Cylinder) ended(f lpg.Fuel, now Contents, hours float64) Endurance {
	liquidKg, _, ok := f.SplitKg(now.LiquidTempC, now.ContentsKg, c.VolumeL)
	if ok && liquidKg > 2*unusableKg {
		return Endurance{hours, PressureLimit, now}
	}
	return Endurance{hours, ContentsLimit, now}
}

// UAOf returns the conductance to the air with these contents, W/K; as
// [Cylinder.UAWPerK] for the liquid there is. It refuses contents that are all vapour or
// do not fit.
func (c Cylinder) UAOf(f lpg.Fuel, now Contents, filmWPerM2K float64) (float64, bool) {
	liquidKg, _, ok := f.SplitKg(now.LiquidTempC, now.ContentsKg, c.VolumeL)
	if !ok {
		return 0, false
	}
	kgPerM3, ok := f.LiquidKgPerM3(now.LiquidTempC)
	if !ok {
		return 0, false
	}
	return c.UAWPerK(1000*liquidKg/kgPerM3, filmWPerM2K)
}
