package nights

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"frostline/daemon/show"
)

const (
	costPoints  = 16   // of the line
	costMarginC = 2.0  // that the line goes beyond the nights
	costLeastC  = 12.0 // a narrower picture would make a steady spell look wild
	usualNightH = 16.0 // before a night says how long one is
)

// HeatLossOf is the heat loss that rows of the ledger tell, oldest first.
func HeatLossOf(rows []Night) HeatLoss {
	var b heatBook
	for _, n := range rows {
		b.add(n)
	}
	return b.heatLoss()
}

// CostPicture is the heater's fuel by night against the mean outside temperature, over what
// the heat loss says of such nights, rows oldest first. Nights are brought to the length of
// the last one, nightH hours.
func CostPicture(rows []Night, h HeatLoss) (p show.CostPicture, nightH float64) {
	p = show.CostPicture{Title: "Fuel by night against the cold", Typical: !h.Learned}
	nightH = usualNightH
	if n := len(rows); n > 0 && rows[n-1].WatchedH+rows[n-1].GapH > 1 {
		nightH = rows[n-1].WatchedH + rows[n-1].GapH
	}
	cold, warm := math.Inf(1), math.Inf(-1)
	for _, n := range rows {
		if n.HeaterKg == nil || n.OutsideMeanC == nil || n.WatchedH < 1 {
			continue
		}
		cold, warm = min(cold, *n.OutsideMeanC), max(warm, *n.OutsideMeanC)
		p.Nights = append(p.Nights, show.CostNight{Label: n.Date, OutsideC: *n.OutsideMeanC,
			Kg: *n.HeaterKg / n.WatchedH * nightH, Aside: !n.TellsHeatLoss()})
	}
	if cold > warm {
		cold, warm = -10, 0
	}
	cold, warm = cold-costMarginC, warm+costMarginC
	if short := costLeastC - (warm - cold); short > 0 {
		cold, warm = cold-short/2, warm+short/2
	}
	for i := range costPoints {
		c := cold + (warm-cold)*float64(i)/(costPoints-1)
		if q := h.NightKg(c, 0, nightH); q.Known() {
			p.Line = append(p.Line, show.CostPoint{OutsideC: c, Kg: q.Value, LowKg: q.Low, HighKg: q.High})
		}
	}
	return p, nightH
}

// StripPicture is the nights of the ledger as a strip without a tonight, in order of their
// dates; a bar is named by its day, and the picture says from when to when.
func StripPicture(rows []Night) show.NightsPicture {
	rows = slices.Clone(rows)
	slices.SortStableFunc(rows, func(a, b Night) int { return strings.Compare(a.Date, b.Date) })
	p := show.NightsPicture{Title: "Nights of the ledger", PastOnly: true}
	for _, n := range rows {
		bar := show.NightBar{Kg: math.NaN(), LowC: math.NaN()}
		bar.Label = n.Date[strings.LastIndexByte(n.Date, '-')+1:]
		if n.BurnedKg != nil {
			bar.Kg = *n.BurnedKg
		}
		if n.OutsideLowC != nil {
			bar.LowC = *n.OutsideLowC
		}
		p.Past = append(p.Past, bar)
	}
	if n := len(rows); n > 0 {
		p.Desc = fmt.Sprintf("%d %s, %s to %s", n, plural(float64(n), "night"), rows[0].Date, rows[n-1].Date)
	}
	return p
}
