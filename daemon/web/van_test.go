package web

import (
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

// The van of these tests: parked high up on a November evening, three nights of fuel left.

var parked = time.Date(2026, 11, 25, 20, 4, 12, 0, time.UTC)

const parkedUp = 26 * time.Hour

func good(v, low, high float64) estimate.Quantity {
	return estimate.Quantity{Value: v, Low: low, High: high, Quality: sensors.Good, At: parkedUp}
}

func suspect(v, low, high float64, why string) estimate.Quantity {
	q := good(v, low, high)
	q.Quality, q.Why = sensors.Suspect, why
	return q
}

// quietEvening is an ordinary snapshot, with one thing unknown and one old.
func quietEvening() *core.Snapshot {
	cabin := good(17.2, 16.9, 17.5)
	cabin.At -= 4 * time.Minute
	e := &estimate.Estimates{
		FuelKg: good(5.21, 4.9, 5.5), GrossKg: good(12.9, 12.6, 13.2), CapacityKg: good(9.07, 9.0, 9.1),
		BurnKgPerH: good(0.172, 0.155, 0.189), HeaterKgPerH: good(0.172, 0.155, 0.189), OtherKgPerH: good(0, 0, 0.01),
		Shares:      []estimate.Share{{Name: "heater", KgPerH: 0.172, Sure: true}, {Name: "cooktop", KgPerH: 0}},
		BurnedKg:    38.4,
		TareEntered: true,
		LiquidTempC: good(-9.1, -11, -7), CylinderKPa: good(318, 301, 335),
		SupplyRatio: suspect(1.7, 1.2, 2.3, "blend unknown"), SeatMarginK: good(-6.2, -9, -3.4),
		CylinderGaugeKPa: good(236.8, 220, 254), VapourKgPerH: suspect(0.292, 0.2, 0.41, "blend unknown"),
		Outlook: estimate.Outlook{KgPerH: 0.09, HoursH: good(44, 11, 58), Ends: estimate.EndsByContents, EndsLow: estimate.EndsByPressure},
		ApplianceOutlooks: []estimate.Outlook{{Name: "heater", KgPerH: 0.172, HoursH: good(19, 6, 31), Ends: estimate.EndsByPressure,
			EndsLow: estimate.EndsByPressure}},
		Freeze: estimate.Freeze{Risk: "likely-if-wet", Why: "seat modelled -6 C; vent plugging not assessed",
			ThrottledC: -16, BodyC: -6, SolidC: 3.2, DepositGPerH: 0.05, FlowKgPerH: 0.172, Outside: "frost"},
		AirKPa: good(81.2, 81, 81.4),
		Band:   estimate.Background, BandWhy: "nothing above background at this sensor",
		FloorGasPctLEL: estimate.Unknown("the sensor has not met a test mix"),
		CabinC:         cabin, OutsideC: good(-7.4, -7.9, -6.9), LockerC: good(-6.1, -6.6, -5.6),
		PipeC:    estimate.Unknown("no reading for 90 s"),
		BatteryV: estimate.Unknown("not fitted"),
		Cylinder: estimate.Present, Heat: estimate.Yes, Starved: estimate.No,
		Certified: estimate.No, CO: estimate.Unsure, ClockTrusted: true,
		Watch: estimate.WeightWatch{LossGPerH: estimate.Unknown("not asked for"), SmallestGPerH: estimate.Unknown("not asked for")},
		Channels: []estimate.ChannelState{
			{Channel: sensors.LoadCounts, ReadsN: 308, RefusedN: 2, Quality: sensors.Good, LastUp: parkedUp, Seen: true, Value: 8911342},
			{Channel: sensors.GasV, ReadsN: 310, RefusedN: 0, Quality: sensors.Good, LastUp: parkedUp, Seen: true, Value: 0.612},
			{Channel: sensors.CabinC, ReadsN: 31, RefusedN: 0, Quality: sensors.Suspect, Why: "late", LastUp: cabin.At, Seen: true, Value: 17.2},
			{Channel: sensors.OutsideC, ReadsN: 31, RefusedN: 0, Quality: sensors.Good, LastUp: parkedUp, Seen: true, Value: -7.4},
			{Channel: sensors.WaterlineC, ReadsN: 12, RefusedN: 19, Quality: sensors.Missing, Why: "no reading for 90 s", LastUp: parkedUp - 90*time.Second, Seen: true, Value: 3.1},
			{Channel: sensors.StoreWrittenB, ReadsN: 7, RefusedN: 0, Quality: sensors.Good, LastUp: parkedUp, Seen: true, Value: 123456},
			{Channel: sensors.BrokerLink, ReadsN: 7, RefusedN: 0, Quality: sensors.Good, LastUp: parkedUp, Seen: true, Value: 1},
		},
	}
	return &core.Snapshot{
		Stamp: sensors.Stamp{Up: parkedUp, Wall: parked}, Boot: "b7", Tick: 93600, Est: e, Night: nights.Window{StartMin: 18 * 60, EndMin: 10 * 60},
		Alarms: []alerts.Status{leaveGas(alerts.Normal), gasWarning(alerts.Normal), blindGas(alerts.Normal), starved(alerts.Normal), tonightShort(alerts.Normal), traceGas(alerts.Normal)},
		Tonight: nights.Tonight{Verdict: "Likely enough. About 3 more nights.", Odds: "9 in 10",
			Facts:      []string{"4.9–5.5 kg in the cylinder", "1.31–1.92 kg a night over the last 6", "pressure thin after 4 am"},
			NightsLeft: good(3.2, 2.5, 4.1), FullInputLeftH: good(29, 26, 31), ExpectedLowC: suspect(-11, -15, -7, "no forecast given"),
			NightKg: good(1.6, 1.31, 1.92), EndFuelKg: good(3.6, 3.2, 3.9), FuelOdds: good(0.99, 0.99, 0.99), PressureOdds: good(0.93, 0.93, 0.93), ThinAfterH: estimate.Unknown("not before the night is over"),
			EndsWall: parked.Add(14 * time.Hour), NightsSeen: 6, Enough: estimate.Yes},
		Forecasts: nights.Calibration{NightsN: 20, HeldN: 19, MeanErrKg: -0.03, RMSErrKg: 0.125, WiderRatio: 1},
		Totals:    core.Totals{BurnedKg: 38.4, CylinderChanges: 4, ClockSteps: 1, Nights: 23, Boots: 9},
	}
}

// with puts alarms in place of those of the same id.
func with(s *core.Snapshot, changed ...alerts.Status) *core.Snapshot {
	c := *s
	c.Alarms = append([]alerts.Status{}, s.Alarms...)
	for _, a := range changed {
		found := false
		for i := range c.Alarms {
			if c.Alarms[i].ID == a.ID {
				c.Alarms[i], found = a, true
			}
		}
		if !found {
			c.Alarms = append(c.Alarms, a)
		}
	}
	return &c
}

// band is a copy of the snapshot with another gas band.
func band(s *core.Snapshot, b estimate.GasBand, why string) *core.Snapshot {
	c, e := *s, *s.Est
	e.Band, e.BandWhy = b, why
	c.Est = &e
	return &c
}

func alarm(id string, class alerts.Class, p alerts.Priority, st alerts.State, title, action, why string) alerts.Status {
	return alerts.Status{ID: id, Class: class, Priority: p, State: st, Title: title, Action: action, Why: why,
		Meaning: "What this alarm means, in a sentence.", Quality: sensors.Good, SinceUp: parkedUp - 3*time.Minute, SinceWall: parked.Add(-3 * time.Minute)}
}

func leaveGas(st alerts.State) alerts.Status {
	a := alarm("gas-leave", alerts.ClassGas, alerts.Critical, st, "Gas at floor level",
		"Out. No switches, no flame, no phone inside. Close the cylinder valve only from outside, and only if you need not go through or near the gas. Leave doors open. Call from outside. Have it checked by a qualified fitter before anyone goes back.",
		"at or above 10 % of the lower limit for 6 s")
	a.Latches, a.Sounding, a.SendsOut = true, st == alerts.Unacked, true
	return a
}

func gasWarning(st alerts.State) alerts.Status {
	a := alarm("gas-warning", alerts.ClassGas, alerts.High, st, "Gas rising at the floor",
		"Flames out. Close the cylinder only from outside, and only if you need not go through or near the gas. Open up. Leave if unsure.", "6.1 % of the lower limit, rising")
	a.SendsOut = true
	return a
}

func blindGas(st alerts.State) alerts.Status {
	return alarm("gas-blind", alerts.ClassGas, alerts.High, st, "Gas watch is blind",
		"Rely on the certified alarm only. Air the van before you sleep.", "gas sensor: heater voltage out of limits")
}

func traceGas(st alerts.State) alerts.Status {
	a := alarm("gas-trace", alerts.ClassGas, alerts.Medium, st, "Vapours, source unknown",
		"Treat as gas if you smell it or cannot name the source.", "2.4 % of the lower limit for 6 min")
	a.Silent = true
	return a
}

func starved(st alerts.State) alerts.Status {
	a := alarm("starved", alerts.ClassHeat, alerts.High, st, "Heat called for, no gas burning",
		"Look at the cylinder valve first. Then the gauge, the regulator for ice, the heater's lockout. Do not heat with the cooktop.",
		"empty 6 in 10, valve shut 2 in 10, frozen regulator 1 in 10")
	a.CanShelve, a.ShelvedUntilUp = true, parkedUp+100*time.Minute
	return a
}

func tonightShort(st alerts.State) alerts.Status {
	a := alarm("tonight-short", alerts.ClassFuel, alerts.Medium, st, "Tonight's fuel is doubtful",
		"Change or fill the cylinder while you can still drive.", "0.9–1.3 kg left, 1.3–1.9 kg needed")
	a.CanShelve, a.ShelvedUntilUp = true, parkedUp+100*time.Minute
	return a
}

// diary is a history in memory: waves for every series.
type diary struct{ err error }

func (d diary) Series(_ context.Context, name string, from, to time.Time, maxPoints int) ([]core.Bucket, error) {
	if d.err != nil {
		return nil, d.err
	}
	var out []core.Bucket
	if maxPoints == 0 {
		maxPoints = 24
	}
	step := to.Sub(from) / time.Duration(maxPoints)
	for i := range maxPoints {
		v := math.Sin(float64(i)/7) + float64(len(name))
		out = append(out, core.Bucket{FromWall: from.Add(time.Duration(i) * step), Length: step, Min: v - 0.1, Mean: v, Max: v + 0.1, N: 60})
	}
	return out, nil
}

func (d diary) Names() []string {
	return []string{"gas_v", "outside_c", "store_age_s", "fuel_kg", "fuel_low_kg", "burn_kg_h", "gas_band"}
}

func (d diary) Events(_ context.Context, before uint64, limit int) ([]core.Event, error) {
	if d.err != nil {
		return nil, d.err
	}
	tr := alerts.Transition{Kind: "alarm", ID: "starved", From: "normal", To: "unacknowledged", Priority: "high", Why: "empty"}
	return []core.Event{{Stamp: sensors.Stamp{Up: parkedUp, Wall: parked}, Seq: 41, Alarm: &tr}}, nil
}

func (d diary) Nights(_ context.Context, limit int) ([]nights.Night, error) {
	if d.err != nil {
		return nil, d.err
	}
	var out []nights.Night
	for i := range min(limit, 9) {
		kg, low, high, c := 1.2+0.5*math.Sin(float64(i)*1.7), 1.1+0.5*math.Sin(float64(i)*1.7), 1.3+0.5*math.Sin(float64(i)*1.7), -4-6*math.Sin(float64(i)*1.7)
		n := nights.Night{Kind: "night", Date: parked.AddDate(0, 0, i-9).Format(time.DateOnly), BurnedKg: &kg, BurnedLowKg: &low, BurnedHighKg: &high, OutsideLowC: &c, WatchedH: 15}
		if i == 3 {
			n.BurnedKg, n.BurnedLowKg, n.BurnedHighKg = nil, nil, nil
		}
		out = append(out, n)
	}
	return out, nil
}

func (d diary) EventsIn(_ context.Context, from, to time.Time) ([]core.Event, error) {
	if d.err != nil {
		return nil, d.err
	}
	at := func(after time.Duration) sensors.Stamp {
		return sensors.Stamp{Up: parkedUp, Wall: from.Add(after)}
	}
	var out []core.Event
	for i := range 12 {
		rate := 0.17
		on := time.Duration(i)*70*time.Minute + 10*time.Minute
		out = append(out, core.Event{Stamp: at(on), Happening: &estimate.Happening{Kind: estimate.BurnerOn, Appliance: "heater", KgPerH: &rate}},
			core.Event{Stamp: at(on + 35*time.Minute), Happening: &estimate.Happening{Kind: estimate.BurnerOff, Appliance: "heater", KgPerH: &rate}})
		if i == 7 {
			out = append(out, core.Event{Stamp: at(on + 40*time.Minute), Alarm: &alerts.Transition{Kind: "alarm", ID: "starved", From: "normal", To: "unacknowledged", Priority: "high", Why: "empty 6 in 10"}},
				core.Event{Stamp: at(on + 44*time.Minute), Alarm: &alerts.Transition{Kind: "alarm", ID: "starved", From: "unacknowledged", To: "acknowledged", Priority: "high", Actor: "owner"}})
		}
	}
	return out, nil
}

func (d diary) NightsNear(ctx context.Context, date string) ([]nights.Night, error) {
	all, err := d.Nights(ctx, 1000)
	return nightsNear(all, date), err
}

// near is the row of a date with its neighbours.
func nightsNear(all []nights.Night, date string) []nights.Night {
	i, has := slices.BinarySearchFunc(all, date, func(n nights.Night, date string) int { return strings.Compare(n.Date, date) })
	to := i
	if has {
		to++
	}
	return all[max(0, i-1):min(len(all), to+1)]
}
