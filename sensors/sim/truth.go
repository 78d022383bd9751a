package sim

import (
	"cmp"
	"time"
)

// Truth is what really goes on after the last tick read.
type Truth struct {
	Wall     time.Time // true UTC
	Elapsed  time.Duration
	Powered  bool
	Occupied bool
	Awake    bool
	Cooking  bool

	FuelKg          float64
	BurnKgPerH      float64 // fuel leaving the cylinder, leaks included
	HeaterKgPerH    float64
	CooktopKW       float64
	LeakGPerH       float64
	BurnedKg        float64 // by appliances since the start
	LeakedKg        float64 // since the start
	TareKg          float64 // of the cylinder that is fitted
	CylinderPresent bool
	ValveOpen       bool

	HeatCall    bool
	HeaterOn    bool
	Starved     bool    // heat called for, nothing burning, for 90 s and more
	Cause       string  // of Starved: removed, valve, battery, empty, cold, regulator (iced), broken (regulator), heater
	SupplyFrac  float64 // of what is asked, 1 = everything
	LiquidC     float64
	CylinderKPa float64
	SeatIceG    float64
	DewG        float64

	Moving     bool
	AltitudeM  float64
	CabinC     float64
	OutsideC   float64
	LockerC    float64
	CellC      float64
	WaterlineC float64
	WindMPerS  float64
	AirKPa     float64
	GasPpm     float64 // fuel vapour at the floor
	EthanolPpm float64
	BatteryV   float64
}

// Truth is a copy.
func (v *Van) Truth() Truth {
	t := Truth{Wall: v.now(), Elapsed: v.Elapsed(), Powered: !v.dark,
		Occupied: v.people.aboard(), Awake: v.people.awake, Cooking: v.kitchen.burning > 0,
		FuelKg: v.cylinder.fuelKg, BurnKgPerH: 3600 * (v.burnKgS + v.leakKgS), LeakGPerH: 3.6e6 * v.leakKgS,
		CooktopKW: v.kitchen.kw * v.supply, BurnedKg: v.burnKg, LeakedKg: v.leakKg,
		TareKg: v.cylinder.spec.TareKg, CylinderPresent: v.cylinder.present, ValveOpen: v.cylinder.valveOpen,
		HeatCall: v.heater.calling, HeaterOn: v.heater.lit, Starved: v.heater.starved(), SupplyFrac: v.supply,
		LiquidC: v.cylinder.liquidC, CylinderKPa: v.cylinder.kPa(), SeatIceG: v.regulator.iceG, DewG: 1000 * v.cylinder.dewKg,
		Moving: v.moving, AltitudeM: v.altitudeM, CabinC: v.cabin.airC, OutsideC: v.weather.outsideC,
		LockerC: v.cabin.lockerC, CellC: v.scale.cellC, WaterlineC: v.cabin.waterlineC, WindMPerS: v.weather.windMPerS,
		AirKPa: v.airKPa, GasPpm: v.room.floorPpm, EthanolPpm: v.room.ethanolPpm, BatteryV: v.battery.v}
	if !v.cylinder.present {
		t.FuelKg, t.CylinderKPa = 0, 0
	}
	if v.heater.lit {
		t.HeaterKgPerH = t.BurnKgPerH - t.LeakGPerH/1000 - 3600*v.kitchen.kw*1000*v.passes()/v.netJ
	}
	if t.Starved {
		t.Cause = cmp.Or(v.blame, "heater")
	}
	return t
}

// hindrance names the first thing that keeps the heater from burning, if there is one
// beside the heater itself.
func (v *Van) hindrance() string {
	c := &v.cylinder
	switch {
	case !c.present:
		return "removed"
	case !c.valveOpen:
		return "valve"
	case v.battery.v < v.heater.spec.BlowerNeedsMinV:
		return "battery"
	case v.regulator.pressureShare(c, v.airKPa) < lightsAbove && !c.props.hasLiquid:
		return "empty"
	case v.regulator.pressureShare(c, v.airKPa) < lightsAbove:
		return "cold"
	case v.regulator.iceShare() < lightsAbove:
		return "regulator"
	case 1-v.regulator.brokenFrac < lightsAbove:
		return "broken"
	}
	return ""
}

// Owner is what an owner would know of the van: plates, stamps, data sheets, their own
// calibration. True coefficients are not in it.
type Owner struct {
	CountsPerKg   float64
	ZeroCounts    float64
	CalibratedAtC float64
	CapacityKg    float64 // of the cell
	ZeroTCGPerK   float64 // limits of the data sheet
	SpanTCPPMPerK float64
	CreepPct30min float64

	StampedTareKg float64 // of the cylinder at the start
	TareSDKg      float64
	CylinderKg    float64 // stamped fill

	Appliances []Appliance
	GasSupplyV float64
	GasLoadOhm float64
	GasR0Ohm   float64 // from a test mix; 0 if the sensor was never commissioned

	AltitudeM  float64
	UTCOffsetH float64
}

// Appliance is one plate: heater or burner, input on the net heating value.
type Appliance struct {
	Name  string
	Kind  string // heater or burner
	KW    float64
	MinKW float64 // least input of a burner
}

// Owner is a copy.
func (v *Van) Owner() Owner {
	s := &v.s.Van
	o := Owner{CountsPerKg: v.scale.countsPerKg, ZeroCounts: v.scale.zeroCounts, CalibratedAtC: calibratedAtC,
		CapacityKg: v.scale.grade.capacityKg, ZeroTCGPerK: v.scale.grade.zeroTCGPerK,
		SpanTCPPMPerK: v.scale.grade.spanTCPPMPerK, CreepPct30min: v.scale.grade.creepPct30min,
		StampedTareKg: s.Cylinder.StampedTareKg, TareSDKg: 0.12, CylinderKg: s.Cylinder.CapacityKg,
		Appliances: []Appliance{{"heater", "heater", s.Heater.KW, 0},
			{"burner-left", "burner", s.Cooktop.KW, s.Cooktop.MinKW},
			{"burner-right", "burner", s.Cooktop.KW, s.Cooktop.MinKW}},
		GasSupplyV: s.Gas.SupplyV, GasLoadOhm: s.Gas.LoadOhm,
		AltitudeM: s.AltitudeM, UTCOffsetH: v.s.UTCOffsetH}
	if s.Gas.Commissioned {
		o.GasR0Ohm = v.ownerR0
	}
	return o
}
