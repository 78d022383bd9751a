package supply

import (
	"math"

	"frostline/daemon/lpg"
)

const (
	maxUAWPerK    = 100.0  // a 420 lb cylinder in a gale has half of it
	maxStepS      = 1800.0 // the error of longer steps was not measured
	maxDrawKgPerH = 100.0  // beyond any van's appliances, so a slip of unit
	secondsPerH   = 3600.0
)

// Contents is what a cylinder holds at one moment, the liquid and its vapour at one
// temperature.
type Contents struct {
	ContentsKg  float64 // liquid and vapour, what a scale sees
	LiquidTempC float64
}

// Conditions is what acts on a cylinder during a step.
type Conditions struct {
	AirTempC   float64 // of the locker, -50 to 60 C
	UAWPerK    float64 // 0 to 100 W/K, from [Cylinder.UAWPerK] or calibrated
	DrawKgPerH float64 // vapour taken, 0 to 100 kg/h
}

// Step returns the contents after seconds under the conditions, 0 to 1800 s. Energy
// enters from the air and leaves with the vapour; the wall is as cold as the liquid.
//
// It refuses conditions out of range, a fuel unset or outside its temperatures before or
// after, and contents that are all vapour or would fill the cylinder. It follows
// cylinder_transient_examples.csv (pure propane, equation of state) within 0.02 K over
// hours, in steps of a second and of 1800 s alike. It allocates nothing.
//
// The liquid is taken as well mixed, and a blend keeps its composition during the step.
//
// Source: (C2 + C_wall) dT/dt = UA (T_air - T) - mdot h_eff, dM/dt = -mdot; solved as an
// exponential with the coefficients of mid-step, which no step length makes unstable.
func (c Cylinder) Step(f lpg.Fuel, now Contents, at Conditions, seconds float64) (Contents, bool) {
	if !c.Known() || !within(seconds, 0, maxStepS) || !within(at.AirTempC, lpg.MinTempC, lpg.MaxTempC) ||
		!within(at.UAWPerK, 0, maxUAWPerK) || !within(at.DrawKgPerH, 0, maxDrawKgPerH) {
		return Contents{}, false
	}
	drawnKg := at.DrawKgPerH * seconds / secondsPerH
	rise, ok := c.riseK(f, now, now, at, seconds/2)
	if !ok {
		return Contents{}, false
	}
	middle := Contents{now.ContentsKg - drawnKg/2, now.LiquidTempC + rise}
	if rise, ok = c.riseK(f, now, middle, at, seconds); !ok {
		return Contents{}, false
	}
	end := Contents{now.ContentsKg - drawnKg, now.LiquidTempC + rise}
	if _, _, ok = f.SplitKg(end.LiquidTempC, end.ContentsKg, c.VolumeL); !ok {
		return Contents{}, false
	}
	return end, true
}

// riseK returns the change of temperature from that of from, with the heat capacity and
// the heat of withdrawal of like.
func (c Cylinder) riseK(f lpg.Fuel, from, like Contents, at Conditions, seconds float64) (float64, bool) {
	jPerK, ok := f.TwoPhaseJPerK(like.LiquidTempC, like.ContentsKg, c.VolumeL)
	if !ok {
		return 0, false
	}
	kJPerKg, ok := f.WithdrawalKJPerKg(like.LiquidTempC)
	if !ok {
		return 0, false
	}
	jPerK += c.WallJPerK
	watts := at.UAWPerK*(at.AirTempC-from.LiquidTempC) - at.DrawKgPerH/secondsPerH*1000*kJPerKg
	// The approach to the steady temperature slows as the difference to the air shrinks:
	// over the step the rate fades by (1 - e^-x)/x.
	x := seconds * at.UAWPerK / jPerK
	fade := 1.0
	if x > 0 {
		fade = -math.Expm1(-x) / x
	}
	return watts / jPerK * seconds * fade, true
}
