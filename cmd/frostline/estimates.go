package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/show"
)

// estimatesCSV writes the estimates file of product.md: its columns are kept stable, later
// ones come at the end, and an empty cell is unknown.
type estimatesCSV struct {
	w      *csv.Writer
	header []string
}

var estimateColumns = []string{"up_s", "wall", "fuel_kg", "fuel_low_kg", "fuel_high_kg", "burn_kg_h", "burn_low_kg_h",
	"burn_high_kg_h", "heater_kg_h", "other_kg_h", "liquid_c", "cylinder_kpa", "supply_ratio", "seat_margin_k",
	"gas_pct_lel", "gas_band", "cabin_c", "outside_c", "nights_left", "nights_left_low", "nights_left_high",
	"cylinder", "moving", "appliances",
	"liquid_low_c", "liquid_high_c", "supply_ratio_low", "seat_margin_low_k", "freeze_risk", "starved", "starved_cause",
	"fuel_odds", "pressure_odds", "night_kg", "night_low_kg", "night_high_kg", "end_fuel_kg", "thin_after_h"}

func newEstimatesCSV(out io.Writer) *estimatesCSV {
	e := &estimatesCSV{w: csv.NewWriter(out)}
	e.header = append(e.header, estimateColumns...)
	return e
}

func (e *estimatesCSV) row(s *core.Snapshot) error {
	if len(e.header) > 0 { // the header, once
		if err := e.w.Write(e.header); err != nil {
			return err
		}
		e.header = nil
	}
	x := s.Est
	value := func(q estimate.Quantity, digits int) string {
		if !q.Known() {
			return ""
		}
		return number(q.Value, digits)
	}
	span := func(q estimate.Quantity, digits int) (string, string, string) {
		if !q.Known() {
			return "", "", ""
		}
		return number(q.Value, digits), number(q.Low, digits), number(q.High, digits)
	}
	fuel, fuelLow, fuelHigh := span(x.FuelKg, 4)
	burn, burnLow, burnHigh := span(x.BurnKgPerH, 4)
	left, leftLow, leftHigh := span(s.Tonight.NightsLeft, 2)
	night, nightLow, nightHigh := span(s.Tonight.NightKg, 4)
	moving := "0"
	if x.Moving {
		moving = "1"
	}
	low := func(q estimate.Quantity, digits int) string {
		q.Value = q.Low
		return value(q, digits)
	}
	high := func(q estimate.Quantity, digits int) string {
		q.Value = q.High
		return value(q, digits)
	}
	cause := ""
	if len(x.Causes) > 0 {
		cause = x.Causes[0].ID
	}
	shares, err := sharesJSON(x.Shares)
	if err != nil {
		return err
	}
	err = e.w.Write([]string{number(s.Stamp.UpS(), 3), core.FormatWall(s.Stamp.Wall), fuel, fuelLow, fuelHigh, burn, burnLow, burnHigh,
		value(x.HeaterKgPerH, 4), value(x.OtherKgPerH, 4), value(x.LiquidTempC, 2), value(x.CylinderKPa, 1),
		value(x.SupplyRatio, 2), value(x.SeatMarginK, 2), value(x.FloorGasPctLEL, 2), string(x.Band),
		value(x.CabinC, 2), value(x.OutsideC, 2), left, leftLow, leftHigh, string(x.Cylinder), moving, shares,
		low(x.LiquidTempC, 2), high(x.LiquidTempC, 2), low(x.SupplyRatio, 2), low(x.SeatMarginK, 2), string(x.Freeze.Risk),
		starved(x.Starved), cause,
		value(s.Tonight.FuelOdds, 3), value(s.Tonight.PressureOdds, 3), night, nightLow, nightHigh, value(s.Tonight.EndFuelKg, 4), value(s.Tonight.ThinAfterH, 2)})
	e.w.Flush()
	if err == nil {
		err = e.w.Error()
	}
	if err != nil {
		return fmt.Errorf("estimates: %w", err)
	}
	return nil
}

func number(v float64, digits int) string { return show.Plain(v, digits) }

// sharesJSON keeps the order of the configuration, which a map would lose.
func sharesJSON(shares []estimate.Share) (string, error) {
	b := []byte{'{'}
	for i, s := range shares {
		name, err := json.Marshal(s.Name)
		if err != nil {
			return "", err
		}
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(b, name...), ':')
		b = append(b, number(s.KgPerH, 4)...)
	}
	return string(append(b, '}')), nil
}

// starved is the belief as a cell: empty where it is not known.
func starved(t estimate.Tristate) string {
	switch t {
	case estimate.Yes:
		return "1"
	case estimate.No:
		return "0"
	}
	return ""
}
