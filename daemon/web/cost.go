package web

import (
	"context"
	"fmt"
	"html/template"
	"strings"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/daemon/show"
	"frostline/sensors"
)

const (
	costNights    = 60  // as far back as the fit looks
	costExampleC1 = 0.0 // the temperatures whose price is said in words
	costExampleC2 = -10.0
)

func costLines() []line {
	return []line{
		{name: "heat_loss_w_per_k", word: "Heat loss, as fuel", unit: show.WPerK,
			note: "what the heater burns for each kelvin inside above outside, net heating value; its own losses are in it, so the van itself loses less"},
		{name: "heat_gains_w", word: "Spared by people and cooking", unit: show.W, note: "as fuel of the heater"},
		{name: "balance_c", word: "Heater rests from", unit: show.C, note: "outside"},
	}
}

// costRows are the numbers of what the van costs, with the nights they rest on.
func costRows(f *frame, l look) (rows []row) {
	h := f.snap.Tonight.Heat
	for _, x := range costLines() {
		r := x.row(f, l)
		if r.Known && !h.Learned && x.name != "heat_loss_w_per_k" { // the first row says why
			r.Note = join(x.note, "typical, not learned")
		}
		if r.Known && x.name == "balance_c" {
			r.Note = join(r.Note, "the cabin at "+l.choice().Number(h.CabinC, show.C))
		}
		if r.Known && h.Learned && x.name == "heat_loss_w_per_k" {
			r.Note = join(r.Note, fmt.Sprintf("by %d nights, the last %s", h.NightsN, h.LastDate))
		}
		rows = append(rows, r)
	}
	return rows
}

// cost draws fuel by night against the mean outside temperature, over what the heat loss
// says of such nights. Without one there is no picture.
func (s *Server) cost(ctx context.Context, snap *core.Snapshot, l look) (picture template.HTML, says string) {
	h := snap.Tonight.Heat
	if !h.FuelWPerK.Known() {
		return "", ""
	}
	past, err := s.opt.Past.Nights(ctx, costNights)
	if err != nil {
		s.opt.Log.Error("nights not read", "err", err)
		return "", ""
	}
	p, nightH := nights.CostPicture(past, h)
	p.Units = l.choice()
	p.Desc = costWords(h, nightH, l)
	return template.HTML(show.Cost(p)), p.Desc + " " + costLegend(p, nightH) // show escapes what it is given
}

// costWords says the line at two temperatures.
func costWords(h nights.HeatLoss, nightH float64, l look) string {
	at := func(c float64) string {
		return said(h.NightKg(c, 0, nightH), show.Kg, l) + " at " + l.choice().Number(c, show.C)
	}
	whose := "A night's heat takes "
	if !h.Learned {
		whose = "What this van takes is not known yet. A typical van takes "
	}
	return whose + at(costExampleC1) + " outside in the mean, " + at(costExampleC2) + "."
}

func said(q estimate.Quantity, u show.Unit, l look) string {
	if q.Quality < sensors.Suspect {
		return show.Unknown
	}
	return l.choice().Value(q.Value, q.Low, q.High, u)
}

func costLegend(p show.CostPicture, nightH float64) string {
	parts := []string{"A dot is a night, per " + show.Number(nightH, show.H)}
	for _, n := range p.Nights {
		if n.Aside {
			parts = append(parts, "a ring one that does not count: mild, not heated, driven, or hardly watched")
			break
		}
	}
	return strings.Join(append(parts, "19 nights in 20 fall in the band"), "; ") + "."
}
