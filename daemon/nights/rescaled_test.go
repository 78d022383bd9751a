package nights

import (
	"testing"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// TestACalibrationBurnsNothing lets the fuel be another number in one tick, by a calibrated
// scale, between ticks in which a heater burns.
func TestACalibrationBurnsNothing(t *testing.T) {
	e := func(fuelKg float64, happened ...estimate.Happening) *estimate.Estimates {
		return &estimate.Estimates{FuelKg: estimate.Quantity{Value: fuelKg, Quality: sensors.Good}, Happened: happened}
	}
	scale := estimate.Happening{Kind: estimate.Calibrated, Channel: string(sensors.LoadCounts)}
	gas := estimate.Happening{Kind: estimate.Calibrated, Channel: string(sensors.GasV)}
	if !rescaled(e(5, scale)) || rescaled(e(5, gas)) || rescaled(e(5)) {
		t.Fatal("what was calibrated is mistaken")
	}
	var w weighed
	for _, k := range []struct {
		e      *estimate.Estimates
		burned float64
	}{{e(5), 0}, {e(4.99), 0.01}, {e(4.97, scale), 0}, {e(4.96), 0.01}} {
		w.add(k.e, k.burned, rescaled(k.e))
	}
	if w.Kg < 0.0199 || w.Kg > 0.0201 {
		t.Errorf("the night burned %.4f kg, want 0.02: 20 g of the fall are the calibration's", w.Kg)
	}
	b := basis{}
	b.changed(e(5))
	if due, news := b.changed(e(4.9, scale)); !due || !news {
		t.Error("a calibrated scale is no news to the forecast")
	}
}
