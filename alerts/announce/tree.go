package announce

import (
	"strconv"
	"strings"
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// tree is the device: every node and property, in the order they are published.
func tree() []node {
	return []node{
		{"fuel", "Fuel in the cylinder", "frostline.fuel", fuelProperties()},
		{"regulator", "Regulator", "frostline.regulator", regulatorProperties()},
		{"gas", "Floor gas; never replaces the certified alarm", "frostline.gas", gasProperties()},
		{"climate", "Temperatures", "frostline.climate", climateProperties()},
		{"cylinder", "Cylinder", "frostline.cylinder", cylinderProperties()},
		{"alarms", "Alarms", "frostline.alarms", alarmProperties()},
		{"tonight", "Tonight", "frostline.tonight", tonightProperties()},
		{"nights", "What nights cost", "frostline.nights", nightsProperties()},
		{"system", "The monitor itself", "frostline.system", systemProperties()},
	}
}

func number(id, name, unit, format string, say func(facts) string) property {
	return property{id: id, name: name, datatype: "float", unit: unit, format: format, pace: noisy, say: say}
}

func enum(id, name, format string, say func(facts) string) property {
	return property{id: id, name: name, datatype: "enum", format: format, pace: atOnce, say: say}
}

func whole(id, name string, say func(facts) string) property {
	return property{id: id, name: name, datatype: "integer", format: "0:", pace: atOnce, say: say}
}

func flag(id, name string, say func(facts) bool) property {
	return property{id: id, name: name, datatype: "boolean", pace: atOnce, say: func(f facts) string { return strconv.FormatBool(say(f)) }}
}

func text(id, name string, pace time.Duration, say func(facts) string) property {
	return property{id: id, name: name, datatype: "string", pace: pace, say: say}
}

func updatedAt(say func(facts) string) property {
	return property{id: "updated", name: "Newest reading behind it", datatype: "datetime", pace: timeLabel, say: say}
}

// interval is a quantity as three properties: the likeliest value and the interval that
// holds the truth 19 times in 20.
func interval(id, name, unit string, digits int, of func(facts) estimate.Quantity) []property {
	end := func(id, name string, end func(estimate.Quantity) float64) property {
		return number(id, name, unit, "0:", func(f facts) string { return known(of(f), amount(end(of(f)), digits)) })
	}
	return []property{
		end(id, name, func(q estimate.Quantity) float64 { return q.Value }),
		end(id+"-low", name+", low end", func(q estimate.Quantity) float64 { return q.Low }),
		end(id+"-high", name+", high end", func(q estimate.Quantity) float64 { return q.High }),
	}
}

func fuelProperties() []property {
	fuel := func(f facts) estimate.Quantity { return f.Est.FuelKg }
	ps := interval("mass", "Fuel left", "kg", 2, fuel)
	ps = append(ps, number("burn", "Burn", "kg/h", "0:",
		func(f facts) string { return known(f.Est.BurnKgPerH, amount(f.Est.BurnKgPerH.Value, 3)) }))
	ps = append(ps, interval("nights-left", "Nights left", "#", 1,
		func(f facts) estimate.Quantity { return f.Tonight.NightsLeft })...)
	return append(ps,
		enum("quality", "Quality of the mass", qualityFormat, func(f facts) string { return quality(f.Est.FuelKg.Quality) }),
		updatedAt(func(f facts) string { return updatedQuantity(f, f.Est.FuelKg) }))
}

func regulatorProperties() []property {
	margin := func(f facts) estimate.Quantity { return f.Est.SeatMarginK }
	return []property{
		enum("freeze-risk", "Ice at the regulator", strings.Join(estimate.Risks(), ","), func(f facts) string {
			if !f.Est.Freeze.Assessed() {
				return "not-assessed"
			}
			return string(f.Est.Freeze.Risk)
		}),
		text("why", "What the freeze risk rests on", noisy, func(f facts) string { return f.Est.Freeze.Why }),
		number("seat-margin", "Seat margin, if the fuel is wet", "K", "",
			func(f facts) string { return known(margin(f), decimal(margin(f).Value, 1)) }),
		enum("quality", "Quality of the seat margin", qualityFormat, func(f facts) string { return quality(margin(f).Quality) }),
		updatedAt(func(f facts) string { return updatedQuantity(f, margin(f)) }),
	}
}

func gasProperties() []property {
	return []property{
		enum("band", "Floor gas band", "blind,background,trace,warning,leave", func(f facts) string {
			switch f.Est.Band {
			case estimate.Background, estimate.Trace, estimate.Warning, estimate.Leave:
				return string(f.Est.Band)
			}
			return string(estimate.Blind) // whatever else it is, nobody is watching
		}),
		text("why", "Reason for the band", noisy, func(f facts) string { return f.Est.BandWhy }),
		number("pct-lel", "Floor gas, percent of the lower explosive limit", "%", "0:",
			func(f facts) string { return known(f.Est.FloorGasPctLEL, amount(f.Est.FloorGasPctLEL.Value, 0)) }),
		enum("certified-alarm", "Output of the certified gas alarm", "sounding,not-sounding,unknown",
			func(f facts) string { return tristate(f.Est.Certified, "sounding", "not-sounding") }),
		enum("co-alarm", "Output of the CO alarm", "sounding,not-sounding,unknown",
			func(f facts) string { return tristate(f.Est.CO, "sounding", "not-sounding") }),
		enum("quality", "Quality of the band", qualityFormat, gasQuality),
		updatedAt(func(f facts) string {
			c, ok := channel(f.Est, sensors.GasV)
			if !ok || !c.Seen || c.Quality < sensors.Suspect {
				return ""
			}
			return updated(f, c.LastUp)
		}),
	}
}

// gasQuality never says more of the band than the band itself: a blind one is failed with
// a fault and stale without.
func gasQuality(f facts) string {
	c, ok := channel(f.Est, sensors.GasV)
	switch f.Est.Band {
	case estimate.Background, estimate.Trace, estimate.Warning, estimate.Leave:
		if !ok {
			return quality(sensors.Suspect)
		}
		return quality(c.Quality)
	}
	if f.Est.GasFault != "" {
		return quality(sensors.Bad)
	}
	return quality(sensors.Missing)
}

// thermometer is one temperature of the climate node.
type thermometer struct {
	id, name string
	channel  sensors.Channel
	of       func(*estimate.Estimates) estimate.Quantity
}

func thermometers() []thermometer {
	return []thermometer{
		{"cabin", "Cabin", sensors.CabinC, func(e *estimate.Estimates) estimate.Quantity { return e.CabinC }},
		{"outside", "Outside", sensors.OutsideC, func(e *estimate.Estimates) estimate.Quantity { return e.OutsideC }},
		{"locker", "Gas locker", sensors.LockerC, func(e *estimate.Estimates) estimate.Quantity { return e.LockerC }},
		{"pipe", "Coldest water pipe", sensors.WaterlineC, func(e *estimate.Estimates) estimate.Quantity { return e.PipeC }},
	}
}

func climateProperties() []property {
	var ps []property
	for _, t := range thermometers() {
		p := number(t.id, t.name, "°C", "", func(f facts) string { return known(t.of(f.Est), decimal(t.of(f.Est).Value, 1)) })
		p.fitted = t.channel
		ps = append(ps, p)
	}
	return append(ps,
		enum("quality", "Quality of the worst fitted thermometer", qualityFormat, func(f facts) string {
			worst, fitted := sensors.Good, false
			for _, t := range thermometers() {
				if q := t.of(f.Est).Quality; has(f.Snapshot, t.channel) {
					worst, fitted = worse(worst, q), true
				}
			}
			if !fitted {
				worst = sensors.Missing
			}
			return quality(worst)
		}),
		updatedAt(func(f facts) string {
			var newest estimate.Quantity
			for _, t := range thermometers() {
				if q := t.of(f.Est); q.Known() && (!newest.Known() || q.At > newest.At) {
					newest = q
				}
			}
			return updatedQuantity(f, newest)
		}))
}

// worse orders qualities for a group: a seen fault says more than silence.
func worse(a, b sensors.Quality) sensors.Quality {
	switch {
	case a == sensors.Bad || b == sensors.Bad:
		return sensors.Bad
	default:
		return min(a, b)
	}
}

func cylinderProperties() []property {
	return []property{
		enum("presence", "On the scale", "unknown,present,removed", func(f facts) string {
			switch f.Est.Cylinder {
			case estimate.Present, estimate.Removed:
				return string(f.Est.Cylinder)
			}
			return string(estimate.PresenceUnknown)
		}),
		flag("moving", "The van is moving", func(f facts) bool { return f.Est.Moving }),
		number("gross", "Weight on the scale", "kg", "0:",
			func(f facts) string { return known(f.Est.GrossKg, amount(f.Est.GrossKg.Value, 2)) }),
		number("liquid", "Liquid temperature", "°C", "",
			func(f facts) string { return known(f.Est.LiquidTempC, decimal(f.Est.LiquidTempC.Value, 1)) }),
		number("pressure", "Pressure, absolute", "kPa", "0:",
			func(f facts) string { return known(f.Est.CylinderKPa, amount(f.Est.CylinderKPa.Value, 0)) }),
		number("supply-ratio", "Supply over demand", "#", "0:",
			func(f facts) string { return known(f.Est.SupplyRatio, amount(f.Est.SupplyRatio.Value, 1)) }),
		enum("quality", "Quality of the weight", qualityFormat, func(f facts) string { return quality(f.Est.GrossKg.Quality) }),
		updatedAt(func(f facts) string { return updatedQuantity(f, f.Est.GrossKg) }),
	}
}

func alarmProperties() []property {
	return []property{
		enum("worst", "Highest priority on the list", "none,low,medium,high,critical", func(f facts) string {
			word, worst := "none", alerts.Low
			for i := range f.Alarms {
				if a := &f.Alarms[i]; a.State.Standing() && a.Priority >= worst {
					word, worst = a.Priority.String(), a.Priority
				}
			}
			return word
		}),
		flag("sounding", "Sounding now", func(f facts) bool {
			for i := range f.Alarms {
				if f.Alarms[i].Sounding {
					return true
				}
			}
			return false
		}),
		whole("count", "Alarms on the list", func(f facts) string {
			n := 0
			for i := range f.Alarms {
				if f.Alarms[i].State.Standing() {
					n++
				}
			}
			return strconv.Itoa(n)
		}),
	}
}

func tonightProperties() []property {
	low := func(f facts) estimate.Quantity { return f.Tonight.ExpectedLowC }
	expected := number("expected-low", "Expected low outside", "°C",
		strconv.Itoa(expectedLowMinC)+":"+strconv.Itoa(expectedLowMaxC),
		func(f facts) string {
			if v := low(f).Value; v < expectedLowMinC || v > expectedLowMaxC {
				return "" // its format has no word for it
			}
			return known(low(f), decimal(low(f).Value, 1))
		})
	expected.settable, expected.pace = true, atOnce
	odds := func(id, name string, of func(facts) estimate.Quantity) property {
		return number(id, name, "", "0:1", func(f facts) string { return known(of(f), amount(of(f).Value, 2)) })
	}
	ps := []property{
		text("verdict", "Verdict", atOnce, func(f facts) string { return f.Tonight.Verdict }),
		text("odds", "Odds", noisy, func(f facts) string { return f.Tonight.Odds }),
		enum("enough", "Fuel and pressure last the night", "yes,no,unknown",
			func(f facts) string { return tristate(f.Tonight.Enough, "yes", "no") }),
		number("full-input-left", "Least hours at full heater input", "h", "0:", func(f facts) string {
			return known(f.Tonight.FullInputLeftH, amount(f.Tonight.FullInputLeftH.Low, 1))
		}),
		expected,
		odds("fuel-odds", "Odds that the fuel lasts", func(f facts) estimate.Quantity { return f.Tonight.FuelOdds }),
		odds("pressure-odds", "Odds that the pressure lasts too", func(f facts) estimate.Quantity { return f.Tonight.PressureOdds }),
		number("thin-after", "Hours until pressure is thin", "h", "0:", func(f facts) string {
			return known(f.Tonight.ThinAfterH, amount(f.Tonight.ThinAfterH.Value, 1))
		}),
	}
	ps = append(ps, interval("burn", "What the night burns", "kg", 2, func(f facts) estimate.Quantity { return f.Tonight.NightKg })...)
	return append(ps, interval("end-fuel", "Fuel in the morning", "kg", 2, func(f facts) estimate.Quantity { return f.Tonight.EndFuelKg })...)
}

// nightsProperties are what the ledger has learned of the van and of its own forecasts.
func nightsProperties() []property {
	ps := interval("heat-loss", "Fuel's heat for each kelvin inside above outside", "W/K", 0,
		func(f facts) estimate.Quantity { return f.Tonight.Heat.FuelWPerK })
	return append(ps,
		flag("learned", "Heat loss is this van's, not a typical one", func(f facts) bool { return f.Tonight.Heat.Learned }),
		whole("forecasts", "Nights that judge a forecast, of the last thirty", func(f facts) string { return strconv.Itoa(f.Forecasts.NightsN) }),
		whole("forecasts-held", "Of them within the forecast's 95 % interval", func(f facts) string { return strconv.Itoa(f.Forecasts.HeldN) }))
}

func systemProperties() []property {
	return []property{
		flag("clock-trusted", "Wall clock can be believed", func(f facts) bool { return f.Est.ClockTrusted }),
		text("version", "Version", atOnce, func(f facts) string { return f.version }),
		whole("boots", "Starts so far", func(f facts) string { return strconv.FormatUint(f.Totals.Boots, 10) }),
		whole("alarms-dropped", "Alarm messages dropped", func(f facts) string { return strconv.FormatUint(f.lostN, 10) }),
	}
}
