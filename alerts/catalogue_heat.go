package alerts

import (
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/show"
	"frostline/sensors"
)

const (
	pipeDeadbandC    = 1.0  // sensing.md 6.4
	batteryDeadbandV = 0.3  // sensing.md 6.4
	fullDeadband     = 0.01 // of the stamped fill, sensing.md 6.4
)

// starved stands until a called heater has burned for half an hour, or no heat has been called
// for as long. A heater that fails, relights and fails is one failure: with the five minutes
// of sensing.md 6.4 a cylinder too cold for its heater made ten alarms of one night.
//
// It is not suppressed by a removed cylinder: a broken scale can say "removed", and
// must not be able to keep a failing heater from waking anyone.
func starved(s Setpoints) Rule {
	heatDemand := inputWhy(sensors.HeatCall, "heat demand", func(e *estimate.Estimates) estimate.Tristate { return e.Heat })
	return Rule{
		ID: "starved", Class: ClassHeat, Priority: High, BreaksQuiet: true, CanShelve: true, CanLeaveService: true,
		OnDelay:  time.Minute, // after the estimator's own test
		OffDelay: 30 * time.Minute,
		Title:    "No heat: no gas is burning",
		Meaning:  "Heat is called for and no gas is burning. The likeliest causes are listed in order.",
		Action: firstSmell + "Otherwise take the causes in the order named; the heater's own lockout or fault light is quickly seen. " +
			"If the regulator is iced: " + iceRegulator + " " + noCooktop,
		Advise: func(f *Facts) string {
			switch {
			case limps(f):
				return starvedAdvice(estimate.CauseThin)
			case !f.Est.CauseTold || len(f.Est.Causes) == 0:
				return ""
			}
			return starvedAdvice(f.Est.Causes[0].ID)
		},
		Fell: "gas is burning again, or heat is no longer called for",
		Test: func(f *Facts, active bool) Truth {
			if active && limps(f) {
				return True
			}
			return yes(f.Est.Starved)
		},
		Why: func(f *Facts) string {
			switch {
			case f.Est.StarvedWhy != "":
				return f.Est.StarvedWhy
			case limps(f):
				return "gas burns, but the cylinder is too cold to keep it up: supply ratio " + show.Number(f.Est.SupplyRatio.Value, show.Ratio)
			case f.Est.Starved == estimate.Unsure && f.Est.Heat == estimate.Unsure:
				return heatDemand(f) + ": a heater that fails is not noticed here"
			case f.Est.Starved == estimate.Unsure:
				return "whether gas burns is not known: " + reason(f.Est.BurnKgPerH, "no weight is followed now")
			}
			return ""
		},
		Suppressed: stored(s),
	}
}

// limps reports whether a called heater burns what the cylinder cannot boil off for long, so
// that its flame is no end of what starved it. The ratio is that of a flame without end: a heater
// that is called for some of the time needs only that part of it, for the cylinder warms in the
// pauses. The call tells the part, since a heater that was starved did not burn all it should.
func limps(f *Facts) bool {
	ratio := f.Est.SupplyRatio
	return f.Est.Starved == estimate.No && f.Est.Heat == estimate.Yes && ratio.Known() && ratio.Value < f.Est.HeatFrac
}

const (
	firstSmell = "Smelled gas, or a gas alarm sounded: leave the valve shut until a qualified person has checked. "
	notThat    = " If that was not it, take the next cause named. " + noCooktop
)

// starvedAdvice is what to do first when one cause stands out, "" for one that it does not
// know. What a valve against too much flow does, and how often a heater may be restarted,
// is common practice, no source.
func starvedAdvice(cause string) string {
	switch cause {
	case estimate.CauseEmpty:
		return firstSmell + "Otherwise change the cylinder: first appliances off and flames out, and the empty one's valve shut. " +
			"The other never comes indoors, and nothing warms it." + notThat
	case estimate.CauseThin:
		return firstSmell + "Otherwise burn one thing at a time, or change to a fuller cylinder: more liquid boils off more. " +
			"Never warm one and never bring one indoors." + notThat
	case estimate.CauseIce:
		return firstSmell + "Otherwise leave the regulator alone; milder air or less draw lets it thaw. " + iceRegulator + notThat
	case estimate.CauseValve:
		return firstSmell + "Otherwise turn all appliances off and look at the cylinder's valve from outside. " +
			"Shut: open it slowly. Open: shut it, wait a minute, open it slowly, for a valve against too much flow closes when gas rushes. " +
			"Relight one at a time. It closes again: leave it shut, a line may be broken, and a qualified fitter looks." + notThat
	case estimate.CauseRegulator:
		return firstSmell + "Otherwise turn all appliances off; a qualified fitter changes the regulator. " + iceRegulator + notThat
	case estimate.CauseHeater:
		return firstSmell + "Otherwise read the heater's fault light and its battery's volts, " +
			"and restart it as its maker says and no more often than that." + notThat
	}
	return ""
}

func pipeCold(s Setpoints) Rule {
	return Rule{
		ID: "pipe-cold", Class: ClassWater, Priority: Medium, NightPriority: High, CanShelve: true, CanLeaveService: true,
		OnDelay: 10 * time.Minute, OffDelay: 30 * time.Minute,
		Title:   "Coldest pipe near freezing",
		Meaning: "Water freezes at 0 °C, and the pipe can be colder a hand away from its thermometer.",
		Action:  "Bring heat to the pipe: open the locker it runs through, raise the heating, or drain the water. " + noCooktop,
		Fell:    "warmer",
		Test: func(f *Facts, active bool) Truth {
			return below(f.Est.PipeC, s.PipeC, pipeDeadbandC, active)
		},
		Rests: func(f *Facts) sensors.Quality { return f.Est.PipeC.Quality },
		Why: func(f *Facts) string {
			if q := f.Est.PipeC; q.Known() {
				return "coldest pipe " + show.Number(q.Value, show.C) + ", limit " + show.Number(s.PipeC, show.C)
			}
			return freezeBlind(f)
		},
		Suppressed: func(*Facts) string {
			if s.WaterDrained {
				return WaterDrained
			}
			return ""
		},
	}
}

// freezeBlind says that nobody watches the pipe, with the outside air as the worst it can
// be (sensing.md 4.3).
func freezeBlind(f *Facts) string {
	if _, has := fitted(f, sensors.WaterlineC); !has {
		return "no pipe thermometer is fitted"
	}
	why := "freeze watch blind: " + reason(f.Est.PipeC, "no reading of the pipe thermometer")
	if q := f.Est.OutsideC; q.Known() {
		why += "; outside it is " + show.Number(q.Value, show.C)
	}
	return why
}

func batteryLow(s Setpoints) Rule {
	return Rule{
		ID: "battery-low", Class: ClassPower, Priority: Medium, NightPriority: High, CanShelve: true, CanLeaveService: true,
		OnDelay: time.Minute, OffDelay: 5 * time.Minute,
		Title:   "House battery low",
		Meaning: "The heater's blower and ignition stop first when the battery sinks; then the heat fails with fuel left.",
		Action:  "Switch off what is not needed, charge, or start the engine outdoors with the exhaust free. " + noCooktop,
		Fell:    "recovered",
		Test: func(f *Facts, active bool) Truth {
			return below(f.Est.BatteryV, s.BatteryV, batteryDeadbandV, active)
		},
		Rests: func(f *Facts) sensors.Quality { return f.Est.BatteryV.Quality },
		Why: func(f *Facts) string {
			if q := f.Est.BatteryV; q.Known() {
				return "battery " + show.Number(q.Value, show.V) + ", limit " + show.Number(s.BatteryV, show.V)
			}
			return reason(f.Est.BatteryV, "battery voltage is not known")
		},
	}
}

func overfilled() Rule {
	return Rule{
		ID: "overfilled", Class: ClassCylinder, Priority: High, CanShelve: true, CanLeaveService: true,
		OnDelay: time.Minute, OffDelay: 10 * time.Minute,
		Title:   "Cylinder overfilled",
		Meaning: "It holds more than its stamped fill. Warmed up, the liquid has no room: it can reach the regulator or open the relief valve.",
		Action: "Do not use it and do not bring it inside. Keep it upright, outdoors and away from flames. Close the valve " + valveOnly +
			". Let the filler or a qualified person take the excess out.",
		Test: func(f *Facts, active bool) Truth {
			e := f.Est
			switch {
			case e.Overfilled:
				return True
			case e.Cylinder == estimate.Removed:
				return False
			case !e.FuelKg.Known() || !e.CapacityKg.Known():
				return Unknown
			}
			return truth(active && e.FuelKg.Low > e.CapacityKg.Value*(1-fullDeadband))
		},
		Rests: func(f *Facts) sensors.Quality {
			if f.Est.Overfilled || f.Est.Cylinder == estimate.Removed {
				return sensors.Good
			}
			return min(f.Est.FuelKg.Quality, f.Est.CapacityKg.Quality)
		},
		Why: func(f *Facts) string {
			fuel, full := f.Est.FuelKg, f.Est.CapacityKg
			switch {
			case !fuel.Known():
				return reason(fuel, "fuel is not known")
			case !full.Known():
				return reason(full, "the stamped fill is not known")
			}
			return show.Interval(fuel.Low, fuel.High, show.Kg) + " net, stamped fill " + show.Number(full.Value, show.Kg)
		},
		Suppressed: func(f *Facts) string {
			if f.Est.Cylinder == estimate.Removed {
				return CylinderRemoved
			}
			return ""
		},
	}
}
