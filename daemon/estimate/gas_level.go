package estimate

import (
	"math"
	"time"

	"frostline/sensors"
)

// Part class with a 5 V heater (sensing.md 2.1): curve fitted to published LPG points
// 200 -> 0.698, 1000 -> 0.355, 10 000 -> 0.145; the clean-air ratio is from memory of the
// same source.
const (
	classCurveA        = 5.86
	classCurveB        = -0.402
	classCleanAirRatio = 6.5
)

// Range of the part class and the lower explosive limit that early alarms are based on:
// propane 1.7 %vol, IEC 60079-20-1 (sensing.md 1.1).
const (
	gasLowestPpm  = 200.0
	gasHighestPpm = 10000.0
	ppmPerPctLEL  = 170.0
)

// True gas is 0.5 to 2.4 times the reading when Rs is 30 % off (sensing.md 1.3 and 2.1).
const (
	gasTrueLow  = 0.5
	gasTrueHigh = 2.4
)

// gasLevel is a level of sensing.md 1.3.
type gasLevel int8

const (
	levelBlind gasLevel = iota - 1
	levelBackground
	levelTrace
	levelWarning
	levelLeave
)

func (l gasLevel) band() GasBand {
	switch l {
	case levelBackground:
		return Background
	case levelTrace:
		return Trace
	case levelWarning:
		return Warning
	case levelLeave:
		return Leave
	}
	return Blind
}

// onDelay is how long a level lasts before it is shown (sensing.md 1.3).
func (l gasLevel) onDelay() time.Duration {
	switch l {
	case levelTrace:
		return 5 * time.Minute
	case levelWarning:
		return 30 * time.Second
	}
	return 5 * time.Second
}

// gasThresholds are in nominal % of the lower explosive limit.
type gasThresholds struct {
	raisePctLEL [4]float64
	clearPctLEL [4]float64
	risePctLEL  float64 // in a minute
}

// thresholds are those with an R0 from a test mix, and those without (sensing.md 1.3).
// The clear thresholds and the fast rise of the provisional table keep the proportions of
// the first.
func thresholds(provisional bool) gasThresholds {
	if provisional {
		return gasThresholds{
			raisePctLEL: [4]float64{levelTrace: 1, levelWarning: 2.5, levelLeave: 4},
			clearPctLEL: [4]float64{levelTrace: 0.5, levelWarning: 1.5, levelLeave: 2},
			risePctLEL:  1.5,
		}
	}
	return gasThresholds{
		raisePctLEL: [4]float64{levelTrace: 2, levelWarning: 5, levelLeave: 10},
		clearPctLEL: [4]float64{levelTrace: 1, levelWarning: 3, levelLeave: 5},
		risePctLEL:  3,
	}
}

// Relative channel: trace below a quarter of the baseline, unless the signal is on its
// way back, as after cooking; cleared at half that gas, which is 2^0.402 in resistance.
const (
	relativeTrace  = 0.25
	relativeClear  = 0.33
	decayingRatio  = 1.1 // resistance against five minutes ago
	decayingOver   = 5 * time.Minute
	fastRiseWithin = time.Minute
)

// curvePpm is the LP gas that makes the sensor's resistance ratio times R0: the log-log
// line C = (ratio/a)^(1/b) of sensing.md 2.1. It is a number below and above the range
// too; what is shown is cut at 200 and 10 000 ppm.
func curvePpm(a, b, ratio float64) float64 {
	return math.Pow(math.Max(ratio, 1e-6)/a, 1/b)
}

// pct is the nominal gas at a resistance, % of the lower limit, at most 1e4.
func (g *gasWatch) pct(ohm float64) float64 {
	ref := g.referenceOhm()
	if ref == 0 {
		ref = g.mem.Base.SeenOhm
	}
	ref = max(ref, leastCleanOhm)
	if !g.provisional {
		ref = g.commissionedOhm()
	}
	ratio := ohm / ref * g.p.CleanAirRatio
	return min(curvePpm(g.p.CurveA, g.p.CurveB, ratio)/ppmPerPctLEL, 1e4)
}

// commissionedOhm is the clean-air resistance from a configured R0, 0 without one.
func (g *gasWatch) commissionedOhm() float64 { return max(g.p.R0Ohm, 0) * g.p.CleanAirRatio }

// referenceOhm is the clean-air resistance the absolute channel stands on, 0 while there
// is none. A configured R0 never moves; without one it is the cleanest air seen.
func (g *gasWatch) referenceOhm() float64 {
	if ohm := g.commissionedOhm(); ohm > 0 {
		return ohm
	}
	return g.mem.Base.CleanOhm
}

// judge is the level of the newest resistance, and moves Hold: up with the level, down
// past each clear threshold that has been undershot.
func (g *gasWatch) judge(up, on time.Duration) gasLevel {
	m := &g.mem
	now := g.pct(m.Ohm)
	level := levelBackground
	for l := levelTrace; l <= levelLeave; l++ {
		if now >= g.steps.raisePctLEL[l] {
			level = l
		}
	}
	if level < levelWarning && on >= gasWarmUp+fastRiseWithin {
		if least, ok := m.Recent.highest(up, fastRiseWithin); ok && now-g.pct(least/m.Factor) > g.steps.risePctLEL {
			level = levelWarning
		}
	}
	if level < levelTrace && m.Base.Drifting {
		level = levelTrace
	}
	ratio := math.Inf(1)
	if m.Base.Ohm > 0 {
		ratio = m.Ohm / m.Base.Ohm
	}
	if level < levelTrace && ratio < relativeTrace && !m.Recent.decaying(up, m.Ohm*m.Factor) {
		level = levelTrace
	}
	for m.Hold > level && now < g.steps.clearPctLEL[m.Hold] && !(m.Hold == levelTrace && ratio < relativeClear) {
		m.Hold--
	}
	m.Hold = max(m.Hold, level)
	return level
}

// pctLEL is the number a person may be shown: only with an R0 from a test mix, and only a
// bound outside the part's range.
func (g *gasWatch) pctLEL(up, on time.Duration, fault string, state []ChannelState) Quantity {
	m := &g.mem
	switch {
	case fault == gasRail && on >= gasWarmUp && !g.provisional:
		return overRange(up)
	case fault != "":
		return Unknown(fault)
	case g.provisional:
		return Unknown("indicative only: R0 does not come from a test mix")
	case on < gasWarmUp || m.Ohm == 0:
		return Unknown(gasWarming)
	}
	at := state[g.ix.gas].LastUp
	switch pct := g.pct(m.Ohm); {
	case pct > gasHighestPpm/ppmPerPctLEL:
		return overRange(at)
	case pct < gasLowestPpm/ppmPerPctLEL:
		return Quantity{
			Value: pct, High: gasTrueHigh * gasLowestPpm / ppmPerPctLEL,
			Quality: sensors.Suspect, Why: "below range: under 200 ppm", At: at,
		}
	default:
		return Quantity{Value: pct, Low: gasTrueLow * pct, High: min(100, gasTrueHigh*pct), Quality: sensors.Good, At: at}
	}
}

func overRange(at time.Duration) Quantity {
	const top = gasHighestPpm / ppmPerPctLEL
	return Quantity{Value: top, Low: gasTrueLow * top, High: 100, Quality: sensors.Suspect, Why: "over range: more than 10 000 ppm", At: at}
}

// Temperature and humidity (sensing.md 2.2): ln f = kT (T-20) + kH ln(AH/AH0), with the
// coefficients that give the published 1.3 at -10 C and 33 %RH and 0.8 at 50 C and 85 %RH
// about 1 at 20 C and 65 %RH. The correction is kept within 0.7 and 1.4.
const (
	tempPerK      = -0.00455
	humidityPerLn = -0.047
	refGPerM3     = 11.2 // absolute humidity at 20 C, 65 %RH
	correctLow    = 0.7
	correctHigh   = 1.4
	driestGPerM3  = 0.5 // less is not met where people live
)

// correction is the factor the air's warmth and moisture put on the resistance. A van
// without both sensors is not corrected; one whose sensors are bad gets the factor that
// makes the gas highest.
func (g *gasWatch) correction(on time.Duration, state []ChannelState) float64 {
	if on < gasWarmUp {
		return 1
	}
	f, _ := g.weather(state)
	return f
}

// weather is the correction and whether it rests on measurements (or on none by design).
func (g *gasWatch) weather(state []ChannelState) (factor float64, known bool) {
	if g.ix.cabin < 0 || g.ix.humidity < 0 {
		return 1, true
	}
	t, h := &state[g.ix.cabin], &state[g.ix.humidity]
	if t.Quality != sensors.Good {
		return correctHigh, false
	}
	gPerM3, known := driestGPerM3, h.Quality == sensors.Good
	if known {
		gPerM3 = max(driestGPerM3, h.Value/100*saturationGPerM3(t.Value))
	}
	f := math.Exp(tempPerK*(t.Value-20) + humidityPerLn*math.Log(gPerM3/refGPerM3))
	return min(max(f, correctLow), correctHigh), known
}

// saturationGPerM3 is the water in saturated air: Magnus' formula (6.112 hPa, 17.62,
// 243.12 C; WMO-No. 8, -45 to 60 C) through the gas law.
func saturationGPerM3(c float64) float64 {
	return 216.7 * 6.112 * math.Exp(17.62*c/(243.12+c)) / (273.15 + c)
}
