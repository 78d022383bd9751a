package sim

import (
	"time"

	"frostline/sensors"
)

// mostFillKgPerL is propane that leaves a little vapour room up to about 40 C.
const mostFillKgPerL = 0.46

// defaults is a winter evening in a van of medium size. Masses and the volume are those of
// a 20 lb cylinder (sensing.md 3 and 7); its heat loss and habits are engineering judgement.
func defaults() Scenario {
	return Scenario{
		Start:      time.Date(2026, 1, 14, 15, 0, 0, 0, time.UTC),
		UTCOffsetH: 1,
		Duration:   Span{24 * time.Hour},
		Tick:       Span{time.Second},
		Seed:       1,
		Van: VanSpec{
			Occupants: 2,
			Wakes:     DayTime{7 * time.Hour},
			Sleeps:    DayTime{22*time.Hour + 30*time.Minute},
			AltitudeM: 600,
			Cabin: CabinSpec{StartC: 17.5, UAWPerK: 27, WindUAJPerKM: 0.6, AirKJPerK: 90, MassKJPerK: 900,
				CouplingWPerK: 60, VolumeM3: 10, AirChangesPerH: 1.5},
			Heater: HeaterSpec{KW: 1.9, EfficiencyFrac: 0.85, SetC: 18, NightSetC: 15, HysteresisK: 0.75,
				PlateErrorFrac: -0.03, RetryAfter: Span{15 * time.Minute}, BlowerNeedsMinV: 11},
			Cooktop: CooktopSpec{KW: 1.8, MinKW: 0.5},
			Cylinder: CylinderSpec{TareKg: 8.13, StampedTareKg: 8.2, FuelKg: 6.2, CapacityKg: 9.07, VolumeL: 21.6,
				DiameterM: 0.305, UWPerM2K: 8.5, WallKJPerK: 3.6, PropaneMassFrac: 1},
			Regulator: RegulatorSpec{NeedGaugeKPa: 35, UAWPerK: 0.3, IceG: 0.1},
			Scale:     ScaleSpec{Grade: "good"},
			Gas:       GasSpec{SupplyV: 5, LoadOhm: 20e3, R0Ohm: 22.6e3, Commissioned: true},
			Battery:   BatterySpec{CapacityAh: 95, StartFrac: 0.85, SolarA: 6, IdleA: 0.5, BlowerA: 1.6},
			Clock:     ClockSpec{RTC: true, SyncAfter: Span{20 * time.Minute}},
		},
		Weather: WeatherSpec{MeanC: -2, SwingC: 4, WanderC: 0.8, WindMPerS: 2.5, HumidityPct: 80,
			SeaLevelKPa: 101.6, SunLockerK: 2},
	}
}

func defaultMeals() []Meal {
	clock := func(h, m int) DayTime { return DayTime{time.Duration(h*60+m) * time.Minute} }
	return []Meal{
		{clock(7, 30), Span{9 * time.Minute}, 1.5},
		{clock(12, 45), Span{15 * time.Minute}, 1.2},
		{clock(18, 40), Span{32 * time.Minute}, 1.3},
		{clock(18, 52), Span{14 * time.Minute}, 1.7},
	}
}

func defaultChannels() []sensors.Channel {
	return []sensors.Channel{sensors.LoadCounts, sensors.GasV, sensors.GasSupplyV, sensors.GasHeaterV,
		sensors.CabinC, sensors.OutsideC, sensors.LockerC, sensors.WaterlineC, sensors.BaroKPa,
		sensors.HumidityPct, sensors.HeatCall, sensors.Ignition, sensors.BatteryV, sensors.ClockSynced}
}

// cellGrade is what a data sheet says of a load cell.
type cellGrade struct {
	capacityKg, countsPerKg, zeroTCGPerK, spanTCPPMPerK, creepPct30min, noiseG, walkG float64
}

// gradeOf are the two cells of estimation.md. Counts per kg follow from 2 mV/V on 30 kg and
// 1 mV/V on 50 kg with 20 mV at 2^23 (sensing.md 3.1); noise is that of a mean of 1 s.
func gradeOf(name string) cellGrade {
	if name == "cheap" {
		return cellGrade{50, 41943, 2.5, 50, 0.08, 0.46, 1.2}
	}
	return cellGrade{30, 139810, 0.42, 15, 0.02, 0.15, 0.3}
}

// graded fills in what the scenario leaves to the grade of the cell.
func graded(s ScaleSpec) ScaleSpec {
	g := gradeOf(s.Grade)
	if s.NoiseG == 0 {
		s.NoiseG = g.noiseG
	}
	if s.WalkG == 0 {
		s.WalkG = g.walkG
	}
	if s.LagMin == 0 {
		s.LagMin = 40
	}
	return s
}
