package nights

import (
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/supply"
	"frostline/sensors"
)

// coldLocker gives the estimates a cylinder whose pressure can be forecast.
func coldLocker(e *estimate.Estimates, propaneFrac float64) {
	shape, _ := supply.Guess(11)
	e.AirKPa = known(95, 94.5, 95.5)
	e.Vessel = estimate.Vessel{Shape: shape, LiquidTempC: -4, LiquidSDK: 0.8, PropaneMassFrac: propaneFrac,
		LeanMassFrac: propaneFrac, RichMassFrac: propaneFrac, GradeLowFrac: 0.92, GradeHighFrac: 1.15,
		FilmWPerM2K: supply.FilmWPerM2K, FilmSDFrac: 0.2, LeastGaugeKPa: 100}
	if propaneFrac < 1 {
		e.Vessel.LeanMassFrac, e.Vessel.RichMassFrac = propaneFrac/2, (1+propaneFrac)/2
	}
}

// BenchmarkForecast is one forecast at noon, the longest course, of a van whose heat loss is
// its own.
func BenchmarkForecast(b *testing.B) {
	for name, frac := range map[string]float64{"propane": 1, "mix": 0.6} {
		b.Run(name, func(b *testing.B) {
			v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-20T12:00:00Z")
			v.fuelKg = 20
			v.sixNights(0.02)
			v.fuelKg = 8
			e := v.estimates()
			coldLocker(e, frac)
			st := sensors.Stamp{Up: v.up, Wall: v.wall}
			if got := v.l.Tonight(st, e); !got.PressureOdds.Known() {
				b.Fatalf("no pressure: %+v", got.PressureOdds)
			}
			b.ReportAllocs()
			for b.Loop() {
				st.Up += time.Minute
				v.l.Tonight(st, e)
			}
		})
	}
}
