package estimate

import (
	"math"

	"frostline/daemon/supply"
)

// Vessel is the belief about the cylinder as it cools, for a forecast that carries it
// forward. The numbers mean nothing unless Why is empty.
type Vessel struct {
	Why             string // why no pressure can be forecast; empty if it can
	Shape           supply.Cylinder
	LiquidTempC     float64
	LiquidSDK       float64 // one standard deviation of it
	PropaneMassFrac float64 // of the liquid, likeliest
	LeanMassFrac    float64 // as little propane as it may have
	RichMassFrac    float64 // and as much
	GradeLowFrac    float64 // what the trade's grades do to the pressure, both ends of 95 %
	GradeHighFrac   float64
	FilmWPerM2K     float64 // between the wall and the air
	FilmSDFrac      float64 // one standard deviation of its logarithm
	LeastGaugeKPa   float64 // inlet pressure below which the regulator does not hold its outlet
	TwoStage        bool
}

// belief is what a forecast may carry forward. An unset blend has too wide a pressure for
// odds, and a liquid of unknown past none at all.
func (v *vessel) belief() Vessel {
	why := ""
	switch {
	case !v.out.kPa.Known():
		why = v.out.kPa.Why
	case !v.blendSet:
		why = noBlend
	}
	if why != "" {
		return Vessel{Why: why}
	}
	return Vessel{Shape: v.shape, LiquidTempC: v.tempC, LiquidSDK: v.sdK(),
		PropaneMassFrac: v.liquid.PropaneMassFrac(), LeanMassFrac: v.lean.PropaneMassFrac(), RichMassFrac: v.rich.PropaneMassFrac(),
		GradeLowFrac: gradePoorFrac, GradeHighFrac: gradeRichFrac,
		FilmWPerM2K: supply.FilmWPerM2K * math.Exp(v.lnFilm), FilmSDFrac: v.filmSDLn(), LeastGaugeKPa: v.reg.leastGaugeKPa(), TwoStage: v.reg.TwoStage}
}
