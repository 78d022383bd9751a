package web

import (
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// number is one quantity the page, the API and the stream know by name. The names are those
// of the estimates file, so that a series of the history has the same name.
type number struct {
	name string
	unit string // as in the API
	of   func(*core.Snapshot) estimate.Quantity
}

// numbers lists every quantity of a snapshot, in the order of the API.
func numbers() []number {
	est := func(f func(*estimate.Estimates) estimate.Quantity) func(*core.Snapshot) estimate.Quantity {
		return func(s *core.Snapshot) estimate.Quantity { return f(s.Est) }
	}
	return []number{
		{"fuel_kg", "kg", est(func(e *estimate.Estimates) estimate.Quantity { return e.FuelKg })},
		{"gross_kg", "kg", est(func(e *estimate.Estimates) estimate.Quantity { return e.GrossKg })},
		{"capacity_kg", "kg", est(func(e *estimate.Estimates) estimate.Quantity { return e.CapacityKg })},
		{"burn_kg_h", "kg/h", est(func(e *estimate.Estimates) estimate.Quantity { return e.BurnKgPerH })},
		{"heater_kg_h", "kg/h", est(func(e *estimate.Estimates) estimate.Quantity { return e.HeaterKgPerH })},
		{"other_kg_h", "kg/h", est(func(e *estimate.Estimates) estimate.Quantity { return e.OtherKgPerH })},
		{"liquid_c", "C", est(func(e *estimate.Estimates) estimate.Quantity { return e.LiquidTempC })},
		{"cylinder_kpa", "kPa", est(func(e *estimate.Estimates) estimate.Quantity { return e.CylinderKPa })},
		{"cylinder_gauge_kpa", "kPa", est(func(e *estimate.Estimates) estimate.Quantity { return e.CylinderGaugeKPa })},
		{"vapour_kg_h", "kg/h", est(func(e *estimate.Estimates) estimate.Quantity { return e.VapourKgPerH })},
		{"pressure_lasts_h", "h", est(func(e *estimate.Estimates) estimate.Quantity { return e.Outlook.HoursH })},
		{"supply_ratio", "1", est(func(e *estimate.Estimates) estimate.Quantity { return e.SupplyRatio })},
		{"seat_margin_k", "K", est(func(e *estimate.Estimates) estimate.Quantity { return e.SeatMarginK })},
		{"gas_pct_lel", "%LEL", est(func(e *estimate.Estimates) estimate.Quantity { return e.FloorGasPctLEL })},
		{"cabin_c", "C", est(func(e *estimate.Estimates) estimate.Quantity { return e.CabinC })},
		{"outside_c", "C", est(func(e *estimate.Estimates) estimate.Quantity { return e.OutsideC })},
		{"pipe_c", "C", est(func(e *estimate.Estimates) estimate.Quantity { return e.PipeC })},
		{"locker_c", "C", est(func(e *estimate.Estimates) estimate.Quantity { return e.LockerC })},
		{"battery_v", "V", est(func(e *estimate.Estimates) estimate.Quantity { return e.BatteryV })},
		{"air_kpa", "kPa", est(func(e *estimate.Estimates) estimate.Quantity { return e.AirKPa })},
		{"watch_loss_g_h", "g/h", est(func(e *estimate.Estimates) estimate.Quantity { return e.Watch.LossGPerH })},
		{"watch_smallest_g_h", "g/h", est(func(e *estimate.Estimates) estimate.Quantity { return e.Watch.SmallestGPerH })},
		{"nights_left", "nights", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.NightsLeft }},
		{"night_kg", "kg", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.NightKg }},
		{"end_fuel_kg", "kg", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.EndFuelKg }},
		{"fuel_odds", "1", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.FuelOdds }},
		{"pressure_odds", "1", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.PressureOdds }},
		{"thin_after_h", "h", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.ThinAfterH }},
		{"night_supply_ratio", "1", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.SupplyRatio }},
		{"night_seat_margin_k", "K", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.SeatMarginK }},
		{"night_charge_ah", "Ah", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.ChargeAh }},
		{"full_input_left_h", "h", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.FullInputLeftH }},
		{"expected_low_c", "C", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.ExpectedLowC }},
		{"heat_loss_w_per_k", "W/K", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.Heat.FuelWPerK }},
		{"heat_gains_w", "W", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.Heat.GainsW }},
		{"balance_c", "C", func(s *core.Snapshot) estimate.Quantity { return s.Tonight.Heat.BalanceC }},
	}
}

// numberJSON is a quantity as the API says it: no number without unit, interval and age,
// and no number at all when there is none to say.
type numberJSON struct {
	Value   *float64        `json:"value"`
	Low     *float64        `json:"low"`
	High    *float64        `json:"high"`
	Unit    string          `json:"unit"`
	AgeS    *float64        `json:"age_s"`
	Quality sensors.Quality `json:"quality"`
	Why     string          `json:"why"`
}

func (n number) json(f *frame) numberJSON {
	q := n.of(f.snap)
	out := numberJSON{Unit: n.unit, Quality: q.Quality, Why: q.Why}
	if !q.Known() {
		if out.Why == "" {
			out.Why = "no reason given"
		}
		return out
	}
	age := max(0, (f.snap.Stamp.Up-q.At).Seconds()) + f.ageS()
	out.Value, out.Low, out.High, out.AgeS = &q.Value, &q.Low, &q.High, &age
	return out
}

// whole reports whether there is anything to show: a snapshot with estimates.
func (f *frame) whole() bool { return f.snap != nil && f.snap.Est != nil }
