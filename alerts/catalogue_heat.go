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
	fuelDeadband     = 0.05 // of the nights left, sensing.md 6.4
	supplyDeadband   = 0.1  // of the ratio, sensing.md 6.4

	// supplyAmple is a likeliest ratio that is not called thin however wide its interval: a
	// flame that is just being lit has any rate for a while. Engineering judgement.
	supplyAmple = 2.0

	// nightsAhead is tonight and tomorrow: with less, tomorrow is doubtful.
	nightsAhead = 2.0
	// lateMorningMin is when the owner should hear that fuel is short: the notice comes at
	// 11:00, which the on-delay of ten minutes takes off here, and driving is still possible.
	lateMorningMin    = 10*60 + 50
	lateMorningEndMin = 11*60 + 30
)

// starved is not suppressed by a removed cylinder: a broken scale can say "removed", and
// must not be able to keep a failing heater from waking anyone.
func starved(s Setpoints) Rule {
	return Rule{
		ID: "starved", Class: ClassHeat, Priority: High, BreaksQuiet: true, CanShelve: true, CanLeaveService: true,
		OnDelay: time.Minute, OffDelay: 5 * time.Minute, // after the estimator's own test
		Title:   "No heat: no gas is burning",
		Meaning: "Heat is called for and no gas is burning. The likeliest causes are listed in order.",
		Action: "Smelled gas, or a gas alarm sounded: leave the valve shut until a qualified person has checked. " +
			"Otherwise take the causes in the order named; the heater's own lockout or fault light is quickly seen. " +
			"If the regulator is iced: " + iceRegulator + " " + noCooktop,
		Fell: "gas is burning again, or heat is no longer called for",
		Test: func(f *Facts, _ bool) Truth { return yes(f.Est.Starved) },
		Why: func(f *Facts) string {
			switch {
			case f.Est.StarvedWhy != "":
				return f.Est.StarvedWhy
			case f.Est.Starved == estimate.Unsure:
				return "heat demand or burn is not known"
			}
			return ""
		},
		Suppressed: stored(s),
	}
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

// tonightShort comes while driving is still possible: in the late morning when tonight or
// tomorrow is doubtful, when a drive starts with under two nights left, and later only if
// the verdict worsens to "not enough". It then holds until there is fuel again, so that it
// sounds once and not every day.
func tonightShort(s Setpoints) Rule {
	return Rule{
		ID: "tonight-short", Class: ClassFuel, Priority: Medium, CanShelve: true, CanLeaveService: true,
		OnDelay: 10 * time.Minute, OffDelay: time.Hour,
		Title:   "Tonight's fuel is doubtful",
		Meaning: "The fuel may not last through tonight or the night after, by what your nights have cost.",
		Action:  "Fill or exchange the cylinder while you can still drive, or heat less: close off space, lower the thermostat. " + noCooktop,
		Fell:    "enough again",
		Test: onTheScale(func(f *Facts, active bool) Truth {
			t := f.Tonight
			if t == nil {
				return Unknown
			}
			if t.Enough == estimate.No {
				return True
			}
			left := t.NightsLeft
			if !left.Known() {
				if t.Enough == estimate.Yes {
					return False
				}
				return Unknown
			}
			if active {
				return truth(left.Low < nightsAhead*(1+fuelDeadband))
			}
			driving := f.Est.Moving && left.Value < nightsAhead
			return truth(driving || lateMorning(s, f) && left.Low < nightsAhead)
		}),
		Why: func(f *Facts) string {
			if f.Tonight == nil {
				return "no forecast yet"
			}
			return joined(nightsWhy(f), f.Tonight.Odds)
		},
		Suppressed: aboutFuel(s),
	}
}

func lateMorning(s Setpoints, f *Facts) bool {
	if !f.Est.ClockTrusted {
		return false
	}
	now := s.localMin(f.Stamp.Wall)
	return lateMorningMin <= now && now < lateMorningEndMin
}

func nightsWhy(f *Facts) string {
	q := f.Tonight.NightsLeft
	if !q.Known() {
		return reason(q, "nights left are not known yet")
	}
	return show.Interval(q.Low, q.High, show.Nights) + " left"
}

func fuelBelowNight(s Setpoints) Rule {
	return Rule{
		ID: "fuel-below-night", Class: ClassFuel, Priority: Medium, CanShelve: true, CanLeaveService: true,
		OnDelay: 10 * time.Minute, OffDelay: time.Hour,
		Title:   "Fuel for less than a night",
		Meaning: "What is in the cylinder is less than one of your nights costs.",
		Action:  "Have the next cylinder ready before the evening. " + noCooktop,
		Fell:    "enough for a night again",
		Test: onTheScale(func(f *Facts, active bool) Truth {
			if f.Tonight == nil {
				return Unknown
			}
			q := f.Tonight.NightsLeft
			if !q.Known() {
				return Unknown
			}
			if active {
				return truth(q.Value < 1+fuelDeadband)
			}
			return truth(q.Value < 1)
		}),
		Rests: func(f *Facts) sensors.Quality {
			if f.Tonight == nil {
				return sensors.Missing
			}
			return f.Tonight.NightsLeft.Quality
		},
		Why: func(f *Facts) string {
			if f.Tonight == nil {
				return "no forecast yet"
			}
			return nightsWhy(f)
		},
		Suppressed: aboutFuel(s),
	}
}

func supplyThin(s Setpoints) Rule {
	return Rule{
		ID: "supply-thin", Class: ClassHeat, Priority: Medium, CanShelve: true, CanLeaveService: true,
		// A thermostat's flames come and go: what is thin in one is thin in the next.
		OnDelay: 5 * time.Minute, OffDelay: 2 * time.Hour,
		Title:   "Pressure is thin",
		Meaning: "The cold cylinder can hardly boil off what is being burned. The heat may fail with fuel left.",
		Action:  "Burn less at a time, or change to a fuller cylinder. Never warm one and never bring one indoors. " + iceRegulator + " " + noCooktop,
		Fell:    "the supply ratio has risen, or nothing has burned for two hours",
		Test: onTheScale(func(f *Facts, active bool) Truth {
			q, b := f.Est.SupplyRatio, f.Est.BurnKgPerH
			switch {
			case q.Known() && active:
				return truth(q.Low < 1+supplyDeadband && q.Value < supplyAmple)
			case q.Known():
				return truth(q.Low < 1 && q.Value < supplyAmple)
			case b.Known() && b.Low <= 0: // what does not burn is not short of supply
				return False
			}
			return Unknown
		}),
		Rests: func(f *Facts) sensors.Quality { return f.Est.SupplyRatio.Quality },
		Why: func(f *Facts) string {
			if q := f.Est.SupplyRatio; q.Known() {
				return "supply ratio " + show.Interval(q.Low, q.High, show.Ratio)
			}
			return reason(f.Est.SupplyRatio, "supply ratio is not known")
		},
		Suppressed: aboutFuel(s),
	}
}
