package nights

import (
	"encoding/csv"
	"encoding/json"
	"io"
	"strconv"

	"frostline/daemon/show"
)

// WriteCSV writes the rows as CSV (RFC 4180): a header whose names end in units, then a line
// a night. What is not known is an empty cell. Later columns may be added at the end.
func WriteCSV(out io.Writer, rows []Night) error {
	c := csv.NewWriter(out)
	c.Write([]string{"date", "from", "to", "model_version", "burned_kg", "burned_low_kg", "burned_high_kg", "heater_kg", "other_kg",
		"heater_h", "outside_low_c", "outside_mean_c", "cabin_low_c", "cabin_mean_c", "pipe_low_c", "degree_hours_kh",
		"gas_band", "watched_h", "gap_h", "alarms", "moved", "cylinder_changed", "clock_untrusted",
		"day_before_kg", "energy_net_mj", "energy_gross_mj", "appliances_kg", "least_supply_ratio", "least_seat_margin_k", "loads_wh", "loads_ah",
		"ran_short", "forecast_kg", "forecast_low_kg", "forecast_high_kg", "forecast_held", "expected_low_c", "expected_low_least_c", "expected_low_most_c"})
	plain := func(v *float64) string {
		if v == nil {
			return ""
		}
		return show.Plain(*v, 4)
	}
	for _, n := range rows {
		appliances, err := appliancesJSON(n.Appliances)
		if err != nil {
			return err
		}
		held := ""
		if n.Forecasted() {
			held = strconv.FormatBool(n.ForecastHeld())
		}
		c.Write([]string{n.Date, n.FromWall, n.ToWall, strconv.Itoa(n.Version), plain(n.BurnedKg), plain(n.BurnedLowKg), plain(n.BurnedHighKg),
			plain(n.HeaterKg), plain(n.OtherKg), plain(n.HeaterH), plain(n.OutsideLowC), plain(n.OutsideMeanC), plain(n.CabinLowC),
			plain(n.CabinMeanC), plain(n.PipeLowC), plain(n.DegreeHours), n.HighestBand, show.Plain(n.WatchedH, 2), show.Plain(n.GapH, 2),
			strconv.Itoa(n.Alarms), strconv.FormatBool(n.Moved), strconv.FormatBool(n.CylinderChanged), strconv.FormatBool(n.ClockUntrusted),
			plain(n.DayKg), plain(n.EnergyMJ), plain(scaled(n.EnergyMJ, GrossPerNet())), appliances, plain(n.LeastSupplyRatio), plain(n.LeastSeatMarginK),
			plain(n.DrawnWh()), plain(n.DrawnAh()), strconv.FormatBool(n.RanShort), plain(n.ForecastKg), plain(n.ForecastLowKg), plain(n.ForecastHighKg),
			held, plain(n.ExpectedLowC), plain(n.ExpectedLowLeastC), plain(n.ExpectedLowMostC)})
	}
	c.Flush()
	return c.Error()
}

// appliancesJSON is an object of kilograms by appliance in the order of the configuration,
// which a map would lose; empty where nothing is known.
func appliancesJSON(uses []ApplianceUse) (string, error) {
	if len(uses) == 0 {
		return "", nil
	}
	b := []byte{'{'}
	for i, u := range uses {
		name, err := json.Marshal(u.Name)
		if err != nil {
			return "", err
		}
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(append(b, name...), ':'), show.Plain(u.Kg, 4)...)
	}
	return string(append(b, '}')), nil
}

// scaled is v times by, nil if v is.
func scaled(v *float64, by float64) *float64 {
	if v == nil {
		return nil
	}
	x := *v * by
	return &x
}

// DrawnAh is what the configured loads drew in the night together; nil if there are none.
func (n *Night) DrawnAh() *float64 { return n.drawn(func(u LoadUse) float64 { return u.ChargeAh }) }

// DrawnWh is the same as energy.
func (n *Night) DrawnWh() *float64 { return n.drawn(func(u LoadUse) float64 { return u.EnergyWh }) }

func (n *Night) drawn(of func(LoadUse) float64) *float64 {
	if len(n.Loads) == 0 {
		return nil
	}
	sum := 0.0
	for _, u := range n.Loads {
		sum += of(u)
	}
	return &sum
}
