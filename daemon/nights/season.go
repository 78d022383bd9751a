package nights

import (
	"math"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// Season is what many nights cost together. Each number says by its own count how many of
// the nights it rests on. The errors of the nights are added and not squared: they come from
// one scale, which is off the same way every night.
type Season struct {
	FromDate, ToDate string
	NightsN          int

	FuelN    int // nights whose fuel is known
	FuelKg   estimate.Quantity
	EnergyMJ estimate.Quantity // on the net heating value; of the nights that say it, brought to FuelN

	NightKg            estimate.Quantity // mean
	LeastKg, MostKg    float64           // of one night
	DegreeN            int               // nights whose fuel and degree-hours are known
	DegreeHours        float64           // together, K h
	PerDegreeHourKg    estimate.Quantity // fuel for each kelvin-hour of cabin above outside
	PerDegreeHourMJ    estimate.Quantity
	HeaterH, UnseenH   float64
	ElectricN          int // nights with loads
	EnergyWh, ChargeAh float64
	ShortN             int // nights whose gas ran short
	Heat               HeatLoss
	Forecasts          Calibration
}

// SeasonOf adds up rows of the ledger, oldest first.
func SeasonOf(rows []Night) Season {
	s := Season{NightsN: len(rows), LeastKg: math.Inf(1), MostKg: math.Inf(-1), Heat: HeatLossOf(rows), Forecasts: Score(rows)}
	if len(rows) > 0 {
		s.FromDate, s.ToDate = rows[0].Date, rows[len(rows)-1].Date
	}
	var fuel, cold span
	var energyMJ, energyKg float64
	for i := range rows {
		n := &rows[i]
		s.UnseenH += n.GapH
		if n.HeaterH != nil {
			s.HeaterH += *n.HeaterH
		}
		if n.RanShort {
			s.ShortN++
		}
		if len(n.Loads) > 0 {
			s.ElectricN++
		}
		for _, u := range n.Loads {
			s.EnergyWh, s.ChargeAh = s.EnergyWh+u.EnergyWh, s.ChargeAh+u.ChargeAh
		}
		if n.BurnedKg == nil || n.BurnedLowKg == nil || n.BurnedHighKg == nil {
			continue
		}
		s.FuelN++
		fuel.add(n)
		s.LeastKg, s.MostKg = min(s.LeastKg, *n.BurnedKg), max(s.MostKg, *n.BurnedKg)
		if n.EnergyMJ != nil {
			energyMJ, energyKg = energyMJ+*n.EnergyMJ, energyKg+*n.BurnedKg
		}
		if n.DegreeHours != nil && !n.gappy() {
			s.DegreeN++
			s.DegreeHours += *n.DegreeHours
			cold.add(n)
		}
	}
	perKgMJ := netMJPerKg() // rows of before they said their energy
	if energyKg > 0 {
		perKgMJ = energyMJ / energyKg
	}
	s.FuelKg = fuel.times(1, s.FuelN > 0, "no night whose fuel is known")
	s.EnergyMJ = fuel.times(perKgMJ, s.FuelN > 0, s.FuelKg.Why)
	s.NightKg = fuel.times(1/math.Max(float64(s.FuelN), 1), s.FuelN > 0, s.FuelKg.Why)
	const leastDegreeHours = 1
	known, why := s.DegreeHours >= leastDegreeHours, "no night with its fuel and both thermometers"
	s.PerDegreeHourKg = cold.times(1/math.Max(s.DegreeHours, leastDegreeHours), known, why)
	s.PerDegreeHourMJ = cold.times(perKgMJ/math.Max(s.DegreeHours, leastDegreeHours), known, why)
	if s.FuelN == 0 {
		s.LeastKg, s.MostKg = 0, 0
	}
	return s
}

// span is a sum of fuel with its ends.
type span struct{ kg, lowKg, highKg float64 }

func (s *span) add(n *Night) {
	s.kg, s.lowKg, s.highKg = s.kg+*n.BurnedKg, s.lowKg+*n.BurnedLowKg, s.highKg+*n.BurnedHighKg
}

func (s span) times(f float64, known bool, why string) estimate.Quantity {
	if !known {
		return estimate.Unknown(why)
	}
	return estimate.Quantity{Value: s.kg * f, Low: s.lowKg * f, High: s.highKg * f, Quality: sensors.Good}
}
