package supply

import "frostline/daemon/lpg"

const (
	// Steps of an Endurance grow with the time that has passed, since what changes fast
	// changes first.
	firstStepS    = 600.0
	stepPerPassed = 1 / 6.0
	leastStepS    = 0.1  // where a step fails, its halves are tried down to this
	coldEndK      = 10.0 // more than the shortest step can cool
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
// level and with it the wetted wall fall, a blend loses its propane. When the last liquid
// has boiled, the vapour that stands in the cylinder is drawn down to the least pressure.
// It is the transient's answer, where [SteadyKgPerH] is the answer for ever at the present
// level.
//
// It refuses what [Cylinder.Step] and [Cylinder.UAOf] refuse at the start, and a liquid
// that on the way grows too warm for the fuel's range or fills the cylinder; one that grows
// too cold for it has starved. It ends within 0.015 h or 0.3 % of steps
// of 10 s (own test); the conductance that it rests on is an estimate, +-30 %.
func (c Cylinder) Endure(f lpg.Fuel, now Contents, d Draw) (Endurance, bool) {
	most := d.MostH
	if most == 0 {
		most = MostHours
	}
	kPa, ok := f.BubbleKPa(now.LiquidTempC)
	if !ok || !(d.KgPerH > 0) || !within(d.LeastKPa, 0, 2000) || !within(most, 0, MostHours) {
		return Endurance{}, false
	}
	ua, ok := c.UAOf(f, now, d.FilmWPerM2K)
	if !ok {
		return Endurance{}, false
	}
	if _, ok = c.Step(f, now, Conditions{d.AirTempC, ua, d.KgPerH}, 0); !ok {
		return Endurance{}, false
	}
	if kPa <= d.LeastKPa {
		return Endurance{Ends: PressureLimit, Left: now}, true
	}
	hours := 0.0
	for hours < most {
		stepS := min(max(firstStepS, stepPerPassed*hours*secondsPerH), maxStepS)
		stepS = min(stepS, (now.ContentsKg-unusableKg)/d.KgPerH*secondsPerH, (most-hours)*secondsPerH)
		if stepS <= 0 {
			return Endurance{hours, ContentsLimit, now}, true
		}
		next, left, stepS, ok := c.draw(f, now, d, stepS)
		if !ok {
			return c.ended(f, now, d, kPa, hours, most)
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

// draw takes one step of stepS seconds, or of the half, quarter and so on that the contents
// still allow, and returns how long it was.
func (c Cylinder) draw(f lpg.Fuel, now Contents, d Draw, stepS float64) (next Contents, left lpg.Fuel, tookS float64, ok bool) {
	for ; ; stepS /= 2 {
		drawnKg := d.KgPerH * stepS / secondsPerH
		// The wall that is wetted at mid-step: that of the start would last too long.
		ua, ok := c.UAOf(f, Contents{now.ContentsKg - drawnKg/2, now.LiquidTempC}, d.FilmWPerM2K)
		if ok {
			next, ok = c.Step(f, now, Conditions{d.AirTempC, ua, d.KgPerH}, stepS)
		}
		switch {
		case ok && d.SteadyMixing:
			return next, f, stepS, true
		case ok:
			left, ok = Deplete(f, now.LiquidTempC, now.ContentsKg, drawnKg)
			return next, left, stepS, ok
		case stepS <= leastStepS:
			return Contents{}, lpg.Fuel{}, 0, false
		}
	}
}

// ended says why not even the shortest step could be made: the liquid was used up, and its
// vapour lasts until its pressure has fallen in proportion; or the liquid was at the cold end
// of the fuel's range. Too warm, or warm enough to fill the cylinder, is for neither.
func (c Cylinder) ended(f lpg.Fuel, now Contents, d Draw, kPa, hours, most float64) (Endurance, bool) {
	if _, _, ok := f.SplitKg(now.LiquidTempC, now.ContentsKg-d.KgPerH*leastStepS/secondsPerH, c.VolumeL); !ok {
		endKg := min(max(unusableKg, now.ContentsKg*d.LeastKPa/kPa), now.ContentsKg)
		vapourH := (now.ContentsKg - endKg) / d.KgPerH
		if hours+vapourH >= most {
			now.ContentsKg -= (most - hours) * d.KgPerH
			return Endurance{most, NoLimit, now}, true
		}
		now.ContentsKg = endKg
		return Endurance{hours + vapourH, ContentsLimit, now}, true
	}
	if _, ok := f.BubbleKPa(now.LiquidTempC - coldEndK); !ok {
		return Endurance{hours, PressureLimit, now}, true
	}
	return Endurance{}, false
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
