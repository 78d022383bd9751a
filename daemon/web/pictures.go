package web

import (
	"context"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/daemon/show"
)

const (
	traceSpan   = 6 * time.Hour // how far back the small traces reach
	tracePoints = 36            // ten minutes each: finer costs bytes and shows no more on a phone
	stripPast   = 28            // nights behind that the strip has: four weeks to scroll through
)

// draw adds the pictures: the strip of nights, and a trace for each line of numbers. What
// the store does not give is left out; the words stand without it.
func (s *Server) draw(ctx context.Context, d *pageData, snap *core.Snapshot) {
	if s.opt.Past == nil {
		return
	}
	for _, rows := range [][]row{d.Tonight, d.Now} {
		for i := range rows {
			if rows[i].Series != "" {
				rows[i].Trace = s.trace(ctx, rows[i], d.Look, snap)
			}
		}
	}
	past, err := s.opt.Past.Nights(ctx, stripPast)
	if err != nil {
		s.opt.Log.Error("nights not read", "err", err)
		return
	}
	tonight, _ := s.lived(&frame{snap: snap})
	d.Strip, d.Ahead = strip(past, snap, d.Look, tonight)
	d.Cost, d.CostSays = s.cost(ctx, snap, d.Look)
}

// trace draws the last hours of one line, or nothing if there are none.
func (s *Server) trace(ctx context.Context, r row, l look, snap *core.Snapshot) template.HTML {
	to := snap.Stamp.Wall
	from := to.Add(-traceSpan)
	buckets, err := s.opt.Past.Series(ctx, r.Series, from, to, tracePoints)
	if err != nil || len(buckets) == 0 {
		return "" // a channel that was wired today has no past; a failing store is told by the nights
	}
	p := show.TracePicture{Title: r.Word + ", last six hours", SpanS: traceSpan.Seconds()}
	least, most := math.Inf(1), math.Inf(-1)
	for _, b := range buckets {
		least, most = min(least, b.Min), max(most, b.Max)
		p.Pieces = append(p.Pieces, show.Piece{FromS: b.FromWall.Sub(from).Seconds(), LengthS: b.Length.Seconds(),
			Min: b.Min, Mean: b.Mean, Max: b.Max})
	}
	p.Desc = strings.TrimSpace("between " + l.choice().Interval(least, most, r.unit) + " " + r.past)
	if r.Series == bandSeries {
		p.Desc = "highest band " + bandAt(most)
	}
	return template.HTML(show.Trace(p)) // show escapes what it is given
}

// bandSeries is the gas band as the history keeps it, 0 blind to 4 leave.
const bandSeries = "gas_band"

func bandAt(n float64) string {
	all := bands()
	return all[min(len(all)-1, max(0, int(n)))]
}

// strip draws the nights behind, each a link to its own page, and those ahead. The night of
// tonight, if it has begun, is a link too.
func strip(past []nights.Night, snap *core.Snapshot, l look, tonight string) (behind, ahead template.HTML) {
	past = slices.Clone(past)
	slices.SortStableFunc(past, func(a, b nights.Night) int { return strings.Compare(a.Date, b.Date) })
	left := snap.Tonight.NightsLeft
	p := show.NightsPicture{Title: "Nights", Units: l.choice(),
		LeftLow: math.NaN(), Left: math.NaN(), LeftHigh: math.NaN(),
		Tonight: show.NightBar{Label: "tonight", Kg: math.NaN(), LowC: math.NaN()}}
	if left.Known() {
		p.LeftLow, p.Left, p.LeftHigh = left.Low, left.Value, left.High
		p.Desc = l.choice().Value(left.Value, left.Low, left.High, show.Nights) + " left in the cylinder"
		p.Tonight.Kg = perNight(snap.Est.FuelKg, left)
	} else {
		p.Desc = l.choice().Text("nights left unknown: " + left.Why)
	}
	for _, n := range past {
		p.Past = append(p.Past, show.NightBar{Label: weekday(n.Date), Kg: orNaN(n.BurnedKg), LowC: orNaN(n.OutsideLowC), Target: nightTarget(n.Date)})
	}
	if low := snap.Tonight.ExpectedLowC; low.Known() {
		p.Tonight.LowC = low.Value
	}
	if tonight != "" {
		p.Tonight.Target = nightTarget(tonight)
	}
	a, b := show.StripOfNights(p)
	return template.HTML(a), template.HTML(b) // show escapes what it is given
}

// perNight is what one of the nights left is taken to burn.
func perNight(fuel, left estimate.Quantity) float64 {
	if !fuel.Known() || left.Value < 0.1 {
		return math.NaN()
	}
	return fuel.Value / left.Value
}

func weekday(date string) string {
	day, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return ""
	}
	return day.Format("Mon 2")
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}
