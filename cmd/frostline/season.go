package main

import (
	"fmt"
	"io"

	"frostline/config"
	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/daemon/nights"
	"frostline/daemon/show"
)

// nightsSeason is the report of a season: every number with its interval and the nights it
// rests on.
func nightsSeason(out io.Writer, rows []nights.Night, cfg *config.Config) error {
	if len(rows) == 0 {
		_, err := fmt.Fprintln(out, "no night has been lived yet")
		return err
	}
	s := nights.SeasonOf(rows)
	gross := nights.GrossPerNet()
	r := report{out: out}
	r.line("season", "%s, %s to %s", nightsN(s.NightsN), s.FromDate, s.ToDate)
	r.line("fuel", "%s, %s; the weighing errs alike every night, so the ends are sums of ends", amounts(s.FuelKg, 1, 2, "kg"), nightsN(s.FuelN))
	if p := cfg.Price; p.PerKg > 0 {
		r.line("cost", "%s at %.2f %s/kg", amounts(s.FuelKg, p.PerKg, 2, p.Currency), p.PerKg, p.Currency)
	}
	if s.FuelN > 0 {
		r.line("energy", "%s net (%s gross)", amounts(s.EnergyMJ, 1/mJPerKWh, 1, "kWh"), amounts(s.EnergyMJ, gross/mJPerKWh, 1, "kWh"))
		r.line("per night", "%s in the mean, %.2f the least and %.2f kg the most, %s", amounts(s.NightKg, 1, 2, "kg"), s.LeastKg, s.MostKg, nightsN(s.FuelN))
	}
	r.line("per degree-hour", "%s, %s net, %s, %.0f K·h", amounts(s.PerDegreeHourKg, 1000, 2, "g/(K·h)"),
		amounts(s.PerDegreeHourMJ, 1000/mJPerKWh, 1, "Wh/(K·h)"), nightsN(s.DegreeN), s.DegreeHours)
	r.line("heat loss", "%s", heatWords(s.Heat))
	if ua := s.Heat.EnvelopeWPerK(cfg.Core.Nights.HeaterEfficiencyFrac, lpg.Net); ua.Known() {
		r.line("", "%s for the van itself, the heater at %.0f %% of the net value", amounts(ua, 1, 0, "W/K"), 100*cfg.Core.Nights.HeaterEfficiencyFrac)
	} else {
		r.line("", "of the van itself: unknown, %s", ua.Why)
	}
	r.line("heater", "%.0f h lit", s.HeaterH)
	if s.ElectricN > 0 {
		r.line("electricity", "%.0f Wh, %.1f Ah by the configured loads, %s", s.EnergyWh, s.ChargeAh, nightsN(s.ElectricN))
	}
	if s.ShortN > 0 {
		r.line("ran short", "%s: the cylinder empty, or the heater without gas", nightsN(s.ShortN))
	}
	r.line("unwatched", "%.1f h", s.UnseenH)
	r.line("", "%s", forecastWords(s.Forecasts))
	return r.err
}

// nightsN is how many nights a number rests on.
func nightsN(n int) string {
	if n == 1 {
		return "1 night"
	}
	return fmt.Sprintf("%d nights", n)
}

// report is lines with a word in front; it keeps the first error.
type report struct {
	out io.Writer
	err error
}

func (r *report) line(word, format string, args ...any) {
	if r.err == nil {
		_, r.err = fmt.Fprintf(r.out, "%-16s "+format+"\n", append([]any{word}, args...)...)
	}
}

// amounts is a quantity in another unit, with its 95 % interval, or why it is not known.
func amounts(q estimate.Quantity, by float64, digits int, unit string) string {
	if !q.Known() {
		return "unknown: " + q.Why
	}
	return fmt.Sprintf("%s %s (%s–%s)", number(q.Value*by, digits), unit, number(q.Low*by, digits), number(q.High*by, digits))
}

// heatWords says the heat loss and whether it is this van's.
func heatWords(h nights.HeatLoss) string {
	q := h.FuelWPerK
	said := show.Choice{}.Value(q.Value, q.Low, q.High, show.WPerK) + " as fuel, net heating value, the heater's own losses in it"
	if !h.Learned {
		return said + "; " + q.Why
	}
	return fmt.Sprintf("%s; by %d nights, the last %s", said, h.NightsN, h.LastDate)
}
