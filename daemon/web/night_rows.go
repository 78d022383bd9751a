package web

import (
	"fmt"
	"strings"

	"frostline/daemon/show"
)

// rows are the numbers of the ledger's row. What it does not know is left out, but for the
// fuel, which is what people look for.
func (n *night) rows() (out []row) {
	r, c := n.row, n.l.choice()
	add := func(word, value, unit, interval, note string) {
		out = append(out, row{Word: word, Value: value, Unit: unit, Range: interval, Note: note, Known: true})
	}
	// between says a number with its interval, or says that there is none.
	between := func(word string, v, low, high *float64, u show.Unit, note string) {
		if v == nil {
			return
		}
		if low == nil || high == nil {
			value, unit, _ := c.Parts(*v, *v, *v, u)
			add(word, value, unit, "", note)
			return
		}
		value, unit, interval := c.Parts(*v, *low, *high, u)
		add(word, value, unit, interval, note)
	}
	if r.BurnedKg == nil {
		out = append(out, row{Word: "Burned", Value: show.Unknown, Note: "too little of the night was weighed"})
	}
	energy := ""
	if r.EnergyMJ != nil {
		energy = fmt.Sprintf("%.1f kWh of heat, net, its losses in it", *r.EnergyMJ/3.6)
	}
	between("Burned", r.BurnedKg, r.BurnedLowKg, r.BurnedHighKg, show.Kg, energy)
	between("Forecast the evening before", r.ForecastKg, r.ForecastLowKg, r.ForecastHighKg, show.Kg, "")
	lit := ""
	if r.HeaterH != nil {
		lit = "lit for " + show.Number(*r.HeaterH, show.H)
	}
	between("By the heater", r.HeaterKg, r.HeaterLowKg, r.HeaterHighKg, show.Kg, lit)
	var uses []string
	for _, a := range r.Appliances {
		uses = append(uses, a.Name+" "+c.Number(a.Kg, show.Kg))
	}
	if len(uses) > 0 {
		out[len(out)-1].Note = join(out[len(out)-1].Note, "likeliest split: "+strings.Join(uses, ", "))
	}
	between("Outside, mean", r.OutsideMeanC, nil, nil, show.C, "as measured")
	between("Outside, low", r.OutsideLowC, nil, nil, show.C, "as measured")
	if r.ExpectedLowC != nil && r.ExpectedLowLeastC != nil && r.ExpectedLowMostC != nil {
		out[len(out)-1].Note = join(out[len(out)-1].Note, "expected "+c.Value(*r.ExpectedLowC, *r.ExpectedLowLeastC, *r.ExpectedLowMostC, show.C))
	}
	between("Cabin, mean", r.CabinMeanC, nil, nil, show.C, "as measured")
	between("Cabin, low", r.CabinLowC, nil, nil, show.C, "as measured")
	between("Coldest pipe", r.PipeLowC, nil, nil, show.C, "as measured")
	if r.DegreeHours != nil {
		value, unit, _ := c.Parts(*r.DegreeHours, *r.DegreeHours, *r.DegreeHours, show.K)
		add("Cold held off", value, unit+" h", "", "cabin above outside, hour by hour")
	}
	between("Supply ratio, least", r.LeastSupplyRatio, nil, nil, show.Ratio, "likeliest, while something burned")
	between("Seat margin, least", r.LeastSeatMarginK, nil, nil, show.K, "likeliest, if the fuel is wet")
	add("Floor gas, highest", r.HighestBand, "", "", certifiedNote)
	add("Alarms raised", fmt.Sprint(r.Alarms), "", "", "")
	add("Watched", strings.TrimSuffix(show.Number(r.WatchedH, show.H), " h"), "h", "", n.gaps())
	return out
}

const certifiedNote = "the certified alarm is the watch"

// gaps says what makes the row less than whole.
func (n *night) gaps() (note string) {
	if n.row.GapH > 0 {
		note = "nobody watched for " + show.Number(n.row.GapH, show.H)
	}
	for _, x := range []struct {
		is   bool
		word string
	}{{n.row.Moved, "driven in the night"}, {n.row.CylinderChanged, "cylinder changed"},
		{n.row.ClockUntrusted, "the clock was not set: its times may be wrong"}, {n.row.RanShort, "the gas ran short"}} {
		if x.is {
			note = join(note, x.word)
		}
	}
	return note
}
